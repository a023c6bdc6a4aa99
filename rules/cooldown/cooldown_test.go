package cooldown_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/cooldown"
	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
)

var start = time.Date(2031, 4, 12, 16, 0, 0, 0, time.UTC)

const barometer = 101325.0

func quillet() engine.Engine {
	e := engine.Engine{
		ID: "quillet", WorkingPressure: 10, BoilerVolume: 400, Tanks: 2, BlowDownPipe: true, LayUp: telemetry.Dry,
		EmptiedBy: engine.Empty, Limits: limit.Defaults(10, 400), Channels: map[telemetry.Channel]engine.Channel{},
	}
	for _, id := range []telemetry.Channel{
		telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.BoilerLevel, telemetry.BoilerHumidity,
		telemetry.Firebox, telemetry.Smokebox, telemetry.TankLeft, telemetry.TankRight, telemetry.AmbientTemp, telemetry.AmbientPressure,
	} {
		e.Channels[id] = engine.Channel{ID: id, Uncertainty: engine.DefaultUncertainty(id, math.NaN()), Low: math.NaN(), High: math.NaN()}
	}
	return e
}

// play feeds a recorder whatever the channels read, every step seconds.
type play struct {
	t     testing.TB
	r     *cooldown.Recorder
	s     float64 // since start
	step  float64
	reads map[telemetry.Channel]func(s float64) float64
}

func newPlay(t testing.TB, e engine.Engine) *play {
	t.Helper()
	r, err := cooldown.New(e)
	if err != nil {
		t.Fatal(err)
	}
	p := &play{t: t, r: r, step: 5, reads: map[telemetry.Channel]func(float64) float64{}}
	p.set(telemetry.AmbientTemp, 15)
	p.set(telemetry.AmbientPressure, barometer)
	return p
}

func (p *play) set(id telemetry.Channel, v float64) { p.reads[id] = func(float64) float64 { return v } }

func (p *play) now() time.Time { return at(p.s) }

func at(s float64) time.Time { return start.Add(time.Duration(s * 1e9)) }

func (p *play) run(hours float64) {
	for end := p.s + hours*3600; p.s < end; {
		p.s += p.step
		for _, id := range []telemetry.Channel{
			telemetry.AmbientTemp, telemetry.AmbientPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.BoilerPressure,
			telemetry.BoilerLevel, telemetry.Firebox, telemetry.Smokebox, telemetry.TankLeft, telemetry.TankRight, telemetry.BoilerHumidity,
		} {
			if f, ok := p.reads[id]; ok {
				p.r.Sample(telemetry.Sample{Channel: id, At: p.now(), Value: f(p.s), Quality: telemetry.Good})
			}
		}
	}
}

func (p *play) summary() cooldown.Summary {
	p.t.Helper()
	s, ok := p.r.Summary()
	if !ok {
		p.t.Fatal("no summary, and a disposal was begun")
	}
	return s
}

func (p *play) say(id string) {
	p.r.Hear(telemetry.Event{At: p.now(), Kind: telemetry.Confirmed, Subject: id})
}

// cooling is water that loses its excess over 15 °C at rate 1/h from fromC at the time from.
func cooling(fromC, rate, from float64) func(s float64) float64 {
	return func(s float64) float64 { return 15 + (fromC-15)*math.Exp(-rate*(s-from)/3600) }
}

// gaugeOf is the gauge pressure of saturated water.
func gaugeOf(t testing.TB, water func(float64) float64) func(float64) float64 {
	return func(s float64) float64 {
		p, err := steam.SaturationPressure(water(s))
		if err != nil {
			t.Fatal(err)
		}
		return p - barometer
	}
}

func near(t *testing.T, what string, got *float64, want, within float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is not known, want %g ± %g", what, want, within)
	} else if !(math.Abs(*got-want) <= within) {
		t.Errorf("%s = %g, want %g ± %g", what, *got, want, within)
	}
}

func rate(t *testing.T, what string, got *cooldown.Rate, want, within float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is not known, want %g ± %g", what, want, within)
		return
	}
	near(t, what, &got.Value, want, within)
	if got.Lo != nil && !(*got.Lo <= got.Value && got.Value <= *got.Hi) {
		t.Errorf("%s: %g is outside its own interval %g to %g", what, got.Value, *got.Lo, *got.Hi)
	}
}

