package cooldown_test

import (
	"context"
	"fmt"
	"math"
	"testing"

	"ashlamp/rules"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/world"
)

// judged is a judge that a simulated crew speaks to, and a recorder beside it.
type judged struct {
	t     *testing.T
	world *world.World
	judge *rules.Judge
	rec   *cooldown.Recorder
	ended []cooldown.Summary
}

// Say takes the crew's word.
func (j *judged) Say(_ context.Context, e telemetry.Event) error {
	e.At = j.world.Now()
	changes, err := j.judge.Hear(e)
	j.take(changes)
	j.rec.Hear(e)
	return err
}

func (j *judged) take(changes []rules.Change) {
	for _, c := range changes {
		if c.Passage == nil {
			continue
		}
		switch c.Passage.Event {
		case "begun":
			j.rec.Begin(c.Passage.At, j.judge.State().LayUp)
		case "ended":
			j.rec.End(c.Passage.At)
			s, _ := j.rec.Summary()
			j.ended = append(j.ended, s)
		}
		j.rec.Phase(c.Passage.At, c.Passage.Phase)
	}
}

// spec is what the owner of a simulated engine would write into the configuration.
func spec(e world.Engine) engine.Engine {
	working, volume := e.Plan.Working/1e5, e.Boiler.Volume*1000
	out := engine.Engine{
		ID: e.ID, WorkingPressure: working, BoilerVolume: volume, Tanks: e.Tanks.Count, BlowDownPipe: true, LayUp: e.Plan.LayUp,
		EmptiedBy: engine.EmptiedBy(e.Plan.EmptiedBy), Altitude: e.Altitude, Limits: limit.Defaults(working, volume),
		Channels: map[telemetry.Channel]engine.Channel{},
	}
	for _, c := range world.Channels() {
		out.Channels[c] = engine.Channel{ID: c, Uncertainty: engine.DefaultUncertainty(c, math.NaN()), Low: math.NaN(), High: math.NaN()}
	}
	return out
}

// TestASimulatedEvening: the marks of a whole evening of physics and people are passed
// in their order, and the figures are those of a boiler.
func TestASimulatedEvening(t *testing.T) {
	props, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	resting := world.Quillet()
	resting.Plan.LayUp = telemetry.Short
	for _, e := range []world.Engine{world.Quillet(), world.Marrow(), resting} {
		t.Run(e.ID+" "+string(e.Plan.LayUp), func(t *testing.T) {
			j := &judged{t: t}
			eng := spec(e)
			if j.judge, err = rules.New(eng); err != nil {
				t.Fatal(err)
			}
			if j.rec, err = cooldown.New(eng); err != nil {
				t.Fatal(err)
			}
			w, err := world.New(e, props, 1, nil, j)
			if err != nil {
				t.Fatal(err)
			}
			j.world = w
			var places []int
			for i := range world.ChannelCount {
				places = append(places, i)
			}
			for homeAt := -1.0; w.Elapsed() < 14*3600 && (homeAt < 0 || w.Elapsed() < homeAt+6*3600); {
				if err := w.Step(context.Background(), 5); err != nil {
					t.Fatal(err)
				}
				if w.Home() && homeAt < 0 {
					homeAt = w.Elapsed()
				}
				samples := w.Read(nil, w.Now(), places...)
				j.take(j.judge.Samples(w.Now(), samples))
				for _, s := range samples {
					j.rec.Sample(s)
				}
			}
			s, _ := j.rec.Summary()
			told := func(r *cooldown.Rate) string {
				if r == nil {
					return "not known"
				}
				text := fmt.Sprintf("%.4f of %d means worth %.1f over %.1f h", r.Value, r.Means, r.Effective, r.Hours)
				if r.Lo != nil {
					text += fmt.Sprintf(", %.4f to %.4f", *r.Lo, *r.Hi)
				}
				return text
			}
			t.Logf("heat loss 1/h: %s", told(s.HeatLoss))
			t.Logf("fall at 100 K: %s", told(s.FallAt100K))
			t.Logf("firebox h: %s", told(s.FireboxTimeConstant))
			t.Logf("shell h: %s", told(s.ShellTimeConstant))
			t.Logf("lag s: %s", told(s.PressureLag))
			p := s.Passed
			if e.Plan.LayUp != telemetry.Dry {
				if s.HeatLoss == nil || s.HeatLoss.Value < 0.005 || s.HeatLoss.Value > 0.2 {
					t.Errorf("heat loss of a boiler left with its water is %+v, want some hundredths an hour", s.HeatLoss)
				}
				if p.FireOut == nil || p.BlowDownBegun != nil {
					t.Errorf("fire out %v, blown down %v; want the first alone", p.FireOut, p.BlowDownBegun)
				}
				return
			}
			for _, m := range []struct {
				name   string
				passed bool
			}{
				{"fire out", p.FireOut != nil}, {"blow-down begun", p.BlowDownBegun != nil}, {"blow-down finished", p.BlowDownFinished != nil},
				{"pressure zero", p.PressureZero != nil}, {"firebox cool", p.FireboxCool != nil}, {"smokebox cool", p.SmokeboxCool != nil},
				{"tanks empty", p.TanksEmpty != nil}, {"plugs removed", p.PlugsRemoved != nil}, {"ended", s.Ended != nil},
			} {
				if !m.passed {
					t.Errorf("%s is not known", m.name)
				}
			}
			if t.Failed() {
				return
			}
			if len(j.ended) != 1 {
				t.Fatalf("%d disposals ended, want 1", len(j.ended))
			}
			if !p.FireOut.Before(*p.BlowDownBegun) || !p.BlowDownBegun.Before(*p.BlowDownFinished) || p.PlugsRemoved.Before(*p.PressureZero) {
				t.Errorf("marks are out of order: %+v", p)
			}
			if s.TankDrainS == nil || s.FastestCooling == nil || s.LargestSpread == nil || *s.FastestCooling < 1 || *s.LargestSpread > 200 {
				t.Errorf("drain %v, cooling %v, spread %v", s.TankDrainS, s.FastestCooling, s.LargestSpread)
			} else {
				t.Logf("drain %.0f s, cooling %.0f K/h, spread %.0f K", *s.TankDrainS, *s.FastestCooling, *s.LargestSpread)
			}
		})
	}
}
