package crew_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/simulators/crew"
)

const bar = 1e5

func plan() crew.Plan {
	return crew.Plan{LayUp: telemetry.Dry, EmptiedBy: "empty", Working: 10 * bar, BlowDownMin: 0.5 * bar, BlowDownMax: 3.1 * bar, Cocks: 2, Tanks: 2}
}

// heard keeps what was said.
type heard struct {
	events []telemetry.Event
	fail   error
}

func (h *heard) Say(_ context.Context, e telemetry.Event) error {
	h.events = append(h.events, e)
	return h.fail
}

func (h *heard) times(id string) (at []time.Time) {
	for _, e := range h.events {
		if e.Kind == telemetry.Confirmed && e.Subject == id {
			at = append(at, e.At)
		}
	}
	return at
}

// lights is a lamp set by hand.
type lights map[string]string

func (l lights) Verdict(step string) string { return l[step] }

var start = time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)

// shift lets a crew work for a time in front of what it sees.
type shift struct {
	c *crew.Crew
	t float64
}

func (s *shift) run(t *testing.T, seconds float64, see crew.Sight) {
	t.Helper()
	for end := s.t + seconds; s.t < end; s.t += 5 {
		if err := s.c.Tick(context.Background(), s.t, 5, start.Add(time.Duration(s.t)*time.Second), &see); err != nil {
			t.Fatal(err)
		}
	}
}

// until lets it work until a stage.
func (s *shift) until(t *testing.T, stage string, see crew.Sight) {
	t.Helper()
	for limit := s.t + 7200; s.c.Stage() != stage; {
		if s.t > limit {
			t.Fatalf("still at %s, not %s, after two hours", s.c.Stage(), stage)
		}
		s.run(t, 5, see)
	}
}

func TestEachStepWaitsForItsLamp(t *testing.T) {
	lamp, ears := lights{}, &heard{}
	c, err := crew.New(plan(), crew.Careful("R. Penhalow"), lamp, ears)
	if err != nil {
		t.Fatal(err)
	}
	s := &shift{c: c}
	steam := crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 1100, Smokebox: 280, Shell: 170, Boiling: 99.4, Tank: 0.4, Pipe: 25}
	ready := steam
	ready.Gauge, ready.Firebox = 2.5*bar, 280
	empty := crew.Sight{Firebox: 240, Smokebox: 140, Shell: 130, Boiling: 99.4, Tank: 0.4, Pipe: 40}
	drained := empty
	drained.Tank, drained.Smokebox, drained.Firebox = 0, 60, 90

	for _, step := range []struct {
		stage, verdict string
		see            crew.Sight
		undone         func(crew.Hands) bool
		done           string // the stage that follows
	}{
		{"prove-glasses", "drop-fire", steam, func(h crew.Hands) bool { return h.Fire > 0 }, "drop-fire"},
		{"try-brake", "move-under-steam", steam, func(h crew.Hands) bool { return !h.Moving }, "move"},
		{"blow-down", "blow-down", ready, func(h crew.Hands) bool { return h.Cocks == [2]float64{} }, "run-out"},
		{"plugs", "plugs-out", empty, func(h crew.Hands) bool { return h.Plugs == 0 && h.Vent == 1 }, ""},
		{"tanks", "drain-tanks", empty, func(h crew.Hands) bool { return !h.Drain }, ""},
		{"smokebox", "open-smokebox", drained, func(h crew.Hands) bool { return h.Smokebox == 0 }, ""},
		{"house", "house", drained, func(h crew.Hands) bool { return !h.Housed }, "home"},
	} {
		see := step.see
		switch step.stage {
		case "plugs":
			// Water runs, then nothing, then the pipe cools.
			see.Running, see.Pipe = 1, 99
			s.run(t, 100, see)
			see.Running, see.Pipe = 0, 40
		case "smokebox":
			see.Tank = 0
		}
		s.until(t, step.stage, see)
		s.run(t, 1800, see)
		if s.c.Stage() != step.stage || !step.undone(s.c.Hands) {
			t.Fatalf("%s was done unproven: at %s, %+v", step.verdict, s.c.Stage(), s.c.Hands)
		}
		lamp[step.verdict] = "proven"
		s.run(t, 10, see)
		if step.done != "" {
			if s.c.Stage() != step.done {
				t.Fatalf("%s proven: at %s, want %s", step.verdict, s.c.Stage(), step.done)
			}
		} else if step.undone(s.c.Hands) {
			t.Fatalf("%s proven and still nothing done: %+v", step.verdict, s.c.Hands)
		}
	}
	if !c.Home() {
		t.Error("not home")
	}
	for _, e := range ears.events {
		if e.By != "R. Penhalow" || e.At.Before(start) {
			t.Errorf("%+v", e)
		}
	}
}