func after(t *testing.T, what string, got *time.Time, s, within float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is not known, want %s", what, at(s))
	} else if math.Abs(got.Sub(at(s)).Seconds()) > within {
		t.Errorf("%s at %s, want %s within %g s", what, got, at(s), within)
	}
}

// TestADryDisposal plays a whole disposal of which every figure is known beforehand.
func TestADryDisposal(t *testing.T) {
	p := newPlay(t, quillet())
	water := cooling(180, 0.06, 0)
	p.reads[telemetry.BoilerPressure] = gaugeOf(t, water)
	p.reads[telemetry.ShellTop] = func(s float64) float64 { return water(s) - 2 }
	p.reads[telemetry.ShellBottom] = func(s float64) float64 { return water(s) - 22 }
	p.reads[telemetry.Firebox] = func(s float64) float64 { return water(s) - 2 + 600*math.Exp(-s/3600/0.8) }
	p.set(telemetry.Smokebox, 200)
	p.set(telemetry.BoilerLevel, 0.7)
	p.set(telemetry.TankLeft, 0.5)
	p.set(telemetry.TankRight, 0.5)
	p.run(0.1)
	p.r.Begin(p.now(), telemetry.Dry)
	p.run(0.1)
	p.say("fire-dropped")
	p.r.Phase(p.now(), disposal.FireDropped)
	out := p.s
	p.run(9)
	near(t, "pressure first", p.summary().First.PressurePa, gaugeOf(t, water)(360), 1)
	near(t, "shell first", p.summary().First.ShellC, water(360)-2, 0.1)
	near(t, "level first", p.summary().First.Level, 0.7, 0)
	near(t, "air first", p.summary().First.AirC, 15, 0)

	// Blown down within ten minutes, and the dry shell cools by itself.
	blown := p.s
	p.r.Phase(p.now(), disposal.BlowingDown)
	gauge := p.reads[telemetry.BoilerPressure](blown)
	p.reads[telemetry.BoilerPressure] = func(s float64) float64 { return math.Max(0, gauge*(1-(s-blown)/600)) }
	p.run(600.0 / 3600)
	p.r.Phase(p.now(), disposal.Emptied)
	emptied := p.s
	top := p.reads[telemetry.ShellTop](emptied)
	p.reads[telemetry.ShellTop] = cooling(top, 0.3, emptied)
	p.reads[telemetry.ShellBottom] = func(s float64) float64 { return cooling(top, 0.3, emptied)(s) - 20 }
	p.reads[telemetry.Firebox] = func(s float64) float64 { return cooling(top, 0.3, emptied)(s) + 10 }
	p.reads[telemetry.Smokebox] = p.reads[telemetry.Firebox]
	tankFrom := emptied + 1800
	drain := func(s float64) float64 {
		return math.Max(0.01, 0.5-0.5*math.Max(0, s-tankFrom)/900)
	}
	p.reads[telemetry.TankLeft], p.reads[telemetry.TankRight] = drain, drain
	p.run(1)
	p.say("plugs-removed")
	plugs := p.s
	p.reads[telemetry.BoilerHumidity] = func(s float64) float64 { return 90 - 10*(s-plugs)/3600 }
	p.run(2)
	p.r.End(p.now())
	ended := p.s
	p.step = 60
	p.run(34)

	s := p.summary()
	rate(t, "heat loss, 1/h", s.HeatLoss, 0.06, 1e-4)
	rate(t, "heat loss above half the working pressure", s.HeatLossHigh, 0.06, 1e-4)
	rate(t, "heat loss below", s.HeatLossLow, 0.06, 1e-4)
	rate(t, "fall at 100 K", s.FallAt100K, 0.06*100, 0.01)
	rate(t, "time constant of the firebox, h", s.FireboxTimeConstant, 0.8, 0.005)
	rate(t, "time constant of the shell, h", s.ShellTimeConstant, 1/0.3, 0.005)
	near(t, "largest spread", s.LargestSpread, 20, 1e-6)
	near(t, "tanks drained in", s.TankDrainS, 900*(0.5-0.03)/0.5, 35)
	near(t, "drying", s.DryingH, 5.3, 0.02)
	// The first ten minutes after it was emptied are the fastest: by the mean of each end.
	near(t, "fastest cooling, K/h", s.FastestCooling, (top-15)*(1-math.Exp(-0.3/6))*6, 0.6)
	after(t, "fire out", s.Passed.FireOut, out, 0)
	after(t, "blow-down begun", s.Passed.BlowDownBegun, blown, 0)
	after(t, "blow-down finished", s.Passed.BlowDownFinished, emptied, 0)
	after(t, "pressure zero", s.Passed.PressureZero, emptied-600*8000/gauge, 6)
	after(t, "plugs", s.Passed.PlugsRemoved, plugs, 0)
	after(t, "tanks empty", s.Passed.TanksEmpty, tankFrom+846, 6)
	after(t, "barrel dry", s.Passed.BarrelDry, plugs+5.3*3600, 61)
	after(t, "ended", s.Ended, ended, 0)
	cools := func(fromC, toC float64) float64 { return emptied + 3600/0.3*math.Log((fromC-15)/(toC-15)) }
	after(t, "below boiling", s.Passed.BelowBoiling, cools(top, (99.97-3-2.5+0.02*15)/1.02), 10)
	after(t, "firebox cool", s.Passed.FireboxCool, cools(top, 90-2.5), 10)
	after(t, "touchable", s.Passed.Touchable, cools(top, 33-2.5), 61)

	b, err := json.Marshal(s)
	if err != nil {
		t.Fatalf("a summary is to be kept as JSON: %v", err)
	}
	var back cooldown.Summary
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	if again, _ := json.Marshal(back); string(again) != string(b) {
		t.Errorf("written and read again\n%s\nis not\n%s", again, b)
	}
}

