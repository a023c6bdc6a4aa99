package rerun_test

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/daemon/rerun"
	"ashlamp/dashboard/message"
	"ashlamp/ingest"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

// start is when the node is switched on; the disposal begins ten minutes later.
var start = time.Date(2031, 5, 4, 15, 0, 0, 0, time.UTC)

const lasts = 8000 // s

func quillet() engine.Engine {
	e := engine.Engine{
		ID: "quillet", Name: "Quillet", WorkingPressure: 10, BoilerVolume: 400, BlowDownPipe: true,
		LayUp: telemetry.Dry, EmptiedBy: engine.Empty, Limits: limit.Defaults(10, 400),
		Channels: map[telemetry.Channel]engine.Channel{},
	}
	for _, id := range []telemetry.Channel{telemetry.Firebox, telemetry.Smokebox, telemetry.ShellTop} {
		e.Channels[id] = engine.Channel{ID: id, Uncertainty: 2.5, Low: math.NaN(), High: math.NaN()}
	}
	return e
}

// reads are what the sensors say s seconds after start: the smokebox falls by one kelvin
// a minute, the firebox by five.
func reads(s float64) map[telemetry.Channel]float64 {
	return map[telemetry.Channel]float64{
		telemetry.Firebox:  700.04 - s/12,
		telemetry.Smokebox: 200.04 - s/60,
		telemetry.ShellTop: 60.04 - s/600,
	}
}

// kept is an evening as a daemon leaves it: its samples, what was said, and each verdict
// as its judge found it then.
func kept(t *testing.T, e engine.Engine) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "s.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	j, err := rules.New(e)
	if err != nil {
		t.Fatal(err)
	}
	note := func(kind string, at time.Time, body any) {
		b, err := json.Marshal(body)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Note(t.Context(), e.ID, []store.Entry{{At: at, Kind: kind, Body: b}}); err != nil {
			t.Fatal(err)
		}
	}
	found := func(changes []rules.Change) {
		for _, c := range changes {
			switch {
			case c.Step != nil:
				note(judge.KindVerdict, c.Step.At, c.Step)
			case c.Passage != nil:
				note(judge.KindPassage, c.Passage.At, c.Passage)
			case c.Lapse != nil:
				note(judge.KindLapsed, c.Lapse.At, c.Lapse)
			}
		}
	}
	said := []telemetry.Event{
		{At: start.Add(602 * time.Second), Kind: telemetry.DisposalBegun, By: "R. Penhalow"},
		{At: start.Add(902 * time.Second), Kind: telemetry.Confirmed, Subject: "fire-dropped", By: "R. Penhalow"},
		{At: start.Add(1002 * time.Second), Kind: telemetry.Confirmed, Subject: "blower-shut", By: "R. Penhalow"},
	}
	found(j.Advance(start))
	var batches []ingest.Batch
	for i := 0; i < lasts; i += 5 {
		at := start.Add(time.Duration(i) * time.Second)
		for len(said) > 0 && said[0].At.Before(at) {
			note(said[0].Kind.String(), said[0].At, said[0])
			changes, err := j.Hear(said[0])
			if err != nil {
				t.Fatal(err)
			}
			found(changes)
			said = said[1:]
		}
		b := ingest.Batch{Engine: e.ID, Node: "cab", Received: at.Add(time.Second)}
		for ch, v := range reads(float64(i)) {
			b.Samples = append(b.Samples, telemetry.Sample{Channel: ch, At: at, Value: v, Quality: telemetry.Good})
		}
		batches = append(batches, b)
		found(j.Samples(b.Received, b.Samples))
	}
	if _, err := s.Append(t.Context(), batches); err != nil {
		t.Fatal(err)
	}
	found(j.Advance(start.Add(lasts * time.Second)))
	return s
}

func evening(e engine.Engine, moved limit.Set) rerun.Evening {
	return rerun.Evening{
		Engine: e, ID: "20310504t151002", Begun: start.Add(602 * time.Second), To: start.Add(lasts * time.Second), Limits: moved,
	}
}

func run(t *testing.T, s *store.Store, e rerun.Evening) message.Rerun {
	t.Helper()
	last := -1.0
	out, err := rerun.Run(t.Context(), s, e, func(done float64) {
		if !(done >= last && done <= 1) {
			t.Errorf("progress %g follows %g; want it to rise to 1", done, last)
		}
		last = done
	})
	if err != nil {
		t.Fatal(err)
	}
	if last != 1 {
		t.Errorf("the last progress is %g, want 1", last)
	}
	return out
}

func of(t *testing.T, r message.Rerun, step string) message.RerunStep {
	t.Helper()
	i := slices.IndexFunc(r.Steps, func(s message.RerunStep) bool { return s.Step == step })
	if i < 0 {
		t.Fatalf("there is no step %s among %+v", step, r.Steps)
	}
	return r.Steps[i]
}

// TestByTheLimitsInForceItIsAsItWas: nothing moved, nothing different.
func TestByTheLimitsInForceItIsAsItWas(t *testing.T) {
	s := kept(t, quillet())
	r := run(t, s, evening(quillet(), nil))
	if !r.Faithful || len(r.Limits) != 0 || r.Text != "No step would have been first proven at another time." {
		t.Errorf("faithful %v, limits %v, %q", r.Faithful, r.Limits, r.Text)
	}
	proven := 0
	for _, x := range r.Steps {
		if !reflect.DeepEqual(x.Was, x.Now) {
			t.Errorf("%s was %v and is %v", x.Step, x.Was, x.Now)
		}
		if len(x.Was) == 0 || !x.Was[0].From.Equal(r.From) || !x.Was[len(x.Was)-1].To.Equal(r.To) {
			t.Errorf("%s is judged %v, want from %s to %s", x.Step, x.Was, r.From, r.To)
		}
		if x.Why != "" {
			t.Errorf("%s: %q, want nothing to be said", x.Step, x.Why)
		}
		if x.FirstProvenWas != nil {
			proven++
		}
	}
	if proven == 0 {
		t.Error("no step was proven at all: the evening shows nothing")
	}
}

