package steam_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"ashlamp/rules/steam"
)

// table reads a file of published values: its rows by column name.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "published", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 2 {
		t.Fatalf("%s has no rows", name)
	}
	out := make([]map[string]string, 0, len(rows)-1)
	for _, r := range rows[1:] {
		m := make(map[string]string, len(r))
		for i, h := range rows[0] {
			m[h] = r[i]
		}
		out = append(out, m)
	}
	return out
}

func num(t testing.TB, row map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}

// digits is half a unit of the ninth significant digit of v, what the release
// prints, and a little.
func digits(v float64) float64 {
	return 0.5000001 * math.Pow(10, math.Floor(math.Log10(math.Abs(v)))-8)
}

type worst struct {
	rel  float64
	what string
}

func (w *worst) see(got, want float64, what string) {
	if r := math.Abs(got-want) / math.Abs(want); !(r <= w.rel) {
		w.rel, w.what = r, what
	}
}

func TestRegionsAgainstTheReleasesVerificationValues(t *testing.T) {
	var w worst
	var seen int
	for _, row := range table(t, "if97_verification_regions.csv") {
		if row["region"] == "3" {
			continue // not part of this package
		}
		seen++
		p, tK := num(t, row, "p_mpa")*1e6, num(t, row, "t_k")
		f := steam.Water
		if row["region"] == "2" {
			f = steam.Steam
		}
		got, err := f(p, tK-steam.CelsiusZero)
		if err != nil {
			t.Errorf("region %s p %g Pa T %g K: %v", row["region"], p, tK, err)
			continue
		}
		for _, c := range []struct {
			column string
			got    float64
		}{
			{"v_m3_kg", got.Volume},
			{"h_kj_kg", got.Enthalpy / 1e3},
			{"u_kj_kg", got.InternalEnergy / 1e3},
			{"s_kj_kgk", got.Entropy / 1e3},
			{"cp_kj_kgk", got.HeatCapacity / 1e3},
			{"w_m_s", got.SoundSpeed},
		} {
			want := num(t, row, c.column)
			w.see(c.got, want, c.column)
			if !(math.Abs(c.got-want) <= digits(want)) {
				t.Errorf("region %s p %g Pa T %g K %s: got %.12g, want %.9g", row["region"], p, tK, c.column, c.got, want)
			}
		}
	}
	if seen != 6 {
		t.Errorf("rows of regions 1 and 2: got %d, want 6", seen)
	}
	t.Logf("largest relative difference %.2g (%s); nine digits are printed", w.rel, w.what)
}

func TestSaturationAgainstTheReleasesVerificationValues(t *testing.T) {
	var w worst
	for _, row := range table(t, "if97_verification_saturation.csv") {
		tK, p := num(t, row, "t_k"), num(t, row, "p_mpa")*1e6
		var got, want float64
		var err error
		if row["given"] == "t_k" {
			want = p
			got, err = steam.SaturationPressure(tK - steam.CelsiusZero)
		} else {
			want = tK
			got, err = steam.SaturationTemperature(p)
			got += steam.CelsiusZero
		}
		w.see(got, want, row["given"])
		if err != nil || !(math.Abs(got-want) <= digits(want)) {
			t.Errorf("given %s of T %g K p %g Pa: got %.12g, %v, want %.9g", row["given"], tK, p, got, err, want)
		}
	}
	t.Logf("largest relative difference %.2g (given %s)", w.rel, w.what)
}

func TestSaturatedWaterAndSteamAgainstTwoHundredRows(t *testing.T) {
	var w worst
	rows := table(t, "if97_saturation_200.csv")
	for _, row := range rows {
		p := num(t, row, "p_bar_abs") * 1e5
		s, err := steam.AtPressure(p)
		if err != nil {
			t.Errorf("p %g Pa: %v", p, err)
			continue
		}
		for _, c := range []struct {
			column string
			got    float64
		}{
			{"tsat_c", s.Temperature},
			{"rho_liq_kg_m3", s.Liquid.Density()},
			{"rho_vap_kg_m3", s.Vapour.Density()},
			{"h_liq_kj_kg", s.Liquid.Enthalpy / 1e3},
			{"h_vap_kj_kg", s.Vapour.Enthalpy / 1e3},
			{"u_liq_kj_kg", s.Liquid.InternalEnergy / 1e3},
			{"u_vap_kj_kg", s.Vapour.InternalEnergy / 1e3},
			{"s_liq_kj_kgk", s.Liquid.Entropy / 1e3},
			{"s_vap_kj_kgk", s.Vapour.Entropy / 1e3},
		} {
			want := num(t, row, c.column)
			w.see(c.got, want, c.column)
			if !(math.Abs(c.got-want) <= 1e-8*math.Abs(want)) {
				t.Errorf("p %g Pa %s: got %.12g, want %.10g", p, c.column, c.got, want)
			}
		}
	}
	if len(rows) != 200 {
		t.Errorf("rows: got %d, want 200", len(rows))
	}
	t.Logf("largest relative difference %.2g (%s) over %d rows and 9 columns", w.rel, w.what, len(rows))
}

