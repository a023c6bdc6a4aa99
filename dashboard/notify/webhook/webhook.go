// Package webhook posts messages to one address, for a gateway that sends them on as SMS
// or for whatever a railway already has: CloudEvents 1.0 in JSON, signed as the Standard
// Webhooks specification says. Both are open, and libraries read them in most languages.
//
// A message is one event. Its id is the same for every attempt, so that a receiver that
// has it already lets the repeat go; data.attempt counts them. The signature is over
// "ID.TIMESTAMP.BODY" with HMAC-SHA256, in base64:
//
//	webhook-id: ID
//	webhook-timestamp: seconds since 1970 of this attempt
//	webhook-signature: v1,BASE64
//
// A receiver compares the signature in constant time, refuses a timestamp that is more
// than five minutes from its clock, and answers 2xx once it has the message on disk. It
// answers 429 or 503 with Retry-After to be left alone, 400, 413, 415, 422 or 410 for what
// it never takes. Whatever else it answers is tried again.
package webhook

import (
	"bytes"
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/rules/notice"
)

// ContentType is that of an event in structured mode (CloudEvents HTTP binding §3.2).
const ContentType = "application/cloudevents+json; charset=utf-8"

// Types of events. There is one for each turn of a cause.
const (
	TypePrefix    = "ashlamp.notice."
	TypeTest      = "ashlamp.test"
	TypeHeartbeat = "ashlamp.heartbeat"
)

// The bounds of a secret, bytes (Standard Webhooks, "Signature scheme").
const (
	leastSecret = 24
	mostSecret  = 64
)

// secretPrefix stands before a secret that is written in base64.
const secretPrefix = "whsec_"

// ParseSecret reads what a secret's file holds: "whsec_" and base64 of 24 to 64 random
// bytes, as `openssl rand -base64 32` makes them.
func ParseSecret(s string) ([]byte, error) {
	const mend = "write whsec_ and what \"openssl rand -base64 32\" prints, all in one line"
	text, ok := strings.CutPrefix(strings.TrimSpace(s), secretPrefix)
	if !ok {
		return nil, fmt.Errorf("the secret does not begin with %q; %s", secretPrefix, mend)
	}
	b, err := base64.RawStdEncoding.DecodeString(strings.TrimRight(text, "="))
	if err != nil {
		return nil, fmt.Errorf("the secret is not base64 behind %q; %s", secretPrefix, mend) // never what it is
	}
	if len(b) < leastSecret || len(b) > mostSecret {
		return nil, fmt.Errorf("the secret has %d bytes, outside %d to %d; %s", len(b), leastSecret, mostSecret, mend)
	}
	return b, nil
}

// Event is a CloudEvent 1.0 in structured mode.
type Event struct {
	SpecVersion string `json:"specversion"`
	ID          string `json:"id"`
	// Source is "sheds/" and the shed's id.
	Source string `json:"source"`
	Type   string `json:"type"`
	// Subject is the engine; empty for the shed.
	Subject         string    `json:"subject,omitempty"`
	Time            time.Time `json:"time"`
	DataContentType string    `json:"datacontenttype"`
	Data            any       `json:"data"`
}

// Data is what a message's event carries.
type Data struct {
	// Line is what is to be read, at most [notice.LineMax] characters; Text a sentence
	// more, in the person's units; may be empty.
	Line string `json:"line"`
	Text string `json:"text,omitempty"`
	// Person is for whom it is, as the shed calls them.
	Person string `json:"person"`
	// Tag is the cause: of several with the same, the one with the highest notice.n counts.
	Tag string `json:"tag"`
	// Page is where it is seen in full; empty where the shed's page has no address.
	Page string `json:"page,omitempty"`
	// Until is when nobody wants to be told any more, Attempt counts from 1.
	Until   time.Time     `json:"until"`
	Attempt int           `json:"attempt"`
	Notice  notice.Notice `json:"notice"`
}

// Config is what a webhook is made of. URL, Secret and Shed are required.
type Config struct {
	URL string
	// Secret signs, bytes as [ParseSecret] returns them.
	Secret []byte
	// Shed is the shed's id.
	Shed string
	// Who is what the receiver is called in an error; empty for "the webhook's receiver".
	Who string
	// Page is the address under which the page is opened, as
	// "https://shed.fernhollow.example"; empty where none is given.
	Page string
	// HTTP is the client; nil for one that trusts whom the machine trusts.
	HTTP *http.Client
	// Now tells the time of an attempt; nil for the machine's. A receiver compares it with
	// its own.
	Now func() time.Time
}

