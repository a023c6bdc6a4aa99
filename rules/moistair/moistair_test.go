package moistair_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"ashlamp/rules/moistair"
)

// rows reads a published table as numbers; an empty field is NaN.
func rows(t testing.TB, name string, text ...string) []map[string]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "published", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]float64
	for _, r := range all[1:] {
		m := map[string]float64{}
		for i, h := range all[0] {
			v, err := strconv.ParseFloat(r[i], 64)
			switch {
			case err == nil:
				m[h] = v
			case r[i] == "" || len(text) > 0 && h == text[0]:
				m[h] = math.NaN()
				m[h+"="+r[i]] = 1
			default:
				t.Fatalf("%s column %s: %v", name, h, err)
			}
		}
		out = append(out, m)
	}
	return out
}

func TestSaturationAgainstPublishedTable(t *testing.T) {
	table := rows(t, "psychro_saturation.csv")
	if len(table) != 91 {
		t.Errorf("rows: got %d, want 91", len(table))
	}
	worst := map[string]float64{}
	for _, r := range table {
		tC := r["t_c"]
		water, err := moistair.SaturationOverWater(tC)
		if err != nil {
			t.Errorf("water at %g °C: %v", tC, err)
		}
		ice := math.NaN()
		if tC <= 0.01 {
			if ice, err = moistair.SaturationOverIce(tC); err != nil {
				t.Errorf("ice at %g °C: %v", tC, err)
			}
		}
		for _, c := range []struct {
			column   string
			got      float64
			abs, rel float64
		}{
			{"psat_sonntag_water_pa", water, 0.00051, 0}, // three decimals are printed
			{"psat_sonntag_ice_pa", ice, 0.00051, 0},
			{"psat_ashrae_water_pa", water, 0.0006, 3e-4},
			{"psat_if97_pa", water, 0.0006, 1.4e-4},
			{"psub_iapws_r14_pa", ice, 0.0006, 0.8e-4},
			{"psat_wmo_magnus_water_pa", water, 0.006, 3.3e-3},
			{"psat_wmo_magnus_ice_pa", ice, 0.006, 1e-3},
		} {
			want := r[c.column]
			if math.IsNaN(want) || math.IsNaN(c.got) {
				continue
			}
			d := math.Abs(c.got - want)
			worst[c.column] = max(worst[c.column], d/want)
			if c.rel == 0 {
				worst[c.column+", Pa"] = max(worst[c.column+", Pa"], d)
			}
			if !(d <= c.abs+c.rel*want) {
				t.Errorf("%s at %g °C: got %.4f, want %.3f Pa", c.column, tC, c.got, want)
			}
		}
	}
	t.Logf("largest differences, relative: %v", worst)
}

func TestDewAndFrostPointAgainstPublishedTable(t *testing.T) {
	table := rows(t, "psychro_dewpoint.csv")
	if len(table) != 407 {
		t.Errorf("rows: got %d, want 407", len(table))
	}
	var vapour, dew, frost, ashrae, magnus float64
	frosts := 0
	for _, r := range table {
		tC, rh := r["t_c"], r["rh_pct"]
		e, err := moistair.VapourPressure(tC, rh)
		if d := math.Abs(e - r["pv_sonntag_pa"]); err != nil || !(d <= 0.00051) {
			t.Errorf("vapour pressure at %g °C %g %%: got %.5f, %v, want %.3f Pa", tC, rh, e, err, r["pv_sonntag_pa"])
		} else {
			vapour = max(vapour, d)
		}
		got, err := moistair.DewPoint(tC, rh)
		if d := math.Abs(got - r["tdew_sonntag_c"]); err != nil || !(d <= 0.000051) {
			t.Errorf("dew point at %g °C %g %%: got %.6f, %v, want %.4f °C", tC, rh, got, err, r["tdew_sonntag_c"])
		} else {
			dew = max(dew, d)
		}
		if d := math.Abs(got - r["tdew_wmo_magnus_c"]); d > magnus {
			magnus = d
		}
		if tC > 0 && r["tdew_ashrae_c"] > 0.01 {
			ashrae = max(ashrae, math.Abs(got-r["tdew_ashrae_c"]))
		}
		want := r["tfrost_sonntag_c"]
		f, err := moistair.FrostPoint(tC, rh)
		if math.IsNaN(want) {
			if err == nil {
				t.Errorf("frost point at %g °C %g %%: got %.4f, want none", tC, rh, f)
			}
			continue
		}
		frosts++
		if d := math.Abs(f - want); err != nil || !(d <= 0.000051) {
			t.Errorf("frost point at %g °C %g %%: got %.6f, %v, want %.4f °C", tC, rh, f, err, want)
		} else {
			frost = max(frost, d)
		}
	}
	if frosts == 0 {
		t.Error("no row has a frost point")
	}
	if !(ashrae <= 0.01 && magnus <= 0.1) {
		t.Errorf("against ASHRAE %.4f K, want 0.01; against Magnus %.4f K, want 0.1", ashrae, magnus)
	}
	t.Logf("largest differences: vapour pressure %.6f Pa, dew point %.6f K, frost point %.6f K (%d rows), all rounding; against ASHRAE %.4f K, Magnus %.4f K",
		vapour, dew, frost, frosts, ashrae, magnus)
}