func wantRange(t *testing.T, what string, err error, outside bool) {
	t.Helper()
	var r *steam.RangeError
	if outside != errors.As(err, &r) {
		t.Errorf("%s: got error %v, want a range error: %v", what, err, outside)
	}
}

func TestRangeIsRefusedNotExtrapolated(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	below, above := -inf, inf
	dn := func(x float64) float64 { return math.Nextafter(x, below) }
	up := func(x float64) float64 { return math.Nextafter(x, above) }
	ps20, err := steam.SaturationPressure(20)
	if err != nil {
		t.Fatal(err)
	}
	one := func(f func(float64) (float64, error)) func(a, _ float64) error {
		return func(a, _ float64) error {
			got, err := f(a)
			if err != nil && !math.IsNaN(got) {
				t.Errorf("in %g: got %g beside an error, want NaN", a, got)
			}
			return err
		}
	}
	two := func(f func(a, b float64) (steam.Properties, error)) func(a, b float64) error {
		return func(a, b float64) error { _, err := f(a, b); return err }
	}
	sat := func(f func(float64) (steam.Saturated, error)) func(a, _ float64) error {
		return func(a, _ float64) error { _, err := f(a); return err }
	}
	for _, c := range []struct {
		name    string
		f       func(a, b float64) error
		a, b    float64
		outside bool
	}{
		{"ps at 0 °C", one(steam.SaturationPressure), 0, 0, false},
		{"ps just below 0 °C", one(steam.SaturationPressure), dn(0), 0, true},
		{"ps at the critical point", one(steam.SaturationPressure), 373.946, 0, false},
		{"ps just above it", one(steam.SaturationPressure), up(373.946), 0, true},
		{"ps of NaN", one(steam.SaturationPressure), nan, 0, true},
		{"ps of infinity", one(steam.SaturationPressure), inf, 0, true},
		{"ts at the triple pressure", one(steam.SaturationTemperature), steam.TriplePressure, 0, false},
		{"ts just below it", one(steam.SaturationTemperature), dn(steam.TriplePressure), 0, true},
		{"ts at the critical pressure", one(steam.SaturationTemperature), 22.064e6, 0, false},
		{"ts just above it", one(steam.SaturationTemperature), up(22.064e6), 0, true},
		{"ts of zero", one(steam.SaturationTemperature), 0, 0, true},
		{"ts of NaN", one(steam.SaturationTemperature), nan, 0, true},
		{"ts of minus infinity", one(steam.SaturationTemperature), -inf, 0, true},
		{"water at 0 °C", two(steam.Water), 1e5, 0, false},
		{"water just below 0 °C", two(steam.Water), 1e5, dn(0), true},
		{"water at 350 °C", two(steam.Water), 100e6, 350, false},
		{"water just above 350 °C", two(steam.Water), 100e6, up(350), true},
		{"water above 100 MPa", two(steam.Water), up(100e6), 20, true},
		{"water on the line", two(steam.Water), ps20, 20, false},
		{"water under the line", two(steam.Water), ps20 * (1 - 2e-9), 20, true},
		{"water at NaN pressure", two(steam.Water), nan, 20, true},
		{"water at NaN temperature", two(steam.Water), 1e5, nan, true},
		{"water at negative pressure", two(steam.Water), -1e5, 20, true},
		{"steam on the line", two(steam.Steam), ps20, 20, false},
		{"steam over the line", two(steam.Steam), ps20 * (1 + 2e-9), 20, true},
		{"steam at no pressure", two(steam.Steam), 0, 20, true},
		{"steam at little pressure", two(steam.Steam), 1e-3, 20, false},
		{"steam at NaN pressure", two(steam.Steam), nan, 20, true},
		{"steam at NaN temperature", two(steam.Steam), 1e5, nan, true},
		{"steam just below 0 °C", two(steam.Steam), 1, dn(0), true},
		{"steam in region 3", two(steam.Steam), 25e6, 376.85, true},
		{"steam under the boundary of region 3, 16.529164 MPa at 350 °C", two(steam.Steam), 16.529e6, 350.0001, false},
		{"steam at 590 °C", two(steam.Steam), 100e6, 590, false},
		{"steam at 800 °C", two(steam.Steam), 100e6, 800, false},
		{"steam just above 800 °C", two(steam.Steam), 1e6, up(800), true},
		{"steam above 100 MPa", two(steam.Steam), 100.001e6, 700, true},
		{"saturated at 350 °C", sat(steam.AtTemperature), 350, 0, false},
		{"saturated just above", sat(steam.AtTemperature), up(350), 0, true},
		{"saturated just below 0 °C", sat(steam.AtTemperature), dn(0), 0, true},
		{"saturated at NaN °C", sat(steam.AtTemperature), nan, 0, true},
		{"saturated at 16.529 MPa", sat(steam.AtPressure), steam.MaxSaturatedPressure, 0, false},
		{"saturated just above", sat(steam.AtPressure), up(steam.MaxSaturatedPressure), 0, true},
		{"saturated at the triple pressure", sat(steam.AtPressure), steam.TriplePressure, 0, false},
		{"saturated at a gauge pressure of zero", sat(steam.AtPressure), 0, 0, true},
		{"saturated at NaN Pa", sat(steam.AtPressure), nan, 0, true},
		{"boiling at 500 hPa", one(steam.BoilingPoint), 50000, 0, false},
		{"boiling just below", one(steam.BoilingPoint), dn(50000), 0, true},
		{"boiling at 1100 hPa", one(steam.BoilingPoint), 110000, 0, false},
		{"boiling just above", one(steam.BoilingPoint), up(110000), 0, true},
		{"boiling, barometer in hPa", one(steam.BoilingPoint), 1013.25, 0, true},
		{"boiling, barometer NaN", one(steam.BoilingPoint), nan, 0, true},
		{"altitude -500 m", one(steam.StandardAtmosphere), -500, 0, false},
		{"altitude just below", one(steam.StandardAtmosphere), dn(-500), 0, true},
		{"altitude 11000 m", one(steam.StandardAtmosphere), 11000, 0, false},
		{"altitude just above", one(steam.StandardAtmosphere), up(11000), 0, true},
		{"altitude NaN", one(steam.StandardAtmosphere), nan, 0, true},
	} {
		wantRange(t, c.name, c.f(c.a, c.b), c.outside)
	}
}

