package notifytest

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// Event is a CloudEvent as a [Receiver] reads it.
type Event struct {
	SpecVersion     string          `json:"specversion"`
	ID              string          `json:"id"`
	Source          string          `json:"source"`
	Type            string          `json:"type"`
	Subject         string          `json:"subject"`
	Time            time.Time       `json:"time"`
	DataContentType string          `json:"datacontenttype"`
	Data            json.RawMessage `json:"data"`
	// At is when it came; Header and Body are what came.
	At     time.Time   `json:"-"`
	Header http.Header `json:"-"`
	Body   []byte      `json:"-"`
}

// Receiver is a webhook's receiver on loopback: it verifies the signature and the form of
// each event. What is wrong fails the test.
type Receiver struct {
	*server
	t      testing.TB
	secret []byte
	now    func() time.Time

	mu   sync.Mutex
	mood Mood
	got  []Event
}

// NewReceiver starts a receiver; the authority signs its certificate. An empty secret is
// for what is not signed. now is the time by which signatures are fresh; nil for the machine's.
func NewReceiver(t testing.TB, a *Authority, secret []byte, now func() time.Time) *Receiver {
	t.Helper()
	if now == nil {
		now = time.Now
	}
	r := &Receiver{t: t, secret: secret, now: now}
	r.server = newServer(t, a.Certificate(t), http.HandlerFunc(r.take))
	return r
}

// Answer lets it answer so from now on.
func (r *Receiver) Answer(m Mood) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mood = m
}

// Received returns what was taken, in order.
func (r *Receiver) Received() []Event {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]Event(nil), r.got...)
}

func (r *Receiver) take(w http.ResponseWriter, q *http.Request) {
	body, err := io.ReadAll(q.Body)
	if err != nil {
		return // the sender broke off
	}
	e, err := r.read(q, body)
	if err != nil {
		r.t.Errorf("webhook: %v", err)
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.mood == Takes {
		r.got = append(r.got, e)
	}
	r.mood.answer(w, q)
}

func (r *Receiver) read(q *http.Request, body []byte) (Event, error) {
	e := Event{At: time.Now(), Header: q.Header.Clone(), Body: body}
	if t, _, _ := strings.Cut(q.Header.Get("Content-Type"), ";"); q.Method != http.MethodPost || t != "application/cloudevents+json" {
		return e, fmt.Errorf("%s of %q, want a POST of application/cloudevents+json", q.Method, t)
	}
	if err := json.Unmarshal(body, &e); err != nil {
		return e, fmt.Errorf("body %s: %w", body, err)
	}
	// CloudEvents 1.0 §3.1.1: these are required and not empty.
	if e.SpecVersion != "1.0" || e.ID == "" || e.Source == "" || e.Type == "" || e.Time.IsZero() || e.DataContentType != "application/json" {
		return e, fmt.Errorf("event %s lacks something that it must have", body)
	}
	id, stamp := q.Header.Get("Webhook-Id"), q.Header.Get("Webhook-Timestamp")
	if id != e.ID {
		return e, fmt.Errorf("webhook-id %q of event %q", id, e.ID)
	}
	s, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil || r.now().Sub(time.Unix(s, 0)).Abs() > 5*time.Minute {
		return e, fmt.Errorf("webhook-timestamp %q is not within five minutes of %d", stamp, r.now().Unix())
	}
	if len(r.secret) == 0 {
		return e, nil
	}
	h := hmac.New(sha256.New, r.secret)
	fmt.Fprintf(h, "%s.%s.%s", id, stamp, body)
	for _, sig := range strings.Fields(q.Header.Get("Webhook-Signature")) {
		v, text, _ := strings.Cut(sig, ",")
		if b, err := base64.StdEncoding.DecodeString(text); v == "v1" && err == nil && hmac.Equal(b, h.Sum(nil)) {
			return e, nil
		}
	}
	return e, fmt.Errorf("webhook-signature %q is not of the secret", q.Header.Get("Webhook-Signature"))
}