// TestNothingKnownIsNoNumber: what was not measured is null, whatever else was.
func TestNothingKnownIsNoNumber(t *testing.T) {
	p := newPlay(t, quillet())
	if _, ok := p.r.Summary(); ok {
		t.Error("a summary, and no disposal was ever begun")
	}
	p.r.Begin(p.now(), "")
	p.r.Phase(p.now(), disposal.FireDropped)
	p.reads[telemetry.BoilerPressure] = func(float64) float64 { return math.NaN() }
	p.run(3)
	p.r.Sample(telemetry.Sample{Channel: telemetry.Firebox, At: p.now().Add(time.Second), Value: 20, Quality: telemetry.Uncertain})
	b, err := json.Marshal(p.summary())
	if err != nil {
		t.Fatal(err)
	}
	for _, field := range []string{
		"pressure_pa", "shell_c", "firebox_c", "level", "blow_down_begun", "blow_down_finished", "pressure_zero", "below_boiling",
		"firebox_cool", "smokebox_cool", "touchable", "tanks_empty", "plugs_removed", "barrel_dry", "heat_loss", "heat_loss_high",
		"heat_loss_low", "fall_at_100k", "firebox_time_constant", "shell_time_constant", "pressure_lag", "fastest_cooling",
		"largest_spread", "tank_drain_s", "drying_h", "ended",
	} {
		if !strings.Contains(string(b), `"`+field+`":null`) {
			t.Errorf("%s is not null in %s", field, b)
		}
	}
}

// TestWhenTheBoilerIsNotShut: no heat loss is told from what is none.
func TestWhenTheBoilerIsNotShut(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(p *play)
		known bool
	}{
		{"shut, and the fire out", func(*play) {}, true},
		{"the fire is in", func(p *play) { p.r.Phase(p.now(), disposal.InSteam) }, false},
		{"a fire is lit", func(p *play) { p.r.Hear(telemetry.Event{At: p.now(), Kind: telemetry.FireLit}) }, false},
		{"it is blown down", func(p *play) { p.r.Phase(p.now(), disposal.BlowingDown) }, false},
		{"the air is not known", func(p *play) { delete(p.reads, telemetry.AmbientTemp) }, false},
		{"the pressure is not known", func(p *play) { delete(p.reads, telemetry.BoilerPressure) }, false},
		{"the pressure is at the edge", func(p *play) { p.set(telemetry.BoilerPressure, 0.3e5) }, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlay(t, quillet())
			p.reads[telemetry.BoilerPressure] = gaugeOf(t, cooling(180, 0.06, 0))
			p.r.Begin(p.now(), "")
			p.r.Phase(p.now(), disposal.FireDropped)
			tt.spoil(p)
			p.run(3)
			if s := p.summary(); (s.HeatLoss != nil) != tt.known {
				t.Errorf("heat loss %+v, want known %v", s.HeatLoss, tt.known)
			}
		})
	}
}

