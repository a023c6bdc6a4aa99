package watch_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"testing"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/fire"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/watch"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// spec is what the owner of a simulated engine would write into the configuration.
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
		u := engine.DefaultUncertainty(c, math.NaN())
		if c == telemetry.BoilerPressure {
			u = math.Min(10000, math.Max(4000, 0.004*e.Sensors[i].High))
		}
		out.Channels[c] = engine.Channel{ID: c, Uncertainty: u, Low: math.NaN(), High: math.NaN()}
	}
	return out
}

// evening is one evening with everything composed as the judgement does: samples
// through the health of the sensors, phases from the rules, and the board.
type evening struct {
	e       engine.Engine
	health  *health.Monitor
	judge   *rules.Judge
	board   *watch.Board
	tracks  map[telemetry.Channel]*track.Track
	fire    *fire.Fire
	k       watch.Known
	next    time.Time
	start   time.Time
	emptied bool
	alarms  []alarm.Change
	asked   int
}

func newEvening(t testing.TB, e engine.Engine, start time.Time) *evening {
	t.Helper()
	v := &evening{e: e, tracks: map[telemetry.Channel]*track.Track{}, start: start}
	var err error
	if v.health, err = health.New(e); err != nil {
		t.Fatal(err)
	}
	if v.judge, err = rules.New(e); err != nil {
		t.Fatal(err)
	}
	if v.board, err = watch.NewBoard(e.ID); err != nil {
		t.Fatal(err)
	}
	for _, c := range world.Channels() {
		v.tracks[c] = track.New(c, e.Fresh(c))
	}
	v.fire = fire.New(v.tracks[telemetry.Firebox], e.Limits.At(limit.Relit))
	return v
}

func (v *evening) Say(_ context.Context, ev telemetry.Event) error {
	changes, err := v.judge.Hear(ev)
	v.phases(changes)
	switch {
	case ev.Kind == telemetry.Confirmed && ev.Subject == "fire-dropped" && !v.fire.Out():
		v.drop(track.Of(ev.At))
	case ev.Kind == telemetry.FireLit:
		v.fire.Lit()
		v.k.Marks.FireIn()
		v.k.SaidLit = true
	}
	return err
}

func (v *evening) phases(changes []rules.Change) {
	for _, c := range changes {
		if c.Passage != nil {
			v.k.Phase = c.Passage.Phase
		}
	}
}

func (v *evening) drop(at track.Instant) {
	v.fire.Dropped()
	v.k.Marks.FireOut(at)
	v.k.SaidLit = false
}

func (v *evening) Carry(_ context.Context, p node.Pack) error {
	samples := append([]telemetry.Sample(nil), p.Samples...)
	sort.SliceStable(samples, func(i, j int) bool { return samples[i].At.Before(samples[j].At) })
	for i := range samples {
		samples[i] = v.health.Add(samples[i], track.Of(p.Sent))
		s := samples[i]
		if v.tracks[s.Channel].Add(s) != track.Newest || s.Quality != telemetry.Good {
			continue
		}
		switch s.Channel {
		case telemetry.BoilerPressure:
			v.k.Marks.Pressure(track.Of(s.At), s.Value)
		case telemetry.Firebox:
			switch v.fire.Next(track.Of(s.At), s.Value) {
			case fire.Fell:
				if !v.fire.Out() {
					v.drop(track.Of(s.At))
				}
			case fire.Relit:
				v.k.Marks.Relit(s.Value)
			}
		}
	}
	v.phases(v.judge.Samples(p.Sent, samples))
	v.ask(p.Sent)
	return nil
}

func (v *evening) ask(at time.Time) {
	if at.Before(v.next) {
		return
	}
	v.next = at.Add(5 * time.Second)
	v.asked++
	now := track.Of(at)
	v.phases(v.judge.Advance(at))
	k := &v.k
	read := func(c telemetry.Channel) watch.Reading { return watch.Read(v.tracks[c], now, v.e.Channel(c).U) }
	k.Engine, k.LayUp = v.e, v.e.LayUp
	k.FireboxRate = watch.Rate(v.tracks[telemetry.Firebox], now)
	v.emptied = v.emptied || k.Phase == disposal.Emptied
	k.Emptied, k.PlugsRemoved = v.emptied, v.judge.Stands("plugs-removed")
	k.Pressure, k.Level, k.Firebox = read(telemetry.BoilerPressure), read(telemetry.BoilerLevel), read(telemetry.Firebox)
	k.TankLeft, k.TankRight = read(telemetry.TankLeft), read(telemetry.TankRight)
	k.Air, k.AirHumidity, k.CO = read(telemetry.AmbientTemp), read(telemetry.AmbientHumidity), read(telemetry.AmbientCO)
	k.Shells = k.Shells[:0]
	for _, c := range []telemetry.Channel{telemetry.ShellTop, telemetry.ShellBottom} {
		k.Shells = append(k.Shells, watch.Shell{Reading: read(c), Rate: watch.Rate(v.tracks[c], now)})
	}
	k.Fire = watch.FireIn
	if _, relit := v.fire.Relit(); relit {
		k.Fire = watch.FireRelit
	} else if v.fire.Out() {
		k.Fire = watch.FireOut
	}
	k.Findings = v.health.Findings(now, nil)
	v.alarms = v.board.Evaluate(k, now, v.alarms)
}

