package energy_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ashlamp/rules/energy"
	"ashlamp/rules/steam"
	"ashlamp/rules/uncertainty"
)

// ambient is a row of the table, 1 bar absolute.
const ambient = 1e5

func value(x, u float64) uncertainty.Value { return uncertainty.Value{X: x, U: u} }

// quillet is a boiler of 400 L for 10 bar, half a glass, its shell on the line.
func quillet(t testing.TB, gaugeBar, level float64, edit ...func(*energy.Input)) energy.Input {
	t.Helper()
	metal, err := energy.Metal(400, 10)
	if err != nil {
		t.Fatal(err)
	}
	shell, err := steam.SaturationTemperature(gaugeBar*1e5 + ambient)
	if err != nil {
		t.Fatal(err)
	}
	in := energy.Input{
		Gauge: value(gaugeBar*1e5, 4000), Ambient: value(ambient, 300), Shell: value(shell, 2.5), AirC: 15,
		Level: value(level, 0.02), VolumeL: 400, Metal: metal,
	}
	for _, f := range edit {
		f(&in)
	}
	return in
}

func of(t testing.TB, in energy.Input) energy.View {
	t.Helper()
	v, err := energy.Of(in)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func within(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s: got %.6g, want %.6g ± %.2g", what, got, want, by)
	}
}

// Worked from the rows of testdata/published/if97_saturation_200.csv (IAPWS-IF97; its
// source in SOURCES.md) and the internal energy of water at 15 °C, 62.98 kJ/kg, as steam
// tables print it (from memory). At 1 bar absolute, the air here:
//
//	h' 417.4365   h” 2674.9496   h”-h' 2257.5132 kJ/kg
//
// The boiler has 0.400 m3 and (1.0 + 0.1×10) kg/L × 400 L = 800 kg of steel.
//
// 10 bar gauge, half a glass, row 11 bar: t 184.0697 °C, ρ' 882.6189, ρ” 5.63584 kg/m3,
// u' 779.9515, u” 2585.4878, h' 781.1977 kJ/kg
//
//	share   0.65 + 0.20×0.5               = 0.75
//	water   0.400×0.75×882.6189           = 264.786 kg
//	steam   0.400×0.25×5.63584            =   0.5636 kg
//	energy  264.786×(779.9515-62.98)      = 189 844 kJ
//	      +   0.5636×(2585.4878-62.98)    =   1 422 kJ
//	      + 800×0.480×(184.0697-15)       =  64 923 kJ
//	                                      = 256.19 MJ
//	flash   (781.1977-417.4365)/2257.5132 = 0.16113, of 264.786 kg 42.666 kg
//
// 3 bar gauge, 0.2 of the glass, row 4 bar: t 143.6125, ρ' 922.8847, ρ” 2.162668,
// u' 604.2901, u” 2553.0999, h' 604.7235
//
//	share   0.65 + 0.20×0.2 = 0.69
//	water   0.400×0.69×922.8847 = 254.716 kg, steam 0.400×0.31×2.162668 = 0.2682 kg
//	energy  254.716×541.3101 + 0.2682×2490.12 + 384×128.6125 = 137 880 + 668 + 49 387
//	                                      = 187.94 MJ
//	flash   (604.7235-417.4365)/2257.5132 = 0.082962, 21.132 kg
//
// 0.5 bar gauge, 0.8 of the glass, row 1.5 bar: t 111.3500, ρ' 949.9161, ρ” 0.862547,
// u' 466.9228, u” 2519.2096, h' 467.0807
//
//	share   0.65 + 0.20×0.8 = 0.81
//	water   0.400×0.81×949.9161 = 307.773 kg, steam 0.400×0.19×0.862547 = 0.0656 kg
//	energy  307.773×403.9428 + 0.0656×2456.23 + 384×96.35 = 124 323 + 161 + 36 998
//	                                      = 161.48 MJ
//	flash   (467.0807-417.4365)/2257.5132 = 0.021991, 6.768 kg
//
// The tolerances are half of the last digit above; the energy's also allows for the
// 0.005 kJ/kg that 62.98 may be rounded by, times the water.
func TestWorkedByHand(t *testing.T) {
	for _, c := range []struct {
		bar, level, water, energy, share, flash float64
	}{
		{10, 0.5, 264.786, 256.19, 0.16113, 42.666},
		{3, 0.2, 254.716, 187.94, 0.082962, 21.132},
		{0.5, 0.8, 307.773, 161.48, 0.021991, 6.768},
	} {
		t.Run(fmt.Sprintf("%g bar", c.bar), func(t *testing.T) {
			v := of(t, quillet(t, c.bar, c.level))
			within(t, "water, kg", v.Water.X, c.water, 0.0006)
			within(t, "energy, MJ", v.Energy.X, c.energy, 0.007)
			within(t, "flash share", v.FlashShare.X, c.share, 0.000006)
			within(t, "flash, kg", v.Flash.X, c.flash, 0.0006)
			if v.Why != "" {
				t.Errorf("why %q, want none: all is known", v.Why)
			}
		})
	}
}

