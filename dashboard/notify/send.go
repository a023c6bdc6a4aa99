package notify

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net"
	"runtime/debug"
	"strings"
	"time"
	"unicode/utf8"

	"ashlamp/rules/notice"
)

// Between attempts passes a span drawn evenly from leastWait to what doubles with each
// attempt, up to mostWait ("full jitter"): after an outage not all come back at the same
// moment. Common practice, no source.
const (
	leastWait = time.Second
	mostWait  = 15 * time.Minute
	// mostLater is how long the other side may ask to be left alone: it asks for minutes;
	// one that asks for a week would keep an alarm for a week.
	mostLater = 6 * time.Hour
	// maxTrouble is how much is kept of what the other side said, in characters.
	maxTrouble = 300
)

// wait is how long to wait after so many attempts, with a random number from 0 to 1.
func wait(attempts int, random float64) time.Duration {
	span := float64(leastWait) * math.Pow(2, float64(min(max(attempts, 1), 30)))
	span = min(span, float64(mostWait))
	return leastWait + time.Duration(random*(span-float64(leastWait)))
}

// deliver makes one attempt at a letter that is due, if it is still true. It returns false
// where the store failed before the attempt.
func (o *Office) deliver(ctx context.Context, l Letter) bool {
	m, ok, err := o.begin(ctx, l)
	if err != nil {
		o.c.Log.Error("a message cannot be sent", "person", l.Person, "way", l.Way, "error", err)
		return false
	}
	if !ok {
		return true
	}
	out := o.outcome(m, o.send(ctx, m))
	log := o.c.Log.With("person", l.Person, "way", l.Way, "cause", l.Cause, "turn", l.N, "attempt", m.Attempt)
	if out.gone {
		log.Warn("the browser is no longer reached, and rung no longer")
		o.lose(ctx, l.Person, l.Way)
	}
	if out.State != Taken {
		log.Warn("a message was not taken", "trouble", out.Trouble)
	} else {
		log.Info("a message was taken")
	}
	// What became of it is written down also where the office closes.
	err = o.c.Outbox.Update(context.WithoutCancel(ctx), func(t Tx) error {
		_, err := t.MarkLetter(l.ID, out.Outcome)
		return err
	})
	if err != nil {
		log.Error("what became of a message is not written down; it is sent again", "error", err)
	}
	return true
}

// lose forgets a browser that is no longer reached. Another way has nothing to forget.
func (o *Office) lose(ctx context.Context, person, way string) {
	id, ok := strings.CutPrefix(way, pushPrefix)
	if !ok {
		return
	}
	err := o.people.alter(context.WithoutCancel(ctx), person, func(r *record) error {
		r.unsubscribe(id, true, o.c.Clock.Now())
		return nil
	})
	if err != nil {
		o.c.Log.Error("a browser that is no longer reached is not forgotten", "person", person, "error", err)
	}
}

// unreadable is said of a letter whose text another version of the daemon wrote.
const unreadable = "This message can no longer be read."

// begin sees whether the letter is still to be sent, and writes down that it is being
// sent, all in one transaction: what it tells was so when that was written. It returns
// false where it is not to be sent now.
func (o *Office) begin(ctx context.Context, l Letter) (m Message, ok bool, err error) {
	var b body
	if wrong := json.Unmarshal(l.Body, &b); wrong != nil {
		err = o.c.Outbox.Update(ctx, func(t Tx) error {
			_, err := t.MarkLetter(l.ID, Outcome{At: o.c.Clock.Now(), State: GivenUp, Trouble: unreadable})
			return err
		})
		return m, false, err
	}
	all := o.people.all()
	err = o.c.Outbox.Update(ctx, func(t Tx) error {
		now := o.c.Clock.Now()
		ends, later, err := o.reconsider(t, l, b, all, now)
		switch {
		case err != nil:
			return err
		case ends != "":
			_, err = t.MarkLetter(l.ID, Outcome{At: now, State: NoLongerSo, Trouble: strings.TrimSpace(ends)})
			return err
		case later.After(now):
			_, err = t.MarkLetter(l.ID, Outcome{At: now, State: Waiting, Due: later})
			return err
		}
		// Should the daemon die of it, it is tried again as if it had failed. While it lives
		// no other attempt is begun by the same way before this one has ended.
		ok, err = t.BeginLetter(l.ID, now.Add(wait(l.Attempts+1, o.c.Random())))
		return err
	})
	if err != nil || !ok {
		return m, false, err
	}
	m = Message{
		ID: l.ID, Tag: b.Tag, To: l.Person, Way: l.Way, Line: b.Line, Tail: b.Tail, Place: b.Place, Notice: b.Notice,
		Until: l.Until, Attempt: l.Attempts + 1,
	}
	if l.Way == mail {
		m.Address = all[l.Person].Choice.Mail
	}
	return m, true, nil
}

