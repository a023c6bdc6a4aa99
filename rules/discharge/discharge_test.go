package discharge_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"ashlamp/rules/discharge"
	"ashlamp/rules/steam"
)

const ambient = steam.StandardPressure

// The fluxes, to three digits, were computed with another program of the same
// formulation; a hand check by the omega method gives 7100 at 10 bar.
func TestHEMAgainstAnotherProgram(t *testing.T) {
	worst := 0.0
	for _, c := range []struct{ barG, want, digit float64 }{
		{1, 1800, 10}, {2, 2500, 10}, {3, 3140, 10}, {5, 4330, 10}, {7, 5430, 10}, {10, 6940, 10}, {15, 9220, 10},
	} {
		f, err := discharge.SaturatedWater(ambient+c.barG*1e5, ambient)
		if err != nil {
			t.Fatal(err)
		}
		ratio := f.ThroatPressure / (ambient + c.barG*1e5)
		worst = max(worst, math.Abs(f.MassFlux/c.want-1))
		t.Logf("%4g bar: %.1f kg/(m2 s), throat at %.4f of p0, %.1f m/s, quality %.4f", c.barG, f.MassFlux, ratio, f.Velocity, f.Quality)
		if !(math.Abs(f.MassFlux-c.want) <= c.digit/2) {
			t.Errorf("%g bar: got %.1f, want %g kg/(m2 s)", c.barG, f.MassFlux, c.want)
		}
		if !f.Choked || !(ratio > 0.865 && ratio < 0.945) {
			t.Errorf("%g bar: throat at %.4f of p0, choked %v; want 0.87 to 0.94, choked", c.barG, ratio, f.Choked)
		}
	}
	t.Logf("largest relative difference %.2g", worst)
}

// Napier's rule as ASME BPVC section I PG-69.2 has it, from memory:
// 51.5 lb/h a square inch and psi, good to a few per cent up to 1500 psi.
func TestSteamFlowAgainstNapier(t *testing.T) {
	const napier = 51.5 * 0.45359237 / 3600 / (0.0254 * 0.0254) / 6894.757293
	for _, bar := range []float64{2.5, 5, 11, 16, 26} {
		f, err := discharge.DrySteam(bar*1e5, ambient)
		if err != nil {
			t.Fatal(err)
		}
		want := napier * bar * 1e5
		t.Logf("%4g bar abs: %.1f, Napier %.1f kg/(m2 s), throat at %.4f", bar, f.MassFlux, want, f.ThroatPressure/(bar*1e5))
		if !(math.Abs(f.MassFlux/want-1) < 0.03) {
			t.Errorf("%g bar abs: got %.1f, want %.1f kg/(m2 s) ± 3 %%", bar, f.MassFlux, want)
		}
		if !f.Choked {
			t.Errorf("%g bar abs: not choked, throat at %g Pa", bar, f.ThroatPressure)
		}
	}
}

// The maximum must be one: no throat pressure on a fine grid gives more.
func TestNoThroatPressureGivesMore(t *testing.T) {
	for _, p0 := range []float64{1.02e5, 1.1e5, 1.5e5, 2e5, 5e5, 11e5, 26e5} {
		s, err := steam.AtPressure(p0)
		if err != nil {
			t.Fatal(err)
		}
		for name, c := range map[string]struct {
			h, s float64
			f    func(p0, a float64) (float64, error)
		}{
			"water": {s.Liquid.Enthalpy, s.Liquid.Entropy, discharge.HEM},
			"steam": {s.Vapour.Enthalpy, s.Vapour.Entropy, discharge.SteamFlow},
		} {
			best := 0.0
			for i := range 2000 {
				p := ambient + (p0-ambient)*float64(i)/2000
				q, err := steam.AtPressure(p)
				if err != nil {
					t.Fatal(err)
				}
				x := (c.s - q.Liquid.Entropy) / (q.Vapour.Entropy - q.Liquid.Entropy)
				h := q.Liquid.Enthalpy*(1-x) + q.Vapour.Enthalpy*x
				v := q.Liquid.Volume*(1-x) + q.Vapour.Volume*x
				best = max(best, math.Sqrt(2*max(0, c.h-h))/v)
			}
			got, err := c.f(p0, ambient)
			if err != nil || !(got >= best*(1-1e-9) && got <= best*(1+1e-4)) {
				t.Errorf("%s at %g Pa: got %.8g, %v, grid %.8g", name, p0, got, err, best)
			}
		}
	}
}

