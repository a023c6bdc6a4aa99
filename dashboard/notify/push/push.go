// Package push brings a message to an installed page by way of its browser's push service:
// posted by RFC 8030, encrypted for that browser alone by RFC 8291, and signed by RFC 8292,
// so that the service knows who sends but not what is said.
package push

import (
	"context"
	"crypto/ecdh"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/SherClockHolmes/webpush-go"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// mostTTL is how long a push service is asked to keep a message at most, in seconds: four
// weeks, the longest that services are known to keep one. From memory.
const mostTTL = 28 * 24 * 3600

// topicLen is how long a topic may be (RFC 8030 §5.4), in characters of base64url.
const topicLen = 32

// Keys are the shed's own signing keys (RFC 8292 §2), base64url without padding: a scalar
// and a point on P-256.
type Keys struct {
	Private string `json:"private"`
	Public  string `json:"public"`
}

// NewKeys makes keys. Who makes new ones loses every browser: subscriptions hold for one
// key only (RFC 8292 §4).
func NewKeys() (Keys, error) {
	private, public, err := webpush.GenerateVAPIDKeys()
	if err != nil {
		return Keys{}, fmt.Errorf("make the keys for push: %w", err)
	}
	return Keys{Private: private, Public: public}, nil
}

// check says what is wrong with keys; those of two different pairs would be refused by
// every push service.
func (k Keys) check() error {
	b, err := base64.RawURLEncoding.DecodeString(k.Private)
	if err != nil {
		return errors.New("the private key is not base64url")
	}
	private, err := ecdh.P256().NewPrivateKey(b)
	if err != nil {
		return fmt.Errorf("the private key: %w", err)
	}
	if base64.RawURLEncoding.EncodeToString(private.PublicKey().Bytes()) != k.Public {
		return errors.New("the public key is not that of the private one")
	}
	return nil
}

// Subscription is where a browser is reached (W3C Push API): P256dh and Auth are its keys
// (RFC 8291 §3.1), base64url.
type Subscription struct{ Endpoint, P256dh, Auth string }

// Config is what push is made of. All but HTTP and Now are required.
type Config struct {
	// Subject is whom a push service may ask (RFC 8292 §2.1), "mailto:…" or "https://…".
	// Services are known to refuse what names nobody.
	Subject string
	Keys    Keys
	// Lookup returns the subscription of the id in a message's way; false where there is
	// none any more.
	Lookup func(id string) (Subscription, bool)
	// HTTP is the client; nil for one that trusts whom the machine trusts.
	HTTP *http.Client
	// Now tells the time by which a message's Until counts; nil for the machine's. The
	// signature lapses by the machine's own, as the push service will judge it by its own.
	Now func() time.Time
}

// Push is a [notify.Way].
type Push struct{ c Config }

var _ notify.Way = (*Push)(nil)

// New returns push by the configuration, or what is wrong with it.
func New(c Config) (*Push, error) {
	if !strings.HasPrefix(c.Subject, "mailto:") && !strings.HasPrefix(c.Subject, "https://") {
		return nil, fmt.Errorf("push: subject %q names nobody whom a push service may ask; set notify.push.subject, as \"mailto:custodian@fernhollow.example\"", c.Subject)
	}
	if err := c.Keys.check(); err != nil {
		return nil, fmt.Errorf("push: %w; keys that are lost are made anew, and every browser must then be subscribed again", err)
	}
	if c.Lookup == nil {
		return nil, errors.New("push: nobody says where the browsers are reached; give Lookup")
	}
	if c.HTTP == nil {
		c.HTTP = posted.Client(nil)
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	return &Push{c}, nil
}

// payload is what the page's worker reads.
type payload struct {
	Line  string      `json:"line"`
	Tag   string      `json:"tag"`
	Place string      `json:"place"`
	Until time.Time   `json:"until"`
	Turn  notice.Turn `json:"turn"`
	N     int         `json:"n"`
	At    time.Time   `json:"t"`
	// Wakes is that it is worth a sound: what begins or becomes worse, and what was said of
	// an engine and is not so, for somebody may be on the way to push it.
	Wakes bool `json:"wakes"`
}

func wakes(n notice.Notice) bool {
	switch n.Turn {
	case notice.Began, notice.Worse:
		return true
	case notice.Over:
		return (n.Kind == notice.Ready || n.Kind == notice.CoolEnough) && !n.Facts.Done
	}
	return false
}

// meaning is what answers mean by RFC 8030 §5 and §7.3: 404 and 410 are that the
// subscription is over; 400 and 413 that this message is wrong, whenever it is sent.
var meaning = posted.Meaning{
	Who:     "the push service",
	Gone:    []int{http.StatusNotFound, http.StatusGone},
	Refused: []int{http.StatusBadRequest, http.StatusRequestEntityTooLarge},
}

// Send implements [notify.Way]. A message that has not reached the browser yet is replaced
// at the push service by the next of the same tag, and by its own repeat.
func (p *Push) Send(ctx context.Context, m notify.Message) error {
	id, ok := strings.CutPrefix(m.Way, "push/")
	if !ok {
		return fmt.Errorf("push: %q is no browser: %w", m.Way, notify.ErrRefused)
	}
	s, ok := p.c.Lookup(id)
	if !ok {
		return fmt.Errorf("push: the browser %s is subscribed no longer: %w", id, notify.ErrGone)
	}
	// What is sent is for the eyes of one browser, but who is told of an engine, and when,
	// is nobody's business on the way.
	if u, err := url.Parse(s.Endpoint); err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil {
		return fmt.Errorf("push: the browser %s gave no https address to be reached at: %w", id, notify.ErrRefused)
	}
	b, err := json.Marshal(payload{m.Line, m.Tag, m.Place, m.Until.UTC(), m.Notice.Turn, m.Notice.N, m.Notice.At.UTC(), wakes(m.Notice)})
	if err != nil {
		return fmt.Errorf("push: %w: %w", err, notify.ErrRefused)
	}
	now := p.c.Now()
	ctx, sending := posted.Watch(ctx)
	r, err := webpush.SendNotificationWithContext(ctx, b,
		&webpush.Subscription{Endpoint: s.Endpoint, Keys: webpush.Keys{Auth: s.Auth, P256dh: s.P256dh}},
		&webpush.Options{
			HTTPClient: p.c.HTTP,
			// The library puts "mailto:" before all that is not https.
			Subscriber:      strings.TrimPrefix(p.c.Subject, "mailto:"),
			Topic:           topic(m.Tag),
			TTL:             ttl(m.Until, now),
			Urgency:         urgency(m.Notice),
			VAPIDPublicKey:  p.c.Keys.Public,
			VAPIDPrivateKey: p.c.Keys.Private,
		})
	switch {
	case errors.Is(err, webpush.ErrMaxPadExceeded):
		return fmt.Errorf("push: the message is too long: %w", notify.ErrRefused)
	case err != nil && r == nil && !reached(err):
		return fmt.Errorf("push: the browser's keys cannot be used (%w): %w", err, notify.ErrRefused)
	case err != nil:
		return meaning.Failed(hide(err), sending)
	}
	return meaning.Answer(r, now)
}

// reached reports whether the failure is one of posting; what the library says before is
// of the keys.
func reached(err error) bool {
	var u *url.Error
	return errors.As(err, &u)
}

// hide leaves the host of an endpoint in an error, and nothing of its path: who knows the
// whole of it can try to reach the browser.
func hide(err error) error {
	var u *url.Error
	if !errors.As(err, &u) {
		return err
	}
	if at, bad := url.Parse(u.URL); bad == nil {
		return fmt.Errorf("%s: %w", at.Host, u.Err)
	}
	return u.Err
}

// topic is the same for a cause's turns, and tells the push service nothing of it.
func topic(tag string) string {
	sum := sha256.Sum256([]byte(tag))
	return base64.RawURLEncoding.EncodeToString(sum[:])[:topicLen]
}

// ttl is for how many seconds the push service keeps the message (RFC 8030 §5.2); 0 is
// for now or never.
func ttl(until, now time.Time) int {
	return int(min(max(until.Sub(now)/time.Second, 0), mostTTL))
}

// urgency is what wakes a phone (RFC 8030 §5.3): "high" reaches one that lies in a pocket
// with its battery low, "normal" may wait until it is next awake. What takes a ring back
// is as urgent as the ring was.
func urgency(n notice.Notice) webpush.Urgency {
	if n.Turn == notice.Seen {
		return webpush.UrgencyNormal // it rings nobody
	}
	switch n.Kind {
	case notice.CoolEnough, notice.Ready, notify.Test:
		return webpush.UrgencyHigh
	case notice.Moved:
		return webpush.UrgencyNormal
	}
	if n.Priority <= alarm.Medium { // the more pressing, the less
		return webpush.UrgencyHigh
	}
	return webpush.UrgencyNormal
}
