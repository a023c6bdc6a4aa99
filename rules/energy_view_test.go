package rules_test

import (
	"math"
	"strings"
	"testing"

	"ashlamp/rules/energy"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
)

// resting is an engine left with its water: its fire dropped, housed, and shut while it
// falls from 3.0 to 2.5 bar within an hour and a half.
func resting(t *testing.T) *evening {
	t.Helper()
	v := newEvening(t, quillet(func(e *engine.Engine) { e.LayUp = telemetry.Short }))
	v.set(telemetry.BoilerLevel, 0.5)
	v.set(telemetry.Firebox, 250)
	v.set(telemetry.Smokebox, 150)
	v.set(telemetry.BlowdownPipe, 20)
	v.event(telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: telemetry.Short})
	v.steamFalling(3.0, 2.5, 5400)
	v.say("fire-dropped")
	v.run(600)
	v.event(telemetry.Event{Kind: telemetry.DisposalEnded})
	return v
}

// By the figures of rules/energy's own examples: 0.75 of 400 L at about 925 kg/m3, 800 kg
// of steel; the line falls by 4.7 K from 3.0 to 2.5 bar, 3.1 K/h, × (277.6×4.28 + 384) kJ/K
// = 1.36 kW, and a little more at its end. Of the energy's uncertainty 2×0.05×0.4 m3 ×
// 486 MJ/m3 = 19.4 MJ is the glass's and 0.3×384 kJ/K×125 K = 14.4 the steel's: 24.2.
func TestEnergyOfAnEngineAtRest(t *testing.T) {
	v := resting(t)
	if e := v.judge.State().Energy; e.Loss.Stated() || e.WhyNoLoss == "" || !e.Energy.Stated() {
		t.Errorf("ten minutes after the fire: loss %v, %q, energy %v; want the loss not known, and why", e.Loss, e.WhyNoLoss, e.Energy)
	}
	v.run(1700)
	if e := v.judge.State().Energy; e.Loss.Stated() {
		t.Errorf("housed for less than half an hour: loss %v, want not known", e.Loss)
	}
	v.run(3000)
	e := v.judge.State().Energy
	for _, c := range []struct {
		what          string
		got, want, by float64
	}{
		{"water, kg", e.Water.X, 277.8, 1}, {"U of it", e.Water.U, 37, 1},
		{"energy, MJ", e.Energy.X, 193, 2}, {"U of it", e.Energy.U, 24, 1},
		{"flash share", e.FlashShare.X, 0.0735, 0.001}, {"flash, kg", e.Flash.X, 20.4, 0.3},
		{"loss, kW", e.Loss.X, 1.4, 0.1}, {"U of it", e.Loss.U, 0.2, 0.05},
	} {
		if !(math.Abs(c.got-c.want) <= c.by) {
			t.Errorf("%s: got %.4g, want %.4g ± %.2g", c.what, c.got, c.want, c.by)
		}
	}
	if e.Why != "" || e.WhyNoLoss != "" {
		t.Errorf("all is known, and yet %q, %q", e.Why, e.WhyNoLoss)
	}
}

