package main

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/daemon/stage"
	"ashlamp/dashboard/message"
	"ashlamp/ingest/door/doortest"
	"ashlamp/rules"
	"ashlamp/rules/evidence"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// forgetful is a node without a memory: what it cannot send is gone.
type forgetful struct {
	node.Carrier
	away bool
	// heard is when the last pack of the engine's own was carried.
	heard time.Time
}

func (f *forgetful) Carry(ctx context.Context, p node.Pack) error {
	if f.away {
		return nil
	}
	if !p.Shed {
		f.heard = p.Sent
	}
	return f.Carrier.Carry(ctx, p)
}

// outage is one time without a broker.
type outage struct {
	// when is the step during whose being proven the broker is killed.
	when string
	long time.Duration

	begun, ended time.Time
	// heard is when the last sample before it was taken.
	heard time.Time
	// could are the evidence, by step, that could be told when it began; back is
	// when each could be told again.
	could map[string]bool
	back  map[string]time.Time
	// fell is when each could no longer be told.
	fell map[string]time.Time
}

// limits is how long each evidence may be told without a sample: the longest limit of
// the engine's own channels that it needs, or of the shed's where it needs no other.
func limits(s message.State) map[string]time.Duration {
	own, air := map[string]time.Duration{}, map[string]time.Duration{}
	for _, step := range rules.Steps() {
		for _, d := range append(step.Needs, step.AtRest...) {
			for _, ch := range d.Needs {
				of := own
				if ch.OfShed() {
					of = air
				}
				of[d.ID] = max(of[d.ID], time.Duration(s.Channels[ch].FreshS*float64(time.Second)))
			}
		}
	}
	for id, d := range air {
		if own[id] == 0 {
			own[id] = d
		}
	}
	return own
}

// TestBrokerKilledInTheMiddle: an outside broker is killed while steps are proven,
// stays away for minutes of the daemon's clock, which goes on, and comes back. The
// node keeps nothing of what it measured meanwhile.
//
// It is not killed while the cocks run: a blow-down that nobody saw is never proven
// afterwards, and need not be.
func TestBrokerKilledInTheMiddle(t *testing.T) {
	t.Parallel()
	broker := doortest.StartMosquitto(t, "allow_anonymous true")
	outages := []*outage{
		{when: "drop-fire", long: 3 * time.Minute},
		{when: "move-under-steam", long: 3 * time.Minute},
		{when: "plugs-out", long: 3 * time.Minute},
		{when: "drain-tanks", long: 3 * time.Minute},
		// Longer than any limit: samples of the air count for 15 min.
		{when: "open-smokebox", long: 16 * time.Minute},
	}
	w := &watch{t: t, broker: broker, left: outages}
	p := prepare(t, shed(t, broker.URL(), false), stage.Options{
		Engines: []stage.Engine{{
			World: world.Marrow(), Door: stage.MQTT, Seed: 7,
			Intervals: node.Intervals{Pressure: 5 * time.Second, Temperature: 10 * time.Second, Tank: 30 * time.Second, Shed: time.Minute},
			Between: func(c node.Carrier) node.Carrier {
				w.link = &forgetful{Carrier: c}
				return w.link
			},
		}},
		Linger: time.Minute, Before: w.before,
	})
	w.state = func() message.State {
		s, _ := p.app.Hub().State("marrow")
		// It was published when something last changed.
		s.At = p.clock.Now()
		return s
	}
	p.run(t)
	if len(w.left) > 0 {
		t.Errorf("%s was never proven, so the broker was not killed during it", w.left[0].when)
	}
	for _, o := range outages {
		slowest, evidence := time.Duration(0), ""
		for e := range o.could {
			at, ok := o.back[e]
			if !ok {
				t.Errorf("broker killed while %s was proven: %s could be told before it and never again", o.when, e)
				continue
			}
			if d := at.Sub(o.ended); d > slowest {
				slowest, evidence = d, e
			}
		}
		t.Logf("broker killed at %s while %s was proven, away for %s: %d evidence could be told, %d fell to cannot-tell, the last %s after the last sample; the last to come back was %s, %s after the broker",
			o.begun.Format("15:04:05"), o.when, o.long, len(o.could), len(o.fell), latest(o.fell, o.heard), evidence, slowest)
	}
	a := turns(verdicts(t, p.data, "marrow"))
	if !strings.HasSuffix(words(a["house"]), "proven") {
		t.Errorf("at the end house was %s", timed(a["house"]))
	}
}

