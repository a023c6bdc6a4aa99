package notifytest

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strings"
)

// Decrypt reads a push message with the keys of its browser (RFC 8291), written from that
// document and RFC 8188, and of nothing that the sender uses.
func Decrypt(private *ecdh.PrivateKey, auth, body []byte) ([]byte, error) {
	// RFC 8188 §2.1: salt (16), record size (4), length of the key id (1), key id.
	if len(body) < 21 {
		return nil, fmt.Errorf("%d bytes are no message of aes128gcm", len(body))
	}
	salt, size, n := body[:16], binary.BigEndian.Uint32(body[16:20]), int(body[20])
	if n != 65 || len(body) < 21+n {
		return nil, fmt.Errorf("a key id of %d bytes is no point on P-256 (RFC 8291 §4)", n)
	}
	sender, record := body[21:21+n], body[21+n:]
	if uint64(len(record)) > uint64(size) {
		return nil, fmt.Errorf("a record of %d bytes with a record size of %d; one record is all that is read (RFC 8291 §4)", len(record), size)
	}
	public, err := ecdh.P256().NewPublicKey(sender)
	if err != nil {
		return nil, fmt.Errorf("the sender's key: %w", err)
	}
	shared, err := private.ECDH(public)
	if err != nil {
		return nil, err
	}
	// RFC 8291 §3.4.
	info := slices.Concat([]byte("WebPush: info\x00"), private.PublicKey().Bytes(), sender)
	ikm, err := hkdf.Key(sha256.New, shared, auth, string(info), 32)
	if err != nil {
		return nil, err
	}
	// RFC 8188 §2.2 and §2.3; the nonce of the first record is the derived one.
	key, err := hkdf.Key(sha256.New, ikm, salt, "Content-Encoding: aes128gcm\x00", 16)
	if err != nil {
		return nil, err
	}
	nonce, err := hkdf.Key(sha256.New, ikm, salt, "Content-Encoding: nonce\x00", 12)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	gcm, err := cipher.NewGCM(block)
	if err != nil {
		return nil, err
	}
	plain, err := gcm.Open(nil, nonce, record, nil)
	if err != nil {
		return nil, fmt.Errorf("it is not for this browser, or not whole: %w", err)
	}
	// RFC 8188 §2: the last record ends in 2 and any number of zeros.
	i := len(plain) - 1
	for i >= 0 && plain[i] == 0 {
		i--
	}
	if i < 0 || plain[i] != 2 {
		return nil, errors.New("the record has no end, or is not the last (RFC 8188 §2)")
	}
	return plain[:i], nil
}

// claims are those of RFC 8292 §2.
type claims struct {
	Audience string `json:"aud"`
	Expires  int64  `json:"exp"`
	Subject  string `json:"sub"`
}

// verifyVAPID verifies an Authorization header (RFC 8292 §3) and returns what it claims
// and the key that signed it.
func verifyVAPID(header string) (claims, string, error) {
	none := claims{}
	rest, ok := strings.CutPrefix(header, "vapid ")
	if !ok {
		return none, "", fmt.Errorf("authorization %q is not vapid (RFC 8292 §3)", header)
	}
	param := map[string]string{}
	for _, p := range strings.Split(rest, ",") {
		k, v, _ := strings.Cut(strings.TrimSpace(p), "=")
		param[k] = v
	}
	point, err := base64.RawURLEncoding.DecodeString(param["k"])
	if err != nil || len(point) != 65 {
		return none, "", fmt.Errorf("k = %q is no uncompressed point on P-256 (RFC 8292 §3.2)", param["k"])
	}
	public, err := ecdsa.ParseUncompressedPublicKey(elliptic.P256(), point)
	if err != nil {
		return none, "", fmt.Errorf("k = %q: %w", param["k"], err)
	}
	parts := strings.Split(param["t"], ".")
	if len(parts) != 3 {
		return none, "", fmt.Errorf("t = %q is no JWT", param["t"])
	}
	var raw [3][]byte
	for i, p := range parts {
		if raw[i], err = base64.RawURLEncoding.DecodeString(p); err != nil {
			return none, "", fmt.Errorf("t, part %d: %w", i+1, err)
		}
	}
	var head struct {
		Alg string `json:"alg"`
		Typ string `json:"typ"`
	}
	if err := json.Unmarshal(raw[0], &head); err != nil || head.Alg != "ES256" || head.Typ != "JWT" {
		return none, "", fmt.Errorf("JWT head %s, want ES256 (RFC 8292 §2)", raw[0])
	}
	if len(raw[2]) != 64 { // RFC 7518 §3.4: R and S of 32 octets each
		return none, "", fmt.Errorf("a signature of %d bytes, want 64 (RFC 7518 §3.4)", len(raw[2]))
	}
	sum := sha256.Sum256([]byte(parts[0] + "." + parts[1]))
	if !ecdsa.Verify(public, sum[:], new(big.Int).SetBytes(raw[2][:32]), new(big.Int).SetBytes(raw[2][32:])) {
		return none, "", errors.New("the JWT is not signed by the key beside it (RFC 8292 §2)")
	}
	var c claims
	if err := json.Unmarshal(raw[1], &c); err != nil {
		return none, "", fmt.Errorf("JWT claims %s: %w", raw[1], err)
	}
	if !strings.HasPrefix(c.Subject, "mailto:") && !strings.HasPrefix(c.Subject, "https://") || strings.HasPrefix(c.Subject, "mailto:mailto:") {
		return none, "", fmt.Errorf("sub %q (RFC 8292 §2.1)", c.Subject)
	}
	return c, param["k"], nil
}