func TestEnergyIsNotKnownByWhatIsNotGood(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*evening)
		// lost says what is no longer known; why is in the reason.
		lost func(energy.View) bool
		why  string
	}{
		{"pressure stale", func(v *evening) { v.drop(telemetry.BoilerPressure); v.run(300) }, nothingKnown, "pressure"},
		{"pressure bad", func(v *evening) { v.bad[telemetry.BoilerPressure] = "wire broken"; v.run(300) }, nothingKnown, "pressure"},
		{"pressure NaN", func(v *evening) { v.set(telemetry.BoilerPressure, math.NaN()); v.run(300) }, nothingKnown, "pressure"},
		{"nothing heard for an hour", func(v *evening) { v.wait(3600) }, nothingKnown, "pressure"},
		{"barometer reduced to the sea", func(v *evening) { v.set(telemetry.AmbientPressure, air+6000); v.run(60) }, nothingKnown, "air"},
		{"level bad", func(v *evening) { v.bad[telemetry.BoilerLevel] = "wire broken"; v.run(300) }, noMass, "level"},
		{"shell off the line", func(v *evening) {
			v.set(telemetry.ShellTop, 80)
			v.set(telemetry.ShellBottom, 80)
			v.run(10)
		}, nothingKnown, "disagree"},
		{"vent open", func(v *evening) {
			v.steamFalling(2.5, 0.01, 60)
			v.run(60)
			v.say("vent-open")
			v.run(5)
		}, noLoss, "shut"},
		{"fire in", func(v *evening) { v.event(telemetry.Event{Kind: telemetry.FireLit}); v.run(5) }, noLoss, "no fire"},
		{"a cock passes", func(v *evening) { v.set(telemetry.BlowdownPipe, 135); v.run(10) }, noLoss, "shut"},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := resting(t)
			v.run(4500)
			if e := v.judge.State().Energy; noLoss(e) || noMass(e) {
				t.Fatalf("before: %+v, want all known", e)
			}
			c.do(v)
			e := v.judge.State().Energy
			if !c.lost(e) {
				t.Errorf("%+v is still known", e)
			}
			if !strings.Contains(e.Why+" "+e.WhyNoLoss, c.why) {
				t.Errorf("why %q, %q: want %q in it", e.Why, e.WhyNoLoss, c.why)
			}
		})
	}
}

func noLoss(e energy.View) bool { return !e.Loss.Stated() }

func noMass(e energy.View) bool {
	return noLoss(e) && !e.Water.Stated() && !e.Energy.Stated() && !e.Flash.Stated()
}

func nothingKnown(e energy.View) bool {
	return noMass(e) && !e.FlashShare.Stated() && !(e.WaterMost > 0)
}

// Where the glass shows nothing there is a bound, and no mass.
func TestEnergyOfAnEmptyGlass(t *testing.T) {
	v := newEvening(t, quillet())
	v.set(telemetry.BoilerLevel, 0)
	v.set(telemetry.BlowdownPipe, 20)
	v.steamFalling(3.0, 2.9, 600)
	v.run(600)
	e := v.judge.State().Energy
	if !noMass(e) || !e.FlashShare.Stated() || !strings.Contains(e.Why, "shows nothing") {
		t.Errorf("%+v, want no mass, and why", e)
	}
	// 0.4 m3 × 924 kg/m3 × (0.66 + 0.10).
	if !(math.Abs(e.WaterMost-281) <= 1) || !(e.EnergyMost > 0) || !(e.FlashMost > 0) {
		t.Errorf("at most %.1f kg, %.1f MJ, %.1f kg of steam; want 281 kg and bounds of the others", e.WaterMost, e.EnergyMost, e.FlashMost)
	}
}

// Without a barometer the standard atmosphere of the place does, known less well.
func TestEnergyWithoutABarometer(t *testing.T) {
	v := resting(t)
	v.run(60)
	with := v.judge.State().Energy
	v.drop(telemetry.AmbientPressure)
	v.run(4000)
	without := v.judge.State().Energy
	if !(without.FlashShare.U > 2*with.FlashShare.U) || !without.Energy.Stated() {
		t.Errorf("flash share %v with, %v without a barometer; want it known worse", with.FlashShare, without.FlashShare)
	}
}

func TestEnergyOfAnEngineThatCannotBe(t *testing.T) {
	v := newEvening(t, quillet(func(e *engine.Engine) { e.BoilerVolume = 0 }))
	v.set(telemetry.BoilerPressure, 3e5)
	v.run(10)
	if e := v.judge.State().Energy; !nothingKnown(e) || !strings.Contains(e.Why, "volume") {
		t.Errorf("%+v, want nothing known, and why", e)
	}
}
