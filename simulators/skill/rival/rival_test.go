package rival

import (
	"math"
	"testing"
)

func TestLine(t *testing.T) {
	falling := func(n int, perS float64) (out []Reading) {
		for i := range n {
			s := float64(i) * 60
			out = append(out, Reading{s, 100 - perS*s})
		}
		return out
	}
	for _, tt := range []struct {
		name  string
		past  []Reading
		limit float64
		want  float64
	}{
		{"a straight fall", falling(20, 0.01), 50, (100 - 0.01*19*60 - 50) / 0.01},
		{"under the limit already", falling(20, 0.01), 200, 0},
		{"rising", falling(20, -0.01), 50, math.NaN()},
		{"level", falling(20, 0), 50, math.NaN()},
		{"two readings", falling(2, 0.01), 50, math.NaN()},
		{"nothing", nil, 50, math.NaN()},
		{"what is older than a quarter of an hour is left out", append([]Reading{{-5000, 1e6}}, falling(16, 0.01)...), 50, (100 - 0.01*15*60 - 50) / 0.01},
	} {
		if got := Line(tt.past, tt.limit); !(math.Abs(got-tt.want) < 1e-6*math.Max(1, tt.want)) && !(math.IsNaN(got) && math.IsNaN(tt.want)) {
			t.Errorf("%s: %g s, want %g", tt.name, got, tt.want)
		}
	}
}

func TestExponential(t *testing.T) {
	cooling := func(n int, tau, end float64) (out []Reading) {
		for i := range n {
			s := float64(i) * 60
			out = append(out, Reading{s, end + 80*math.Exp(-s/tau)})
		}
		return out
	}
	for _, tau := range []float64{600, 3600, 50000} {
		past := cooling(60, tau, 15)
		want := tau*math.Log(80.0/20) - 59*60
		if got := Exponential(past, 15, 35); math.Abs(got-math.Max(0, want)) > 1e-4*tau {
			t.Errorf("time constant %g s: in %g s, want %g", tau, got, want)
		}
	}
	for name, got := range map[string]float64{
		"a limit under the end": Exponential(cooling(60, 3600, 15), 15, 14), "three readings": Exponential(cooling(3, 3600, 15), 15, 35),
		"rising": Exponential(cooling(60, -3600, 15), 15, 35), "nothing": Exponential(nil, 15, 35),
	} {
		if !math.IsNaN(got) {
			t.Errorf("%s: %g s, want nothing", name, got)
		}
	}
}
