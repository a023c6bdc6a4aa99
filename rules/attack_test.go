package rules_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// TestNothingIsProvenByAFault: one thing is wrong, or late, or forgotten, and what
// it would have proven is not proven.
func TestNothingIsProvenByAFault(t *testing.T) {
	cold := func(e *engine.Engine) { e.EmptiedBy = engine.Cold }
	declare := func(ids ...telemetry.Channel) func(e *engine.Engine) {
		return func(e *engine.Engine) {
			for _, id := range ids {
				e.Channels[id] = engine.Channel{ID: id, Uncertainty: engine.DefaultUncertainty(id, math.NaN())}
			}
		}
	}
	coldBoiler := func(v *evening) {
		v.set(telemetry.BoilerPressure, 0)
		v.set(telemetry.ShellTop, 40)
		v.set(telemetry.ShellBottom, 40)
		v.set(telemetry.BoilerLevel, 0)
		v.set(telemetry.Firebox, 40)
		v.run(400)
		v.say("gauge-tried", "vent-open", "cocks-run-dry")
	}
	for _, tt := range []struct {
		name           string
		edit           func(e *engine.Engine)
		do             func(v *evening)
		step, evidence string // the step alone where there is no evidence to name
		want           verdict.Verdict
	}{
		{"limits of time that nobody set", func(e *engine.Engine) { delete(e.Limits, limit.Hold); delete(e.Limits, limit.ZeroHold) }, func(v *evening) {
			v.blownDown()
			v.say("cocks-run-dry")
			v.run(600)
		}, "plugs-out", "nothing-left-to-boil", verdict.NotYet},
		{"a hold of zero pressure that nobody set", func(e *engine.Engine) { delete(e.Limits, limit.ZeroHold) }, func(v *evening) { v.blownDown(); v.run(600) }, "plugs-out", "pressure-zero", verdict.NotYet},
		{"an age that nobody set", func(e *engine.Engine) { delete(e.Limits, limit.FreshPressure) }, func(v *evening) { v.blownDown(); v.run(600) }, "plugs-out", "pressure-zero", verdict.CannotTell},
		{"a firebox that froze under its limit", nil, func(v *evening) {
			v.inSteam()
			v.say("fire-dropped")
			v.set(telemetry.Firebox, 380.1)
			for range 40 { // judged all the while, so that no moment of rounding passes unseen
				v.run(60)
				v.wantEvidence("blow-down", "fire-out", verdict.NotYet)
			}
		}, "blow-down", "fire-out", verdict.NotYet},
		{"a fire that burns on with a noise", nil, func(v *evening) {
			v.inSteam()
			v.say("fire-dropped")
			v.reads[telemetry.Firebox] = func(s float64) float64 { return 350 + 0.3*math.Sin(s*12.9898) }
			for range 60 {
				v.run(30)
				v.wantEvidence("blow-down", "fire-out", verdict.NotYet)
			}
		}, "blow-down", "fire-out", verdict.NotYet},
		{"pressure that froze", func(e *engine.Engine) { e.LayUp = telemetry.Short }, func(v *evening) {
			v.set(telemetry.BoilerPressure, 531234.56)
			for range 50 {
				v.run(60)
				v.wantEvidence("house", "pressure-falling", verdict.NotYet)
			}
		}, "house", "pressure-falling", verdict.NotYet},
		{"yesterday's words, and a fire that nobody heard of", nil, func(v *evening) {
			v.dropped()
			v.run(7200)
			for c := range v.reads {
				v.drop(c)
			}
			v.wait(20 * 3600)
			v.set(telemetry.Firebox, 480)
			v.ramp(telemetry.Firebox, 480, 330, 3600)
			v.run(3600)
		}, "blow-down", "fire-out", verdict.NotYet},
		{"warm water let in after the cocks were said to be dry", cold, func(v *evening) {
			coldBoiler(v)
			v.want("plugs-out", verdict.Proven)
			v.ramp(telemetry.BoilerLevel, 0, 0.5, 600)
			v.set(telemetry.ShellTop, 60)
			v.set(telemetry.ShellBottom, 60)
			v.run(700)
		}, "plugs-out", "cocks-run-dry", verdict.NotYet},
		{"a fire that nobody spoke of in an opened boiler", cold, func(v *evening) {
			coldBoiler(v)
			v.want("plugs-out", verdict.Proven)
			v.ramp(telemetry.Firebox, 40, 600, 600)
			v.run(700)
		}, "plugs-out", "vent-open", verdict.NotYet},
		{"pressure heard of late, after the word", nil, func(v *evening) {
			v.blownDown()
			v.say("vent-open", "cocks-run-dry")
			v.run(600)
			at := v.now.Add(-400*time.Second - time.Second)
			v.take(v.judge.Samples(v.now, []telemetry.Sample{{Channel: telemetry.BoilerPressure, At: at, Value: 0.3e5, Quality: telemetry.Good}}))
			v.run(400)
		}, "plugs-out", "vent-open", verdict.NotYet},
		{"a second transducer that says two bar", declare("boiler.pressure.dome"), func(v *evening) {
			v.set("boiler.pressure.dome", 2e5)
			v.blownDown()
			v.run(600)
		}, "plugs-out", "pressure-zero", verdict.NotYet},
		{"both transducers behind one shut cock", declare("boiler.pressure.dome"), func(v *evening) {
			v.dropped()
			v.set(telemetry.BoilerPressure, 0)
			v.set("boiler.pressure.dome", 0)
			v.set(telemetry.ShellTop, onTheLine(t, 3))
			v.run(600)
		}, "reach-in", "pressure-zero", verdict.CannotTell},
		{"a gauge cock shut, the blow-down cocks shut half way", nil, func(v *evening) {
			v.dropped()
			v.set(telemetry.BlowdownPipe, 101)
			v.ramp(telemetry.BoilerLevel, 0.7, 0, 60)
			v.steamFalling(3, 2.7, 60)
			v.run(60)
			v.set(telemetry.BlowdownPipe, 40)
			v.set(telemetry.BoilerPressure, 0)
			v.run(600)
		}, "reach-in", "pressure-zero", verdict.CannotTell},
		{"a tank said to be dipped, the other measured full", func(e *engine.Engine) {
			delete(e.Channels, telemetry.TankRight)
			e.ByWord = map[string]string{"tanks-empty": "tanks-dipped"}
		}, func(v *evening) {
			v.drop(telemetry.TankRight)
			v.set(telemetry.TankLeft, 0.8)
			v.say("tanks-dipped")
			v.run(900)
		}, "house", "tanks-empty", verdict.NotYet},
		{"said to be empty, with water in the glass", func(e *engine.Engine) {
			delete(e.Channels, telemetry.BlowdownPipe)
			e.ByWord = map[string]string{"nothing-left-to-boil": "looked-in"}
		}, func(v *evening) {
			v.set(telemetry.BoilerLevel, 0.7)
			v.say("looked-in")
			v.run(300)
		}, "plugs-out", "nothing-left-to-boil", verdict.NotYet},
		{"one cold sample does not waive the word", func(e *engine.Engine) { cold(e); e.Limits[limit.RunDryWaiver] = 50 }, func(v *evening) {
			v.set(telemetry.ShellTop, 60)
			v.set(telemetry.ShellBottom, 60)
			v.run(300)
			v.set(telemetry.ShellTop, 20)
			v.set(telemetry.ShellBottom, 20)
			v.run(10)
		}, "plugs-out", "cocks-run-dry", verdict.NotYet},
		{"the glass in per cent", nil, func(v *evening) { v.set(telemetry.BoilerLevel, 70); v.run(300) }, "drop-fire", "water-in-glass", verdict.CannotTell},
		{"a glass that failed low is not empty", nil, func(v *evening) {
			v.dropped()
			v.set(telemetry.BlowdownPipe, 101)
			v.ramp(telemetry.BoilerLevel, 0.7, 0.3, 60)
			v.steamFalling(3, 0.01, 600)
			v.run(60)
			v.set(telemetry.BoilerLevel, -0.4)
			v.run(540)
			v.ramp(telemetry.BlowdownPipe, 100, 55, 300)
			v.run(400)
			v.say("cocks-run-dry")
			v.run(300)
		}, "plugs-out", "nothing-left-to-boil", verdict.CannotTell},
		{"a tank that failed low", nil, func(v *evening) { v.set(telemetry.TankLeft, -0.4); v.run(900) }, "house", "tanks-empty", verdict.CannotTell},
		{"a smokebox colder than the air, its door open", nil, func(v *evening) {
			v.say("smokebox-ajar")
			v.set(telemetry.Smokebox, -60)
			v.run(900)
		}, "reach-in", "smokebox-touchable", verdict.CannotTell},
		{"a warm pipe does not keep people clear", nil, func(v *evening) {
			v.dropped()
			v.set(telemetry.BlowdownPipe, 95)
			v.say("at-blow-down-place", "people-clear")
			v.run(601)
		}, "blow-down", "people-clear", verdict.NotYet},
		{"one sample holds nothing", declare(telemetry.AmbientCO), func(v *evening) {
			v.take(v.judge.Samples(v.now, []telemetry.Sample{{Channel: telemetry.AmbientCO, At: v.now, Value: 2e-6, Quality: telemetry.Good}}))
			v.wait(600)
		}, "house", "air-clear", verdict.NotYet},
		{"a clock an hour ahead", nil, func(v *evening) {
			v.run(300)
			v.take(v.judge.Samples(v.now, []telemetry.Sample{
				{Channel: telemetry.BoilerPressure, At: v.now.Add(time.Hour), Value: 0, Quality: telemetry.Good},
				{Channel: telemetry.BoilerPressure, At: v.now.Add(2 * time.Hour), Value: 0, Quality: telemetry.Good},
			}))
		}, "plugs-out", "pressure-zero", verdict.CannotTell},
		{"a time before 1970", nil, func(v *evening) {
			v.take(v.judge.Samples(v.now, []telemetry.Sample{{Channel: telemetry.Firebox, At: time.Unix(-1e9, 0), Value: 20, Quality: telemetry.Good}}))
			v.run(10)
		}, "reach-in", "firebox-touchable", verdict.CannotTell},
		{"a lay-up switched in the middle: the hold begins anew", nil, func(v *evening) {
			v.event(telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: telemetry.Short})
			v.set(telemetry.ShellTop, 90)
			v.ramp(telemetry.Firebox, 170, 99, 3600)
			v.run(3600)
			v.ramp(telemetry.Firebox, 97, 90, 3600)
			v.event(telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: telemetry.Dry})
			v.run(100)
		}, "house", "firebox-cool", verdict.NotYet},
		{"a second begin takes the words of the first", nil, func(v *evening) {
			v.dropped()
			v.event(telemetry.Event{Kind: telemetry.DisposalBegun})
			v.run(10)
		}, "blow-down", "fire-out", verdict.NotYet},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := quillet()
			if tt.edit != nil {
				tt.edit(&e)
			}
			v := newEvening(t, e)
			tt.do(v)
			v.wantEvidence(tt.step, tt.evidence, tt.want)
			if s := v.step(tt.step); s.Verdict == verdict.Proven {
				t.Errorf("%s is proven", tt.step)
			}
		})
	}
}

