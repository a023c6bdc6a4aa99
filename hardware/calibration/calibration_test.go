package calibration_test

import (
	"fmt"
	"math"
	"testing"

	"ashlamp/hardware/calibration"
	"pgregory.net/rapid"
)

func TestFitRefuses(t *testing.T) {
	nan := math.NaN()
	two := func(a, b float64) []calibration.Point {
		return []calibration.Point{{Reading: a, Reference: a}, {Reading: b, Reference: b}}
	}
	for _, c := range []struct {
		name   string
		points []calibration.Point
		span   float64
		ok     bool
	}{
		{"two points far apart", two(0, 16), 16, true},
		{"two points at the least spread", two(0, 4), 16, true},
		{"two points just too close", two(0, 3.999), 16, false},
		{"the same point twice", two(4, 4), 16, false},
		{"one point", two(0, 16)[:1], 16, false},
		{"none", nil, 16, false},
		{"reading NaN", two(0, nan), 16, false},
		{"reference infinite", []calibration.Point{{Reading: 0}, {Reading: 16, Reference: math.Inf(1)}}, 16, false},
		{"uncertainty NaN", []calibration.Point{{Reading: 0}, {Reading: 16, Reference: 16, Standard: nan}}, 16, false},
		{"uncertainty below zero", []calibration.Point{{Reading: 0}, {Reading: 16, Reference: 16, Standard: -1}}, 16, false},
		{"gain at its upper end", []calibration.Point{{Reading: 0}, {Reading: 16, Reference: 20}}, 16, true},
		{"gain above", []calibration.Point{{Reading: 0}, {Reading: 16, Reference: 20.01}}, 16, false},
		{"gain below", []calibration.Point{{Reading: 0}, {Reading: 16, Reference: 12.7}}, 16, false},
		{"turned round", []calibration.Point{{Reading: 0, Reference: 16}, {Reading: 16, Reference: 0}}, 16, false},
		{"span zero", two(0, 16), 0, false},
		{"span NaN", two(0, 16), nan, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, residuals, err := calibration.Fit(c.points, c.span)
			if (err == nil) != c.ok {
				t.Fatalf("Fit(%v, span %v) = %+v, %v; want ok %v", c.points, c.span, l, err, c.ok)
			}
			if err != nil && (!l.None() || residuals != nil) {
				t.Fatalf("refused, yet gave %+v and %v", l, residuals)
			}
		})
	}
}

// The worked example of JCGM 100:2008, H.3: a thermometer's correction against
// temperature, table H.6; y(30 °C) = -0.1494 °C with u = 0.0041 °C. There the fit is
// of the correction, so the reference here is reading plus correction.
func TestWorkedExampleOfTheGuide(t *testing.T) {
	readings := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	corrections := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	points := make([]calibration.Point, len(readings))
	for i := range points {
		points[i] = calibration.Point{Reading: readings[i], Reference: readings[i] + corrections[i]}
	}
	l, residuals, err := calibration.Fit(points, 10)
	if err != nil {
		t.Fatal(err)
	}
	if got := l.Apply(30) - 30; math.Abs(got+0.1494) > 0.00005 {
		t.Errorf("correction at 30 °C = %.5f, want -0.1494", got)
	}
	if got := l.Standard(30); math.Abs(got-0.0041) > 0.00005 {
		t.Errorf("its standard uncertainty = %.5f, want 0.0041", got)
	}
	if got := residuals[0]; math.Abs(got+0.0031) > 0.00005 {
		t.Errorf("first residual %.5f, want -0.0031 of table H.6", got)
	}
}

func TestFitFindsTheLineThatThePointsLieOn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zero := rapid.Float64Range(-2, 2).Draw(t, "zero")
		gain := rapid.Float64Range(calibration.GainLow+0.001, calibration.GainHigh-0.001).Draw(t, "gain")
		n := rapid.IntRange(2, 9).Draw(t, "points")
		points := make([]calibration.Point, n)
		for i := range points {
			x := 16 * float64(i) / float64(n-1)
			points[i] = calibration.Point{Reading: x, Reference: zero + gain*x}
		}
		l, residuals, err := calibration.Fit(points, 16)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(l.Zero-zero) > 1e-9 || math.Abs(l.Gain-gain) > 1e-9 {
			t.Fatalf("fit %+v, want zero %v gain %v", l, zero, gain)
		}
		for i, r := range residuals {
			if math.Abs(r) > 1e-9 {
				t.Fatalf("residual %d is %v on a line without scatter", i, r)
			}
		}
	})
}