// TestTheIntervalHoldsTheTruth: with noise that hangs together from minute to minute the
// interval still holds the truth about as often as it says.
func TestTheIntervalHoldsTheTruth(t *testing.T) {
	for _, hangs := range []float64{0, 0.5, 0.8} {
		rng := rand.New(rand.NewPCG(1, 2))
		held, told := 0, 0
		const evenings = 300
		for range evenings {
			p := newPlay(t, quillet())
			p.step = 60
			water, noise := cooling(180, 0.06, 0), 0.0
			p.reads[telemetry.BoilerPressure] = func(s float64) float64 {
				noise = hangs*noise + math.Sqrt(1-hangs*hangs)*rng.NormFloat64()
				return gaugeOf(t, func(s float64) float64 { return water(s) + 0.3*noise })(s)
			}
			p.r.Begin(p.now(), "")
			p.r.Phase(p.now(), disposal.FireDropped)
			p.run(4)
			r := p.summary().HeatLoss
			if r == nil || r.Lo == nil {
				continue
			}
			told++
			if *r.Lo <= 0.06 && 0.06 <= *r.Hi {
				held++
			}
		}
		share := float64(held) / float64(told)
		t.Logf("lag-1 correlation %.1f: %d of %d intervals hold the truth, %.1f %%", hangs, held, told, 100*share)
		if told < evenings*9/10 || share < 0.91 || share > 0.99 {
			t.Errorf("lag-1 correlation %.1f: %d of %d intervals hold the truth, %d evenings; want about 95 %%", hangs, held, told, evenings)
		}
	}
}

// TestALateTransducer: pressure that follows 40 s late shows as such, an offset does not.
func TestALateTransducer(t *testing.T) {
	for _, late := range []float64{0, 40} {
		p := newPlay(t, quillet())
		water := func(s float64) float64 {
			if s < 3600 {
				return cooling(180, 0.05, 0)(s)
			}
			return cooling(cooling(180, 0.05, 0)(3600), 1.5, 3600)(s)
		}
		p.reads[telemetry.BoilerPressure] = func(s float64) float64 { return gaugeOf(t, water)(math.Max(0, s-late)) }
		p.reads[telemetry.ShellTop] = func(s float64) float64 { return water(s) - 3 }
		p.reads[telemetry.ShellBottom] = p.reads[telemetry.ShellTop]
		p.r.Begin(p.now(), "")
		p.r.Phase(p.now(), disposal.FireDropped)
		p.run(1.3)
		rate(t, "lag, s", p.summary().PressureLag, late, 2)
	}
}

// TestTankDrain: what is drawn before the drain is opened is no part of the drain.
func TestTankDrain(t *testing.T) {
	e := quillet()
	e.Tanks = 1
	p := newPlay(t, e)
	p.reads[telemetry.TankLeft] = func(s float64) float64 {
		switch {
		case s < 600:
			return 0.8 - 0.2*s/600 // the injector feeds
		case s < 3000:
			return 0.6
		}
		return math.Max(0, 0.6-0.6*(s-3000)/1200)
	}
	p.r.Begin(p.now(), "")
	p.run(2)
	near(t, "drained in, s", p.summary().TankDrainS, 1200*0.57/0.6, 45)
}

func TestForecastsAndWhatCameOfThem(t *testing.T) {
	p := newPlay(t, quillet())
	if err := p.r.Forecast(cooldown.Forecast{Target: "house"}); err == nil {
		t.Error("a forecast before any disposal was taken")
	}
	p.r.Begin(p.now(), "")
	for m := range 24 * 60 {
		made := at(float64(m) * 60)
		if err := p.r.Forecast(cooldown.Forecast{
			Target: "house", Assuming: "as-is", MadeAt: made, Eta: at(25 * 3600), Lo: at(24.5 * 3600), Hi: at(26 * 3600),
		}); err != nil {
			t.Fatal(err)
		}
	}
	if err := p.r.Forecast(cooldown.Forecast{Target: "barrel-dry", Assuming: "as-is", MadeAt: at(0)}); err != nil {
		t.Fatal(err)
	}
	p.r.Reached("house", at(24*3600))
	p.r.Reached("house", at(30*3600)) // only the first counts
	got := p.summary().Forecasts
	if len(got) != 4 {
		t.Fatalf("%d outcomes, want 4: first, half, quarter and eighth of the way: %+v", len(got), got)
	}
	for i, lead := range []float64{24, 12, 6, 3} {
		o := got[i]
		if math.Abs(o.LeadS/3600-lead) > 1.1 || o.ErrorS != -3600 || o.Within == nil || *o.Within || !o.Reached.Equal(at(24*3600)) {
			t.Errorf("outcome %d is %+v, want a lead of about %g h, an hour early, outside its interval", i, o, lead)
		}
	}
	if got[0].LeadS != 24*3600 {
		t.Errorf("the first forecast is kept as of %g h before, want 24", got[0].LeadS/3600)
	}
}