// TestAGoodEveningIsNotHeldUp: what is no fault holds nothing up.
func TestAGoodEveningIsNotHeldUp(t *testing.T) {
	t.Run("a second transducer that is lost, where the first was seen to follow", func(t *testing.T) {
		v := newEvening(t, quillet())
		v.set("boiler.pressure.dome", 6e5)
		v.run(10)
		v.drop("boiler.pressure.dome")
		v.blownDown()
		v.say("vent-open", "cocks-run-dry")
		v.run(300)
		v.want("plugs-out", verdict.Proven)
	})
	t.Run("a bad sample from a clock ahead", func(t *testing.T) {
		v := newEvening(t, quillet())
		v.inSteam()
		v.take(v.judge.Samples(v.now, []telemetry.Sample{telemetry.Lost(telemetry.BoilerPressure, v.now.Add(time.Hour), "clock ahead")}))
		v.run(10)
		v.say("glasses-proved")
		v.want("drop-fire", verdict.Proven)
		for _, r := range v.judge.State().Readings {
			if r.Channel == telemetry.BoilerPressure && r.Quality != telemetry.Good {
				t.Errorf("the newest pressure is %s, want the good one heard since", r.Quality)
			}
		}
	})
	t.Run("a fire that dies slowly", func(t *testing.T) {
		v := newEvening(t, quillet())
		v.inSteam()
		v.say("fire-dropped")
		v.ramp(telemetry.Firebox, 220, 200, 7200) // 10 K an hour
		v.run(3600)
		v.wantEvidence("blow-down", "fire-out", verdict.Proven)
	})
	t.Run("a pack out of order, channel by channel", func(t *testing.T) {
		a, b := newEvening(t, quillet()), newEvening(t, quillet())
		a.inSteam()
		b.inSteam()
		a.steamFalling(6, 4, 600)
		var pack []telemetry.Sample
		begin := a.now
		for _, c := range []telemetry.Channel{telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom} {
			for s := 5.0; s <= 600; s += 5 {
				at := begin.Add(time.Duration(s * 1e9))
				pack = append(pack, telemetry.Sample{Channel: c, At: at, Value: a.reads[c](at.Sub(start).Seconds()), Quality: telemetry.Good})
			}
		}
		inOrder := slices.Clone(pack)
		slices.SortStableFunc(inOrder, func(x, y telemetry.Sample) int { return x.At.Compare(y.At) })
		kept := slices.Clone(pack)
		a.take(a.judge.Samples(begin.Add(601*time.Second), pack))
		b.take(b.judge.Samples(begin.Add(601*time.Second), inOrder))
		if got, want := fmt.Sprint(a.judge.State().Steps), fmt.Sprint(b.judge.State().Steps); got != want {
			t.Errorf("out of order:\n%s\nin order:\n%s", got, want)
		}
		if !slices.EqualFunc(pack, kept, func(x, y telemetry.Sample) bool { return x == y }) {
			t.Error("the caller's samples were moved")
		}
	})
}

