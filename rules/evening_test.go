package rules_test

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

var start = time.Date(2031, 5, 4, 15, 0, 0, 0, time.UTC)

const air = 101325.0

func quillet(edit ...func(*engine.Engine)) engine.Engine {
	e := engine.Engine{
		ID: "quillet", Name: "Quillet", WorkingPressure: 10, BoilerVolume: 400, Tanks: 2, BlowDownPipe: true,
		LayUp: telemetry.Dry, EmptiedBy: engine.Empty, Limits: limit.Defaults(10, 400),
		Channels: map[telemetry.Channel]engine.Channel{},
	}
	e.Limits[limit.BlowDownMin], e.Limits[limit.BlowDownMax] = 0.5, 3.1
	for id, u := range map[telemetry.Channel]float64{
		telemetry.BoilerPressure: 4000, telemetry.ShellTop: 2.5, telemetry.ShellBottom: 2.5,
		telemetry.BoilerLevel: 0.02, telemetry.Firebox: 2.5, telemetry.Smokebox: 2.5, telemetry.BlowdownPipe: 2.5,
		telemetry.TankLeft: 0.01, telemetry.TankRight: 0.01, telemetry.BoilerHumidity: 3,
		telemetry.AmbientTemp: 1, telemetry.AmbientPressure: 300,
	} {
		e.Channels[id] = engine.Channel{ID: id, Uncertainty: u, Low: math.NaN(), High: math.NaN()}
	}
	for _, f := range edit {
		f(&e)
	}
	return e
}

// evening feeds a judge every five seconds with whatever the channels read, so
// that a test says only what is special about it.
type evening struct {
	t     *testing.T
	judge *rules.Judge
	now   time.Time
	reads map[telemetry.Channel]func(s float64) float64
	// bad are channels that give bad samples with a reason instead.
	bad   map[telemetry.Channel]string
	last  map[string]verdict.Change
	all   []verdict.Change
	packs int
	// absolute is that the boiler's transducer measures against vacuum.
	absolute bool
}

func newEvening(t *testing.T, e engine.Engine) *evening {
	t.Helper()
	j, err := rules.New(e)
	if err != nil {
		t.Fatal(err)
	}
	v := &evening{t: t, judge: j, now: start, reads: map[telemetry.Channel]func(float64) float64{}, bad: map[telemetry.Channel]string{}, last: map[string]verdict.Change{}}
	v.set(telemetry.AmbientTemp, 15)
	v.set(telemetry.AmbientPressure, air)
	v.set(telemetry.TankLeft, 0)
	v.set(telemetry.TankRight, 0)
	return v
}

func (v *evening) set(c telemetry.Channel, x float64) {
	v.reads[c] = func(float64) float64 { return x }
}

// ramp lets a channel go from one value to another over some seconds from now.
func (v *evening) ramp(c telemetry.Channel, from, to, over float64) {
	begin := v.now
	v.reads[c] = func(s float64) float64 {
		k := math.Min(1, (s-begin.Sub(start).Seconds())/over)
		return from + (to-from)*k
	}
}

func (v *evening) drop(c telemetry.Channel) { delete(v.reads, c) }

func (v *evening) take(changes []rules.Change) {
	for _, c := range changes {
		if c.Step != nil {
			v.last[c.Step.Step] = *c.Step
			v.all = append(v.all, *c.Step)
		}
	}
}

func (v *evening) run(seconds float64) {
	v.t.Helper()
	for end := v.now.Add(time.Duration(seconds * 1e9)); v.now.Before(end); v.packs++ {
		v.now = v.now.Add(5 * time.Second)
		var pack []telemetry.Sample
		for _, c := range slices.Sorted(maps.Keys(v.reads)) {
			f := v.reads[c]
			s := telemetry.Sample{Channel: c, At: v.now, Value: f(v.now.Sub(start).Seconds()), Quality: telemetry.Good}
			if v.absolute && c == telemetry.BoilerPressure {
				s.Value += air
			}
			// A real instrument trembles; one that never moves has a test of its own.
			s.Value -= math.Copysign(1e-9, s.Value) * float64(v.packs%2)
			if why, ok := v.bad[c]; ok {
				s = telemetry.Lost(c, v.now, why)
			}
			pack = append(pack, s)
		}
		v.take(v.judge.Samples(v.now, pack))
	}
}

func (v *evening) wait(seconds float64) {
	v.now = v.now.Add(time.Duration(seconds * 1e9))
	v.take(v.judge.Advance(v.now))
}