// reconsider says why a letter ends unsent, or until when it is put off; a space where
// there is nothing to say of it.
func (o *Office) reconsider(t Tx, l Letter, b body, all map[string]record, now time.Time) (ends string, later time.Time, err error) {
	latest, ok, err := t.LatestTurn(l.Cause)
	if err != nil {
		return "", now, err
	}
	r, known := all[l.Person]
	back := b.Notice.Turn == notice.Over || b.Notice.Turn == notice.Seen
	switch {
	case ok && latest.N > l.N:
		return " ", now, nil
	case !now.Before(l.Until):
		return "Nobody took it before it was too old.", now, nil
	case !known:
		return l.Person + " is no longer among the shed's people.", now, nil
	case !o.hasWay(r, l.Way):
		return "This way is no longer there.", now, nil
	case !back && !wants(r.Choice, b.Notice):
		return "It is no longer what " + l.Person + " chose to be told.", now, nil
	}
	if back {
		for _, c := range b.Causes {
			ls, err := t.LettersOf(c)
			if err != nil {
				return "", now, err
			}
			for had := range told(ls) {
				if had == (dest{l.Person, l.Way}) {
					return "", now, nil
				}
			}
		}
		return "Nobody was told by this way that it is so.", now, nil
	}
	if promises(b.Notice) && !o.c.Current(b.Notice.Engine) {
		return "", now.Add(judgedAgain), nil
	}
	if !presses(b.Notice) {
		return "", quietUntil(r.Choice, o.c.Zone, now), nil
	}
	return "", now, nil
}

// promises reports whether somebody acts on it as on something proven.
func promises(n notice.Notice) bool { return n.Kind == notice.Ready || n.Kind == notice.CoolEnough }

func (o *Office) hasWay(r record, way string) bool {
	for _, w := range o.waysTo(r) {
		if w == way {
			return true
		}
	}
	return false
}

// send makes the attempt. A way out that breaks down takes no more with it than the
// attempt.
func (o *Office) send(ctx context.Context, m Message) (err error) {
	ctx, cancel := context.WithTimeout(ctx, SendTimeout)
	defer cancel()
	defer func() {
		if p := recover(); p != nil {
			o.c.Log.Error("a way out broke down", "way", m.Way, "panic", p, "stack", string(debug.Stack()))
			err = fmt.Errorf("the way out broke down: %v", p)
		}
	}()
	return o.c.Ways[kindOf(m.Way)].Send(ctx, m)
}

// outcome is what an attempt came to.
type outcome struct {
	Outcome
	gone bool
}

func (o *Office) outcome(m Message, err error) outcome {
	now := o.c.Clock.Now()
	out := outcome{Outcome: Outcome{At: now, State: Taken, Tried: true}}
	if err == nil {
		return out
	}
	out.Trouble, out.Unsent = clip(err.Error()), unsent(err)
	var later *Later
	switch {
	case errors.Is(err, ErrGone):
		out.State, out.gone = GivenUp, true
	case errors.Is(err, ErrRefused):
		out.State = GivenUp
	default:
		w := wait(m.Attempt, o.c.Random())
		if errors.As(err, &later) {
			w = max(w, min(later.After, mostLater))
		}
		out.State, out.Due = Waiting, now.Add(w)
	}
	return out
}

// unsent reports whether the other side certainly does not have it: it said so, or was
// never reached.
func unsent(err error) bool {
	var later *Later
	var op *net.OpError
	var dns *net.DNSError
	var cert *tls.CertificateVerificationError
	return errors.Is(err, ErrGone) || errors.Is(err, ErrRefused) || errors.Is(err, ErrUnsent) || errors.As(err, &later) ||
		errors.As(err, &op) && op.Op == "dial" || errors.As(err, &dns) || errors.As(err, &cert)
}

// clip leaves of what the other side said as much as fits into a line or two.
func clip(s string) string {
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "�")), " ")
	if utf8.RuneCountInString(s) > maxTrouble {
		s = string([]rune(s)[:maxTrouble-1]) + "…"
	}
	return s
}