// Webhook is a [notify.Way].
type Webhook struct {
	c       Config
	host    string
	meaning posted.Meaning
}

var _ notify.Way = (*Webhook)(nil)

// New returns a webhook by the configuration, or what is wrong with it.
func New(c Config) (*Webhook, error) {
	if len(c.Secret) == 0 {
		return nil, errors.New("webhook: there is no secret by which the receiver knows that a message is the shed's; see secret_file")
	}
	return NewUnsigned(c)
}

// NewUnsigned is New for what needs no signature where there is no secret, as a heartbeat,
// which says nothing but that it comes.
func NewUnsigned(c Config) (*Webhook, error) {
	u, err := url.Parse(c.URL)
	if err != nil || (u.Scheme != "https" && u.Scheme != "http") || u.Host == "" {
		return nil, errors.New("webhook: url is no address to post to; write one as \"https://gateway.example/ashlamp\"") // it may hold a token
	}
	if n := len(c.Secret); n != 0 && (n < leastSecret || n > mostSecret) {
		return nil, fmt.Errorf("webhook: the secret has %d bytes, outside %d to %d; see secret_file", n, leastSecret, mostSecret)
	}
	if c.Shed == "" {
		return nil, errors.New("webhook: no shed is named; give its id")
	}
	if c.HTTP == nil {
		c.HTTP = posted.Client(nil)
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	return &Webhook{c, u.Host, posted.Meaning{Who: cmp.Or(c.Who, "the webhook's receiver"), Refused: refused}}, nil
}

// refused are the answers by which a message is never taken; 410 is that nothing is wanted
// any more (CloudEvents HTTP webhooks §2.2), and forgets no address, since a person wrote
// it down.
var refused = []int{
	http.StatusBadRequest, http.StatusGone, http.StatusRequestEntityTooLarge,
	http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity,
}

// Send implements [notify.Way].
func (w *Webhook) Send(ctx context.Context, m notify.Message) error {
	d := Data{
		Line: m.Line, Text: m.Tail, Person: m.To, Tag: m.Tag, Until: m.Until.UTC(), Attempt: m.Attempt, Notice: m.Notice,
	}
	if w.c.Page != "" {
		d.Page = w.c.Page + "/" + m.Place
	}
	e := Event{ID: m.ID, Type: TypePrefix + string(m.Notice.Turn), Subject: m.Notice.Engine, Time: m.Notice.At.UTC(), Data: d}
	if m.Notice.Kind == notify.Test {
		e.Type = TypeTest
	}
	return w.Post(ctx, e)
}

// Post posts an event of the shed, signed where there is a secret; its errors are those of [notify.Way]. SpecVersion,
// Source and DataContentType are filled in.
func (w *Webhook) Post(ctx context.Context, e Event) error {
	e.SpecVersion, e.Source, e.DataContentType = "1.0", "sheds/"+url.PathEscape(w.c.Shed), "application/json"
	b, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("webhook: %w: %w", err, notify.ErrRefused)
	}
	ctx, sending := posted.Watch(ctx)
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, w.c.URL, bytes.NewReader(b))
	if err != nil {
		return fmt.Errorf("webhook: %w: %w", err, notify.ErrRefused)
	}
	now := w.c.Now()
	stamp := strconv.FormatInt(now.Unix(), 10)
	r.Header.Set("Content-Type", ContentType)
	r.Header.Set("User-Agent", "ashlamp")
	r.Header.Set("Webhook-Id", e.ID)
	r.Header.Set("Webhook-Timestamp", stamp)
	if len(w.c.Secret) > 0 {
		r.Header.Set("Webhook-Signature", Sign(w.c.Secret, e.ID, stamp, b))
	}
	a, err := w.c.HTTP.Do(r)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) {
			err = fmt.Errorf("%s: %w", w.host, u.Err) // the whole address may hold a token
		}
		return w.meaning.Failed(err, sending)
	}
	return w.meaning.Answer(a, now)
}

// Sign returns the signature of a body: "v1," and base64 of the HMAC-SHA256 over
// "ID.TIMESTAMP.BODY" (Standard Webhooks, "Signature scheme").
func Sign(secret []byte, id, timestamp string, body []byte) string {
	h := hmac.New(sha256.New, secret)
	h.Write([]byte(id + "." + timestamp + "."))
	h.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(h.Sum(nil))
}