// The published figure of a steam handbook: of condensate at 7 bar gauge let down to the
// air, 13.4 % flashes (a chart common to the trade, from memory). At 1.01325 bar.
func TestFlashAsAHandbookHasIt(t *testing.T) {
	v := of(t, quillet(t, 7, 0.5, func(in *energy.Input) {
		in.Ambient = value(steam.StandardPressure, 300)
		in.Shell = uncertainty.Value{}
	}))
	within(t, "flash share at 7 bar gauge", v.FlashShare.X, 0.134, 0.0006)
}

// The uncertainties of the first example, by hand. Half of each expanded one; the slopes
// from neighbouring rows of the table.
//
//	share   √(0.05² + (0.20×0.01)²) = 0.05004
//	water   0.400×882.62×0.05004 = 17.67 kg; the pressure adds nothing visible
//	                                            U = 35.3 kg
//	energy  share  0.05004×0.400×(882.62×716.97 - 5.636×2522.5) = 12 382 kJ
//	        steel  120 kg×0.480×169.07                          =  9 738 kJ
//	        gauge  0.02 bar × 4.0 K/bar × 1550 kJ/K             =    124 kJ
//	        √ of the squares 15 753 kJ,         U = 31.5 MJ
//	flash share, rows 11 and 11.21, 1 and 1.012 bar:
//	        gauge  0.02 bar×(784.925-781.198)/0.21/2257.5       = 1.572e-4
//	        air    0.0015 bar×(0.00786 - 0.0520×(1-0.161) - 0.161×0.0195) = 0.583e-4
//	        √ of the squares 1.677e-4,          U = 3.35e-4
func TestUncertaintiesByHand(t *testing.T) {
	v := of(t, quillet(t, 10, 0.5))
	within(t, "U of the water, kg", v.Water.U, 35.3, 0.1)
	within(t, "U of the energy, MJ", v.Energy.U, 31.5, 0.1)
	within(t, "U of the flash share", v.FlashShare.U, 3.35e-4, 0.05e-4)
	// The mass's is that of the water, nearly: 42.67×0.1335/2.
	within(t, "U of the flash, kg", v.Flash.U, 0.16113*35.3, 0.1)
}