func TestAgainstPrintedPressures(t *testing.T) {
	worst := 0.0
	for _, r := range rows(t, "psychro_ashrae_table_checks.csv", "phase") {
		tC := r["t_c"]
		if tC > moistair.MaxTemperature {
			continue
		}
		f := moistair.SaturationOverWater
		if r["phase=ice"] == 1 {
			f = moistair.SaturationOverIce
		}
		got, err := f(tC)
		rel := math.Abs(got/r["psat_pa"] - 1)
		tol := 3e-4
		if tC == -60 {
			tol = 5e-3 // three digits are printed
		} else {
			worst = max(worst, rel)
		}
		if err != nil || !(rel <= tol) {
			t.Errorf("%g °C: got %.4f, %v, want %g Pa", tC, got, err, r["psat_pa"])
		}
	}
	t.Logf("largest relative difference %.2g but at -60 °C", worst)
}

// At the triple point water and ice have one vapour pressure, 611.657 Pa
// (IAPWS), to Sonntag's own agreement.
func TestWaterAndIceMeetAtTheTriplePoint(t *testing.T) {
	w, err := moistair.SaturationOverWater(moistair.TriplePoint)
	if err != nil {
		t.Fatal(err)
	}
	i, err := moistair.SaturationOverIce(moistair.TriplePoint)
	if err != nil || !(math.Abs(w/i-1) < 1e-5) || !(math.Abs(w-611.657) < 0.01) {
		t.Errorf("water %.5f, ice %.5f, %v, want 611.657 Pa", w, i, err)
	}
}

// Warm steel is dry steel: whole per cents, by the Magnus form.
func TestHumidityAtTheSteel(t *testing.T) {
	for _, c := range []struct{ air, rh, steel, want float64 }{
		{10, 95, 13, 78}, {10, 95, 15, 68}, {10, 95, 20, 50}, {10, 95, 10, 95},
	} {
		got, err := moistair.HumidityAt(c.air, c.rh, c.steel)
		if err != nil || !(math.Abs(got-c.want) <= 0.51) {
			t.Errorf("air %g °C %g %%, steel %g °C: got %.2f, %v, want %g %%", c.air, c.rh, c.steel, got, err, c.want)
		}
	}
	for _, c := range []struct{ air, rh, dew float64 }{{10, 80, 6.7}, {10, 90, 8.4}, {15, 70, 9.6}, {5, 85, 2.7}} {
		got, err := moistair.DewPoint(c.air, c.rh)
		if err != nil || !(math.Abs(got-c.dew) <= 0.06) {
			t.Errorf("air %g °C %g %%: dew point %.3f, %v, want %g °C", c.air, c.rh, got, err, c.dew)
		}
		at, err := moistair.HumidityAt(c.air, c.rh, got)
		if err != nil || !(math.Abs(at-100) < 1e-8) {
			t.Errorf("air %g °C %g %%, steel at its dew point: got %.12g, %v, want 100 %%", c.air, c.rh, at, err)
		}
	}
}

