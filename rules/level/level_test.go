package level_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"ashlamp/rules/level"
	"ashlamp/rules/steam"
)

const ambient = steam.StandardPressure

var (
	dry = level.Geometry{Tappings: 0.4, GlassBottom: 0.05, GlassTop: 0.35, Leg: level.DryLeg}
	wet = level.Geometry{Tappings: 0.4, GlassBottom: 0.05, GlassTop: 0.35, Leg: level.WetLeg}
)

func saturated(t testing.TB, barG, legC float64) level.Densities {
	t.Helper()
	d, err := level.Saturated(ambient+barG*1e5, legC)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Densities from another program of the same formulation, to the digits given.
func TestDensities(t *testing.T) {
	for _, c := range []struct{ barG, water, steam float64 }{
		{0, 958.4, 0.598}, {6, 902.5, 3.67}, {10, 882.6, 5.64}, {15, 863.0, 8.09},
	} {
		d := saturated(t, c.barG, 20)
		if !(math.Abs(d.Water-c.water) <= 0.1 && math.Abs(d.Above-c.steam) <= 0.006) {
			t.Errorf("%g bar: got %+v, want %g and %g kg/m3", c.barG, d, c.water, c.steam)
		}
		if d.Leg < 998 || d.Leg > 999.5 {
			t.Errorf("%g bar: leg at 20 °C %g kg/m3", c.barG, d.Leg)
		}
	}
	d, err := level.Vented(ambient, 20, 20)
	if err != nil || !(math.Abs(d.Water-998.2) <= 0.1 && math.Abs(d.Above-1.204) < 0.001) {
		t.Errorf("vented at 20 °C: got %+v, %v, want 998.2 and 1.204 kg/m3", d, err)
	}
}

// A transducer set up cold, read without correction.
func TestUncorrectedReadsLow(t *testing.T) {
	cold, err := level.Vented(ambient, 20, 20)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ barG, low float64 }{{10, 12}, {6, 10}, {0, 4}} {
		dp, err := dry.DifferentialPressure(0.2, saturated(t, c.barG, 20))
		if err != nil {
			t.Fatal(err)
		}
		h, err := dry.Height(dp, cold)
		if err != nil {
			t.Fatal(err)
		}
		if low := 100 * (1 - h/0.2); !(math.Abs(low-c.low) <= 0.51) {
			t.Errorf("%g bar: an uncorrected reading is %.2f %% low, want %g", c.barG, low, c.low)
		}
	}
}

func TestHeightAndPressureAreInverse(t *testing.T) {
	for name, g := range map[string]level.Geometry{"dry": dry, "wet": wet} {
		for _, barG := range []float64{0, 0.5, 6, 10, 15} {
			for _, leg := range []float64{0, 20, 80} {
				d := saturated(t, barG, leg)
				for _, h := range []float64{0, 0.05, 0.2, 0.35, 0.4} {
					dp, err := g.DifferentialPressure(h, d)
					if err != nil {
						t.Fatal(err)
					}
					got, err := g.Height(dp, d)
					if err != nil || !(math.Abs(got-h) < 1e-12) {
						t.Errorf("%s leg, %g bar: %g m is %g Pa, which is %g m (%v)", name, barG, h, dp, got, err)
					}
					f, err := g.Fraction(dp, d)
					if want := (h - 0.05) / 0.30; err != nil || !(math.Abs(f-want) < 1e-11) {
						t.Errorf("%s leg, %g bar, %g m: got fraction %g, %v, want %g", name, barG, h, f, err, want)
					}
				}
			}
		}
	}
}

// Worked by hand from the densities at 10 bar: 882.6 and 5.64, leg 998.7 kg/m3.
func TestWetLegByHand(t *testing.T) {
	d := level.Densities{Water: 882.6, Above: 5.64, Leg: 998.7}
	dp, err := wet.DifferentialPressure(0.2, d)
	if want := 9.80665 * (0.2*876.96 - 0.4*993.06); err != nil || !(math.Abs(dp-want) < 1e-9) {
		t.Errorf("got %g Pa, %v, want %g", dp, err, want)
	}
}