// Heat loss at 3 bar gauge and 0.2 of the glass, falling by 12 ± 1 K/h: water 254.716 kg
// × 4.29 kJ/(kg K) (heat capacity of saturated water at 143.6 °C as steam tables print
// it, from memory) + 800 kg × 0.480 = 1477 kJ/K; × 12/3600 = 4.92 kW.
//
// Its standard uncertainty: fall 0.5/12 of it 0.205, share 0.0500/0.69 × 1093/1477 of it
// 0.264, steel 0.15×384/1477 of it 0.192: √ of the squares 0.386, U = 0.77 kW.
func TestLossByHand(t *testing.T) {
	in := quillet(t, 3, 0.2, func(in *energy.Input) { in.Shut, in.FallKPerH = true, value(12, 1) })
	v := of(t, in)
	within(t, "loss, kW", v.Loss.X, 4.92, 0.01)
	within(t, "U of the loss, kW", v.Loss.U, 0.77, 0.01)
	if v.WhyNoLoss != "" {
		t.Errorf("why no loss: %q, want none", v.WhyNoLoss)
	}
	// The exact heat at constant mass and volume, from the rows at 3.905 and 4.074 bar:
	// ΔU of water and steam over ΔT. What the formula leaves out must be as small as told.
	mass, m3 := 254.7162+0.26817, 0.4
	u := func(rl, rv, ul, uv float64) float64 {
		s := (mass/m3 - rv) / (rl - rv)
		return m3 * (s*rl*ul + (1-s)*rv*uv)
	}
	exact := (u(922.283607, 2.200261859, 607.1299782, 2553.729377)-u(923.6668916, 2.114354329, 600.5830217, 2552.273511))/(144.2745554-142.7480394) + 384
	if off := v.Loss.X / (12.0 / 3600 * exact); !(off > 0.985 && off <= 1.001) {
		t.Errorf("loss is %.4f of that at constant mass and volume, want 0.985 to 1: %.1f kJ/K", off, exact)
	}
}

func TestReferenceIsThatOfTheFormulation(t *testing.T) {
	// A boiler just at the reference holds nothing beyond its vapour, which is
	// 0.1 m3 × 0.0128 kg/m3 × 2.33 MJ/kg = 3.0 kJ.
	v := of(t, quillet(t, 0, 0.5, func(in *energy.Input) { in.Shell = value(energy.ReferenceC, 2.5) }))
	within(t, "energy at the reference, MJ", v.Energy.X, 0.0030, 0.00005)
	if v.FlashShare.X != 0 || v.Flash.X != 0 || !(v.FlashShare.U > 0) || !v.Flash.Stated() {
		t.Errorf("cold water: flash %v of it, %v kg; want 0 of both, stated", v.FlashShare, v.Flash)
	}
}

// Without pressure the shell tells, and a vacuum is without pressure.
func TestWithoutPressureTheShellTells(t *testing.T) {
	for _, gauge := range []float64{-20000, 0, 3999} {
		in := quillet(t, 3, 0.5, func(in *energy.Input) { in.Gauge.X, in.Shell = gauge, value(80, 2.5) })
		v := of(t, in)
		// Saturated water at 80 °C: 971.8 kg/m3, u' 334.9 kJ/kg (steam tables, from memory);
		// 291.5 kg × 271.9 + 384×65 = 104.2 MJ, and 0.03 kg of vapour × 2.42 = 0.07.
		within(t, "water, kg", v.Water.X, 291.5, 0.1)
		within(t, "energy, MJ", v.Energy.X, 104.3, 0.1)
	}
}

