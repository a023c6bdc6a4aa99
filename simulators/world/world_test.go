package world_test

import (
	"context"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/crew"
	"ashlamp/simulators/world"
)

const bar = 1e5

func props(t testing.TB) *boiler.Properties {
	t.Helper()
	p, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// book keeps what the crew says, with the truth at that moment.
type book struct {
	w      *world.World
	events []telemetry.Event
	truths []world.Truth
}

func (b *book) Say(_ context.Context, e telemetry.Event) error {
	b.events = append(b.events, e)
	if b.w != nil {
		b.truths = append(b.truths, b.w.Truth())
	} else {
		b.truths = append(b.truths, world.Truth{})
	}
	return nil
}

func (b *book) find(kind telemetry.Kind, subject string) int {
	return slices.IndexFunc(b.events, func(e telemetry.Event) bool { return e.Kind == kind && e.Subject == subject })
}

// evening runs a world until the engine is housed, at most hours.
func evening(t testing.TB, w *world.World, hours, dt float64, each func(world.Truth)) {
	t.Helper()
	for w.Elapsed() < hours*3600 && !w.Home() {
		if err := w.Step(context.Background(), dt); err != nil {
			t.Fatalf("%s: %v: %+v", w.Stage(), err, w.Truth())
		}
		if each != nil {
			each(w.Truth())
		}
	}
}

func TestAnEveningOfEach(t *testing.T) {
	p := props(t)
	for _, e := range []world.Engine{world.Quillet(), world.Marrow()} {
		t.Run(e.ID, func(t *testing.T) {
			b := &book{}
			w, err := world.New(e, p, 1, nil, b)
			if err != nil {
				t.Fatal(err)
			}
			b.w = w
			var stages []string
			var lifted bool
			var pipeHigh, levelAtRun, lowest float64
			evening(t, w, 12, 2, func(x world.Truth) {
				lifted = lifted || x.SafetyLifting
				if x.Running > 0.1 {
					pipeHigh = math.Max(pipeHigh, x.Pipe)
					levelAtRun = math.Max(levelAtRun, x.Glass)
				}
				lowest = math.Min(lowest, x.Pressure)
				if len(stages) == 0 || stages[len(stages)-1] != x.Stage {
					stages = append(stages, x.Stage)
					t.Logf("%s %-13s %6.3f bar, glass %.2f, %5.1f kg, shell %3.0f, firebox %4.0f, smokebox %3.0f, pipe %3.0f °C",
						w.Now().Format("15:04:05"), x.Stage, x.Pressure/bar, x.Glass, x.Liquid, x.Top, x.Firebox, x.Smokebox, x.Pipe)
				}
			})
			if want := []string{"arrive", "fill", "prove-glasses", "drop-fire", "clear-ash", "try-brake", "move", "let-down",
				"blow-down", "run-out", "plugs", "tanks", "smokebox", "house", "home"}; !slices.Equal(stages, want) {
				t.Errorf("stages %v, want %v", stages, want)
			}
			if !w.Home() || w.Elapsed() > 8*3600 {
				t.Errorf("housed %v after %.1f h, want within 8", w.Home(), w.Elapsed()/3600)
			}
			if lifted {
				t.Error("the safety valve lifted on a good evening")
			}
			x := w.Truth()
			if x.Liquid > 0.01 || x.Tanks[0] > 0.02 || x.Tanks[1] > 0.02 || x.Firebox > 97 || x.Smokebox > 97 {
				t.Errorf("housed with %.2f kg, tanks %v, firebox %.0f, smokebox %.0f", x.Liquid, x.Tanks, x.Firebox, x.Smokebox)
			}
			if d := math.Abs(pipeHigh - x.Boiling); d > 5 {
				t.Errorf("the running pipe came to %.1f °C, boiling is %.1f", pipeHigh, x.Boiling)
			}
			if levelAtRun < 0.3 {
				t.Errorf("the glass showed %.2f at most while it ran; it must be seen to fall", levelAtRun)
			}
			if lowest < -0.05*bar {
				t.Errorf("it drew a vacuum of %.2f bar with the vent in time", lowest/bar)
			}
			// What is confirmed, when, and what was so then.
			for _, c := range []struct {
				id string
				so func(world.Truth) bool
			}{
				{"glasses-proved", func(x world.Truth) bool { return x.Glass > 0.75 && x.Fire > 0 }},
				{"fire-dropped", func(x world.Truth) bool { return x.Fire == 0 }},
				{"blower-shut", func(x world.Truth) bool { return x.Fire == 0 }},
				{"ash-cleared", func(x world.Truth) bool { return x.Fire == 0 }},
				{"ash-pan-shut", func(x world.Truth) bool { return x.Fire == 0 }},
				{"brake-tried", func(x world.Truth) bool { return x.Pressure > 3*bar }},
				{"at-blow-down-place", func(x world.Truth) bool { return x.Pressure < e.Plan.BlowDownMax }},
				{"people-clear", func(x world.Truth) bool { return x.Running == 0 }},
				{"vent-open", func(x world.Truth) bool { return x.Pressure < 0.2*bar }},
				{"cocks-run-dry", func(x world.Truth) bool { return x.Running < 0.01 && x.Liquid < 2 && x.Pipe < x.Boiling-30 }},
				{"gauge-tried", func(x world.Truth) bool { return math.Abs(x.Pressure) < 0.05*bar }},
				{"plugs-removed", func(x world.Truth) bool { return math.Abs(x.Pressure) < 0.02*bar && x.Top > 90 }},
				{"smokebox-ajar", func(x world.Truth) bool { return x.Smokebox < 100 }},
				{"drain-clear", func(x world.Truth) bool { return x.Tanks[0] > 0.05 }},
			} {
				i := b.find(telemetry.Confirmed, c.id)
				if i < 0 {
					t.Errorf("%s was never confirmed", c.id)
				} else if x := b.truths[i]; !c.so(x) {
					t.Errorf("%s was confirmed at %s when it was not so: %+v", c.id, b.events[i].At.Format("15:04:05"), x)
				}
			}
			if b.find(telemetry.DisposalBegun, "") != 0 || b.find(telemetry.DisposalEnded, "") != len(b.events)-1 {
				t.Error("the disposal's begin and end are not the first and last word")
			}
		})
	}
}

// The two bounds by which one firebox couple or one smokebox couple is believed,
// and others that hold for every engine.
func TestDrawnEnginesKeepToPhysics(t *testing.T) {
	p := props(t)
	var housed, empties, cold, lifted int
	var longest, lowFirebox, lowSmoke float64
	n := 300
	if testing.Short() {
		n = 40
	}
	for seed := range uint64(n) {
		e, err := world.Draw(rand.New(rand.NewPCG(seed, 77)))
		if err != nil {
			t.Fatal(err)
		}
		e.Manner.Careless, e.Manner.Hasty = false, false
		w, err := world.New(e, p, seed, nil, nil)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		var fires []float64
		ran, blew := false, false
		evening(t, w, 40, 5, func(x world.Truth) {
			shell := math.Max(x.Top, x.Bottom)
			lowFirebox = math.Min(lowFirebox, x.Firebox-shell)
			if x.Firebox < shell-20 {
				t.Fatalf("seed %d: firebox %.1f under a shell of %.1f °C", seed, x.Firebox, shell)
			}
			blew = blew || x.SafetyLifting
			if x.Stage != "smokebox" && x.Stage != "house" && x.Stage != "home" {
				lowSmoke = math.Min(lowSmoke, x.Smokebox-shell)
			}
			if x.Pressure > 1.06*e.Boiler.WorkingPressure {
				t.Fatalf("seed %d: %.2f bar over a working pressure of %.2f", seed, x.Pressure/bar, e.Boiler.WorkingPressure/bar)
			}
			ran = ran || x.Running > 0.05
			if x.Stage == "drop-fire" || x.Stage == "clear-ash" {
				fires = append(fires, x.Firebox)
			}
		})
		if len(fires) == 0 || fires[0]-slices.Min(fires) < 150 {
			t.Errorf("seed %d: the firebox did not fall by 150 K at the drop", seed)
		}
		if e.Plan.EmptiedBy == "cold" {
			cold++
		} else {
			empties++
		}
		if blew {
			lifted++
		}
		if w.Home() {
			housed++
			longest = math.Max(longest, w.Elapsed()/3600)
			if !ran {
				t.Errorf("seed %d: housed and the cocks never ran", seed)
			}
		} else {
			t.Logf("seed %d: not housed after 40 h: %s, %.0f l, %+v", seed, e.Plan.EmptiedBy, e.Boiler.Volume*1000, w.Truth())
		}
	}
	if lifted > n/20 {
		t.Errorf("the safety valve lifted on %d of %d evenings", lifted, n)
	}
	t.Logf("%d emptied hot and %d cold; safety valve lifted on %d; %d housed, the last after %.1f h; firebox at least %.1f K, shut smokebox %.1f K against the shell",
		empties, cold, lifted, housed, longest, lowFirebox, lowSmoke)
	if housed < n*99/100 {
		t.Errorf("%d of %d housed", housed, n)
	}
	if lowSmoke < -4 {
		t.Errorf("a shut smokebox lay %.1f K below the shell", -lowSmoke)
	}
}

// digest runs an evening and folds every reading into one number.
func digest(t *testing.T, p *boiler.Properties, seed uint64, fault string) uint64 {
	t.Helper()
	all := digests(t, p, seed, fault, nil)
	return all[len(all)-1]
}

// digests gives that number after each step, and ends where it differs from
// another evening's.
func digests(t *testing.T, p *boiler.Properties, seed uint64, fault string, other []uint64) (all []uint64) {
	t.Helper()
	w, err := world.New(world.Quillet(), p, seed, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if fault != "" {
		if err := w.Inject(fault); err != nil {
			t.Fatal(err)
		}
	}
	h := fnv.New64a()
	a, b, c, d := world.Groups()
	places := slices.Concat(a, b, c, d)
	var buf []telemetry.Sample
	for k := 0; k < 7*3600/5; k++ {
		if err := w.Step(context.Background(), 5); err != nil {
			t.Fatalf("%s: %v", fault, err)
		}
		buf = w.Read(buf[:0], w.Now(), places...)
		l := w.Link()
		for _, s := range buf {
			if !(s.Reason == "") != math.IsNaN(s.Value) {
				t.Fatalf("%s: %+v has both or neither of a number and a reason", fault, s)
			}
			bits := math.Float64bits(s.Value + l.Clock + l.Lost + l.Doubled + l.Shuffled + l.AwayUntil + float64(l.Restarts))
			if l.Silent || l.Frozen {
				bits++
			}
			for i := range 8 {
				_, _ = h.Write([]byte{byte(bits >> (8 * i))})
			}
		}
		all = append(all, h.Sum64())
		if other != nil && all[k] != other[k] {
			break
		}
	}
	return all
}

func TestSameSeedSameWorld(t *testing.T) {
	p := props(t)
	a, b, c := digest(t, p, 5, ""), digest(t, p, 5, ""), digest(t, p, 6, "")
	if a != b {
		t.Error("the same seed gave two worlds")
	}
	if a == c {
		t.Error("two seeds gave one world")
	}
	if x, y := digest(t, p, 5, "cock-choked"), digest(t, p, 5, "cock-choked"); x != y {
		t.Error("the same seed and fault gave two worlds")
	}
}

func TestEveryFaultShows(t *testing.T) {
	p := props(t)
	sound := digests(t, p, 5, "", nil)
	names := world.Faults()
	if len(names) < 25 {
		t.Errorf("%d faults, want at least 25", len(names))
	}
	for _, name := range names {
		if len(digests(t, p, 5, name, sound)) == len(sound) {
			t.Errorf("%s changed nothing", name)
		}
	}
	w, err := world.New(world.Quillet(), p, 1, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Inject("no-such"); err == nil || !strings.Contains(err.Error(), "pressure-stuck") {
		t.Errorf("an unknown fault: got %v, want the list of those known", err)
	}
}

// What the two faults of the demonstration do.
func TestDemonstratedFaults(t *testing.T) {
	p := props(t)
	for seed := range uint64(12) {
		w, err := world.New(world.Quillet(), p, seed, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Inject("pressure-stuck"); err != nil {
			t.Fatal(err)
		}
		zero := false
		evening(t, w, 9, 5, func(x world.Truth) {
			v, ok := w.Value(telemetry.BoilerPressure)
			zero = zero || ok && math.Abs(v) < 0.15*bar
		})
		if zero {
			t.Errorf("seed %d: a stuck transducer came to zero", seed)
		}

		b := &book{}
		if w, err = world.New(world.Quillet(), p, seed, nil, b); err != nil {
			t.Fatal(err)
		}
		b.w = w
		if err := w.Inject("cock-shut-early"); err != nil {
			t.Fatal(err)
		}
		evening(t, w, 9, 5, nil)
		i := b.find(telemetry.Confirmed, "cocks-run-dry")
		if i < 0 {
			t.Errorf("seed %d: the crew never believed it empty", seed)
			continue
		}
		if x := b.truths[i]; x.Liquid < 0.04*e0(t, p) || x.Pressure > 0.2*bar {
			t.Errorf("seed %d: believed empty with %.0f kg at %.2f bar", seed, x.Liquid, x.Pressure/bar)
		}
	}
}

// e0 is the water of Quillet as it arrives, kg.
func e0(t *testing.T, p *boiler.Properties) float64 {
	w, err := world.New(world.Quillet(), p, 1, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return w.Truth().Liquid
}

func TestSealedItDrawsAVacuum(t *testing.T) {
	e := world.Quillet()
	w, err := world.New(e, props(t), 3, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Inject("vent-shut"); err != nil {
		t.Fatal(err)
	}
	if err := w.InjectAt("cock-shut-early", "", 0); err != nil {
		t.Fatal(err)
	}
	for w.Elapsed() < 40*3600 {
		if err := w.Step(context.Background(), 5); err != nil {
			t.Fatal(err)
		}
	}
	if x := w.Truth(); x.Pressure > -0.2*bar || x.VentOpen {
		t.Errorf("shut up with its water for 40 h: %.2f bar, vent open %v; want a vacuum", x.Pressure/bar, x.VentOpen)
	}
}

func TestTanks(t *testing.T) {
	p := props(t)
	for _, c := range []struct {
		fault       string
		left, right float64 // highest that may be left
		lowest      float64 // least that must be left on the right
	}{
		{"", 0.02, 0.02, 0},
		{"balance-blocked", 0.02, 1, 0.2},
	} {
		w, err := world.New(world.Quillet(), p, 1, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if c.fault != "" {
			if err := w.InjectAt(c.fault, "", 0); err != nil {
				t.Fatal(err)
			}
		}
		evening(t, w, 6, 5, nil)
		if x := w.Truth().Tanks; x[0] > c.left || x[1] > c.right || x[1] < c.lowest {
			t.Errorf("fault %q: tanks %v", c.fault, x)
		}
	}
}

// Whatever the engine, the crew and two faults at once, a day passes.
func TestAnyFaultsOnAnyEngine(t *testing.T) {
	p := props(t)
	names := world.Faults()
	n := 250
	if testing.Short() {
		n = 40
	}
	for seed := range uint64(n) {
		rng := rand.New(rand.NewPCG(seed, 99))
		e, err := world.Draw(rng)
		if err != nil {
			t.Fatal(err)
		}
		w, err := world.New(e, p, seed, nil, nil)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		a, b := names[rng.IntN(len(names))], names[rng.IntN(len(names))]
		for _, f := range []string{a, b} {
			if err := w.Inject(f); err != nil {
				t.Fatal(err)
			}
		}
		for w.Elapsed() < 24*3600 {
			if err := w.Step(context.Background(), 5); err != nil {
				t.Fatalf("seed %d, %s and %s: %v", seed, a, b, err)
			}
			if x := w.Truth(); !(x.Pressure > -1.1*bar && x.Plates > -20 && x.Plates < 1200 && x.Liquid >= 0 && x.Air >= 0 && x.Humidity >= 0) {
				t.Fatalf("seed %d, %s and %s: %+v", seed, a, b, x)
			}
		}
	}
}

// lamp never lights.
type dark struct{}

func (dark) Verdict(string) string { return "not-yet" }

func TestACrewWaitsForItsLamp(t *testing.T) {
	p := props(t)
	e := world.Quillet()
	w, err := world.New(e, p, 1, dark{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	evening(t, w, 3, 5, nil)
	if w.Stage() != "prove-glasses" || w.Truth().Fire == 0 {
		t.Errorf("with the lamp dark the crew is at %s, fire %.2f; want it to keep the fire", w.Stage(), w.Truth().Fire)
	}
	if x := w.Truth(); x.Glass < 0.5 || x.Pressure < 3*bar {
		t.Errorf("while it waits: glass %.2f, %.1f bar; want both minded", x.Glass, x.Pressure/bar)
	}
	e.Manner.Careless = true
	if w, err = world.New(e, p, 1, dark{}, nil); err != nil {
		t.Fatal(err)
	}
	evening(t, w, 9, 5, nil)
	if !w.Home() {
		t.Errorf("a careless crew is at %s after 9 h", w.Stage())
	}
	if _, err := crew.New(crew.Plan{LayUp: "damp"}, crew.Careful("x"), nil, nil); err == nil {
		t.Error("a plan that is none was taken")
	}
	if _, err := crew.New(e.Plan, crew.Manner{}, nil, nil); err == nil {
		t.Error("a crew without a pace was taken")
	}
}

// A coarse clock plays the same evening, and its boiler's balance stays closed.
func TestCoarse(t *testing.T) {
	p := props(t)
	n := 12
	if testing.Short() {
		n = 3
	}
	for seed := range uint64(n) {
		play := func(coarse float64) (hours float64, x world.Truth) {
			e, err := world.Draw(rand.New(rand.NewPCG(seed, 78)))
			if err != nil {
				t.Fatal(err)
			}
			e.Manner.Careless, e.Manner.Hasty = false, false
			w, err := world.New(e, p, seed, nil, nil)
			if err != nil {
				t.Fatal(err)
			}
			w.Coarse(coarse)
			v := w.Vessel()
			total := func() float64 {
				sum := v.Energy()
				for _, m := range []*boiler.Metal{&v.Bottom, &v.Top, &v.Plates} {
					sum += m.Capacity * m.Temperature
				}
				return sum
			}
			e0, w0 := total(), v.Water()
			evening(t, w, 40, 15, nil)
			want := e0 + v.HeatIn - v.HeatLost + v.EnthalpyIn - v.EnthalpyOut + v.AirEnthalpyIn - v.AirEnthalpyOut
			if d := math.Abs(total()-want) / (v.EnthalpyOut + v.HeatLost + math.Abs(v.HeatIn) + v.EnthalpyIn); d > 1e-9 {
				t.Errorf("seed %d, ticks of %v s: energy off by %.2g of what was turned over", seed, coarse, d)
			}
			if d := math.Abs(v.Water() - (w0 + v.WaterIn - v.WaterOut)); d > 1e-9*w0 {
				t.Errorf("seed %d, ticks of %v s: water off by %v kg", seed, coarse, d)
			}
			return w.Elapsed() / 3600, w.Truth()
		}
		fine, a := play(5)
		coarse, b := play(15)
		if math.Abs(fine-coarse) > 0.02*fine || math.Abs(a.Top-b.Top) > 1.5 || math.Abs(a.Firebox-b.Firebox) > 1.5 {
			t.Errorf("seed %d: housed after %.2f h with %.1f and %.1f °C by ticks of 5 s, %.2f h with %.1f and %.1f by 15", seed, fine, a.Top, a.Firebox, coarse, b.Top, b.Firebox)
		}
	}
}

func TestClock(t *testing.T) {
	w, err := world.New(world.Quillet(), props(t), 1, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	start := w.Now()
	for range 1000 {
		if err := w.Step(context.Background(), 0.1); err != nil {
			t.Fatal(err)
		}
	}
	if got := w.Now().Sub(start); got != 100*time.Second {
		t.Errorf("a thousand steps of 0.1 s: %v, want 100 s", got)
	}
}

func BenchmarkEvening(b *testing.B) {
	p := props(b)
	for _, c := range []struct {
		name string
		dt   float64
		read bool
	}{{"2 s", 2, false}, {"5 s", 5, false}, {"5 s with readings", 5, true}} {
		b.Run(c.name, func(b *testing.B) {
			seconds := 0.0
			x, y, z, s := world.Groups()
			places := slices.Concat(x, y, z, s)
			var buf []telemetry.Sample
			for b.Loop() {
				w, err := world.New(world.Quillet(), p, 1, nil, nil)
				if err != nil {
					b.Fatal(err)
				}
				for !w.Home() {
					if err := w.Step(context.Background(), c.dt); err != nil {
						b.Fatal(err)
					}
					if c.read {
						buf = w.Read(buf[:0], w.Now(), places...)
					}
				}
				seconds += w.Elapsed()
			}
			b.ReportMetric(seconds/b.Elapsed().Seconds()/1000, "simulated_s/ms")
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "evenings/s")
		})
	}
}

// TestACrewStandsUntilItHasOrders: the demonstration's third engine may wait for a day
// without losing sight of its water or lifting its valves, and is then put away.
func TestACrewStandsUntilItHasOrders(t *testing.T) {
	e := world.Osier()
	w, err := world.New(e, props(t), 3, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	plan, begin := e.Plan, false
	w.Stand(func() (crew.Plan, bool) { return plan, begin })
	for w.Elapsed() < 30*3600 {
		if err := w.Step(t.Context(), 10); err != nil {
			t.Fatal(err)
		}
		x := w.Truth()
		if !w.Standing() || w.Home() {
			t.Fatalf("without orders the crew is at %s after %.0f s", w.Stage(), x.Elapsed)
		}
		if x.SafetyLifting || x.Glass < 0.4 || x.Glass > 0.85 || x.Pressure < 0.45*e.Plan.Working || x.Fire == 0 {
			t.Fatalf("after %.0f s: %.2f bar, valve lifts %v, glass %.2f, fire %.2f; want it kept in steam", x.Elapsed, x.Pressure/bar, x.SafetyLifting, x.Glass, x.Fire)
		}
	}
	begin, plan.BlowDownMax = true, 2*bar
	for w.Stage() != "run-out" && w.Elapsed() < 36*3600 {
		if err := w.Step(t.Context(), 10); err != nil {
			t.Fatal(err)
		}
		if w.Stage() == "clear-ash" {
			plan.BlowDownMax = 1.5 * bar // set up otherwise on the way
		}
	}
	if x := w.Truth(); w.Standing() || x.Pressure > 1.5*bar {
		t.Errorf("with orders the crew is at %s at %.2f bar; want it blown down below the 1.5 bar that were ordered last", w.Stage(), x.Pressure/bar)
	}
	evening(t, w, 48, 10, nil)
	if !w.Home() {
		t.Errorf("the crew is at %s half a day later", w.Stage())
	}
}