// What a wrong leg temperature does: a leg at 80 °C taken for 20 °C shifts the
// level by the difference of their densities over the whole leg.
func TestLegTemperatureCounts(t *testing.T) {
	hot, cold := saturated(t, 10, 80), saturated(t, 10, 20)
	dp, err := wet.DifferentialPressure(0.2, hot)
	if err != nil {
		t.Fatal(err)
	}
	got, err := wet.Height(dp, cold)
	want := 0.2 + 0.4*(cold.Leg-hot.Leg)/(cold.Water-cold.Above)
	if err != nil || !(math.Abs(got-want) < 1e-9) || !(got > 0.21) {
		t.Errorf("got %.5f m, %v, want %.5f", got, err, want)
	}
	dp, err = dry.DifferentialPressure(0.2, hot)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := dry.Height(dp, cold); err != nil || !(math.Abs(got-0.2) < 1e-12) {
		t.Errorf("dry leg: got %.5f m, %v, want 0.2 whatever the leg's temperature", got, err)
	}
}

func TestOutsideIsRefused(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	d := saturated(t, 10, 20)
	full := (d.Water - d.Above) * level.Gravity * 0.4
	for _, c := range []struct {
		name    string
		g       level.Geometry
		dp      float64
		d       level.Densities
		outside bool
	}{
		{"empty to the tapping", dry, 0, d, false},
		{"noise below", dry, -0.019 * full, d, false},
		{"well below", dry, -0.021 * full, d, true},
		{"full to the tapping", dry, full, d, false},
		{"noise above", dry, 1.019 * full, d, false},
		{"well above", dry, 1.021 * full, d, true},
		{"NaN", dry, nan, d, true},
		{"infinite", dry, inf, d, true},
		{"wet leg read as dry", dry, -2000, d, true},
		{"dry leg read as wet", wet, 2000, d, true},
		{"no leg", level.Geometry{Tappings: 0.4, GlassTop: 0.3}, 0, d, true},
		{"zero geometry", level.Geometry{}, 0, d, true},
		{"leg of no kind", level.Geometry{Tappings: 0.4, GlassTop: 0.3, Leg: 3}, 0, d, true},
		{"tappings NaN", level.Geometry{Tappings: nan, GlassTop: 0.3, Leg: level.DryLeg}, 0, d, true},
		{"tappings in millimetres", level.Geometry{Tappings: 400, GlassTop: 300, Leg: level.DryLeg}, 0, d, true},
		{"glass upside down", level.Geometry{Tappings: 0.4, GlassBottom: 0.3, GlassTop: 0.1, Leg: level.DryLeg}, 0, d, true},
		{"glass over the tapping", level.Geometry{Tappings: 0.4, GlassTop: 0.5, Leg: level.DryLeg}, 0, d, true},
		{"glass bottom NaN", level.Geometry{Tappings: 0.4, GlassBottom: nan, GlassTop: 0.3, Leg: level.DryLeg}, 0, d, true},
		{"glass top NaN", level.Geometry{Tappings: 0.4, GlassTop: nan, Leg: level.DryLeg}, 0, d, true},
		{"zero densities", dry, 0, level.Densities{}, true},
		{"water NaN", dry, 0, level.Densities{Water: nan, Above: 1, Leg: 998}, true},
		{"steam NaN", dry, 0, level.Densities{Water: 900, Above: nan, Leg: 998}, true},
		{"leg NaN", wet, 0, level.Densities{Water: 900, Above: 1, Leg: nan}, true},
		{"steam as dense as water", dry, 0, level.Densities{Water: 900, Above: 900, Leg: 998}, true},
	} {
		h, err := c.g.Height(c.dp, c.d)
		f, err2 := c.g.Fraction(c.dp, c.d)
		var r *level.RangeError
		if errors.As(err, &r) != c.outside || math.IsNaN(h) != c.outside || (err2 != nil) != c.outside || math.IsNaN(f) != c.outside {
			t.Errorf("%s (%g Pa): got %g m, %v and %g, %v; want refused %v", c.name, c.dp, h, err, f, err2, c.outside)
		}
	}
	for _, h := range []float64{math.Nextafter(0, -1), math.Nextafter(0.4, 1), nan, inf} {
		var r *level.RangeError
		if got, err := dry.DifferentialPressure(h, d); !errors.As(err, &r) || !math.IsNaN(got) {
			t.Errorf("pressure at %g m: got %g, %v, want NaN and a range error", h, got, err)
		}
	}
	for _, c := range []struct {
		name      string
		p, w, leg float64
	}{
		{"gauge pressure given", 0, 20, 20}, {"pressure NaN", nan, 20, 20}, {"leg NaN", ambient, 20, nan},
		{"leg frozen", ambient, 20, -1}, {"leg boiling away", ambient, 20, 120},
	} {
		var r *steam.RangeError
		if _, err := level.Saturated(c.p, c.leg); !errors.As(err, &r) {
			t.Errorf("saturated, %s: got %v, want a range error", c.name, err)
		}
		if _, err := level.Vented(c.p, c.w, c.leg); !errors.As(err, &r) {
			t.Errorf("vented, %s: got %v, want a range error", c.name, err)
		}
	}
	for _, w := range []float64{nan, 101, -1} {
		var r *steam.RangeError
		if _, err := level.Vented(ambient, w, 20); !errors.As(err, &r) {
			t.Errorf("vented, water at %g °C: got %v, want a range error", w, err)
		}
	}
}