func TestNotKnown(t *testing.T) {
	none := uncertainty.Value{}
	nan := math.NaN()
	all := func(v energy.View) map[string]uncertainty.Value {
		return map[string]uncertainty.Value{"energy": v.Energy, "water": v.Water, "loss": v.Loss, "share": v.FlashShare, "flash": v.Flash}
	}
	for _, c := range []struct {
		name string
		edit func(*energy.Input)
		// known are those that are still known.
		known, why, whyNoLoss string
		most                  bool
	}{
		{"all there", func(*energy.Input) {}, "energy water loss share flash", "", "", false},
		{"no pressure", func(in *energy.Input) { in.Gauge = none }, "", "pressure is not known", "pressure is not known", false},
		{"pressure NaN", func(in *energy.Input) { in.Gauge.X = nan }, "", "pressure is not known", "", false},
		{"pressure without uncertainty", func(in *energy.Input) { in.Gauge.U = 0 }, "", "pressure is not known", "", false},
		{"pressure infinite", func(in *energy.Input) { in.Gauge.X = math.Inf(1) }, "", "pressure is not known", "", false},
		{"pressure above the formulation", func(in *energy.Input) { in.Gauge.X, in.Shell = 20e6, none }, "", "outside", "", false},
		{"no air pressure", func(in *energy.Input) { in.Ambient = none }, "", "air's pressure", "", false},
		{"air pressure NaN", func(in *energy.Input) { in.Ambient.U = nan }, "", "air's pressure", "", false},
		{"no level", func(in *energy.Input) { in.Level = none }, "share", "level is not known", "level", false},
		{"level NaN", func(in *energy.Input) { in.Level.X = nan }, "share", "level is not known", "level", false},
		{"no steel", func(in *energy.Input) { in.Metal = none }, "water share flash", "steel", "steel", false},
		{"glass shows nothing", func(in *energy.Input) { in.Level.X = 0.05 }, "share", "shows nothing", "shows nothing", true},
		{"glass shows next to nothing", func(in *energy.Input) { in.Level.X = 0.051 }, "energy water loss share flash", "", "", false},
		{"glass shows nothing by its uncertainty", func(in *energy.Input) { in.Level = value(0.1, 0.1) }, "share", "shows nothing", "", true},
		{"glass full", func(in *energy.Input) { in.Level.X = 0.98 }, "share", "full", "full", true},
		{"glass next to full", func(in *energy.Input) { in.Level.X = 0.97 }, "energy water loss share flash", "", "", false},
		{"no shell, under steam", func(in *energy.Input) { in.Shell = none }, "energy water loss share flash", "", "", false},
		{"no shell, no pressure", func(in *energy.Input) { in.Shell, in.Gauge.X = none, 4000 }, "", "no shell", "", false},
		{"shell NaN, no pressure", func(in *energy.Input) { in.Shell.X, in.Gauge.X = nan, 0 }, "", "no shell", "", false},
		{"shell under the line", func(in *energy.Input) { in.Shell.X -= 20 }, "", "disagree", "disagree", false},
		{"shell over the line", func(in *energy.Input) { in.Shell.X += 20 }, "", "disagree", "", false},
		{"shell hot, pressure zero", func(in *energy.Input) { in.Gauge.X = 0 }, "", "hotter than water", "", false},
		{"shell hot, pressure zero, glass empty", func(in *energy.Input) { in.Gauge.X, in.Level.X = 0, 0 }, "", "shows nothing", "", false},
		{"ice", func(in *energy.Input) { in.Gauge.X, in.Shell.X = 0, -3 }, "", "ice", "", false},
		{"air temperature NaN", func(in *energy.Input) { in.AirC = nan }, "energy water loss share flash", "", "", false},
		{"fire in", func(in *energy.Input) { in.Shut = false }, "energy water share flash", "", "no fire in", false},
		{"fall not watched", func(in *energy.Input) { in.FallKPerH = none }, "energy water share flash", "", "long enough", false},
		{"fall NaN", func(in *energy.Input) { in.FallKPerH.X = nan }, "energy water share flash", "", "long enough", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := of(t, quillet(t, 3, 0.5, func(in *energy.Input) { in.Shut, in.FallKPerH = true, value(12, 1) }, c.edit))
			for name, q := range all(v) {
				want := strings.Contains(" "+c.known+" ", " "+name+" ")
				if q.Stated() != want {
					t.Errorf("%s is %v, stated %v; want stated %v", name, q, q.Stated(), want)
				}
				if !want && !math.IsNaN(q.X) {
					t.Errorf("%s is not known and yet %v", name, q.X)
				}
			}
			if !strings.Contains(v.Why, c.why) || (c.why == "") != (v.Why == "") {
				t.Errorf("why %q, want %q in it", v.Why, c.why)
			}
			if !strings.Contains(v.WhyNoLoss, c.whyNoLoss) || v.Loss.Stated() != (v.WhyNoLoss == "") {
				t.Errorf("why no loss %q, want %q in it", v.WhyNoLoss, c.whyNoLoss)
			}
			for name, most := range map[string]float64{"energy": v.EnergyMost, "water": v.WaterMost, "flash": v.FlashMost} {
				if (most > 0) != c.most || !c.most && !math.IsNaN(most) {
					t.Errorf("%s at most %v, want a bound: %v", name, most, c.most)
				}
			}
		})
	}
}

