package notifytest

import (
	"bytes"
	"crypto/ecdh"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// quiet is where a server says that a client broke off: clients do so in these tests.
var quiet = log.New(io.Discard, "", 0)

// Browser is a browser that is subscribed to a [PushService], with the keys that it keeps
// to itself.
type Browser struct {
	ID string
	// Endpoint, P256dh and Auth are what the browser gives away when it subscribes.
	Endpoint, P256dh, Auth string

	private *ecdh.PrivateKey
	auth    []byte
	// key is the application server key that it subscribed with; empty for any.
	key string
}

// Payload is what a browser reads in a push.
type Payload struct {
	Line  string    `json:"line"`
	Tag   string    `json:"tag"`
	Place string    `json:"place"`
	Until time.Time `json:"until"`
	Turn  string    `json:"turn"`
	N     int       `json:"n"`
	At    time.Time `json:"t"`
	Wakes bool      `json:"wakes"`
}

// Pushed is a message that a [PushService] took.
type Pushed struct {
	Browser string
	Payload Payload
	// At is when it was received, Subject whom the sender names.
	At             time.Time
	TTL            int
	Urgency, Topic string
	Subject        string
	// Bytes is how long it was on the wire.
	Bytes int
}

// PushService is a push service (RFC 8030) on loopback with the browsers that it reaches.
// It verifies who sends (RFC 8292), and reads what its browsers would (RFC 8291). What is
// not by these documents fails the test.
type PushService struct {
	*server
	t testing.TB

	mu       sync.Mutex
	browsers map[string]*Browser
	mood     map[string]Mood // by browser
	got      []Pushed
}

// NewPushService starts a push service; the authority signs its certificate.
func NewPushService(t testing.TB, a *Authority) *PushService {
	t.Helper()
	p := &PushService{t: t, browsers: map[string]*Browser{}, mood: map[string]Mood{}}
	p.server = newServer(t, a.Certificate(t), http.HandlerFunc(p.take))
	return p
}

// Subscribe makes a browser. key is the shed's public key as [message.Alerts.PushKey]
// has it, and everything that is signed with another is refused; empty takes any.
func (p *PushService) Subscribe(key string) *Browser {
	p.t.Helper()
	private, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		p.t.Fatal(err)
	}
	auth := make([]byte, 16)
	_, _ = rand.Read(auth) // it never fails
	p.mu.Lock()
	defer p.mu.Unlock()
	id := fmt.Sprintf("b%d", len(p.browsers)+1)
	b := &Browser{
		ID: id, Endpoint: p.URL() + "/push/" + id,
		P256dh: base64.RawURLEncoding.EncodeToString(private.PublicKey().Bytes()),
		Auth:   base64.RawURLEncoding.EncodeToString(auth), private: private, auth: auth, key: key,
	}
	p.browsers[id] = b
	return b
}

// Answer lets the service answer so for a browser from now on.
func (p *PushService) Answer(browser string, m Mood) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mood[browser] = m
}

// Received returns what was taken, in order.
func (p *PushService) Received() []Pushed {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]Pushed(nil), p.got...)
}

func (p *PushService) take(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return // the sender broke off
	}
	id, _ := strings.CutPrefix(r.URL.Path, "/push/")
	p.mu.Lock()
	b, mood := p.browsers[id], p.mood[id]
	p.mu.Unlock()
	if b == nil {
		http.Error(w, "no such subscription", http.StatusNotFound)
		return
	}
	got, err := b.read(r, body)
	if err != nil {
		p.t.Errorf("push to %s: %v", id, err)
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	if mood != Takes {
		mood.answer(w, r)
		return
	}
	p.mu.Lock()
	p.got = append(p.got, got)
	p.mu.Unlock()
	w.Header().Set("Location", p.URL()+"/message/x") // RFC 8030 §5
	w.WriteHeader(http.StatusCreated)
}

// read verifies a push and decrypts it.
func (b *Browser) read(r *http.Request, body []byte) (Pushed, error) {
	out := Pushed{Browser: b.ID, At: time.Now(), Urgency: r.Header.Get("Urgency"), Topic: r.Header.Get("Topic"), Bytes: len(body)}
	if r.Method != http.MethodPost {
		return out, fmt.Errorf("method %s, want POST (RFC 8030 §5)", r.Method)
	}
	ttl, err := strconv.ParseUint(r.Header.Get("TTL"), 10, 31)
	if err != nil {
		return out, fmt.Errorf("TTL %q is no number of seconds (RFC 8030 §5.2)", r.Header.Get("TTL"))
	}
	out.TTL = int(ttl)
	switch out.Urgency {
	case "very-low", "low", "normal", "high":
	default:
		return out, fmt.Errorf("urgency %q (RFC 8030 §5.3)", out.Urgency)
	}
	if len(out.Topic) > 32 || strings.Trim(out.Topic, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_") != "" {
		return out, fmt.Errorf("topic %q is not at most 32 characters of base64url (RFC 8030 §5.4)", out.Topic)
	}
	if len(body) > 4096 {
		return out, fmt.Errorf("%d bytes; a service need not take more than 4096 (RFC 8030 §7.2)", len(body))
	}
	claims, key, err := verifyVAPID(r.Header.Get("Authorization"))
	if err != nil {
		return out, err
	}
	now := time.Now()
	if origin := "https://" + r.Host; claims.Audience != origin {
		return out, fmt.Errorf("aud %q, want %q (RFC 8292 §2)", claims.Audience, origin)
	}
	if exp := time.Unix(claims.Expires, 0); !exp.After(now) || exp.After(now.Add(24*time.Hour)) {
		return out, fmt.Errorf("exp %s is not within 24 hours of %s (RFC 8292 §2)", exp, now)
	}
	if b.key != "" && key != b.key {
		return out, fmt.Errorf("signed with %s, but subscribed with %s (RFC 8292 §4)", key, b.key)
	}
	out.Subject = claims.Subject
	if e := r.Header.Get("Content-Encoding"); e != "aes128gcm" {
		return out, fmt.Errorf("content encoding %q, want aes128gcm (RFC 8291 §4)", e)
	}
	plain, err := Decrypt(b.private, b.auth, body)
	if err != nil {
		return out, err
	}
	d := json.NewDecoder(bytes.NewReader(plain))
	d.DisallowUnknownFields()
	if err := d.Decode(&out.Payload); err != nil {
		return out, fmt.Errorf("payload %s: %w", plain, err)
	}
	return out, nil
}