var errOver = errors.New("the evening is over")

func play(t testing.TB, e world.Engine, s engine.Engine, seed uint64, fault, stage string, delay float64) *evening {
	t.Helper()
	v := newEvening(t, s, e.Start)
	props, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	w, err := world.New(e, props, seed, nil, v)
	if err != nil {
		t.Fatal(err)
	}
	if fault != "" {
		if err := w.InjectAt(fault, stage, delay); err != nil {
			t.Fatal(err)
		}
	}
	n := node.New(w, v, node.Usual(), seed)
	n.Linger = 90 * time.Minute
	n.Pace = func(_ context.Context, date time.Time) error {
		if date.Sub(e.Start) > 14*time.Hour {
			return errOver
		}
		v.ask(date)
		return nil
	}
	if err := n.Run(context.Background()); err != nil && !errors.Is(err, errOver) {
		t.Fatal(err)
	}
	return v
}

func (v *evening) raised() []alarm.Change {
	var out []alarm.Change
	for _, c := range v.alarms {
		if c.Raised {
			out = append(out, c)
		}
	}
	return out
}

func drawn(t testing.TB, i int) world.Engine {
	t.Helper()
	switch i {
	case 0:
		return world.Quillet()
	case 1:
		return world.Marrow()
	}
	e, err := world.Draw(rand.New(rand.NewPCG(uint64(i), 0x7761746368)))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func TestAGoodEveningRaisesNothing(t *testing.T) {
	n := 42
	if testing.Short() {
		n = 6
	}
	for i := range n {
		e := drawn(t, i)
		if i%3 == 2 {
			e.Plan.LayUp = telemetry.Short
		}
		v := play(t, e, spec(e), uint64(i), "", "", 0)
		for _, c := range v.raised() {
			if c.Watch == "frost" && e.Plan.LayUp == telemetry.Short && e.Weather.Mean < 8 {
				continue // left with water in its tanks on a night of frost
			}
			if c.Watch == "vacuum" && e.Plan.LayUp == telemetry.Short {
				continue // this crew never opens the vent of a boiler that it leaves full
			}
			t.Errorf("engine %d (%.0f L, %.1f bar, %s): %s %s after %.0f min: %s", i, e.Boiler.Volume*1000, e.Plan.Working/1e5, e.Plan.LayUp, c.Priority, c.Watch, c.At.Sub(v.start).Minutes(), c.Text)
		}
	}
}

func TestWhatGoesWrongIsRaised(t *testing.T) {
	for _, c := range []struct {
		fault, stage string
		delay        float64
		watch        string
		least        int // of eight engines
	}{
		{"ash-relit", "clear-ash", 1200, "fire-relit", 6},
		{"vent-shut", "", 0, "vacuum", 0},
		{"balance-blocked", "fill", 0, "tanks-unbalanced", 1},
		{"pressure-open", "fill", 60, "sensor-fault", 8},
		{"pressure-other-unit", "", 0, "sensor-fault", 8},
		{"shell-top-detached", "fill", 60, "sensor-fault", 8},
		{"shell-top-drifting", "", 0, "sensors-disagree", 3},
		{"node-silent", "fill", 60, "node-lost", 8},
		{"node-clock-ahead", "fill", 60, "clock-wrong", 8},
		{"node-clock-behind", "fill", 60, "clock-wrong", 8},
	} {
		t.Run(c.fault, func(t *testing.T) {
			t.Parallel()
			n := 0
			for i := range 8 {
				if testing.Short() && i > 1 {
					break
				}
				e := drawn(t, i)
				v := play(t, e, spec(e), uint64(50+i), c.fault, c.stage, c.delay)
				seen := map[string]bool{}
				for _, a := range v.raised() {
					seen[a.Watch] = true
				}
				if seen[c.watch] {
					n++
				}
				t.Logf("engine %d: %v", i, fmt.Sprint(seen))
			}
			if !testing.Short() && n < c.least {
				t.Errorf("%s raised on %d of 8 engines, want %d", c.watch, n, c.least)
			}
		})
	}
}
