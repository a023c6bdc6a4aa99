package health_test

import (
	"context"
	"fmt"
	"io"
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
	for _, f := range o.m.Findings(track.Of(at)) {
		what := string(f.Channel) + f.Node + " " + f.Kind.String()
		if _, ok := o.first[what]; !ok {
			o.first[what] = found{what, at.Sub(o.start).Minutes(), f.Text}
		}
	}
}

// evening plays one evening of an engine, with a fault or none.
func evening(t *testing.T, e world.Engine, seed uint64, fault string) *observer {
	t.Helper()
	m, err := health.New(spec(e))
	if err != nil {
		t.Fatal(err)
	}
	o := &observer{m: m, start: e.Start, first: map[string]found{}, lowered: map[string]int{}}
	if err := node.Record(context.Background(), io.Discard, node.Recording{Engine: e, Seed: seed, Fault: fault, Also: o, Linger: 30 * time.Minute, Limit: 14 * time.Hour}); err != nil {
		t.Fatalf("%s with %q: %v", e.ID, fault, err)
	}
	return o
}

func (o *observer) all() []found {
	var out []found
	for _, f := range o.first {
		out = append(out, f)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].min < out[j].min || out[i].min == out[j].min && out[i].what < out[j].what })
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
		n = 20
	}
	samples := 0
	for i, e := range engines(t, n) {
		o := evening(t, e, uint64(i), "")
		samples += o.samples
		for _, f := range o.all() {
			t.Errorf("engine %d (%s, %.0f L, %.1f bar): %s after %.0f min: %s", i, e.ID, e.Boiler.Volume*1000, e.Plan.Working/1e5, f.what, f.min, f.text)
		}
		for what, n := range o.lowered {
			t.Errorf("engine %d: %d samples lowered: %s", i, n, what)
		}
	}
	t.Logf("%d engines, %d samples", n+2, samples)
}

func TestFindEverything(t *testing.T) {
	for _, fault := range world.Faults() {
		var lines []string
		n := 0
		for i, e := range engines(t, 8) {
			o := evening(t, e, uint64(100+i), fault)
			if len(o.first) > 0 {
				n++
			}
			var w []string
			for _, f := range o.all() {
				w = append(w, fmt.Sprintf("%s@%.0f", f.what, f.min))
			}
			lines = append(lines, strings.Join(w, ", "))
		}
		fmt.Printf("%s: %d of 10\n", fault, n)
		for _, l := range lines {
			fmt.Println("    ", l)
		}
	}
}
