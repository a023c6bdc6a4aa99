package uncertainty_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"ashlamp/rules/uncertainty"
)

func near(got, want float64) bool {
	if math.IsNaN(want) {
		return math.IsNaN(got)
	}
	return got == want || math.Abs(got-want) <= 1e-12*math.Max(1, math.Abs(want))
}

func TestStandardUncertainties(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"certificate, U 0.1 with k 2", uncertainty.Normal(0.1, 2), 0.05},
		{"certificate without k", uncertainty.Normal(0.1, 0), nan},
		{"certificate, negative", uncertainty.Normal(-0.1, 2), nan},
		{"certificate NaN", uncertainty.Normal(nan, 2), nan},
		{"certificate, k NaN", uncertainty.Normal(0.1, nan), nan},
		{"rectangular ±3", uncertainty.Rectangular(3), math.Sqrt(3)},
		{"rectangular 0", uncertainty.Rectangular(0), 0},
		{"rectangular negative", uncertainty.Rectangular(-1), nan},
		{"rectangular NaN", uncertainty.Rectangular(nan), nan},
		// JCGM 100:2008 F.2.2.1: 0.29 of the step.
		{"resolution 1", uncertainty.Resolution(1), 1 / math.Sqrt(12)},
		{"resolution negative", uncertainty.Resolution(-1), nan},
		{"combine 3 and 4", uncertainty.Combine(3, 4), 5},
		{"combine one", uncertainty.Combine(0.2), 0.2},
		{"combine nothing", uncertainty.Combine(), nan},
		{"combine with NaN", uncertainty.Combine(1, nan), nan},
		{"combine infinity and NaN", uncertainty.Combine(inf, nan), nan},
		{"combine with a negative", uncertainty.Combine(1, -1), nan},
		{"combine infinity", uncertainty.Combine(1, inf), inf},
		{"combine tiny", uncertainty.Combine(3e-200, 4e-200) / 1e-200, 5},
	} {
		if !near(c.got, c.want) {
			t.Errorf("%s: got %.15g, want %.15g", c.name, c.got, c.want)
		}
	}
}

// JCGM 100:2008 H.1, the end gauge: contributions 25, 9.7, 2.9 and 16.6 nm (with
// those of second order left out) combine to 31.7 nm. The figures are from memory.
func TestEndGauge(t *testing.T) {
	if got := uncertainty.Combine(25, 9.7, 2.9, 16.6); !(math.Abs(got-31.7) < 0.1) {
		t.Errorf("got %.2f nm, want 31.7", got)
	}
}