func (v *evening) say(ids ...string) {
	v.t.Helper()
	for _, id := range ids {
		v.event(telemetry.Event{Kind: telemetry.Confirmed, Subject: id, By: "R. Penhalow"})
	}
}

func (v *evening) event(e telemetry.Event) {
	v.t.Helper()
	e.At = v.now
	c, err := v.judge.Hear(e)
	if err != nil {
		v.t.Fatalf("hear %v: %v", e, err)
	}
	v.take(c)
}

func (v *evening) step(id string) rules.StepState {
	v.t.Helper()
	for _, s := range v.judge.State().Steps {
		if s.ID == id {
			return s
		}
	}
	v.t.Fatalf("step %s: there is none", id)
	return rules.StepState{}
}

func (v *evening) evidence(step, id string) rules.Because {
	v.t.Helper()
	for _, b := range v.step(step).Because {
		if b.Evidence == id {
			return b
		}
	}
	v.t.Fatalf("step %s does not rest on %s", step, id)
	return rules.Because{}
}

func (v *evening) want(step string, want verdict.Verdict) {
	v.t.Helper()
	if s := v.step(step); s.Verdict != want {
		v.t.Errorf("after %s: %s is %s, want %s; because %s", v.now.Sub(start), step, s.Verdict, want, because(s))
	}
}

func (v *evening) wantEvidence(step, id string, want verdict.Verdict) string {
	v.t.Helper()
	b := v.evidence(step, id)
	if b.Verdict != want {
		v.t.Errorf("after %s: %s of %s is %s, want %s: %s", v.now.Sub(start), id, step, b.Verdict, want, b.Text)
	}
	return b.Text
}

func because(s rules.StepState) string {
	out := ""
	for _, b := range s.Because {
		out += fmt.Sprintf("\n\t%s %s: %s", b.Evidence, b.Verdict, b.Text)
	}
	return out
}

// onTheLine is the shell temperature of saturated water at a gauge pressure in bar.
func onTheLine(t *testing.T, bar float64) float64 {
	t.Helper()
	c, err := steam.SaturationTemperature(bar*1e5 + air)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// steamFalling lets pressure and shell fall together along the saturation line.
func (v *evening) steamFalling(from, to, over float64) {
	begin := v.now
	p := func(s float64) float64 {
		k := math.Min(1, (s-begin.Sub(start).Seconds())/over)
		return (from + (to-from)*k) * 1e5
	}
	v.reads[telemetry.BoilerPressure] = p
	shell := func(s float64) float64 {
		c, err := steam.SaturationTemperature(p(s) + air)
		if err != nil {
			v.t.Fatal(err)
		}
		return c
	}
	v.reads[telemetry.ShellTop], v.reads[telemetry.ShellBottom] = shell, shell
}

// inSteam brings the engine to the pit at 6 bar with a fire in and a full glass,
// and lets it lose half a bar, so that transducer and shell are seen to follow.
func (v *evening) inSteam() {
	v.event(telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: telemetry.Dry, By: "R. Penhalow"})
	v.set(telemetry.BoilerLevel, 0.8)
	v.set(telemetry.Firebox, 900)
	v.set(telemetry.Smokebox, 290)
	v.set(telemetry.BlowdownPipe, 30)
	v.steamFalling(6.6, 6, 900)
	v.run(900)
}

// dropped drops the fire and lets pressure fall to 3 bar.
func (v *evening) dropped() {
	v.inSteam()
	v.say("fire-dropped")
	v.ramp(telemetry.Firebox, 380, 200, 3600)
	v.ramp(telemetry.Smokebox, 290, 150, 3600)
	v.steamFalling(6, 3, 3600)
	v.run(3750)
}

// blownDown opens the cocks for ten minutes: the pipe runs at boiling, the glass
// falls in three of them, pressure goes to zero; then the pipe falls.
func (v *evening) blownDown() {
	v.dropped()
	v.set(telemetry.BlowdownPipe, 101)
	v.ramp(telemetry.BoilerLevel, 0.7, 0, 180)
	v.steamFalling(3, 0.01, 600)
	v.run(600)
	v.set(telemetry.BoilerPressure, 1000)
	v.ramp(telemetry.BlowdownPipe, 100, 55, 300)
	v.ramp(telemetry.ShellTop, 125, 118, 7200)
	v.ramp(telemetry.ShellBottom, 125, 118, 7200)
	v.run(400)
}