func TestOutsideIsRefused(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	one := func(f func(float64) (float64, error)) func(a, b, c float64) (float64, error) {
		return func(a, _, _ float64) (float64, error) { return f(a) }
	}
	two := func(f func(a, b float64) (float64, error)) func(a, b, c float64) (float64, error) {
		return func(a, b, _ float64) (float64, error) { return f(a, b) }
	}
	for _, c := range []struct {
		name    string
		f       func(a, b, c float64) (float64, error)
		a, b, c float64
		outside bool
	}{
		{"water at -100 °C", one(moistair.SaturationOverWater), -100, 0, 0, false},
		{"water just below", one(moistair.SaturationOverWater), math.Nextafter(-100, -inf), 0, 0, true},
		{"water at 100 °C", one(moistair.SaturationOverWater), 100, 0, 0, false},
		{"water just above", one(moistair.SaturationOverWater), math.Nextafter(100, inf), 0, 0, true},
		{"water NaN", one(moistair.SaturationOverWater), nan, 0, 0, true},
		{"ice at the triple point", one(moistair.SaturationOverIce), 0.01, 0, 0, false},
		{"ice just above", one(moistair.SaturationOverIce), math.Nextafter(0.01, 1), 0, 0, true},
		{"ice just below -100 °C", one(moistair.SaturationOverIce), math.Nextafter(-100, -inf), 0, 0, true},
		{"ice NaN", one(moistair.SaturationOverIce), nan, 0, 0, true},
		{"dew point, no vapour", two(moistair.DewPoint), 20, 0, 0, true},
		{"dew point, negative", two(moistair.DewPoint), 20, -1, 0, true},
		{"dew point at 100 %", two(moistair.DewPoint), 20, 100, 0, false},
		{"dew point just above 100 %", two(moistair.DewPoint), 20, math.Nextafter(100, inf), 0, true},
		{"dew point, humidity NaN", two(moistair.DewPoint), 20, nan, 0, true},
		{"dew point, temperature NaN", two(moistair.DewPoint), nan, 50, 0, true},
		{"dew point, temperature infinite", two(moistair.DewPoint), inf, 50, 0, true},
		{"dew point far below the formula", two(moistair.DewPoint), -90, 0.001, 0, true},
		{"frost point of warm air", two(moistair.FrostPoint), 20, 80, 0, true},
		{"frost point of cold air", two(moistair.FrostPoint), -5, 80, 0, false},
		{"frost point NaN", two(moistair.FrostPoint), nan, 80, 0, true},
		{"steel at NaN", moistair.HumidityAt, 10, 80, nan, true},
		{"steel at 200 °C", moistair.HumidityAt, 10, 80, 200, true},
		{"air at NaN", moistair.HumidityAt, nan, 80, 10, true},
		{"humidity NaN at the steel", moistair.HumidityAt, 10, nan, 10, true},
		{"steel below the dew point", moistair.HumidityAt, 10, 80, 0, false},
	} {
		got, err := c.f(c.a, c.b, c.c)
		var r *moistair.RangeError
		if errors.As(err, &r) != c.outside || math.IsNaN(got) != c.outside {
			t.Errorf("%s (%g, %g, %g): got %g, %v, want refused %v", c.name, c.a, c.b, c.c, got, err, c.outside)
		}
	}
}

func FuzzDewPoint(f *testing.F) {
	for _, v := range [][2]float64{{20, 50}, {-40, 5}, {100, 100}, {0, 1e-9}, {-100, 100}, {math.NaN(), 50}, {20, math.Inf(1)}} {
		f.Add(v[0], v[1])
	}
	f.Fuzz(func(t *testing.T, tC, rh float64) {
		dew, err := moistair.DewPoint(tC, rh)
		if err != nil {
			if !math.IsNaN(dew) {
				t.Fatalf("DewPoint(%g, %g): got %g beside %v", tC, rh, dew, err)
			}
			return
		}
		if dew > tC+1e-6 {
			t.Fatalf("DewPoint(%g, %g): %g is above the air", tC, rh, dew)
		}
		e, err := moistair.SaturationOverWater(dew)
		want, err2 := moistair.VapourPressure(tC, rh)
		if err != nil || err2 != nil || !(math.Abs(e/want-1) < 1e-9) {
			t.Fatalf("DewPoint(%g, %g) = %g: saturated %g, %v, vapour %g, %v", tC, rh, dew, e, err, want, err2)
		}
	})
}

// The air in the shed at Fernhollow, and the shell of a cold engine.
func ExampleDewPoint() {
	dew, err := moistair.DewPoint(15, 70)
	fmt.Printf("%.1f °C, %v\n", dew, err)
	// Output: 9.6 °C, <nil>
}

func ExampleHumidityAt() {
	for _, steel := range []float64{5, 10, 20} {
		rh, err := moistair.HumidityAt(10, 95, steel)
		fmt.Printf("steel at %g °C: %.0f %%RH, %v\n", steel, rh, err)
	}
	// Output:
	// steel at 5 °C: 134 %RH, <nil>
	// steel at 10 °C: 95 %RH, <nil>
	// steel at 20 °C: 50 %RH, <nil>
}

func ExampleFrostPoint() {
	_, err := moistair.FrostPoint(20, 80)
	fmt.Println(err)
	// Output: vapour pressure for a frost point 1871.399 Pa is outside 0.001402074..611.657 Pa; above the upper bound air gives dew: ask for its dew point; below the lower, check the humidity sensor
}

var sink float64

func BenchmarkDewPoint(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = moistair.DewPoint(15, 70)
	}
}

func BenchmarkHumidityAt(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = moistair.HumidityAt(15, 70, 12)
	}
}
