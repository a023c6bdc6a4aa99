package attack

import (
	"bytes"
	"context"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/world"
)

// TestCampaign is a small campaign of the rules as they are.
func TestCampaign(t *testing.T) {
	n := 200
	if testing.Short() {
		n = 12
	}
	s := play(t, Options{N: n, Seed: 1, Workers: 2})
	if s.Played != n || s.None.Runs == 0 || len(s.Single) == 0 || s.AllPairs.Runs == 0 {
		t.Fatalf("%d played: %d without a fault, %d kinds of single one, %d pairs; want some of each of %d", s.Played, s.None.Runs, len(s.Single), s.AllPairs.Runs, n)
	}
	for _, c := range s.Cases {
		t.Logf("k %d, %s: %s at %.0f s: %+v. Proven by: %s", c.K, c.Kind, c.Step, c.At, c.Truth, c.Because)
	}
	if none, single, _ := s.WronglyProven(); none != 0 || single != 0 {
		t.Errorf("%d steps wrongly proven without a fault, %d with one; want none", none, single)
	}
	if total(s.None.Ready) < 3*s.None.Runs {
		t.Errorf("%d steps ready on %d evenings without a fault; want three and more of each", total(s.None.Ready), s.None.Runs)
	}
}

// TestWhatHoversIsLostOnce plays evenings without a fault on which a reading lies about
// its own bound for many minutes: a smokebox at its limit, a firebox that hardly falls
// any more, one that falls as quickly as one may. Without a deadband each of them gave
// a step and took it away up to six times.
func TestWhatHoversIsLostOnce(t *testing.T) {
	props, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range []int{6222, 7783, 12015, 12197, 20620, 38376} {
		p, err := Draw(2031, k, Faults())
		if err != nil {
			t.Fatal(err)
		}
		if len(p.Faults) > 0 {
			t.Fatalf("evening %d is drawn with %v; want none", k, p.Faults)
		}
		r, err := Play(context.Background(), p, props, Rules, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range r.Steps {
			if s.Losses > 1 {
				t.Errorf("evening %d: %s lost %d times, want once at most", k, step(i), s.Losses)
			}
		}
	}
}

func play(t *testing.T, o Options) *Summary {
	t.Helper()
	s, err := Run(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSameForAnyNumberOfWorkers(t *testing.T) {
	n := 12
	if testing.Short() {
		n = 5
	}
	var want string
	for _, workers := range []int{1, 2, 5} {
		s := play(t, Options{N: n, Seed: 7, Workers: workers})
		s.Workers, s.Took = 1, time.Second
		var b bytes.Buffer
		if err := s.Report(&b); err != nil {
			t.Fatal(err)
		}
		got := b.String() + s.Line()
		if want == "" {
			want = got
		}
		if got != want {
			t.Errorf("%d workers told another story:\n%s\nwant\n%s", workers, got, want)
		}
	}
	if s := play(t, Options{N: n, Seed: 8, Workers: 2}); s.Hours == 0 || strings.Contains(want, s.Line()) {
		t.Error("another seed gave the same campaign")
	}
}

// rash says of every step whatever it is told to say.
type rash struct {
	Judge
	always verdict.Verdict
}

func (r rash) lie(changes []rules.Change) []rules.Change {
	for i := range changes {
		if c := changes[i].Step; c != nil {
			c.Verdict = r.always
		}
	}
	return changes
}

func (r rash) Samples(at time.Time, s []telemetry.Sample) []rules.Change {
	return r.lie(r.Judge.Samples(at, s))
}
func (r rash) Advance(at time.Time) []rules.Change { return r.lie(r.Judge.Advance(at)) }
func (r rash) Changes() []rules.Change             { return r.lie(r.Judge.Changes()) }
func (r rash) Hear(ev telemetry.Event) ([]rules.Change, error) {
	c, err := r.Judge.Hear(ev)
	return r.lie(c), err
}

func judging(always verdict.Verdict) func(engine.Engine) (Judge, error) {
	return func(e engine.Engine) (Judge, error) {
		j, err := Rules(e)
		return rash{j, always}, err
	}
}

func TestAJudgeThatIsWrongIsCaught(t *testing.T) {
	o := Options{N: 8, Seed: 3, Workers: 2}
	if testing.Short() {
		o.N = 4
	}
	o.Judge = judging(verdict.Proven)
	s := play(t, o)
	none, single, pairs := s.WronglyProven()
	if none+single+pairs < 5*o.N {
		t.Errorf("a judge to whom all is proven was caught %d times in %d disposals; want all of five steps in each", none+single+pairs, o.N)
	}
	for _, c := range s.Cases {
		if c.Because == "" || !(c.At >= c.Proven) {
			t.Errorf("k %d, %s: caught at %.0f s, proven since %.0f, because %q", c.K, c.Step, c.At, c.Proven, c.Because)
		}
	}

	o.Judge = judging(verdict.NotYet)
	o.Faults = []string{"packs-doubled"}
	s = play(t, o)
	if none, single, pairs := s.WronglyProven(); none+single+pairs != 0 {
		t.Errorf("a judge to whom nothing is ever proven was caught %d times", none+single+pairs)
	}
	if total(s.None.Never)+s.IntactNever == 0 {
		t.Error("a judge to whom nothing is ever proven passed for one that is merely slow")
	}
}

func TestLine(t *testing.T) {
	want := regexp.MustCompile(`^campaign: disposals=\d+ faults=\d+ wrongly_proven_none=\d+ wrongly_proven_single=\d+ wrongly_proven_pairs=\d+ never_none=\d+ never_intact=\d+ alarms_good_evening=[\d.]+ delay_p50_min=[\d.]+ delay_p95_min=[\d.]+ per_second=[\d.]+$`)
	s := NewSummary(Options{N: 2, Faults: Faults()})
	for k, faults := range [][]string{nil, {"level-open"}} {
		r := Result{K: k, Faults: faults, Kind: strings.Join(faults, ""), Struck: math.NaN()}
		r.Steps[house] = Timing{Ready: true, Delay: 360}
		s.Add(&r)
	}
	s.Took = time.Second
	if got := s.Line(); !want.MatchString(got) {
		t.Errorf("%s\nwant the form %s", got, want)
	}
}

// TestARebuiltJudge: after a daemon was killed and restarted, the evening goes on
// and is judged to its end.
func TestARebuiltJudge(t *testing.T) {
	props, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	restarted, housed, n := 0, 0, 12
	if testing.Short() {
		n = 6
	}
	for k := range n {
		p, err := Draw(11, k, []string{"daemon-restarted"})
		if err != nil {
			t.Fatal(err)
		}
		if len(p.Faults) == 0 {
			continue
		}
		r, err := Play(context.Background(), p, props, Rules, nil)
		if err != nil {
			t.Fatal(err)
		}
		restarted += r.Restarts
		if r.Restarts > 0 && r.Housed {
			housed++
		}
		for _, w := range r.Wrong {
			t.Errorf("k %d: %s wrongly proven at %.0f s by %s", k, w.Step, w.At, w.Because)
		}
	}
	if restarted < n/3 || housed < restarted/2 {
		t.Errorf("%d restarts in %d evenings, and %d of those housed; want a third and more, most of them housed", restarted, n, housed)
	}
}

func TestBounds(t *testing.T) {
	e := world.Quillet()
	good := world.Truth{ // emptied, cold and housed
		Elapsed: 20000, Pressure: 0, Liquid: 0.5, Residue: 1, Fluid: 40, Top: 40, Bottom: 40, Boiling: 99.5,
		Firebox: 40, Smokebox: 35, AirTemperature: 12, CO: 1e-6, PlugsOut: true, Humidity: 0.3,
	}
	hot := good
	hot.Liquid, hot.Fluid, hot.Top, hot.Bottom = 60, 120, 120, 120
	for _, c := range []struct {
		name string
		edit func(x *world.Truth)
		step step
		want bool
	}{
		{"all good", func(*world.Truth) {}, plugsOut, true},
		{"pressure at the bound", func(x *world.Truth) { x.Pressure = 0.20e5 }, plugsOut, true},
		{"pressure over it", func(x *world.Truth) { x.Pressure = 0.201e5 }, plugsOut, false},
		{"a vacuum under it", func(x *world.Truth) { x.Pressure = -0.201e5 }, plugsOut, false},
		{"pressure not a number", func(x *world.Truth) { x.Pressure = math.NaN() }, plugsOut, false},
		{"water that boils", func(x *world.Truth) { *x = hot }, plugsOut, false},
		{"the same water, cold", func(x *world.Truth) { *x = hot; x.Fluid = 98.9 }, plugsOut, true},
		{"the same water, just under boiling", func(x *world.Truth) { *x = hot; x.Fluid = 99.1 }, plugsOut, false},
		{"hot, and 2 % left", func(x *world.Truth) { *x = hot; x.Liquid = 9 }, plugsOut, true},
		{"hot, and more left", func(x *world.Truth) { *x = hot; x.Liquid = 9.1 }, plugsOut, false},
		{"embers", func(x *world.Truth) { x.Fire = 0.05 }, openSmokebox, true},
		{"a fire", func(x *world.Truth) { x.Fire = 0.06 }, openSmokebox, false},
		{"a hot firebox", func(x *world.Truth) { x.Firebox = 406 }, drainTanks, false},
		{"a warm smokebox", func(x *world.Truth) { x.Smokebox = 106 }, house, false},
		{"a tank with water", func(x *world.Truth) { x.Tanks[1] = 0.07 }, house, false},
		{"bad air", func(x *world.Truth) { x.CO = 30e-6 }, house, false},
		{"housed", func(*world.Truth) {}, house, true},
		{"a hand on it", func(*world.Truth) {}, reachIn, true},
		{"too hot for a hand", func(x *world.Truth) { x.Firebox = 49 }, reachIn, false},
		{"no steam", func(*world.Truth) {}, moveUnderSteam, false},
		{"steam", func(x *world.Truth) { x.Pressure = 2.9e5 }, moveUnderSteam, true},
		{"dry", func(*world.Truth) {}, sealDry, true},
		{"damp", func(x *world.Truth) { x.Humidity = 0.46 }, sealDry, false},
	} {
		d := &Disposal{plan: Plan{Engine: e}}
		x := good
		c.edit(&x)
		if got := d.hold(&x).so[c.step]; got != c.want {
			t.Errorf("%s: %s is so %v, want %v: %+v", c.name, c.step, got, c.want, x)
		}
	}
}

func TestDraw(t *testing.T) {
	kinds := map[int]int{}
	for k := range 1000 {
		p, err := Draw(5, k, Faults())
		if err != nil {
			t.Fatal(err)
		}
		kinds[len(p.Faults)]++
		if len(p.Faults) == 2 && p.Faults[0] == p.Faults[1] {
			t.Errorf("k %d: a pair of one fault, %v", k, p.Faults)
		}
		if bad := Spec(p.Engine, p.Quiet).Check(); len(bad) > 0 {
			t.Errorf("k %d: the engine's declaration is refused: %v", k, bad)
		}
	}
	for n, want := range []int{100, 600, 300} {
		if d := kinds[n] - want; d < -60 || d > 60 {
			t.Errorf("%d of 1000 disposals with %d faults, want about %d", kinds[n], n, want)
		}
	}
	if n := len(Faults()); n < 50 {
		t.Errorf("%d kinds of fault, want 50 and more", n)
	}
	for _, f := range []string{"broker-gone", "broker-gone-late", "daemon-restarted"} {
		if !slices.Contains(Faults(), f) {
			t.Errorf("%s is not among the faults", f)
		}
	}
}

func TestRunRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		o    Options
		want string
	}{
		{"an unknown fault", Options{N: 1, Workers: 1, Faults: []string{"gremlins"}}, "gremlins"},
		{"no disposals", Options{Workers: 1}, "at least one"},
		{"no workers", Options{N: 1}, "at least one"},
	} {
		if _, err := Run(context.Background(), c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error that says %q", c.name, err, c.want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, Options{N: 1, Workers: 1}); err == nil {
		t.Error("a campaign that was called off ended as if it had been played")
	}
}

// BenchmarkDisposal is one disposal after another on one core, and beside it the
// same worlds without a judge.
func BenchmarkDisposal(b *testing.B) {
	props, err := boiler.NewProperties()
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		judge func(engine.Engine) (Judge, error)
	}{{"rules", Rules}, {"no judge", func(engine.Engine) (Judge, error) { return idle{}, nil }}} {
		b.Run(c.name, func(b *testing.B) {
			packs, k := 0, 0
			for b.Loop() {
				p, err := Draw(1, k, Faults())
				if err != nil {
					b.Fatal(err)
				}
				r, err := Play(context.Background(), p, props, c.judge, nil)
				if err != nil {
					b.Fatal(err)
				}
				packs += r.Packs
				k++
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "disposals/s")
			b.ReportMetric(float64(packs)/float64(b.N), "packs/disposal")
		})
	}
}

// idle judges nothing: what is left is the raw cost of the worlds. Its crews wait
// for their lamp in vain, and play longer evenings for it.
type idle struct{}

func (idle) Samples(time.Time, []telemetry.Sample) []rules.Change { return nil }
func (idle) Hear(telemetry.Event) ([]rules.Change, error)         { return nil, nil }
func (idle) Advance(time.Time) []rules.Change                     { return nil }
func (idle) Next() (time.Time, bool)                              { return time.Time{}, false }
func (idle) Changes() []rules.Change                              { return nil }