func TestAMarkClosesItsForecast(t *testing.T) {
	p := newPlay(t, quillet())
	p.r.Begin(p.now(), "")
	p.r.Phase(p.now(), disposal.FireDropped)
	p.reads[telemetry.BoilerPressure] = func(s float64) float64 { return math.Max(0, 1e5*(1-s/3600)) }
	if err := p.r.Forecast(cooldown.Forecast{Target: cooldown.PressureZero, Assuming: "as-is", MadeAt: at(0), Eta: at(3000), Lo: at(2000), Hi: at(4000)}); err != nil {
		t.Fatal(err)
	}
	p.run(2)
	s := p.summary()
	want := 3600 * (1 - 0.08)
	after(t, "pressure zero", s.Passed.PressureZero, want, 6)
	if len(s.Forecasts) != 1 || math.Abs(s.Forecasts[0].ErrorS-(want-3000)) > 6 || !*s.Forecasts[0].Within {
		t.Errorf("outcomes %+v, want one that came %g s late and within its interval", s.Forecasts, want-3000)
	}
}

// TestHouseIsReachedWithTheLast: of all that an engine waits for to be housed the last
// counts, and what lies under the limit by less than its uncertainty has not come.
func TestHouseIsReachedWithTheLast(t *testing.T) {
	for _, tt := range []struct {
		name  string
		layUp telemetry.LayUp
		bar   float64 // at which it stands
		smoke func(s float64) float64
		s     float64 // when it came; 0 for never
	}{
		{"emptied, the smokebox last", telemetry.Dry, 0.01, cooling(400, 2, 0), 3600 / 2 * math.Log(385/(97.5-15))},
		{"emptied, with pressure", telemetry.Dry, 0.5, cooling(400, 2, 0), 0},
		{"left with its water", telemetry.Short, 5, cooling(400, 2, 0), 3600 / 2 * math.Log(385/(177.5-15))},
		{"left with its water, at too much pressure", telemetry.Short, 9, cooling(400, 2, 0), 0},
		{"the smokebox within its uncertainty of the limit", telemetry.Dry, 0.01, func(float64) float64 { return 98 }, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlay(t, quillet())
			p.r.Begin(p.now(), tt.layUp)
			p.r.Phase(p.now(), disposal.FireDropped)
			p.set(telemetry.BoilerPressure, tt.bar*1e5)
			p.reads[telemetry.Firebox], p.reads[telemetry.Smokebox] = cooling(380, 2.5, 0), tt.smoke
			if err := p.r.Forecast(cooldown.Forecast{Target: cooldown.House, Assuming: "as-is", MadeAt: at(60), Eta: at(5000)}); err != nil {
				t.Fatal(err)
			}
			p.run(3)
			got := p.summary().Forecasts
			switch {
			case tt.s == 0 && len(got) != 0:
				t.Errorf("reached: %+v, want not", got)
			case tt.s != 0 && (len(got) != 1 || math.Abs(got[0].Reached.Sub(at(tt.s)).Seconds()) > 6 || got[0].Within != nil):
				t.Errorf("reached: %+v, want at %s", got, at(tt.s))
			}
		})
	}
}

// TestTooManyTargets: what would need more room than there is is refused.
func TestTooManyTargets(t *testing.T) {
	p := newPlay(t, quillet())
	p.r.Begin(p.now(), "")
	var err error
	for i := range 40 {
		if err = p.r.Forecast(cooldown.Forecast{Target: strings.Repeat("x", i+1), MadeAt: at(0), Eta: at(60)}); err != nil {
			break
		}
	}
	if err == nil {
		t.Error("forty targets were taken; the memory is to be constant")
	}
}