// TestAMovedLimitMovesItsStep: the smokebox falls by one kelvin a minute, so that ten
// kelvin are ten minutes, and a hold that is three minutes longer is three minutes.
func TestAMovedLimitMovesItsStep(t *testing.T) {
	s := kept(t, quillet())
	// Read with 2.5 K it is under 120 °C from 4955 s on, the first sample after
	// 60 × (200.04 + 2.5 − 120) = 4952.4 s, and must stay so for 120 s.
	was := start.Add((4955 + 120) * time.Second)
	for _, tt := range []struct {
		name  string
		moved limit.Set
		by    float64
		says  []string
	}{
		{"colder", limit.Set{limit.OpenSmokebox: 110}, 600, []string{"10 min later", "Held back then by the moved ones: "}},
		{"warmer", limit.Set{limit.OpenSmokebox: 130}, -600, []string{"10 min earlier", "Held back then by those in force: "}},
		{"held longer", limit.Set{limit.Hold: 300}, 180, []string{"3 min later"}},
		{"both", limit.Set{limit.OpenSmokebox: 125, limit.Hold: 180}, -240, []string{"4 min earlier"}},
		{"as it is", limit.Set{limit.OpenSmokebox: 120}, 0, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := run(t, s, evening(quillet(), tt.moved))
			x := of(t, r, "open-smokebox")
			t.Log(x.Why)
			if !r.Faithful {
				t.Error("the limits in force do not give what was recorded")
			}
			if x.FirstProvenWas == nil || x.FirstProvenWas.Sub(was).Abs() > time.Second {
				t.Fatalf("it was first proven %v, want %v", x.FirstProvenWas, was)
			}
			if x.MovedS == nil || *x.MovedS != tt.by {
				t.Fatalf("it moved by %v s (now %v), want %g", x.MovedS, x.FirstProvenNow, tt.by)
			}
			for _, say := range tt.says {
				if !strings.Contains(x.Why, say) {
					t.Errorf("why is %q, want it to say %q", x.Why, say)
				}
			}
			if tt.by == 0 && x.Why != "" {
				t.Errorf("why is %q, want nothing", x.Why)
			}
			for _, y := range r.Steps {
				if y.Step != x.Step && math.IsNaN(tt.moved.At(limit.Hold)) && (y.Why != "" || !reflect.DeepEqual(y.Was, y.Now)) {
					t.Errorf("%s became different too: %q", y.Step, y.Why)
				}
			}
			for _, m := range r.Limits {
				if m.Was == nil || *m.Was != quillet().Limits[limit.Key(m.Key)] || m.Now != tt.moved[limit.Key(m.Key)] {
					t.Errorf("limit %+v is not what was moved", m)
				}
			}
		})
	}
}

// TestALimitThatIsNeverReached: the step is lost, and it is said by what.
func TestALimitThatIsNeverReached(t *testing.T) {
	s := kept(t, quillet())
	r := run(t, s, evening(quillet(), limit.Set{limit.OpenSmokebox: 40}))
	x := of(t, r, "open-smokebox")
	if x.FirstProvenNow != nil || x.MovedS != nil || !strings.Contains(x.Why, "not on this evening") || !strings.Contains(x.Why, "40") {
		t.Errorf("now %v, moved %v, %q", x.FirstProvenNow, x.MovedS, x.Why)
	}
	if want := "No longer proven on this evening: Open smokebox."; r.Text != want {
		t.Errorf("it says %q, want %q", r.Text, want)
	}
}

// TestABookOfOtherLimitsIsSeen: what was written by other limits than those in force is
// not passed off as the moved limits' doing.
func TestABookOfOtherLimitsIsSeen(t *testing.T) {
	then := quillet()
	then.Limits[limit.OpenSmokebox] = 130
	s := kept(t, then)
	r := run(t, s, evening(quillet(), nil))
	x := of(t, r, "open-smokebox")
	if r.Faithful || x.Faithful || !strings.Contains(x.Why, "were others then") {
		t.Errorf("faithful %v and %v, %q; want the difference to be said", r.Faithful, x.Faithful, x.Why)
	}
	if y := of(t, r, "drop-fire"); !y.Faithful {
		t.Errorf("%s is not by that limit, and is called different: %q", y.Step, y.Why)
	}
}

// TestNothingIsWritten: a reckoning leaves the store as it was.
func TestNothingIsWritten(t *testing.T) {
	s := kept(t, quillet())
	before, err := s.ProveBook(t.Context(), "quillet")
	if err != nil {
		t.Fatal(err)
	}
	run(t, s, evening(quillet(), limit.Set{limit.OpenSmokebox: 110}))
	after, err := s.ProveBook(t.Context(), "quillet")
	if err != nil || after != before {
		t.Errorf("the book was %+v and is %+v, %v", before, after, err)
	}
}

// TestItEndsWithItsAsker: given up in the middle, it stops there.
func TestItEndsWithItsAsker(t *testing.T) {
	s := kept(t, quillet())
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	reached := 0.0
	_, err := rerun.Run(ctx, s, evening(quillet(), nil), func(done float64) {
		if reached = done; done > 0.5 {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) || reached > 0.6 {
		t.Errorf("it went on to %g and ended with %v", reached, err)
	}
}