func latest(m map[string]time.Time, from time.Time) time.Duration {
	var d time.Duration
	for _, at := range m {
		d = max(d, at.Sub(from))
	}
	return d
}

// watch kills the broker and looks at what becomes of the verdicts.
type watch struct {
	t      *testing.T
	broker *doortest.Mosquitto
	link   *forgetful
	state  func() message.State
	left   []*outage
	now    *outage
	past   []*outage
}

// before is called with everything at rest; date is what the clock shows next.
func (w *watch) before(ctx context.Context, date time.Time) error {
	if w.link == nil {
		return nil
	}
	s := w.state()
	switch {
	case w.now == nil:
		w.look(s)
		if len(w.left) > 0 && proven(s, w.left[0].when) {
			w.begin(s)
		}
	case s.At.Sub(w.now.begun) < w.now.long:
		w.check(s)
	default:
		w.check(s)
		return w.end(ctx, s)
	}
	return nil
}

func proven(s message.State, step string) bool {
	for _, st := range s.Steps {
		if st.ID == step {
			return st.Verdict == verdict.Proven
		}
	}
	return false
}

// each calls f for every evidence that samples bear.
func each(s message.State, f func(step message.Step, r message.Reason)) {
	for _, st := range s.Steps {
		for _, r := range st.Because {
			if evidence.Borne(r.Evidence) {
				f(st, r)
			}
		}
	}
}

func (w *watch) begin(s message.State) {
	o := w.left[0]
	w.left, w.now = w.left[1:], o
	o.heard = w.link.heard
	o.begun, o.could, o.back, o.fell = s.At, map[string]bool{}, map[string]time.Time{}, map[string]time.Time{}
	each(s, func(_ message.Step, r message.Reason) {
		if r.Verdict != verdict.CannotTell {
			o.could[r.Evidence] = true
		}
	})
	w.broker.Kill()
	w.link.away = true
}

func (w *watch) check(s message.State) {
	limit, silent := limits(s), s.At.Sub(w.link.heard)
	each(s, func(st message.Step, r message.Reason) {
		if r.Verdict == verdict.CannotTell {
			if _, ok := w.now.fell[r.Evidence]; !ok && w.now.could[r.Evidence] {
				w.now.fell[r.Evidence] = s.At
			}
			return
		}
		if silent <= limit[r.Evidence] {
			return
		}
		w.t.Errorf("%s: %s after the last sample %s of %s is %s (%s); its limit is %s",
			s.At.Format("15:04:05"), silent, r.Evidence, st.ID, r.Verdict, r.Text, limit[r.Evidence])
		if st.Verdict == verdict.Proven {
			w.t.Errorf("%s: and so %s stays proven", s.At.Format("15:04:05"), st.ID)
		}
	})
}

// end starts the broker again and waits until the daemon hears through it.
func (w *watch) end(ctx context.Context, s message.State) error {
	for _, st := range s.Steps {
		if st.Verdict == verdict.Proven {
			w.t.Errorf("%s: %s is proven without a sample for %s", s.At.Format("15:04:05"), st.ID, s.At.Sub(w.link.heard))
		}
	}
	w.broker.Start()
	heard := make(chan struct{})
	o := paho.NewClientOptions().AddBroker(w.broker.URL()).SetClientID("watch").SetAutoReconnect(false)
	c := paho.NewClient(o)
	if t := c.Connect(); t.Wait() && t.Error() != nil {
		return fmt.Errorf("connect to the broker: %w", t.Error())
	}
	defer c.Disconnect(0)
	// The broker has forgotten what it kept: this comes once the daemon has subscribed.
	var once bool
	t := c.Subscribe("sheds/fernhollow/daemon/here", 0, func(_ paho.Client, m paho.Message) {
		if strings.Contains(string(m.Payload()), `"up":true`) && !once {
			once = true
			close(heard)
		}
	})
	if t.Wait() && t.Error() != nil {
		return fmt.Errorf("subscribe: %w", t.Error())
	}
	select {
	case <-heard:
	case <-ctx.Done():
		return ctx.Err()
	}
	w.link.away = false
	w.now.ended = s.At
	w.past, w.now = append(w.past, w.now), nil
	return nil
}

// look notes what can be told again after an outage.
func (w *watch) look(s message.State) {
	each(s, func(_ message.Step, r message.Reason) {
		if r.Verdict == verdict.CannotTell {
			return
		}
		for _, o := range w.past {
			if _, ok := o.back[r.Evidence]; !ok {
				o.back[r.Evidence] = s.At
			}
		}
	})
}