func TestBoundsAreOnTheUnsafeSide(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name         string
		v            uncertainty.Value
		upper, lower float64
		below, above bool // of 1
	}{
		{"well below", uncertainty.Value{X: 0.5, U: 0.4}, 0.9, 0.1, true, false},
		{"its bound on the limit", uncertainty.Value{X: 0.5, U: 0.5}, 1, 0, false, false},
		{"across", uncertainty.Value{X: 0.9, U: 0.2}, 1.1, 0.7, false, false},
		{"well above", uncertainty.Value{X: 2, U: 0.5}, 2.5, 1.5, false, true},
		{"zero value", uncertainty.Value{}, inf, -inf, false, false},
		{"uncertainty not stated", uncertainty.Value{X: 0.2}, inf, -inf, false, false},
		{"uncertainty NaN", uncertainty.Value{X: 0.2, U: nan}, inf, -inf, false, false},
		{"uncertainty negative", uncertainty.Value{X: 0.2, U: -1}, inf, -inf, false, false},
		{"uncertainty infinite", uncertainty.Value{X: 0.2, U: inf}, inf, -inf, false, false},
		{"value NaN", uncertainty.Value{X: nan, U: 0.1}, inf, -inf, false, false},
		{"value infinite", uncertainty.Value{X: -inf, U: 0.1}, inf, -inf, false, false},
		{"nothing combined", uncertainty.Of(0.2), inf, -inf, false, false},
		{"combined", uncertainty.Of(0.2, 0.03, 0.04), 0.3, 0.1, true, false},
		{"sum with the unknown", uncertainty.Value{X: 0.1, U: 0.1}.Plus(uncertainty.Value{X: 0.1}), inf, -inf, false, false},
		{"sum", uncertainty.Value{X: 0.1, U: 0.3}.Plus(uncertainty.Value{X: 0.2, U: 0.4}), 0.8, -0.2, true, false},
		{"difference", uncertainty.Value{X: 4, U: 0.3}.Minus(uncertainty.Value{X: 2, U: 0.4}), 2.5, 1.5, false, true},
		{"scaled", uncertainty.Value{X: 0.5, U: 0.1}.Times(-2), -0.8, -1.2, true, false},
		{"scaled by NaN", uncertainty.Value{X: 0.5, U: 0.1}.Times(nan), inf, -inf, false, false},
		{"scaled by zero", uncertainty.Value{X: 0.5, U: 0.1}.Times(0), inf, -inf, false, false},
	} {
		if got := c.v.Upper(); !near(got, c.upper) {
			t.Errorf("%s %+v: upper got %g, want %g", c.name, c.v, got, c.upper)
		}
		if got := c.v.Lower(); !near(got, c.lower) {
			t.Errorf("%s %+v: lower got %g, want %g", c.name, c.v, got, c.lower)
		}
		if got := c.v.Below(1); got != c.below {
			t.Errorf("%s %+v: below 1 got %v, want %v", c.name, c.v, got, c.below)
		}
		if got := c.v.Above(1); got != c.above {
			t.Errorf("%s %+v: above 1 got %v, want %v", c.name, c.v, got, c.above)
		}
		if c.v.Below(nan) || c.v.Above(nan) || c.v.Within(nan, nan) {
			t.Errorf("%s %+v: compared with NaN as good", c.name, c.v)
		}
	}
	if v := (uncertainty.Value{X: 0.01, U: 0.04}); !v.Within(-0.06, 0.06) || v.Within(-0.06, 0.05) || v.Within(-0.03, 0.06) {
		t.Errorf("%+v: within ±0.06 %v, -0.06..0.05 %v, -0.03..0.06 %v; want true, false, false",
			v, v.Within(-0.06, 0.06), v.Within(-0.06, 0.05), v.Within(-0.03, 0.06))
	}
}

func TestThermocoupleTolerance(t *testing.T) {
	for _, c := range []struct {
		letter string
		class  int
		tC     float64
		want   float64 // K; 0 is refused
	}{
		{"K", 1, 20, 1.5}, {"K", 1, 375, 1.5}, {"K", 1, 400, 1.6}, {"K", 1, 1000, 4}, {"K", 1, 1000.1, 0},
		{"K", 2, 20, 2.5}, {"K", 2, 400, 3}, {"K", 2, 1200, 9}, {"K", 2, 1201, 0},
		{"N", 2, 400, 3}, {"N", 1, -40, 1.5}, {"N", 1, -40.1, 0},
		{"J", 1, 750, 3}, {"J", 1, 751, 0}, {"J", 2, 750, 5.625}, {"J", 2, 800, 0},
		{"T", 1, 100, 0.5}, {"T", 1, 200, 0.8}, {"T", 2, 100, 1}, {"T", 2, 350, 2.625}, {"T", 2, 351, 0},
		{"K", 1, math.NaN(), 0}, {"K", 3, 20, 0}, {"K", 0, 20, 0}, {"S", 1, 20, 0}, {"", 1, 20, 0},
	} {
		got, err := uncertainty.Thermocouple(c.letter, c.class, c.tC)
		if (err != nil) != (c.want == 0) || err == nil && !near(got.Limit, c.want) || err != nil && !math.IsNaN(got.Limit) {
			t.Errorf("type %q class %d at %g °C: got %+v, %v, want ±%g K (0: refused)", c.letter, c.class, c.tC, got, err, c.want)
		}
		if err == nil && !strings.Contains(got.Source, "from memory") {
			t.Errorf("type %q: source %q hides that it is from memory", c.letter, got.Source)
		}
	}
}

