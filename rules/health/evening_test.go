package health_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/engine"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// spec is what the owner of a simulated engine would write into the configuration:
// the class of its instruments, not the errors that each has.
func spec(e world.Engine) engine.Engine {
	working, volume := e.Plan.Working/1e5, e.Boiler.Volume*1000
	out := engine.Engine{
		ID: e.ID, WorkingPressure: working, BoilerVolume: volume, Tanks: e.Tanks.Count, BlowDownPipe: true, LayUp: e.Plan.LayUp,
		EmptiedBy: engine.EmptiedBy(e.Plan.EmptiedBy), Altitude: e.Altitude, Limits: limit.Defaults(working, volume),
		Channels: map[telemetry.Channel]engine.Channel{},
	}
	for i, c := range world.Channels() {
		if c == telemetry.TankLeft && e.Tanks.Count < 1 || c == telemetry.TankRight && e.Tanks.Count < 2 {
			continue
		}
		u := 2.5
		switch unit, _ := telemetry.UnitOf(c); {
		case c == telemetry.AmbientPressure:
			u = 300
		case unit == telemetry.Pascal:
			u = math.Min(10000, math.Max(4000, 0.004*e.Sensors[i].High))
		case c == telemetry.AmbientTemp:
			u = 1
		case c == telemetry.AmbientCO:
			u = 3e-6
		case c == telemetry.BoilerLevel:
			u = 0.025
		case unit == telemetry.Ratio:
			u = 0.02
		case unit == telemetry.Humidity:
			u = 4
		}
		out.Channels[c] = engine.Channel{ID: c, Uncertainty: u, Low: math.NaN(), High: math.NaN()}
	}
	return out
}

// found is one finding in the course of an evening: at which minute it came first.
type found struct {
	what string
	min  float64
	text string
}

// observer feeds a monitor, and asks it for its findings every ten seconds.
type observer struct {
	m       *health.Monitor
	start   time.Time
	began   time.Time // of the fault
	next    time.Time
	first   map[string]found
	lowered map[string]int
	samples int
}

func (o *observer) Say(context.Context, telemetry.Event) error { return nil }

func (o *observer) Carry(_ context.Context, p node.Pack) error {
	now := track.Of(p.Sent)
	samples := append([]telemetry.Sample(nil), p.Samples...)
	sort.SliceStable(samples, func(i, j int) bool { return samples[i].At.Before(samples[j].At) })
	for _, s := range samples {
		o.samples++
		if back := o.m.Add(s, now); back.Quality < s.Quality {
			o.lowered[string(s.Channel)+" "+back.Reason]++
		} else if back.Quality > s.Quality || back.Value != s.Value && !math.IsNaN(s.Value) {
			return fmt.Errorf("%v came back as %v", s, back)
		}
	}
	o.ask(p.Sent)
	return nil
}

func (o *observer) ask(at time.Time) {
	if at.Before(o.next) {
		return
	}
	o.next = at.Add(10 * time.Second)
	for _, f := range o.m.Findings(track.Of(at), nil) {
		what := string(f.Channel) + f.Node + " " + f.Kind.String()
		if _, ok := o.first[what]; !ok {
			o.first[what] = found{what, at.Sub(o.start).Minutes(), f.Text}
		}
	}
}

// fault is a fault of the world, delay seconds into a stage of the crew.
type fault struct {
	name, stage string
	delay       float64
}

var errOver = errors.New("the evening is over")