func TestLowPressureEndsAtTheAmbient(t *testing.T) {
	for _, c := range []struct {
		name  string
		f     func(p0, a float64) (discharge.Flow, error)
		over  float64 // Pa
		choke bool
	}{
		{"water, nothing over", discharge.SaturatedWater, 0, false},
		{"water, 1 Pa over", discharge.SaturatedWater, 1, false},
		{"water, 10 mbar over", discharge.SaturatedWater, 1000, false},
		{"water, 0.2 bar over", discharge.SaturatedWater, 20000, true},
		{"steam, nothing over", discharge.DrySteam, 0, false},
		{"steam, 10 mbar over", discharge.DrySteam, 1000, false},
		{"steam, 0.6 bar over", discharge.DrySteam, 60000, false},
		{"steam, 1 bar over", discharge.DrySteam, 100000, true},
	} {
		f, err := c.f(ambient+c.over, ambient)
		if err != nil {
			t.Fatal(err)
		}
		if f.Choked != c.choke || !c.choke && f.ThroatPressure != ambient {
			t.Errorf("%s: choked %v, throat %g Pa; want choked %v, else at the ambient", c.name, f.Choked, f.ThroatPressure, c.choke)
		}
		if (c.over == 0) != (f.MassFlux == 0) {
			t.Errorf("%s: flux %g kg/(m2 s)", c.name, f.MassFlux)
		}
	}
}

func TestFluxRisesWithPressure(t *testing.T) {
	for name, f := range map[string]func(p0, a float64) (float64, error){"water": discharge.HEM, "steam": discharge.SteamFlow} {
		last := -1.0
		for p := ambient * 1.0; p < 26e5; p += 2500 {
			g, err := f(p, ambient)
			if err != nil {
				t.Fatal(err)
			}
			if !(g > last) {
				t.Errorf("%s at %g Pa: flux %.9g, not above %.9g", name, p, g, last)
			}
			last = g
		}
	}
}

func TestSubcooledJoinsColdWaterToHEM(t *testing.T) {
	const p0 = 11e5
	ts, err := steam.SaturationTemperature(p0)
	if err != nil {
		t.Fatal(err)
	}
	hem, err := discharge.HEM(p0, ambient)
	if err != nil {
		t.Fatal(err)
	}
	f, err := discharge.Subcooled(p0, ts, ambient)
	if err != nil || !(math.Abs(f.MassFlux/hem-1) < 1e-6) {
		t.Errorf("at the boiling point: got %.8g, %v, want HEM %.8g", f.MassFlux, err, hem)
	}
	last := f.MassFlux
	for tC := ts - 1; tC > 20; tC-- {
		f, err := discharge.Subcooled(p0, tC, ambient)
		if err != nil {
			t.Fatal(err)
		}
		if !(f.MassFlux > last) {
			t.Errorf("%.1f °C: flux %.6g, not above that of hotter water %.6g", tC, f.MassFlux, last)
		}
		last = f.MassFlux
	}
	w, err := steam.Water(p0, 20)
	if err != nil {
		t.Fatal(err)
	}
	cold, err := discharge.ColdWater(p0-ambient, w.Density())
	if err != nil {
		t.Fatal(err)
	}
	f, err = discharge.Subcooled(p0, 20, ambient)
	if err != nil || !(math.Abs(f.MassFlux/cold-1) < 1e-9) || f.Choked || f.Quality != 0 {
		t.Errorf("20 °C: got %+v, %v, want Bernoulli %.8g", f, err, cold)
	}
}

func TestTableIsWithinItsBound(t *testing.T) {
	tab, err := discharge.NewTable(ambient, 26e5)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name         string
		exact, table func(p float64) (float64, error)
	}{
		{"water", func(p float64) (float64, error) { return discharge.HEM(p, ambient) }, tab.HEM},
		{"steam", func(p float64) (float64, error) { return discharge.SteamFlow(p, ambient) }, tab.SteamFlow},
	} {
		var abs, rel, at float64
		for i := range 1501 {
			r := float64(i) / 1500
			p := min(ambient+(26e5-ambient)*r*r*r, 26e5) // crowded towards the ambient
			got, err := c.table(p)
			if err != nil {
				t.Fatal(err)
			}
			want, err := c.exact(p)
			if err != nil {
				t.Fatal(err)
			}
			d := math.Abs(got - want)
			if d > abs {
				abs, at = d, p
			}
			if want > 100 {
				rel = max(rel, d/want)
			}
			if !(d <= max(0.05, 1e-4*want)) {
				t.Fatalf("%s at %.9g Pa: table %.8g, exact %.8g", c.name, p, got, want)
			}
		}
		t.Logf("%s: largest difference %.3g kg/(m2 s) at %.6g Pa; %.3g relative above 100 kg/(m2 s)", c.name, abs, at, rel)
	}
	for _, p := range []float64{math.NaN(), math.Nextafter(ambient, 0), math.Nextafter(26e5, 1e9), math.Inf(1), -1} {
		var r *steam.RangeError
		if got, err := tab.HEM(p); !errors.As(err, &r) || !math.IsNaN(got) {
			t.Errorf("table at %g: got %g, %v, want NaN and a range error", p, got, err)
		}
	}
}