// What lapses while the crew waits is said again in time.
func TestConfirmationsAreRenewed(t *testing.T) {
	for _, c := range []struct {
		stage, id string
		lapse     time.Duration
		see       crew.Sight
		lamp      lights
	}{
		{"prove-glasses", "glasses-proved", 30 * time.Minute, crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 1100}, lights{}},
		{"try-brake", "brake-tried", time.Hour, crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 300}, lights{"drop-fire": "proven"}},
		{"try-brake", "ash-pan-shut", time.Hour, crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 300}, lights{"drop-fire": "proven"}},
		{"blow-down", "people-clear", 10 * time.Minute, crew.Sight{Gauge: 2.5 * bar, Glass: 0.86, Firebox: 300},
			lights{"drop-fire": "proven", "move-under-steam": "proven"}},
	} {
		ears := &heard{}
		m := crew.Careful("x")
		m.Patience = 1e9
		worker, err := crew.New(plan(), m, c.lamp, ears)
		if err != nil {
			t.Fatal(err)
		}
		s := &shift{c: worker}
		full := c.see
		full.Gauge = 7 * bar
		s.until(t, "prove-glasses", full)
		s.until(t, c.stage, c.see)
		s.run(t, 4*3600, c.see)
		at := ears.times(c.id)
		if len(at) < 3 {
			t.Errorf("%s: said %d times in four hours", c.id, len(at))
		}
		for i := 1; i < len(at); i++ {
			if at[i].Sub(at[i-1]) >= c.lapse {
				t.Errorf("%s lapsed: said at %v and %v", c.id, at[i-1], at[i])
			}
		}
	}
}

// A lamp that never lights is left behind, but not while the metal is still hot.
func TestPatience(t *testing.T) {
	m := crew.Careful("x")
	m.Patience = 1800
	c, err := crew.New(plan(), m, lights{"drop-fire": "proven", "move-under-steam": "proven", "blow-down": "proven",
		"plugs-out": "proven", "drain-tanks": "proven"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	s := &shift{c: c}
	s.until(t, "drop-fire", crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 1100})
	s.until(t, "run-out", crew.Sight{Gauge: 2.5 * bar, Glass: 0.8, Firebox: 300})
	s.run(t, 100, crew.Sight{Gauge: 2.5 * bar, Running: 2, Pipe: 99, Firebox: 250})
	hot := crew.Sight{Firebox: 240, Smokebox: 140, Pipe: 30}
	s.until(t, "smokebox", hot)
	s.run(t, 6*3600, hot)
	if c.Stage() != "smokebox" || c.Hands.Smokebox != 0 {
		t.Errorf("six hours before a hot smokebox: at %s, door %v; want it to wait", c.Stage(), c.Hands.Smokebox)
	}
	cool := hot
	cool.Smokebox = 80
	s.run(t, 2000, cool)
	if c.Stage() != "house" || c.Hands.Smokebox != 0 {
		t.Errorf("half an hour before a cool one with the lamp dark: at %s, door %v; want it left shut", c.Stage(), c.Hands.Smokebox)
	}
}

// A crew before a dark lamp looks again, and says again what the lamp asks for.
func TestItLooksAgain(t *testing.T) {
	for _, lamp := range []string{"not-yet", "proven"} {
		ears := &heard{}
		c, err := crew.New(plan(), crew.Careful("x"), lights{"drop-fire": "proven", "move-under-steam": "proven", "blow-down": "proven", "plugs-out": lamp}, ears)
		if err != nil {
			t.Fatal(err)
		}
		s := &shift{c: c}
		s.until(t, "drop-fire", crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 1100})
		s.until(t, "run-out", crew.Sight{Gauge: 2.5 * bar, Glass: 0.8, Firebox: 300})
		s.run(t, 100, crew.Sight{Gauge: 2.5 * bar, Running: 2, Pipe: 99, Firebox: 250})
		s.until(t, "plugs", crew.Sight{Firebox: 240, Smokebox: 140, Pipe: 30})
		s.run(t, 1300, crew.Sight{Firebox: 240, Smokebox: 140, Pipe: 30})
		want := 1
		if lamp != "proven" {
			want = 3 // and after 10 and 20 min
		}
		for _, id := range []string{"cocks-run-dry", "gauge-tried"} {
			if n := len(ears.times(id)); n != want {
				t.Errorf("lamp %s: %s said %d times in 22 min, want %d", lamp, id, n, want)
			}
		}
	}
}