func TestAnUnknownLayUpIsRefused(t *testing.T) {
	v := newEvening(t, quillet())
	ev := telemetry.Event{At: start, Kind: telemetry.DisposalBegun, LayUp: "drie"}
	if err := v.judge.Check(ev); err == nil {
		t.Error("check accepts a lay-up that is none")
	}
	if _, err := v.judge.Hear(ev); err == nil || v.judge.Open() {
		t.Errorf("heard: %v, open %v; want an error and no disposal", err, v.judge.Open())
	}
}

// needed are the channels without which an evidence cannot be proven, on an engine
// that is emptied through its cocks.
var needed = map[string][]telemetry.Channel{
	"pressure-zero": {telemetry.BoilerPressure}, "nothing-left-to-boil": {telemetry.BlowdownPipe, telemetry.BoilerLevel},
	"water-in-glass": {telemetry.BoilerLevel}, "pressure-in-range": {telemetry.BoilerPressure}, "steam-to-move": {telemetry.BoilerPressure},
	"pressure-to-blow-down": {telemetry.BoilerPressure}, "pressure-falling": {telemetry.BoilerPressure}, "fire-out": {telemetry.Firebox},
	"firebox-cool": {telemetry.Firebox}, "firebox-touchable": {telemetry.Firebox}, "smokebox-cool": {telemetry.Smokebox},
	"smokebox-touchable": {telemetry.Smokebox}, "tanks-empty": {telemetry.TankLeft, telemetry.TankRight},
	"barrel-dry": {telemetry.BoilerHumidity}, "air-clear": {telemetry.AmbientCO},
}