// A glass that shows nothing bounds the water: what it would be at the bottom mark, with
// its uncertainty. 0.400 m3 × 922.885 kg/m3 × (0.66 + 0.10) = 280.6 kg.
func TestBoundOfAnEmptyGlass(t *testing.T) {
	v := of(t, quillet(t, 3, 0))
	within(t, "water at most, kg", v.WaterMost, 280.6, 0.2)
	within(t, "flash at most, kg", v.FlashMost, 0.082962*280.6, 0.1)
	full := of(t, quillet(t, 3, 1))
	within(t, "water at most, full glass, kg", full.WaterMost, 369.2, 0.2)
	if !(v.EnergyMost < full.EnergyMost) {
		t.Errorf("energy at most %g MJ with an empty glass, %g with a full one", v.EnergyMost, full.EnergyMost)
	}
}

func TestRefused(t *testing.T) {
	var re *energy.RangeError
	for _, l := range []float64{0, -1, 4.99, 20001, math.NaN(), math.Inf(1)} {
		_, err := energy.Of(quillet(t, 3, 0.5, func(in *energy.Input) { in.VolumeL = l }))
		if !errors.As(err, &re) || !strings.Contains(err.Error(), "volume of water and steam") {
			t.Errorf("volume %g: %v, want a RangeError with its mend", l, err)
		}
		if m, err := energy.Metal(l, 10); !errors.As(err, &re) || m.Stated() {
			t.Errorf("metal of %g L: %v, %v; want a RangeError", l, m, err)
		}
	}
	for _, bar := range []float64{0, 0.49, 41, math.NaN()} {
		if m, err := energy.Metal(400, bar); !errors.As(err, &re) || m.Stated() {
			t.Errorf("metal at %g bar: %v, %v; want a RangeError", bar, m, err)
		}
	}
	if m, err := energy.Metal(400, 10); err != nil || m != value(800, 240) {
		t.Errorf("metal: %v, %v; want 800 ± 240 kg", m, err)
	}
}