func TestHowFarThePipeFalls(t *testing.T) {
	for _, r := range []struct{ fall, pipe float64 }{{0, 99 - 37}, {50, 99 - 51}} {
		m := crew.Careful("x")
		m.PipeFall = r.fall
		ears := &heard{}
		c, err := crew.New(plan(), m, lights{"drop-fire": "proven", "move-under-steam": "proven", "blow-down": "proven"}, ears)
		if err != nil {
			t.Fatal(err)
		}
		s := &shift{c: c}
		s.until(t, "drop-fire", crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 1100})
		s.until(t, "run-out", crew.Sight{Gauge: 2.5 * bar, Glass: 0.8, Firebox: 300})
		s.run(t, 100, crew.Sight{Gauge: 2.5 * bar, Running: 2, Pipe: 99, Firebox: 250})
		s.run(t, 600, crew.Sight{Firebox: 240, Pipe: r.pipe + 2})
		early := len(ears.times("cocks-run-dry"))
		s.run(t, 60, crew.Sight{Firebox: 240, Pipe: r.pipe})
		if now := len(ears.times("cocks-run-dry")); early != 0 || now != 1 {
			t.Errorf("to fall by %v: said %d times at %v °C, %d at %v; want first at the latter", r.fall, early, r.pipe+2, now, r.pipe)
		}
	}
}

func TestWhoGoesOnBeforeADarkLamp(t *testing.T) {
	for _, on := range []bool{false, true} {
		m := crew.Careful("x")
		m.Patience, m.GoesOn = 1800, on
		c, err := crew.New(plan(), m, lights{}, nil)
		if err != nil {
			t.Fatal(err)
		}
		s := &shift{c: c}
		good := crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 1100}
		s.until(t, "prove-glasses", good)
		s.run(t, 3600, crew.Sight{Gauge: 7 * bar, Glass: 0.3, Firebox: 1100})
		if c.Stage() != "prove-glasses" {
			t.Errorf("with too little water it went on to %s", c.Stage())
		}
		s.run(t, 1700, good)
		if c.Stage() != "prove-glasses" {
			t.Errorf("went on to %s before its patience ended", c.Stage())
		}
		s.run(t, 300, good)
		if gone := c.Stage() != "prove-glasses"; gone != on {
			t.Errorf("one that goes on %v: at %s after its patience has ended", on, c.Stage())
		}
	}
}

func TestAHastyCrewSpeaksTooEarly(t *testing.T) {
	ears := &heard{}
	m := crew.Careful("x")
	m.Hasty = true
	c, err := crew.New(plan(), m, lights{"drop-fire": "proven", "move-under-steam": "proven", "blow-down": "proven"}, ears)
	if err != nil {
		t.Fatal(err)
	}
	s := &shift{c: c}
	s.until(t, "drop-fire", crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 1100})
	s.run(t, 90, crew.Sight{Gauge: 7 * bar, Glass: 0.86, Firebox: 900})
	if len(ears.times("fire-dropped")) == 0 || c.Hands.Fire == 0 {
		t.Errorf("fire-dropped said %d times with fire %.2f", len(ears.times("fire-dropped")), c.Hands.Fire)
	}
	s.until(t, "run-out", crew.Sight{Gauge: 2.5 * bar, Glass: 0.8, Firebox: 300})
	s.run(t, 10, crew.Sight{Gauge: 2.5 * bar, Glass: 0.8, Firebox: 300, Running: 2, Pipe: 99})
	if len(ears.times("cocks-run-dry")) == 0 {
		t.Error("it held its tongue while the cocks ran")
	}
}

func TestItCannotBeHeard(t *testing.T) {
	deaf := errors.New("nobody listens")
	c, err := crew.New(plan(), crew.Careful("x"), nil, &heard{fail: deaf})
	if err != nil {
		t.Fatal(err)
	}
	err = c.Tick(context.Background(), 0, 5, start, &crew.Sight{})
	if !errors.Is(err, deaf) || !strings.Contains(err.Error(), "disposal-begun") {
		t.Errorf("got %v", err)
	}
}

func TestPlans(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*crew.Plan)
		want   string
	}{
		{"emptied hot", func(*crew.Plan) {}, ""},
		{"emptied cold", func(p *crew.Plan) { p.EmptiedBy = "cold" }, ""},
		{"left with water", func(p *crew.Plan) { p.LayUp = telemetry.Short }, ""},
		{"no lay-up", func(p *crew.Plan) { p.LayUp = "" }, "no plan"},
		{"no way of emptying", func(p *crew.Plan) { p.EmptiedBy = "" }, "no plan"},
		{"no window", func(p *crew.Plan) { p.BlowDownMax = 0 }, "window"},
	} {
		p := plan()
		c.change(&p)
		_, err := crew.New(p, crew.Careful("x"), nil, nil)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
}