func FuzzHeight(f *testing.F) {
	for _, v := range []float64{0, 1720, 3440, -1, 3509, 4000, math.NaN(), math.Inf(-1)} {
		f.Add(v)
	}
	d := saturated(f, 10, 20)
	f.Fuzz(func(t *testing.T, dp float64) {
		h, err := dry.Height(dp, d)
		if err != nil {
			if !math.IsNaN(h) {
				t.Fatalf("%g Pa: got %g m beside %v", dp, h, err)
			}
			return
		}
		if !(h >= -0.02*0.4-1e-12 && h <= 1.02*0.4+1e-12) {
			t.Fatalf("%g Pa: %g m is beyond the tappings", dp, h)
		}
		back, err := dry.DifferentialPressure(h, d)
		if h >= 0 && h <= 0.4 && (err != nil || !(math.Abs(back-dp) < 1e-8)) {
			t.Fatalf("%g Pa is %g m, which is %g Pa (%v)", dp, h, back, err)
		}
	})
}

// Marrow at 10 bar: the transducer sees 1.72 kPa over a dry leg.
func ExampleGeometry_Fraction() {
	g := level.Geometry{Tappings: 0.40, GlassBottom: 0.05, GlassTop: 0.35, Leg: level.DryLeg}
	d, err := level.Saturated(10e5+101325, 20)
	if err != nil {
		fmt.Println(err)
		return
	}
	hot, err := g.Fraction(1720, d)
	fmt.Printf("hot: %.2f of the glass, %v\n", hot, err)
	if d, err = level.Vented(101325, 20, 20); err != nil {
		fmt.Println(err)
		return
	}
	cold, err := g.Fraction(1720, d)
	fmt.Printf("taken for cold water: %.2f, %v\n", cold, err)
	// Output:
	// hot: 0.50 of the glass, <nil>
	// taken for cold water: 0.42, <nil>
}

var sink float64

func BenchmarkFraction(b *testing.B) {
	d := saturated(b, 10, 20)
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = dry.Fraction(1720, d)
	}
}

func BenchmarkSaturated(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		d, _ := level.Saturated(11e5, 20)
		sink = d.Water
	}
}
