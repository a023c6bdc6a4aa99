package thermocouple

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

const published = "../../testdata/published"

func nistTable(t testing.TB, name string) (tC, mV []float64) {
	t.Helper()
	f, err := os.Open(filepath.Join(published, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows[1:] {
		a, err := strconv.ParseFloat(r[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		b, err := strconv.ParseFloat(r[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		tC, mV = append(tC, a), append(mV, b)
	}
	return tC, mV
}

// The tables print three decimals. Several values fall almost on the edge of
// rounding, hence a hundredth more than half a digit.
const rounding = 0.00051

func TestWholeNISTTables(t *testing.T) {
	for _, c := range []struct {
		typ  Type
		file string
		rows int
	}{{K, "its90_type_k.csv", 1643}, {T, "its90_type_t.csv", 671}} {
		tC, mV := nistTable(t, c.file)
		if len(tC) != c.rows {
			t.Errorf("%s: %d rows, want %d", c.file, len(tC), c.rows)
		}
		var worst, at, back, backAt float64
		for i, x := range tC {
			got, err := EMF(c.typ, x)
			if err != nil {
				t.Errorf("type %s at %g °C: %v", c.typ, x, err)
				continue
			}
			if d := math.Abs(got - mV[i]); d > worst {
				worst, at = d, x
			}
			if !(math.Abs(got-mV[i]) <= rounding) {
				t.Errorf("type %s at %g °C: got %.6f, want %.3f mV", c.typ, x, got, mV[i])
			}
			if x <= -200 || x == tC[len(tC)-1] {
				continue // below the inverse, or the printed emf lies beyond the last
			}
			s, err := Sensitivity(c.typ, x)
			if err != nil {
				t.Fatal(err)
			}
			temp, err := Temperature(c.typ, mV[i])
			if err != nil {
				t.Errorf("type %s %g mV: %v", c.typ, mV[i], err)
				continue
			}
			if d := math.Abs(temp - x); d > back {
				back, backAt = d, x
			}
			// What the rounding of the table amounts to, and a fiftieth for its curvature.
			if !(math.Abs(temp-x) <= 1.02*rounding/s) {
				t.Errorf("type %s %.3f mV: got %.5f, want %g °C ± %.5f", c.typ, mV[i], temp, x, 1.02*rounding/s)
			}
		}
		t.Logf("type %s, %d rows: largest |emf - table| %.7f mV (at %g °C); largest |temperature - table| %.4f K (at %g °C), the table's rounding over its slope",
			c.typ, len(tC), worst, at, back, backAt)
	}
}

type publishedType struct {
	Forward []struct {
		C   []float64                     `json:"c"`
		Min float64                       `json:"t_min_c"`
		Max float64                       `json:"t_max_c"`
		Exp *struct{ A0, A1, A2 float64 } `json:"exp"`
	} `json:"forward"`
	Inverse []struct {
		D       []float64 `json:"d"`
		MinMV   float64   `json:"emf_min_mv"`
		MaxMV   float64   `json:"emf_max_mv"`
		MinC    float64   `json:"t_min_c"`
		MaxC    float64   `json:"t_max_c"`
		ErrorLo float64   `json:"stated_error_min_c"`
		ErrorHi float64   `json:"stated_error_max_c"`
	} `json:"inverse"`
}

func publishedTypes(t testing.TB) map[Type]publishedType {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(published, "its90_coefficients.json"))
	if err != nil {
		t.Fatal(err)
	}
	var doc struct{ Types map[string]publishedType }
	if err := json.Unmarshal(b, &doc); err != nil {
		t.Fatal(err)
	}
	out := map[Type]publishedType{}
	for name, v := range doc.Types {
		typ, err := ParseType(name)
		if err != nil {
			t.Fatal(err)
		}
		out[typ] = v
	}
	if len(out) != 4 {
		t.Fatalf("got %d types, want 4", len(out))
	}
	return out
}

func poly(c []float64, x float64) float64 {
	s, p := 0.0, 1.0
	for _, k := range c {
		s += k * p
		p *= x
	}
	return s
}

// The published polynomials, summed term by term in the plain way.
func TestEMFAgainstPublishedCoefficients(t *testing.T) {
	for typ, p := range publishedTypes(t) {
		worst := 0.0
		for _, r := range p.Forward {
			for i := range 4001 {
				x := r.Min + (r.Max-r.Min)*float64(i)/4000
				want := poly(r.C, x)
				if r.Exp != nil {
					want += r.Exp.A0 * math.Exp(r.Exp.A1*(x-r.Exp.A2)*(x-r.Exp.A2))
				}
				got, err := EMF(typ, x)
				worst = max(worst, math.Abs(got-want))
				if err != nil || !(math.Abs(got-want) <= 1e-7) { // where two ranges meet they differ by up to 7.5e-8 mV
					t.Errorf("type %s at %.9g °C: got %.12g, %v, want %.12g", typ, x, got, err, want)
				}
			}
		}
		t.Logf("type %s: largest difference %.2g mV", typ, worst)
	}
}

// Both directions against each other, and the published inverse against them.
func TestInverse(t *testing.T) {
	const exact = 1e-6 // K, what the package promises
	for _, typ := range []Type{K, N, J, T} {
		for _, r := range publishedTypes(t)[typ].Inverse {
			var there, back, lo, hi float64
			for i := range 5001 {
				x := r.MinC + (r.MaxC-r.MinC)*float64(i)/5000
				e, err := EMF(typ, x)
				if err != nil {
					t.Fatal(err)
				}
				got, err := Temperature(typ, e)
				there = max(there, math.Abs(got-x))
				if err != nil || !(math.Abs(got-x) < exact) {
					t.Errorf("type %s: %.9g °C is %.9g mV, which is %.9g °C (%v)", typ, x, e, got, err)
				}
				e2, err := EMF(typ, got)
				back = max(back, math.Abs(e2-e))
				if err != nil || !(math.Abs(e2-e) < 1e-8) {
					t.Errorf("type %s: %.12g mV is %.9g °C, which is %.12g mV (%v)", typ, e, got, e2, err)
				}
				d := poly(r.D, e) - x
				lo, hi = min(lo, d), max(hi, d)
			}
			t.Logf("type %s %g..%g °C: there and back %.2g K and %.2g mV; published inverse errs by %+.4f..%+.4f K, stated %+.2f..%+.2f",
				typ, r.MinC, r.MaxC, there, back, lo, hi, r.ErrorLo, r.ErrorHi)
			// Stated to 0.01 K.
			if !(lo >= r.ErrorLo-0.005 && hi <= r.ErrorHi+0.005) {
				t.Errorf("type %s %g..%g °C: published inverse errs by %.4f..%.4f K, stated %.2f..%.2f",
					typ, r.MinC, r.MaxC, lo, hi, r.ErrorLo, r.ErrorHi)
			}
		}
	}
}

func TestCoefficientsAreThePublishedOnes(t *testing.T) {
	for typ, p := range publishedTypes(t) {
		f := typ.function()
		for i, r := range p.Inverse {
			g := f.inverse[i]
			if len(r.D) != len(g.d) || g.minMV != r.MinMV || g.maxMV != r.MaxMV || g.statedLo != r.ErrorLo || g.statedHi != r.ErrorHi {
				t.Errorf("type %s inverse %d: limits differ: %+v, published %+v", typ, i, g, r)
				continue
			}
			for k := range r.D {
				if r.D[k] != g.d[k] {
					t.Errorf("type %s inverse %d power %d: got %g, want %g", typ, i, k, g.d[k], r.D[k])
				}
			}
		}
	}
}

// Where two ranges meet, the functions do too: no step for a reading to jump.
func TestRangesMeet(t *testing.T) {
	for typ, at := range map[Type]float64{K: 0, N: 0, J: 760, T: 0} {
		below, err := EMF(typ, math.Nextafter(at, -300))
		if err != nil {
			t.Fatal(err)
		}
		here, err := EMF(typ, at)
		if err != nil || !(math.Abs(here-below) < 1e-6) {
			t.Errorf("type %s at %g °C: %.12g mV from below, %.12g from above", typ, at, below, here)
		}
	}
}

func TestSensitivityIsTheSlope(t *testing.T) {
	for _, typ := range []Type{K, N, J, T} {
		lo, hi, err := Range(typ)
		if err != nil {
			t.Fatal(err)
		}
		for x := lo + 1.5; x < hi-1; x += 7 {
			a, _ := EMF(typ, x-0.01)
			b, _ := EMF(typ, x+0.01)
			got, err := Sensitivity(typ, x)
			if want := (b - a) / 0.02; err != nil || !(math.Abs(got-want) < 1e-6) {
				t.Errorf("type %s at %g °C: got %.9g, %v, want %.9g mV/K", typ, x, got, err, want)
			}
		}
	}
}

func TestOutsideIsRefused(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	limits := []struct {
		typ                Type
		loC, hiC, inverseC float64
	}{{K, -270, 1372, -200}, {N, -270, 1300, -200}, {J, -210, 1200, -210}, {T, -270, 400, -200}}
	for _, l := range limits {
		eLo, err := EMF(l.typ, l.inverseC)
		if err != nil {
			t.Fatal(err)
		}
		eHi, err := EMF(l.typ, l.hiC)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			name    string
			f       func(Type, float64) (float64, error)
			in      float64
			outside bool
		}{
			{"temperature at the lower end", EMF, l.loC, false},
			{"temperature just below it", EMF, math.Nextafter(l.loC, -inf), true},
			{"temperature at the upper end", EMF, l.hiC, false},
			{"temperature just above it", EMF, math.Nextafter(l.hiC, inf), true},
			{"temperature NaN", EMF, nan, true},
			{"temperature infinite", EMF, inf, true},
			{"slope just above", Sensitivity, math.Nextafter(l.hiC, inf), true},
			{"slope at NaN", Sensitivity, nan, true},
			{"emf at the lower end", Temperature, eLo, false},
			{"emf a hundredth of a microvolt below it", Temperature, eLo - 1e-5, true},
			{"emf at the upper end", Temperature, eHi, false},
			{"emf a hundredth of a microvolt above it", Temperature, eHi + 1e-5, true},
			{"emf a volt", Temperature, 1000, true},
			{"emf NaN", Temperature, nan, true},
			{"emf minus infinite", Temperature, -inf, true},
		} {
			got, err := c.f(l.typ, c.in)
			var r *RangeError
			if errors.As(err, &r) != c.outside || math.IsNaN(got) != c.outside {
				t.Errorf("type %s %s (%.9g): got %g, %v; want refused %v", l.typ, c.name, c.in, got, err, c.outside)
			}
		}
		for name, in := range map[string][2]float64{
			"junction NaN":      {1, nan},
			"emf NaN":           {nan, 20},
			"junction too cold": {1, -280},
			"sum too high":      {eHi, 20},
		} {
			var r *RangeError
			if got, err := Compensated(l.typ, in[0], in[1]); !errors.As(err, &r) || !math.IsNaN(got) {
				t.Errorf("type %s %s: got %g, %v, want NaN and a range error", l.typ, name, got, err)
			}
		}
	}
	for _, typ := range []Type{0, 5, 255} {
		var u *UnknownTypeError
		if _, err := EMF(typ, 20); !errors.As(err, &u) {
			t.Errorf("EMF of type %d: got %v, want an unknown type", typ, err)
		}
		if _, err := Temperature(typ, 1); !errors.As(err, &u) {
			t.Errorf("Temperature of type %d: got %v, want an unknown type", typ, err)
		}
		if _, err := Compensated(typ, 1, 20); !errors.As(err, &u) {
			t.Errorf("Compensated of type %d: got %v, want an unknown type", typ, err)
		}
		if _, _, err := InverseRange(typ); !errors.As(err, &u) {
			t.Errorf("InverseRange of type %d: got %v, want an unknown type", typ, err)
		}
	}
	for _, s := range []string{"", "k", "S", "KK"} {
		if got, err := ParseType(s); err == nil || got != 0 {
			t.Errorf("ParseType(%q): got %s, %v, want an error", s, got, err)
		}
	}
	for _, typ := range []Type{K, N, J, T} {
		if got, err := ParseType(typ.String()); err != nil || got != typ {
			t.Errorf("ParseType(%q): got %s, %v", typ, got, err)
		}
	}
}

func TestErrorSaysTheMend(t *testing.T) {
	_, err := Temperature(K, 80)
	const want = "type K emf 80 mV is outside -5.891404..54.88636 mV; check for an open or reversed thermocouple and the type configured"
	if err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

// A junction that shares the temperature reads zero volts, and adding the emf
// of the junction is not the same as adding its temperature.
func TestCompensation(t *testing.T) {
	for _, typ := range []Type{K, N, J, T} {
		for _, j := range []float64{-20, 0, 25, 60, 85} {
			if got, err := Compensated(typ, 0, j); err != nil || !(math.Abs(got-j) < 1e-6) {
				t.Errorf("type %s no volts, junction %g °C: got %.9g, %v", typ, j, got, err)
			}
			for _, hot := range []float64{-40, 0, 180, 350} {
				a, _ := EMF(typ, hot)
				b, _ := EMF(typ, j)
				if got, err := Compensated(typ, a-b, j); err != nil || !(math.Abs(got-hot) < 1e-6) {
					t.Errorf("type %s at %g, junction %g °C: got %.9g, %v", typ, hot, j, got, err)
				}
			}
		}
	}
}

func FuzzRoundTrip(f *testing.F) {
	for _, v := range []float64{-5.891, -0.001, 0, 1e-12, 0.001, 20.644, 42.919, 54.886, 69.553, 80, math.NaN(), math.Inf(-1)} {
		for typ := range uint8(6) {
			f.Add(typ, v)
		}
	}
	f.Fuzz(func(t *testing.T, n uint8, mV float64) {
		typ := Type(n % 6)
		tC, err := Temperature(typ, mV)
		if err != nil {
			if !math.IsNaN(tC) {
				t.Fatalf("type %s %g mV: got %g beside %v", typ, mV, tC, err)
			}
			return
		}
		lo, hi, err := InverseRange(typ)
		if err != nil || !(tC >= lo && tC <= hi) {
			t.Fatalf("type %s %g mV: %g °C is outside %g..%g, %v", typ, mV, tC, lo, hi, err)
		}
		back, err := EMF(typ, tC)
		if err != nil || !(math.Abs(back-mV) < 1e-7) {
			t.Fatalf("type %s: %.12g mV is %.12g °C, which is %.12g mV (%v)", typ, mV, tC, back, err)
		}
	})
}

var sink float64

func BenchmarkEMF(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = EMF(K, 321)
	}
}

func BenchmarkTemperature(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = Temperature(K, 13.1)
	}
}

func BenchmarkCompensated(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = Compensated(K, 13.1, 25)
	}
}
