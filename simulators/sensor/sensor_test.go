package sensor_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"ashlamp/simulators/sensor"
)

func source() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }

func TestASoundInstrument(t *testing.T) {
	for _, c := range []struct {
		name  string
		c     sensor.Character
		truth float64
		want  float64
		bad   bool
	}{
		{name: "perfect", truth: 12.3, want: 12.3},
		{name: "offset", c: sensor.Character{Offset: -0.5}, truth: 12, want: 11.5},
		{name: "gain", c: sensor.Character{Gain: 0.01}, truth: 200, want: 202},
		{name: "contact loses 2 % of the excess over air of 10", c: sensor.Character{Contact: 0.02}, truth: 110, want: 108},
		{name: "resolution", c: sensor.Character{Quantum: 0.25}, truth: 12.34, want: 12.25},
		{name: "drift after 2 h", c: sensor.Character{DriftPerHour: 0.1}, truth: 5, want: 5.2},
		{name: "at the end of the range", c: sensor.Character{Low: 0, High: 16}, truth: 16, want: 16},
		{name: "beyond the range", c: sensor.Character{Low: 0, High: 16}, truth: 16.001, bad: true},
		{name: "truth not a number", c: sensor.Character{Low: 0, High: 16}, truth: math.NaN(), bad: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := sensor.New(c.c, source())
			s.Follow(c.truth, 10, 1)
			got := s.Read(7200)
			if c.bad {
				if got.Reason == "" || !math.IsNaN(got.Value) {
					t.Errorf("truth %v: got %v, want no number and a reason", c.truth, got)
				}
				return
			}
			if math.Abs(got.Value-c.want) > 1e-9 || got.Reason != "" {
				t.Errorf("truth %v: got %v, want %v", c.truth, got, c.want)
			}
		})
	}
}

func TestLagAndNoise(t *testing.T) {
	s := sensor.New(sensor.Character{Lag: 30}, source())
	s.Follow(0, 0, 0.1)
	for range 300 {
		s.Follow(100, 0, 0.1)
	}
	if got := s.Read(0).Value; math.Abs(got-63.2) > 0.3 {
		t.Errorf("after one time constant: got %.2f of 100, want 63.2", got)
	}
	s = sensor.New(sensor.Character{Noise: 2}, source())
	s.Follow(50, 0, 1)
	var sum, sq float64
	const n = 20000
	for range n {
		v := s.Read(0).Value - 50
		sum += v
		sq += v * v
	}
	if m, sd := sum/n, math.Sqrt(sq/n); math.Abs(m) > 0.06 || math.Abs(sd-2) > 0.05 {
		t.Errorf("noise: got mean %.3f and deviation %.3f, want 0 and 2", m, sd)
	}
}

func TestFaults(t *testing.T) {
	base := sensor.Character{Low: -50, High: 500}
	for _, c := range []struct {
		name   string
		f      sensor.Fault
		at     float64
		want   float64
		reason string
	}{
		{"before it begins", sensor.Fault{Kind: sensor.Offset, From: 100, Size: 9}, 99, 200, ""},
		{"offset", sensor.Fault{Kind: sensor.Offset, From: 100, Size: 9}, 100, 209, ""},
		{"after it ends", sensor.Fault{Kind: sensor.Offset, From: 100, Until: 200, Size: 9}, 200, 200, ""},
		{"zero early, half way", sensor.Fault{Kind: sensor.ZeroEarly, From: 0, Size: 100}, 50, 100, ""},
		{"zero early, done", sensor.Fault{Kind: sensor.ZeroEarly, From: 0, Size: 100}, 5000, 0, ""},
		{"drifting an hour", sensor.Fault{Kind: sensor.Drifting, From: 0, Size: -3}, 3600, 197, ""},
		{"detached for long", sensor.Fault{Kind: sensor.Detached, From: 0}, 4000, 20, ""},
		{"open", sensor.Fault{Kind: sensor.Open, From: 0}, 1, math.NaN(), "open circuit"},
		{"coarse", sensor.Fault{Kind: sensor.Coarse, From: 0, Size: 150}, 1, 150, ""},
		{"another unit", sensor.Fault{Kind: sensor.Scaled, From: 0, Size: 1.8}, 1, 360, ""},
		{"always a spike", sensor.Fault{Kind: sensor.Spikes, From: 0, Size: 1}, 1, math.NaN(), "out of range"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := sensor.New(base, source())
			s.Faults = []sensor.Fault{c.f}
			s.Follow(200, 20, 1)
			got := s.Read(c.at)
			if got.Reason != c.reason || !(math.Abs(got.Value-c.want) < 0.01 || math.IsNaN(c.want) && math.IsNaN(got.Value)) {
				t.Errorf("at %v s: got %v, want %v %q", c.at, got, c.want, c.reason)
			}
		})
	}
	t.Run("stuck keeps its value while the truth moves", func(t *testing.T) {
		s := sensor.New(sensor.Character{Noise: 1}, source())
		s.Faults = []sensor.Fault{{Kind: sensor.Stuck, From: 10}}
		s.Follow(200, 20, 1)
		a := s.Read(10)
		s.Follow(50, 20, 1)
		if b := s.Read(500); a != b || math.Abs(a.Value-200) > 6 {
			t.Errorf("got %v then %v, want the same near 200", a, b)
		}
	})
	t.Run("a share of jumps", func(t *testing.T) {
		s := sensor.New(base, source())
		s.Faults = []sensor.Fault{{Kind: sensor.Jumps, Size: 0.03}}
		s.Follow(200, 20, 1)
		n := 0
		for range 10000 {
			if s.Read(1).Value != 200 {
				n++
			}
		}
		if n < 240 || n > 360 {
			t.Errorf("got %d jumps in 10000 readings, want about 300", n)
		}
	})
}