// Figures of the classes in bar, to two decimals.
func TestDialGauge(t *testing.T) {
	for _, c := range []struct{ class, span, want float64 }{
		{1, 16, 0.16}, {1.6, 16, 0.256}, {2.5, 16, 0.4}, {1.6, 10, 0.16}, {1.6, 25, 0.4}, {0.25, 4, 0.01},
		{0.1, 10, 0.01}, {0.6, 10, 0.06}, {4, 10, 0.4},
		{2, 16, 0}, {0, 16, 0}, {math.NaN(), 16, 0}, {1, 0, 0}, {1, -16, 0}, {1, math.NaN(), 0}, {1, math.Inf(1), 0},
	} {
		got, err := uncertainty.DialGauge(c.class, c.span)
		var r *uncertainty.RangeError
		if errors.As(err, &r) != (c.want == 0) || err == nil && !near(got.Limit, c.want) {
			t.Errorf("class %g, span %g: got %+v, %v, want ±%g (0: refused)", c.class, c.span, got, err, c.want)
		}
	}
	for _, c := range []struct{ span, tC, want float64 }{
		{16, 20, 0}, {16, 30, 0.064}, {16, 10, 0.064}, {16, 60, 0.256}, {16, -20, 0.256},
		{16, 60.1, -1}, {16, -21, -1}, {16, math.NaN(), -1}, {0, 20, -1}, {math.NaN(), 20, -1},
	} {
		got, err := uncertainty.DialGaugeTemperature(c.span, c.tC)
		var r *uncertainty.RangeError
		if errors.As(err, &r) != (c.want < 0) || err == nil && !near(got.Limit, c.want) {
			t.Errorf("span %g at %g °C: got %+v, %v, want ±%g (-1: refused)", c.span, c.tC, got, err, c.want)
		}
	}
}

// A transducer of 0 to 16 bar: its maker's error band, the steps of the
// converter, and the certificate of the gauge that it was set against.
func ExampleOf() {
	p := uncertainty.Of(0.02,
		uncertainty.Rectangular(0.005*16), // 0.5 % of full scale
		uncertainty.Resolution(0.0005),
		uncertainty.Normal(0.016, 2),
	)
	fmt.Printf("%.3f ± %.3f bar (k = 2)\n", p.X, p.U)
	fmt.Println("below 0.10 bar, whatever the error:", p.Below(0.10))
	// Output:
	// 0.020 ± 0.094 bar (k = 2)
	// below 0.10 bar, whatever the error: false
}

// No dial gauge proves zero by itself.
func ExampleDialGauge() {
	g, err := uncertainty.DialGauge(1.6, 16)
	fmt.Printf("±%.2f bar, %v\n", g.Limit, err)
	// Output: ±0.26 bar, <nil>
}

func ExampleThermocouple() {
	tol, err := uncertainty.Thermocouple("K", 2, 180)
	fmt.Printf("±%.1f K, %s, %v\n", tol.Limit, tol.Source, err)
	// Output: ±2.5 K, IEC 60584-1:2013, from memory, <nil>
}

// What was never given an uncertainty is below no limit.
func ExampleValue_Below() {
	fmt.Println(uncertainty.Value{X: 20}.Below(100), uncertainty.Value{X: 20, U: 2}.Below(100))
	// Output: false true
}

var sink bool

func BenchmarkBelow(b *testing.B) {
	b.ReportAllocs()
	v := uncertainty.Value{X: 20, U: 2}
	for b.Loop() {
		sink = v.Below(100)
	}
}

func BenchmarkOf(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink = uncertainty.Of(20, 0.1, 0.2, 0.3).Below(100)
	}
}