// From row 4.074 to row 3.905 bar within 20 min, straight: 144.2746 - 142.7480 =
// 1.5265 K, 4.580 K/h.
func TestFall(t *testing.T) {
	air := value(ambient, 300)
	f := energy.FallUnderSteam([3]float64{3.074e5, 2.9895e5, 2.905e5}, 4000, air, 1800)
	within(t, "fall, K/h", f.X, 4.580, 0.001)
	// A transducer good to 0.04 bar repeats to 0.004: × 9.06 K/bar × √2 / ⅓ h = 0.154 K/h;
	// its zero shifts the slope of the line by 1.0 % (9.06 at 3.9 bar, 0.04×d²T/dp²): 0.04.
	within(t, "U of the fall, K/h", f.U, 0.16, 0.012)
	shell := energy.Fall([3]float64{80, 78, 76}, 2.5, 1800)
	within(t, "fall of the shell, K/h", shell.X, 12, 1e-9)
	within(t, "U of it, K/h", shell.U, 0.25*math.Sqrt2*3, 1e-9)
	bent := energy.Fall([3]float64{80, 76, 76}, 2.5, 1800)
	if !(bent.U > 5) || bent.X != shell.X {
		t.Errorf("a fall that has stopped: %v, want 12 ± more than 5", bent)
	}
	if rise := energy.Fall([3]float64{76, 78, 80}, 2.5, 1800); rise.X != -shell.X {
		t.Errorf("a rise is %v, want a fall of -12", rise)
	}
	nan := math.NaN()
	for name, f := range map[string]uncertainty.Value{
		"mean NaN":       energy.Fall([3]float64{80, nan, 76}, 2.5, 1800),
		"no uncertainty": energy.Fall([3]float64{80, 78, 76}, 0, 1800),
		"no window":      energy.Fall([3]float64{80, 78, 76}, 2.5, 0),
		"no air":         energy.FallUnderSteam([3]float64{3e5, 3e5, 3e5}, 4000, uncertainty.Value{}, 1800),
		"pressure NaN":   energy.FallUnderSteam([3]float64{3e5, nan, 3e5}, 4000, air, 1800),
		"nothing boils":  energy.FallUnderSteam([3]float64{-1e5, -1e5, -1e5}, 4000, air, 1800),
		"u NaN":          energy.FallUnderSteam([3]float64{3e5, 3e5, 3e5}, nan, air, 1800),
	} {
		if f.Stated() {
			t.Errorf("%s: %v, want not stated", name, f)
		}
	}
}

func drawn(t *rapid.T) energy.Input {
	bar := rapid.Float64Range(0.1, 25).Draw(t, "bar")
	volume := rapid.Float64Range(5, 20000).Draw(t, "volume")
	metal, err := energy.Metal(volume, rapid.Float64Range(0.5, 40).Draw(t, "working"))
	if err != nil {
		t.Fatal(err)
	}
	return energy.Input{
		Gauge:   value(bar*1e5, rapid.Float64Range(50, 8000).Draw(t, "uGauge")),
		Ambient: value(rapid.Float64Range(85000, 105000).Draw(t, "air"), rapid.Float64Range(50, 4000).Draw(t, "uAir")),
		Level:   value(rapid.Float64Range(0.11, 0.89).Draw(t, "level"), rapid.Float64Range(0.005, 0.1).Draw(t, "uLevel")),
		AirC:    15, VolumeL: volume, Metal: metal,
		Shut: true, FallKPerH: value(rapid.Float64Range(-5, 60).Draw(t, "fall"), rapid.Float64Range(0.1, 10).Draw(t, "uFall")),
	}
}

func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawn(t)
		v, err := energy.Of(in)
		if err != nil {
			t.Fatal(err)
		}
		all := []uncertainty.Value{v.Energy, v.Water, v.FlashShare, v.Flash, v.Loss}
		for i, q := range all {
			if !q.Stated() {
				t.Fatalf("figure %d is not known: %v, %s", i, q, v.Why)
			}
		}
		if !(v.FlashShare.X > 0 && v.FlashShare.X < 1) || v.Flash.X > v.Water.X {
			t.Fatalf("flash share %g, %g of %g kg", v.FlashShare.X, v.Flash.X, v.Water.X)
		}
		if v.Water.X > in.VolumeL || v.Energy.X <= 0 {
			t.Fatalf("%g kg in %g L with %g MJ", v.Water.X, in.VolumeL, v.Energy.X)
		}

		// Half the pressure, the rest the same: less energy, less of it flashes.
		lower := in
		lower.Gauge.X = math.Max(in.Gauge.U*1.01, in.Gauge.X*rapid.Float64Range(0.3, 0.95).Draw(t, "down"))
		if lower.Gauge.X < in.Gauge.X {
			w, err := energy.Of(lower)
			if err != nil {
				t.Fatal(err)
			}
			if !(w.FlashShare.X < v.FlashShare.X) || !(w.Energy.X < v.Energy.X) {
				t.Fatalf("from %g to %g Pa: share %g to %g, energy %g to %g MJ", in.Gauge.X, lower.Gauge.X, v.FlashShare.X, w.FlashShare.X, v.Energy.X, w.Energy.X)
			}
		}
	})
}