func TestErrorSaysRangeAndMend(t *testing.T) {
	_, err := steam.BoilingPoint(1013.25)
	const want = "barometer reading 1013.25 Pa is outside 50000..110000 Pa; check its unit and the sensor; it must be absolute and measured on the spot"
	if err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

// Boiling points with barometer and height, two decimals and one, computed with
// another program of the same formulation.
func TestBoilingPointFollowsTheBarometer(t *testing.T) {
	for _, c := range []struct{ hPa, want float64 }{
		{950, 98.18}, {980, 99.04}, {1000, 99.61}, {1013.25, 99.97}, {1030, 100.43}, {1050, 100.98},
	} {
		got, err := steam.BoilingPoint(c.hPa * 100)
		if err != nil || !(math.Abs(got-c.want) <= 0.0051) {
			t.Errorf("boiling at %g hPa: got %.4f, %v, want %.2f °C", c.hPa, got, err, c.want)
		}
	}
	for _, c := range []struct{ m, want float64 }{
		{0, 100.0}, {300, 99.0}, {500, 98.3}, {1000, 96.7}, {1500, 95.0}, {2000, 93.3},
	} {
		p, err := steam.StandardAtmosphere(c.m)
		if err != nil {
			t.Fatal(err)
		}
		got, err := steam.BoilingPoint(p)
		if err != nil || !(math.Abs(got-c.want) <= 0.055) { // one decimal, of a pressure rounded before
			t.Errorf("boiling at %g m: got %.3f, %v, want %.1f °C", c.m, got, err, c.want)
		}
	}
}

func TestStandardAtmosphere(t *testing.T) {
	// The tropopause pressure of ISO 2533, and its sea level; 5000 m from memory.
	for _, c := range []struct{ m, want, tol float64 }{
		{0, 101325, 0}, {11000, 22632, 0.1}, {5000, 54020, 1},
	} {
		got, err := steam.StandardAtmosphere(c.m)
		if err != nil || !(math.Abs(got-c.want) <= c.tol) {
			t.Errorf("pressure at %g m: got %.3f, %v, want %g ± %g Pa", c.m, got, err, c.want, c.tol)
		}
	}
}

// A sum of terms and their derivatives agree: cp is the slope of h, 1/w2 that
// of density at constant entropy, du = dh - d(pv), by differences.
func TestPropertiesAreConsistent(t *testing.T) {
	for _, c := range []struct {
		name string
		f    func(p, t float64) (steam.Properties, error)
		p, t float64
	}{
		{"cold water", steam.Water, 1e6, 20}, {"hot water", steam.Water, 1e6, 170}, {"water at 340 °C", steam.Water, 20e6, 340},
		{"steam", steam.Steam, 1e6, 200}, {"superheated", steam.Steam, 1.5e6, 350}, {"high pressure", steam.Steam, 20e6, 500},
		{"thin steam", steam.Steam, 2000, 20},
	} {
		get := func(p, t float64) steam.Properties {
			q, err := c.f(p, t)
			if err != nil {
				panic(err)
			}
			return q
		}
		q := get(c.p, c.t)
		dT, dp := 0.01, c.p*1e-5
		a, b := get(c.p, c.t-dT), get(c.p, c.t+dT)
		if got := (b.Enthalpy - a.Enthalpy) / (2 * dT); !(math.Abs(got/q.HeatCapacity-1) < 1e-5) {
			t.Errorf("%s: slope of h %.9g, cp %.9g", c.name, got, q.HeatCapacity)
		}
		if got := (b.Entropy - a.Entropy) / (2 * dT) * (c.t + steam.CelsiusZero); !(math.Abs(got/q.HeatCapacity-1) < 1e-5) {
			t.Errorf("%s: T ds/dT %.9g, cp %.9g", c.name, got, q.HeatCapacity)
		}
		if got := q.Enthalpy - c.p*q.Volume; !(math.Abs(got/q.InternalEnergy-1) < 1e-10) {
			t.Errorf("%s: h - pv %.12g, u %.12g", c.name, got, q.InternalEnergy)
		}
		// (∂v/∂p)_s = (∂v/∂p)_T + T (∂v/∂T)²/cp, and w² = -v²/(∂v/∂p)_s.
		l, h := get(c.p-dp, c.t), get(c.p+dp, c.t)
		vp := (h.Volume - l.Volume) / (2 * dp)
		vT := (b.Volume - a.Volume) / (2 * dT)
		w := math.Sqrt(-q.Volume * q.Volume / (vp + (c.t+steam.CelsiusZero)*vT*vT/q.HeatCapacity))
		if !(math.Abs(w/q.SoundSpeed-1) < 1e-4) {
			t.Errorf("%s: sound speed by differences %.6g, got %.6g", c.name, w, q.SoundSpeed)
		}
	}
}

func TestGoodPathAllocatesNothing(t *testing.T) {
	for name, f := range map[string]func(){
		"AtPressure":            func() { sink, _ = steam.AtPressure(11e5) },
		"AtTemperature":         func() { sink, _ = steam.AtTemperature(180) },
		"Water":                 func() { sink.Liquid, _ = steam.Water(11e5, 20) },
		"Steam":                 func() { sink.Vapour, _ = steam.Steam(1e5, 200) },
		"SaturationTemperature": func() { sink.Temperature, _ = steam.SaturationTemperature(11e5) },
	} {
		if n := testing.AllocsPerRun(100, f); n != 0 {
			t.Errorf("%s: got %g allocations, want 0", name, n)
		}
	}
}

// FuzzSaturation: a temperature that has a saturation pressure comes back from
// it, and whatever is refused gives NaN.
func FuzzSaturation(f *testing.F) {
	for _, v := range []float64{0, 0.01, 20, 99.97, 184.1, 350, 373.9, 373.946, -1, 400, math.NaN(), math.Inf(1)} {
		f.Add(v)
	}
	f.Fuzz(func(t *testing.T, in float64) {
		p, err := steam.SaturationPressure(in)
		if err != nil {
			if !math.IsNaN(p) || in >= 0 && in <= 373.946 {
				t.Fatalf("SaturationPressure(%g): got %g, %v", in, p, err)
			}
			return
		}
		if p > steam.CriticalPressure { // the two equations meet there to ten digits only
			return
		}
		back, err := steam.SaturationTemperature(p)
		if err != nil || !(math.Abs(back-in) <= 1e-8) {
			t.Fatalf("%.12g °C is %.12g Pa, which is %.12g °C (%v)", in, p, back, err)
		}
	})
}

var sink steam.Saturated

func BenchmarkSaturationPressure(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink.Pressure, _ = steam.SaturationPressure(180)
	}
}

func BenchmarkSaturationTemperature(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink.Temperature, _ = steam.SaturationTemperature(11e5)
	}
}

func BenchmarkWater(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink.Liquid, _ = steam.Water(11e5, 180)
	}
}

func BenchmarkSteam(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink.Vapour, _ = steam.Steam(9e5, 180)
	}
}

func BenchmarkAtPressure(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = steam.AtPressure(11e5)
	}
}

func BenchmarkBoilingPoint(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink.Temperature, _ = steam.BoilingPoint(98000)
	}
}

func BenchmarkStandardAtmosphere(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink.Pressure, _ = steam.StandardAtmosphere(300)
	}
}
