package notify

import (
	"context"
	"crypto/ecdh"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

const (
	// peopleKey stands before a person's name in the keys of what is kept.
	peopleKey = "notify/person/"
	// mostBrowsers is how many a person may have: more phones and desks than anybody
	// uses. Common practice, no source.
	mostBrowsers = 20
	// mostGone is how many browsers are remembered that are no longer reached.
	mostGone = 5
)

// Browser is a push subscription of a person's (W3C Push API).
type Browser struct {
	// ID is a hash of the endpoint; Name what the person calls it.
	ID       string    `json:"id"`
	Name     string    `json:"name"`
	Endpoint string    `json:"endpoint"`
	P256dh   string    `json:"p256dh"`
	Auth     string    `json:"auth"`
	At       time.Time `json:"t"`
}

// record is all that is kept of a person. It is never changed in place.
type record struct {
	Choice   message.AlertsChoice `json:"choice"`
	Browsers []Browser            `json:"browsers,omitempty"`
	// Gone are browsers that the push service said are no longer reached.
	Gone []gone `json:"gone,omitempty"`
}

type gone struct {
	Name string    `json:"name"`
	At   time.Time `json:"t"`
}

// unchosen is what counts for a person who never chose: all but the forecast's moves,
// which come often. Nobody is rung by it before they give a way.
func unchosen() message.AlertsChoice {
	kinds := slices.DeleteFunc(notice.Kinds(), func(k notice.Kind) bool { return k == notice.Moved })
	return message.AlertsChoice{Kinds: kinds, Lowest: alarm.Medium, Pressure: "bar", Temperature: "C"}.Whole()
}

// people are what the shed's people chose, kept in the store. Who reads never waits.
type people struct {
	names  []string
	outbox Outbox
	change sync.Mutex // held by who writes
	now    atomic.Pointer[map[string]record]
}

// readPeople reads what was kept of those people. What cannot be read counts as never
// chosen: it must keep nobody else from being told, nor the engines from being judged.
func readPeople(ctx context.Context, outbox Outbox, names []string, log *slog.Logger) (*people, error) {
	p := &people{names: names, outbox: outbox}
	all := map[string]record{}
	for _, name := range names {
		r := record{Choice: unchosen()}
		b, ok, err := outbox.Get(ctx, peopleKey+name)
		if err != nil {
			return nil, fmt.Errorf("read what %s chose to be told: %w", name, err)
		}
		if ok {
			if err := json.Unmarshal(b, &r); err != nil {
				log.Error("what a person chose to be told cannot be read; they must choose again", "person", name, "error", err)
				r = record{Choice: unchosen()}
			}
		}
		all[name] = r
	}
	p.now.Store(&all)
	return p, nil
}

// all returns what is kept of everybody; it is not to be changed.
func (p *people) all() map[string]record { return *p.now.Load() }

var errNobody = errors.New("nobody of that name is among the shed's people")

// alter changes what is kept of one person; f gets a copy whose lists it may replace but
// not change in place.
func (p *people) alter(ctx context.Context, name string, f func(*record) error) error {
	p.change.Lock()
	defer p.change.Unlock()
	r, ok := p.all()[name]
	if !ok {
		return errNobody
	}
	if err := f(&r); err != nil {
		return err
	}
	b, err := json.Marshal(r)
	if err != nil {
		return err
	}
	if err := p.outbox.Update(ctx, func(t Tx) error { return t.Put(peopleKey+name, b) }); err != nil {
		return fmt.Errorf("keep what %s chose to be told: %w", name, err)
	}
	all := maps.Clone(p.all())
	all[name] = r
	p.now.Store(&all)
	return nil
}

// browser returns a subscription by its id, whoever's it is.
func (p *people) browser(id string) (Browser, bool) {
	all := p.all()
	for _, name := range p.names {
		for _, b := range all[name].Browsers {
			if b.ID == id {
				return b, true
			}
		}
	}
	return Browser{}, false
}

// browserOf makes a browser of what was sent, or says what is wrong with its keys.
func browserOf(in message.AlertsBrowser, now time.Time) (Browser, error) {
	unpadded := func(s string) ([]byte, error) { return base64.RawURLEncoding.DecodeString(strings.TrimRight(s, "=")) }
	point, err := unpadded(in.P256dh)
	if err == nil {
		_, err = ecdh.P256().NewPublicKey(point) // RFC 8291 §3.1: an uncompressed point on P-256
	}
	if err != nil {
		return Browser{}, fmt.Errorf("its p256dh is no public key on the curve P-256: %w", err)
	}
	if auth, err := unpadded(in.Auth); err != nil || len(auth) != 16 { // RFC 8291 §3.2
		return Browser{}, errors.New("its auth is not 16 bytes in base64url")
	}
	sum := sha256.Sum256([]byte(in.Endpoint))
	return Browser{
		ID: strings.ToLower(base32.StdEncoding.EncodeToString(sum[:10])), Name: strings.TrimSpace(in.Name), Endpoint: in.Endpoint,
		P256dh: strings.TrimRight(in.P256dh, "="), Auth: strings.TrimRight(in.Auth, "="), At: now,
	}, nil
}

// subscribe keeps a browser, in place of the one with its id where there is one.
func (r *record) subscribe(b Browser) error {
	others := slices.DeleteFunc(slices.Clone(r.Browsers), func(o Browser) bool { return o.ID == b.ID })
	if len(others) >= mostBrowsers {
		return fmt.Errorf("%d browsers are subscribed already", len(others))
	}
	r.Browsers = append(others, b)
	r.Gone = slices.DeleteFunc(slices.Clone(r.Gone), func(g gone) bool { return g.Name == b.Name })
	return nil
}

// unsubscribe forgets a browser; lost is that it was not the person who said so.
func (r *record) unsubscribe(id string, lost bool, now time.Time) bool {
	i := slices.IndexFunc(r.Browsers, func(b Browser) bool { return b.ID == id })
	if i < 0 {
		return false
	}
	if lost {
		r.Gone = append(slices.Clone(r.Gone), gone{r.Browsers[i].Name, now})
		r.Gone = r.Gone[max(0, len(r.Gone)-mostGone):]
	}
	r.Browsers = slices.Delete(slices.Clone(r.Browsers), i, i+1)
	return true
}

// wants reports whether a person is to be told of a notice at all.
func wants(c message.AlertsChoice, n notice.Notice) bool {
	if !slices.Contains(c.Kinds, n.Kind) {
		return false
	}
	if n.Engine != "" && !n.OfShed && len(c.Engines) > 0 && !slices.Contains(c.Engines, n.Engine) {
		return false
	}
	if other, within := n.Within(); within && slices.Contains(c.Kinds, other) {
		return false // that one says it too
	}
	return n.Kind != notice.Alarm || n.Priority <= c.Lowest // the smaller presses more
}

// presses reports whether a notice rings in quiet hours.
func presses(n notice.Notice) bool {
	switch n.Kind {
	case notice.CoolEnough, notice.Ready, notice.Moved:
		return false
	}
	return n.Priority == alarm.High
}

// quietUntil returns when the quiet hours end that a moment is in; the moment itself
// where it is in none.
func quietUntil(c message.AlertsChoice, zone *time.Location, at time.Time) time.Time {
	from, err1 := time.Parse("15:04", c.QuietFrom)
	to, err2 := time.Parse("15:04", c.QuietTo)
	if err1 != nil || err2 != nil {
		return at // both empty: what is kept was checked before
	}
	y, m, d := at.In(zone).Date()
	for _, day := range []int{d - 1, d} {
		begin := time.Date(y, m, day, from.Hour(), from.Minute(), 0, 0, zone)
		if to.Before(from) {
			day++
		}
		end := time.Date(y, m, day, to.Hour(), to.Minute(), 0, 0, zone)
		if !at.Before(begin) && at.Before(end) {
			return end.UTC()
		}
	}
	return at
}

// units are those that a person reads figures in.
func units(c message.AlertsChoice) notice.Units {
	return notice.Units{PSI: c.Pressure == "psi", Fahrenheit: c.Temperature == "F"}
}

// waysTo are by what a person can be reached as things are: ways that the shed has, and
// that the person gave.
func (o *Office) waysTo(r record) []string {
	var out []string
	if o.c.Ways[push] != nil {
		for _, b := range r.Browsers {
			out = append(out, pushPrefix+b.ID)
		}
	}
	if o.c.Ways[mail] != nil && r.Choice.Mail != "" {
		out = append(out, mail)
	}
	if o.c.Ways[webhook] != nil && r.Choice.Webhook {
		out = append(out, webhook)
	}
	return out
}

// The names of the ways out.
const (
	push, mail, webhook = "push", "mail", "webhook"
	pushPrefix          = push + "/"
)

// kindOf is the way out that a way to a person goes by.
func kindOf(way string) string {
	kind, _, _ := strings.Cut(way, "/")
	return kind
}