// TestResume: after a restart that feeds only the newest samples again nothing is lost.
func TestResume(t *testing.T) {
	feed := func(p *play, from, to float64) {
		p.r.Begin(at(0), telemetry.Dry)
		p.r.Phase(at(0), disposal.FireDropped)
		p.reads[telemetry.BoilerPressure] = gaugeOf(t, cooling(180, 0.06, 0))
		p.reads[telemetry.BoilerHumidity] = func(s float64) float64 { return math.Max(30, 95-3*s/3600) }
		p.r.Hear(telemetry.Event{At: at(0), Kind: telemetry.Confirmed, Subject: "plugs-removed"})
		p.s, p.step = from, 30
		p.run((to - from) / 3600)
	}
	whole := newPlay(t, quillet())
	feed(whole, 0, 50*3600)
	want := whole.summary()
	if want.Passed.BarrelDry == nil {
		t.Fatal("the barrel is not dry after 50 h; the test says nothing")
	}
	before := newPlay(t, quillet())
	feed(before, 0, 17*3600)
	after := newPlay(t, quillet())
	feed(after, 14*3600, 50*3600)
	after.r.Resume(before.summary())
	got := after.summary()
	got.Samples, want.Samples = 0, 0
	// The fit is that of the longer stretch, which the restart cut.
	if got.HeatLoss == nil || math.Abs(got.HeatLoss.Value-want.HeatLoss.Value) > 1e-4 {
		t.Errorf("heat loss %+v, want about %+v", got.HeatLoss, want.HeatLoss)
	}
	got.HeatLoss, got.HeatLossLow, got.HeatLossHigh, got.FallAt100K = want.HeatLoss, want.HeatLossLow, want.HeatLossHigh, want.FallAt100K
	g, _ := json.Marshal(got)
	if w, _ := json.Marshal(want); string(g) != string(w) {
		t.Errorf("resumed\n%s\nwant\n%s", g, w)
	}
	other := before.summary()
	other.Begun = other.Begun.Add(time.Hour)
	fresh := newPlay(t, quillet())
	fresh.r.Begin(at(0), telemetry.Dry)
	fresh.r.Resume(other)
	if s := fresh.summary(); s.HeatLoss != nil {
		t.Error("a summary of another disposal was taken over")
	}
}

// TestForecastsOutlastARestart: what came of a forecast before stands, what came since is
// added, and nothing is told twice.
func TestForecastsOutlastARestart(t *testing.T) {
	told := func(p *play, target string, made float64) {
		if err := p.r.Forecast(cooldown.Forecast{Target: target, Assuming: "as-is", MadeAt: at(made), Eta: at(9000)}); err != nil {
			t.Fatal(err)
		}
	}
	before, after := newPlay(t, quillet()), newPlay(t, quillet())
	before.r.Begin(at(0), "")
	told(before, "a", 100)
	before.r.Reached("a", at(5000))
	after.r.Begin(at(0), "")
	after.r.Resume(before.summary())
	told(after, "a", 6000) // it has come already
	told(after, "b", 6000)
	after.r.Reached("b", at(8000))
	got := after.summary().Forecasts
	if len(got) != 2 || got[0].Target != "a" || got[0].LeadS != 4900 || got[1].Target != "b" || got[1].LeadS != 2000 {
		t.Errorf("outcomes %+v, want a as it came before and b as it came after", got)
	}
}

// TestMemoryIsConstant: a week at a sample each five seconds leaves no more behind than
// a day.
func TestMemoryIsConstant(t *testing.T) {
	p := newPlay(t, quillet())
	p.reads[telemetry.BoilerPressure] = gaugeOf(t, cooling(180, 0.001, 0))
	p.reads[telemetry.ShellTop] = cooling(180, 0.001, 0)
	p.reads[telemetry.ShellBottom] = p.reads[telemetry.ShellTop]
	p.r.Begin(p.now(), "")
	p.r.Phase(p.now(), disposal.FireDropped)
	p.run(24)
	got := testing.AllocsPerRun(1, func() { p.run(24) })
	if got > 50 {
		t.Errorf("a day more allocates %g times, want next to none", got)
	}
	rate(t, "heat loss over days", p.summary().HeatLoss, 0.001, 1e-5)
}

func BenchmarkSample(b *testing.B) {
	p := newPlay(b, quillet())
	p.reads[telemetry.BoilerPressure] = gaugeOf(b, cooling(180, 0.001, 0))
	p.reads[telemetry.ShellTop] = cooling(180, 0.001, 0)
	p.r.Begin(p.now(), "")
	p.r.Phase(p.now(), disposal.FireDropped)
	b.ReportAllocs()
	for b.Loop() {
		p.run(5.0 / 3600)
	}
}