func TestBadInputIsRefused(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	two := func(f func(a, b float64) (float64, error)) func(a, b, c float64) error {
		return func(a, b, _ float64) error {
			got, err := f(a, b)
			if err != nil && !math.IsNaN(got) {
				t.Errorf("(%g, %g): got %g beside an error, want NaN", a, b, got)
			}
			return err
		}
	}
	sub := func(a, b, c float64) error { _, err := discharge.Subcooled(a, b, c); return err }
	tab := func(a, b, _ float64) error { _, err := discharge.NewTable(a, b); return err }
	for _, c := range []struct {
		name    string
		f       func(a, b, c float64) error
		a, b, c float64
	}{
		{"HEM of NaN", two(discharge.HEM), nan, ambient, 0},
		{"HEM into NaN", two(discharge.HEM), 5e5, nan, 0},
		{"HEM of a gauge pressure", two(discharge.HEM), 0.5e5, ambient, 0},
		{"HEM too high", two(discharge.HEM), 17e6, ambient, 0},
		{"HEM into nothing", two(discharge.HEM), 5e5, 0, 0},
		{"steam of NaN", two(discharge.SteamFlow), nan, ambient, 0},
		{"steam below the ambient", two(discharge.SteamFlow), 1e5, ambient, 0},
		{"cold water, negative head", two(discharge.ColdWater), -1, 1000, 0},
		{"cold water, head NaN", two(discharge.ColdWater), nan, 1000, 0},
		{"cold water, density NaN", two(discharge.ColdWater), 1e5, nan, 0},
		{"cold water, density in kg/l", two(discharge.ColdWater), 1e5, 1, 0},
		{"cold water, infinite head", two(discharge.ColdWater), inf, 1000, 0},
		{"subcooled at NaN", sub, 5e5, nan, ambient},
		{"subcooled above boiling", sub, 5e5, 160, ambient},
		{"subcooled of NaN", sub, nan, 100, ambient},
		{"table to NaN", tab, ambient, nan, 0},
		{"table of one point", tab, ambient, ambient, 0},
		{"table upside down", tab, 5e5, ambient, 0},
	} {
		var r *steam.RangeError
		if err := c.f(c.a, c.b, c.c); !errors.As(err, &r) {
			t.Errorf("%s (%g, %g, %g): got %v, want a range error", c.name, c.a, c.b, c.c, err)
		}
	}
}

// A blow-down cock of 20 mm on Marrow at 7 bar, full bore and without friction.
func ExampleHEM() {
	const barometer = 101325
	g, err := discharge.HEM(barometer+7e5, barometer)
	if err != nil {
		fmt.Println(err)
		return
	}
	area := math.Pi / 4 * 0.020 * 0.020
	fmt.Printf("%.0f kg/(m2 s), %.1f kg/s\n", g, g*area)
	// Output: 5427 kg/(m2 s), 1.7 kg/s
}

func ExampleSteamFlow() {
	g, err := discharge.SteamFlow(11e5, 101325)
	fmt.Printf("%.0f kg/(m2 s), %v\n", g, err)
	// Output: 1585 kg/(m2 s), <nil>
}

// A metre of cold water over an open cock.
func ExampleColdWater() {
	g, err := discharge.ColdWater(998*9.80665*1, 998)
	fmt.Printf("%.0f kg/(m2 s), %v\n", g, err)
	// Output: 4420 kg/(m2 s), <nil>
}

var sink float64

func BenchmarkHEM(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = discharge.HEM(8e5, ambient)
	}
}

func BenchmarkSteamFlow(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = discharge.SteamFlow(8e5, ambient)
	}
}

func BenchmarkTableHEM(b *testing.B) {
	t, err := discharge.NewTable(ambient, 26e5)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = t.HEM(8e5)
	}
}

func BenchmarkNewTable(b *testing.B) {
	for b.Loop() {
		if _, err := discharge.NewTable(ambient, 26e5); err != nil {
			b.Fatal(err)
		}
	}
}