func TestUncertaintyGrowsAwayFromThePoints(t *testing.T) {
	l, _, err := calibration.Fit([]calibration.Point{{0, 0, 0.02}, {8, 8.01, 0.02}}, 16)
	if err != nil {
		t.Fatal(err)
	}
	if !(l.Standard(4) <= l.Standard(8) && l.Standard(8) < l.Standard(9) && l.Standard(9) < l.Standard(16)) {
		t.Errorf("u at 4, 8, 16 is %v, %v, %v; want it rising", l.Standard(4), l.Standard(8), l.Standard(16))
	}
	if got, want := l.Standard(4), 0.02; math.Abs(got-want) > 1e-12 {
		t.Errorf("u at the mean of two points is %v, want that of the one reference, %v", got, want)
	}
}

// A zero that is taken with the boiler open to the air is known far better than a gauge
// at 12 bar, and stays so: the gauge must not spoil the proof of zero.
func TestAGoodZeroStaysGood(t *testing.T) {
	l, _, err := calibration.Fit([]calibration.Point{{0.05, 0, 0.002}, {12.1, 12, 0.08}}, 16)
	if err != nil {
		t.Fatal(err)
	}
	if got := l.Standard(0.05); math.Abs(got-0.002) > 1e-9 {
		t.Errorf("u at the zero that was taken is %v, want 0.002", got)
	}
	if got := l.Standard(12.1); math.Abs(got-0.08) > 1e-9 {
		t.Errorf("u at the gauge's point is %v, want 0.08", got)
	}
	if got := l.Standard(16); !(got > 0.08) {
		t.Errorf("u beyond the points is %v, want more than the gauge's 0.08", got)
	}
}

func TestDriftIsRefused(t *testing.T) {
	fit := func(a, b float64) calibration.Line {
		l, _, err := calibration.Fit([]calibration.Point{{Reading: 0, Reference: a}, {Reading: 16, Reference: b}}, 16)
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	for _, c := range []struct {
		name      string
		l, before calibration.Line
		ok        bool
	}{
		{"first, at its bound", fit(1.599, 16), calibration.Line{}, true},
		{"first, beyond", fit(1.61, 16), calibration.Line{}, false},
		{"a little since", fit(0.1, 16.1), fit(0, 16), true},
		{"at the bound since", fit(0.479, 16), fit(0, 16), true},
		{"beyond at zero", fit(0.49, 16), fit(0, 16), false},
		{"beyond at the top", fit(0, 15.5), fit(0, 16), false},
		{"NaN", calibration.Line{Zero: math.NaN(), Gain: 1}, calibration.Line{}, false},
	} {
		if err := calibration.Drift(c.l, c.before, 0, 16); (err == nil) != c.ok {
			t.Errorf("%s: %v, want ok %v", c.name, err, c.ok)
		}
	}
}

func TestZeroLineChangesNothing(t *testing.T) {
	var l calibration.Line
	if l.Apply(3.5) != 3.5 || l.Slope() != 1 || l.Standard(3.5) != 0 {
		t.Errorf("the zero Line gives %v, slope %v, u %v; want 3.5, 1, 0", l.Apply(3.5), l.Slope(), l.Standard(3.5))
	}
}

// A boiler pressure transducer of 16 bar read beside a test gauge.
func ExampleFit() {
	line, residuals, err := calibration.Fit([]calibration.Point{
		{Reading: 0.05, Reference: 0.00, Standard: 0.01},
		{Reading: 6.09, Reference: 6.00, Standard: 0.01},
		{Reading: 12.10, Reference: 12.00, Standard: 0.01},
	}, 16)
	fmt.Printf("zero %.3f bar, gain %.4f, residuals %.3f, u at zero %.3f bar, %v\n", line.Zero, line.Gain, residuals, line.Standard(0), err)
	// Output: zero -0.055 bar, gain 0.9958, residuals [0.005 -0.010 0.005], u at zero 0.013 bar, <nil>
}
