package furnace_test

import (
	"math"
	"testing"

	"ashlamp/simulators/boiler/furnace"
)

func design() furnace.Design {
	return furnace.Design{Power: 120e3, Flame: 1150, Brick: 55 * 900, BrickArea: 0.35, Draught: 0.05, Smoke: 420}
}

// run holds the plates at a temperature for a time.
func run(f *furnace.Furnace, seconds, plates float64, d furnace.Doors) (power float64) {
	for k := 0.0; k < seconds; k += 5 {
		power = f.Advance(5, plates, 12, d)
	}
	return power
}

func TestFireIn(t *testing.T) {
	f := furnace.New(design(), 180)
	f.Fire = 0.45
	p := run(f, 1800, 180, furnace.Doors{Pan: 1, Blower: 0.1})
	if f.Gas < 1000 || f.Gas > 1200 {
		t.Errorf("firebox at %.0f °C, want about 1100", f.Gas)
	}
	if f.SmokeTemp < 240 || f.SmokeTemp > 360 {
		t.Errorf("smokebox at %.0f °C, want about 300", f.SmokeTemp)
	}
	shut := run(f, 60, 180, furnace.Doors{})
	blown := run(f, 60, 180, furnace.Doors{Pan: 1, Blower: 1})
	if !(shut < p/2 && blown > 1.5*p) {
		t.Errorf("power %.0f W with the pan shut, %.0f open, %.0f under the blower", shut, p, blown)
	}
}

func TestFireDropped(t *testing.T) {
	f := furnace.New(design(), 180)
	f.Fire = 0.45
	run(f, 600, 180, furnace.Doors{Pan: 1})
	hot := f.Gas
	for f.Fire > 0 {
		f.Fire = math.Max(0, f.Fire-0.01)
		run(f, 5, 180, furnace.Doors{Pan: 1})
	}
	if hot-f.Gas < 150 {
		t.Errorf("the firebox fell by %.0f K at the drop, want more than 150", hot-f.Gas)
	}
	// Bare brick cools as a body does: ever more slowly, in hours.
	var last float64
	for i := range 4 {
		before := f.BrickTemp
		run(f, 1800, 150, furnace.Doors{})
		fell := before - f.BrickTemp
		if fell <= 0 || i > 0 && fell >= last {
			t.Errorf("half hour %d: the brick fell by %.0f K after %.0f K", i, fell, last)
		}
		last = fell
	}
	if f.BrickTemp < 160 || f.BrickTemp > 330 {
		t.Errorf("two hours later the brick is at %.0f °C, want it still well above the plates at 150", f.BrickTemp)
	}
}

func TestSmokeboxDoor(t *testing.T) {
	f := furnace.New(design(), 130)
	f.Fire, f.BrickTemp = 0, 300
	run(f, 7200, 130, furnace.Doors{})
	if f.SmokeTemp < 130 {
		t.Errorf("shut, the smokebox is at %.0f °C below tubes of 130", f.SmokeTemp)
	}
	run(f, 3600, 130, furnace.Doors{Smokebox: 0.15})
	ajar := f.SmokeTemp
	if ajar > 100 {
		t.Errorf("ajar for an hour: %.0f °C, want it below 100", ajar)
	}
	run(f, 1800, 130, furnace.Doors{Smokebox: 1})
	if f.SmokeTemp >= ajar {
		t.Errorf("wide open: %.0f °C, want it below %.0f", f.SmokeTemp, ajar)
	}
}

// Draught cools cold plates, never below the air.
func TestDraughtCools(t *testing.T) {
	f := furnace.New(design(), 90)
	f.Fire, f.BrickTemp = 0, 90
	if p := run(f, 60, 90, furnace.Doors{Pan: 1, Smokebox: 0.15}); p >= 0 {
		t.Errorf("plates of 90 °C in air of 12 gain %.0f W, want a loss", p)
	}
	f.BrickTemp = 12
	if p := run(f, 600, 12, furnace.Doors{Pan: 1}); math.Abs(p) > 1 {
		t.Errorf("all at the air's temperature and %.2f W flow", p)
	}
}