// Each input that is known worse makes what rests on it known worse, and what does not
// rest on it no other.
func TestUncertaintyGrowsWithThatOfEachInput(t *testing.T) {
	type figures [5]float64 // energy, water, share, flash, loss
	us := func(v energy.View) figures {
		return figures{v.Energy.U, v.Water.U, v.FlashShare.U, v.Flash.U, v.Loss.U}
	}
	for name, c := range map[string]struct {
		of    func(*energy.Input) *float64
		grows string // energy, water, share, flash, loss: + grows, = stays, ~ hardly rests on it
	}{
		"gauge": {func(in *energy.Input) *float64 { return &in.Gauge.U }, "++++~"},
		"air":   {func(in *energy.Input) *float64 { return &in.Ambient.U }, "++++~"},
		"level": {func(in *energy.Input) *float64 { return &in.Level.U }, "++=++"},
		"steel": {func(in *energy.Input) *float64 { return &in.Metal.U }, "+===+"},
		"fall":  {func(in *energy.Input) *float64 { return &in.FallKPerH.U }, "====+"},
	} {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				in := drawn(t)
				in.Gauge.X = math.Max(in.Gauge.X, 1e5) // still under steam with twice the uncertainty
				in.Level.X = rapid.Float64Range(0.25, 0.75).Draw(t, "level well inside")
				if in.FallKPerH.X = math.Abs(in.FallKPerH.X); in.FallKPerH.X < 1 {
					in.FallKPerH.X = 1
				}
				v, err := energy.Of(in)
				if err != nil {
					t.Fatal(err)
				}
				*c.of(&in) *= 2
				w, err := energy.Of(in)
				if err != nil {
					t.Fatal(err)
				}
				before, after := us(v), us(w)
				for i, grows := range c.grows {
					ok := map[rune]bool{'+': after[i] > before[i], '=': after[i] == before[i], '~': after[i] >= before[i]*(1-1e-9)}
					if !ok[grows] {
						t.Fatalf("figure %d: ± %g became ± %g, want %c", i, before[i], after[i], grows)
					}
				}
			})
		})
	}
}

func BenchmarkOf(b *testing.B) {
	in := quillet(b, 3, 0.5, func(in *energy.Input) { in.Shut, in.FallKPerH = true, value(12, 1) })
	b.ReportAllocs()
	for b.Loop() {
		if _, err := energy.Of(in); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkIF97 is the formulation alone, as often as Of asks it: the raw ceiling.
func BenchmarkIF97(b *testing.B) {
	for b.Loop() {
		for range 9 {
			if _, err := steam.AtPressure(4e5); err != nil {
				b.Fatal(err)
			}
		}
	}
}

func ExampleOf() {
	metal, _ := energy.Metal(400, 10)
	v, _ := energy.Of(energy.Input{
		Gauge:   uncertainty.Value{X: 10e5, U: 4000},
		Ambient: uncertainty.Value{X: 1e5, U: 300},
		Level:   uncertainty.Value{X: 0.5, U: 0.02},
		VolumeL: 400, Metal: metal,
	})
	fmt.Printf("%.0f ± %.0f MJ in %.0f ± %.0f kg of water\n", v.Energy.X, v.Energy.U, v.Water.X, v.Water.U)
	fmt.Printf("let down now, %.1f %% of it flashes: %.0f ± %.0f kg of steam\n", 100*v.FlashShare.X, v.Flash.X, v.Flash.U)
	fmt.Println(v.WhyNoLoss)
	// Output:
	// 256 ± 32 MJ in 265 ± 35 kg of water
	// let down now, 16.1 % of it flashes: 43 ± 6 kg of steam
	// The loss can be told only with no fire in and the boiler shut.
}