// evening plays one evening of an engine, with a fault or none.
func evening(t *testing.T, e world.Engine, seed uint64, f fault) *observer {
	t.Helper()
	m, err := health.New(spec(e))
	if err != nil {
		t.Fatal(err)
	}
	o := &observer{m: m, start: e.Start, first: map[string]found{}, lowered: map[string]int{}}
	props, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	w, err := world.New(e, props, seed, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if f.name != "" {
		if err := w.InjectAt(f.name, f.stage, f.delay); err != nil {
			t.Fatal(err)
		}
	}
	n := node.New(w, o, node.Usual(), seed)
	n.Linger = 30 * time.Minute
	n.Pace = func(_ context.Context, date time.Time) error {
		if date.Sub(e.Start) > 14*time.Hour {
			return errOver
		}
		if o.began.IsZero() && (f.stage == "" || w.Stage() == f.stage) {
			o.began = w.Now().Add(time.Duration(f.delay) * time.Second)
		}
		o.ask(date)
		return nil
	}
	if err := n.Run(context.Background()); err != nil && !errors.Is(err, errOver) {
		t.Fatalf("%s with %q: %v", e.ID, f.name, err)
	}
	return o
}

func (o *observer) all() []found {
	var out []found
	for _, f := range o.first {
		out = append(out, f)
	}
	sort.Slice(out, func(i, j int) bool {
		return out[i].min < out[j].min || out[i].min == out[j].min && out[i].what < out[j].what
	})
	return out
}

func draw(t *testing.T, seed uint64) world.Engine {
	t.Helper()
	e, err := world.Draw(rand.New(rand.NewPCG(seed, 0x6865616c)))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// engines are those of the demonstration and n that are drawn.
func engines(t *testing.T, n int) []world.Engine {
	out := []world.Engine{world.Quillet(), world.Marrow()}
	for i := range n {
		out = append(out, draw(t, uint64(i)))
	}
	return out
}

func TestAGoodEveningHasNoFinding(t *testing.T) {
	n := 40
	if testing.Short() {
		n = 2
	}
	samples := 0
	for i, e := range engines(t, n) {
		o := evening(t, e, uint64(i), fault{})
		samples += o.samples
		for _, f := range o.all() {
			t.Errorf("engine %d (%s, %.0f L, %.1f bar): %s after %.0f min: %s", i, e.ID, e.Boiler.Volume*1000, e.Plan.Working/1e5, f.what, f.min, f.text)
		}
		for what, n := range o.lowered {
			t.Errorf("engine %d: %d samples lowered: %s", i, n, what)
		}
	}
	t.Logf("%d engines, %d samples, none lowered, no finding", n+2, samples)
}

// What is wrong with the engine and what people do to it is not wrong with its
// sensors.
func TestAFaultOfTheEngineIsNoFaultOfASensor(t *testing.T) {
	for _, name := range []string{"cock-shut-early", "cock-choked", "cock-passing", "safety-passing", "vent-shut", "ash-relit", "fire-stays", "balance-blocked", "packs-doubled"} {
		t.Run(name, func(t *testing.T) {
			drawn := 10
			if testing.Short() {
				drawn = 0
			}
			for i, e := range engines(t, drawn) {
				f := fault{name: name}
				if name == "ash-relit" {
					f.stage, f.delay = "clear-ash", 600
				}
				for _, f := range evening(t, e, uint64(200+i), f).all() {
					t.Errorf("engine %d (%.0f L, %.1f bar): %s after %.0f min: %s", i, e.Boiler.Volume*1000, e.Plan.Working/1e5, f.what, f.min, f.text)
				}
			}
		})
	}
}

// Each sensor fault is found on its own channel. The figures are how many of twelve
// engines must show it: an error smaller than what is compared cannot be seen, nor a
// value that stops where it would stand still anyway.
func TestFaultsAreFoundAndNamed(t *testing.T) {
	const boilerShell = "boiler.shell."
	for _, c := range []struct {
		fault
		// any of these is finding it; may names others that follow from it.
		any, may string
		least    int
	}{
		{fault{"pressure-stuck", "fill", 300}, "boiler.pressure frozen", "boiler.pressure disagrees|boiler.pressure drifting", 12},
		{fault{"pressure-zero-early", "fill", 60}, "boiler.pressure disagrees|boiler.pressure drifting", "boiler.pressure jumped", 12},
		{fault{"pressure-offset", "", 0}, "boiler.pressure disagrees|boiler.pressure drifting", "boiler.pressure no-signal|boiler.pressure out-of-range|boiler.pressure spikes", 6},
		{fault{"pressure-drifting", "", 0}, "boiler.pressure drifting|boiler.pressure disagrees", "boiler.pressure no-signal|boiler.pressure spikes", 6},
		{fault{"pressure-open", "fill", 60}, "boiler.pressure no-signal", "boiler.pressure stale", 12},
		{fault{"pressure-noisy", "", 0}, "boiler.pressure noisy", "boiler.pressure spikes|boiler.pressure jumped|boiler.pressure coarse", 12},
		{fault{"pressure-coarse", "", 0}, "boiler.pressure coarse", "boiler.pressure noisy|boiler.pressure disagrees|boiler.pressure drifting|boiler.pressure frozen", 10},
		{fault{"pressure-spikes", "", 0}, "boiler.pressure spikes", "", 12},
		{fault{"pressure-jumps", "", 0}, "boiler.pressure spikes", "boiler.pressure jumped|boiler.pressure noisy", 12},
		{fault{"pressure-other-unit", "", 0}, "boiler.pressure other-unit", "boiler.pressure coarse", 12},
		{fault{"siphon-blocked", "fill", 300}, "boiler.pressure disagrees|boiler.pressure drifting", boilerShell, 6},
		{fault{"shell-top-stuck", "fill", 60}, "boiler.shell.top frozen", "boiler.shell.top disagrees|boiler.shell.top drifting", 12},
		{fault{"shell-top-detached", "fill", 60}, "boiler.shell.top detached", "boiler.shell.top disagrees", 12},
		{fault{"shell-top-offset", "", 0}, "boiler.shell.top disagrees", "boiler.shell.bottom disagrees|boiler.shell.top no-signal|boiler.shell.top spikes", 8},
		{fault{"shell-top-drifting", "", 0}, "boiler.shell.top drifting|boiler.shell.top disagrees", "boiler.shell.bottom disagrees|boiler.shell.top no-signal|boiler.shell.top out-of-range|boiler.shell.top spikes", 6},
		{fault{"shell-top-open", "fill", 60}, "boiler.shell.top no-signal", "", 12},
		{fault{"shell-bottom-stuck", "fill", 60}, "boiler.shell.bottom frozen", "boiler.shell.bottom disagrees|boiler.shell.bottom drifting", 12},
		{fault{"shell-bottom-detached", "run-out", 60}, "boiler.shell.bottom detached|boiler.shell.bottom disagrees", "boiler.shell.top disagrees", 10},
		{fault{"shells-detached", "fill", 60}, boilerShell + "bottom disagrees|" + boilerShell + "top disagrees|boiler.pressure disagrees", boilerShell + "|boiler.pressure", 12},
		{fault{"shell-pipe-swapped", "", 0}, "boiler.shell.top disagrees|boiler.shell.top detached", "boiler.shell.top", 12},
		{fault{"firebox-stuck", "drop-fire", 300}, "firebox frozen", "firebox detached", 12},
		{fault{"firebox-detached", "clear-ash", 60}, "firebox detached", "", 12},
		{fault{"firebox-open", "fill", 60}, "firebox no-signal", "", 12},
		{fault{"firebox-jumps", "", 0}, "firebox spikes", "firebox jumped|firebox noisy", 12},
		{fault{"smokebox-stuck", "clear-ash", 60}, "smokebox frozen", "smokebox detached", 12},
		{fault{"smokebox-detached", "clear-ash", 60}, "smokebox detached", "", 12},
		{fault{"pipe-stuck", "run-out", 120}, "blowdown.pipe frozen", "blowdown.pipe disagrees|boiler.level disagrees", 8},
		{fault{"pipe-open", "run-out", 60}, "blowdown.pipe no-signal", "", 10},
		{fault{"level-stuck", "fill", 300}, "boiler.level frozen", "boiler.level disagrees", 12},
		{fault{"level-zero-early", "prove-glasses", 10}, "boiler.level disagrees|boiler.level jumped", "blowdown.pipe disagrees", 12},
		{fault{"level-open", "fill", 60}, "boiler.level no-signal", "", 12},
		{fault{"level-noisy", "", 0}, "boiler.level noisy|boiler.level coarse|boiler.level spikes", "boiler.level", 9},
		{fault{"node-silent", "fill", 60}, "engine node-silent", " stale|shed node-silent", 12},
		{fault{"node-frozen", "fill", 60}, "engine node-frozen", " frozen|shed node-frozen", 12},
		{fault{"node-clock-ahead", "fill", 60}, "engine clock-ahead", "shed clock-ahead", 12},
		{fault{"node-clock-behind", "fill", 60}, "engine clock-behind", "shed clock-behind", 12},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			drawn := 10
			if testing.Short() {
				drawn = 0
			}
			least := c.least * (drawn + 2) / 12
			var after []float64
			for i, e := range engines(t, drawn) {
				o := evening(t, e, uint64(100+i), c.fault)
				first := math.Inf(1)
				for _, f := range o.all() {
					switch {
					case matches(f.what, c.any):
						first = math.Min(first, f.min-o.began.Sub(o.start).Minutes())
					case !matches(f.what, c.may):
						t.Errorf("engine %d (%.0f L, %.1f bar): %s after %.0f min: %s", i, e.Boiler.Volume*1000, e.Plan.Working/1e5, f.what, f.min, f.text)
					}
				}
				if !math.IsInf(first, 1) {
					after = append(after, first)
				}
			}
			sort.Float64s(after)
			if len(after) < least {
				t.Errorf("found on %d of %d engines, want %d", len(after), drawn+2, least)
			}
			if len(after) > 0 {
				t.Logf("found on %d of %d, after %.1f min (median), %.1f at most", len(after), drawn+2, after[len(after)/2], after[len(after)-1])
			}
		})
	}
}

func matches(what, list string) bool {
	for _, l := range strings.Split(list, "|") {
		if l != "" && strings.Contains(what, l) {
			return true
		}
	}
	return false
}