// twice hears the same on two judges, one of which is told of time in leaps and the
// other in small steps.
type twice struct {
	leap, creep *rules.Judge
	now         time.Time
	newest      map[telemetry.Channel]time.Time // good ones
}

func lines(t *rapid.T, cs []rules.Change) (out []string) {
	for _, c := range cs {
		var v any = c.Step
		switch {
		case c.Lapse != nil:
			v = c.Lapse
		case c.Passage != nil:
			v = c.Passage
		}
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, string(b))
	}
	return out
}

// TestWhateverComes: samples, words and silences in any order, from any point of
// the evening.
func TestWhateverComes(t *testing.T) {
	e := quillet(func(e *engine.Engine) {
		// Absolute and only just fine enough: what it proves hangs on the barometer.
		e.Channels[telemetry.BoilerPressure] = engine.Channel{ID: telemetry.BoilerPressure, Uncertainty: 9500, Absolute: true}
		e.Limits[limit.RunDryWaiver] = 50
	})
	values := map[telemetry.Channel][]float64{
		telemetry.BoilerPressure: {air, air, air + 5000, air - 31000, air + 3e5, air + 6e5, 0},
		telemetry.ShellTop:       {20, 45, 90, 118, 165}, telemetry.ShellBottom: {20, 45, 90, 118, 165},
		telemetry.BoilerLevel: {-0.4, 0, 0, 0.06, 0.3, 0.7, 1.3}, telemetry.BlowdownPipe: {30, 55, 84, 101},
		telemetry.Firebox: {-60, 20, 35, 90, 200, 390, 600, 900}, telemetry.Smokebox: {-60, 20, 35, 90, 150, 290},
		telemetry.TankLeft: {-0.4, 0, 0.01, 0.4}, telemetry.TankRight: {0, 0.01, 0.4},
		telemetry.BoilerHumidity: {20, 38, 80}, telemetry.AmbientCO: {0, 2e-6, 40e-6},
		telemetry.AmbientTemp: {-5, 15, 30}, telemetry.AmbientPressure: {air, air - 3000, air + 5001},
	}
	var channels []telemetry.Channel
	for c := range values {
		channels = append(channels, c)
	}
	slices.Sort(channels)
	words := []string{
		"glasses-proved", "fire-dropped", "ash-pan-shut", "brake-tried", "at-blow-down-place", "people-clear", "vent-open", "cocks-run-dry",
		"gauge-tried", "blower-shut", "drain-clear", "ash-cleared", "smokebox-ajar", "plugs-removed", "hope",
	}
	proven := 0
	rapid.Check(t, func(rt *rapid.T) {
		var pair [2]*evening
		for i := range pair {
			v := newEvening(t, e)
			pair[i] = v
		}
		begin := rapid.SampledFrom([]func(v *evening){
			func(*evening) {}, (*evening).inSteam, (*evening).dropped, (*evening).blownDown,
		}).Draw(rt, "begin")
		for _, v := range pair {
			v.absolute = true
			begin(v)
		}
		w := &twice{leap: pair[0].judge, creep: pair[1].judge, now: pair[0].now, newest: map[telemetry.Channel]time.Time{}}
		for _, r := range w.leap.State().Readings {
			w.newest[r.Channel] = r.At
		}
		for range rapid.IntRange(1, 60).Draw(rt, "happenings") {
			before := w.leap.Now()
			var got, want []rules.Change
			switch rapid.SampledFrom([]string{"pack", "pack", "pack", "quiet", "word", "word", "withdraw", "event"}).Draw(rt, "what") {
			case "pack":
				w.now = w.now.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 5, 5, 14, 30}).Draw(rt, "s")) * time.Second)
				var pack []telemetry.Sample
				for _, c := range channels {
					if rapid.IntRange(0, 9).Draw(rt, "in") == 0 {
						continue
					}
					s := telemetry.Sample{Channel: c, At: w.now, Value: rapid.SampledFrom(values[c]).Draw(rt, string(c)), Quality: telemetry.Good}
					switch rapid.IntRange(0, 30).Draw(rt, "how") {
					case 0:
						s = telemetry.Lost(c, w.now, "bus error")
					case 1:
						s.At = s.At.Add(-time.Duration(rapid.IntRange(1, 4000).Draw(rt, "late")) * time.Second)
					case 2:
						s.At = s.At.Add(time.Duration(rapid.IntRange(1, 9000).Draw(rt, "ahead")) * time.Second)
					case 3:
						s.Value = math.NaN()
					case 4:
						s.At = time.Time{}
					}
					if s.Quality == telemetry.Good && !math.IsNaN(s.Value) && s.At.Sub(w.now) <= rules.MaxAheadS*time.Second && s.At.After(w.newest[c]) {
						w.newest[c] = s.At
					}
					pack = append(pack, s)
				}
				got, want = w.leap.Samples(w.now, pack), w.creep.Samples(w.now, pack)
			case "quiet":
				to := w.now.Add(time.Duration(rapid.SampledFrom([]int{1, 15, 16, 61, 121, 300, 901, 1800, 3601, 44000}).Draw(rt, "s")) * time.Second)
				got, want = w.leap.Advance(w.now), w.creep.Advance(w.now) // the first verdicts, if nothing was heard yet
				if back := w.leap.Advance(w.now.Add(-time.Minute)); len(back) > 0 {
					rt.Fatalf("a now in the past changed %v", lines(rt, back))
				}
				got = append(got, w.leap.Advance(to)...)
				for at := w.now; at.Before(to); {
					at = at.Add(time.Duration(rapid.Int64Range(int64(to.Sub(w.now))/20+1, int64(to.Sub(w.now))/3+1).Draw(rt, "step")))
					if at.After(to) {
						at = to
					}
					want = append(want, w.creep.Advance(at)...)
				}
				w.now = to
			default:
				ev := telemetry.Event{At: w.now, By: "T. Oxley"}
				switch rapid.SampledFrom([]string{"confirm", "confirm", "withdraw", "begin", "end", "lit"}).Draw(rt, "said") {
				case "confirm":
					ev.Kind, ev.Subject = telemetry.Confirmed, rapid.SampledFrom(words).Draw(rt, "word")
				case "withdraw":
					ev.Kind, ev.Subject = telemetry.Withdrawn, rapid.SampledFrom(words).Draw(rt, "word")
				case "begin":
					ev.Kind, ev.LayUp = telemetry.DisposalBegun, rapid.SampledFrom([]telemetry.LayUp{"", telemetry.Dry, telemetry.Short, telemetry.Wet}).Draw(rt, "lay-up")
				case "end":
					ev.Kind = telemetry.DisposalEnded
				case "lit":
					ev.Kind = telemetry.FireLit
				}
				if rapid.IntRange(0, 9).Draw(rt, "past") == 0 {
					ev.At = ev.At.Add(-time.Duration(rapid.IntRange(1, 50000).Draw(rt, "by")) * time.Second)
				}
				got, _ = w.leap.Hear(ev)
				want, _ = w.creep.Hear(ev)
			}
			g, c := lines(rt, got), lines(rt, want)
			for i := range max(len(g), len(c)) {
				if leap, creep := append(g, "nothing")[min(i, len(g))], append(c, "nothing")[min(i, len(c))]; leap != creep {
					rt.Fatalf("change %d in one leap:\n%s\nin small steps:\n%s", i, leap, creep)
				}
			}
			if now := w.leap.Now(); now.Before(before) {
				rt.Fatalf("now ran back from %s to %s", before, now)
			}
			if next, ok := w.leap.Next(); ok && !next.After(w.leap.Now()) {
				rt.Fatalf("the next moment is %s, and it is %s already", next, w.leap.Now())
			}
			s := w.leap.State()
			for _, step := range s.Steps {
				for _, b := range step.Because {
					if step.Verdict == verdict.Proven && b.Verdict != verdict.Proven {
						rt.Fatalf("%s is proven with %s %s: %s", step.ID, b.Evidence, b.Verdict, b.Text)
					}
					if b.Verdict != verdict.Proven {
						continue
					}
					proven++
					for _, c := range needed[b.Evidence] {
						if old := s.At.Sub(w.newest[c]).Seconds(); !(old <= e.Fresh(c)) {
							rt.Fatalf("%s of %s is proven, the newest good %s is %g s old: %s", b.Evidence, step.ID, c, old, b.Text)
						}
					}
				}
			}
		}
	})
	if proven == 0 {
		t.Error("nothing was ever proven: the test says nothing")
	}
}
