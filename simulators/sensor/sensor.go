// Package sensor is what an instrument makes of a true quantity: lag, offset,
// gain, drift, noise, resolution, poor contact and range, and the ways in which it
// fails.
package sensor

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Character is how a sound instrument differs from the truth. The zero value is
// a perfect one without range limits. All but the times and shares are in the
// quantity's own unit.
type Character struct {
	// Lag is the time constant of its first-order response, s.
	Lag float64
	// Noise is the standard deviation of one reading.
	Noise float64
	// Offset is added; Gain is a relative error of the span, 0.01 reading 1 % high.
	Offset, Gain float64
	// DriftPerHour is added for each hour since the start.
	DriftPerHour float64
	// Quantum is the step of the reading; 0 for none.
	Quantum float64
	// Contact is the share of the excess over the air by which a couple on a hot
	// surface reads low (0.02 for a poor one).
	Contact float64
	// Low and High bound what it can read; beyond, it says so and gives no number.
	// Both 0 mean no bounds.
	Low, High float64
}

// Kind is a way to fail.
type Kind uint8

const (
	// Sound: no fault.
	Sound Kind = iota
	// Stuck: the reading stays what it was when the fault began.
	Stuck
	// ZeroEarly: the reading sinks to zero within Size seconds (a shut gauge cock
	// with a leak behind it) and stays there.
	ZeroEarly
	// Offset: Size is added at once.
	Offset
	// Drifting: Size is added per hour.
	Drifting
	// Detached: off its surface, it sinks to the air with a time constant of 4 min.
	Detached
	// Open: no number, with its reason.
	Open
	// Noisy: the noise is Size times as large; an instrument without noise gets a
	// thousandth of its range times Size.
	Noisy
	// Spikes: a share Size of readings leaves the range and is marked so.
	Spikes
	// Jumps: a share Size of readings is anywhere within the range and not marked.
	Jumps
	// Coarse: the resolution is Size.
	Coarse
	// Scaled: the reading is multiplied by Size (another unit).
	Scaled
)

var kindNames = [...]string{"sound", "stuck", "zero-early", "offset", "drifting", "detached", "open", "noisy", "spikes", "jumps", "coarse", "scaled"}

// String returns the kind's word.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Fault is one failure of one instrument.
type Fault struct {
	Kind Kind
	// From and Until are seconds of the world's time; Until 0 means for good.
	From, Until float64
	// Size is as the [Kind] says.
	Size float64
}

// Reading is what the instrument says. Reason is empty for a number that it
// stands by; otherwise Value is NaN.
type Reading struct {
	Value  float64
	Reason string
}

// Sensor is one instrument. It is not safe for concurrent use.
type Sensor struct {
	Character
	// Faults are judged in order; any number may hold at once.
	Faults []Fault

	rng  *rand.Rand
	y    float64
	air  float64
	live bool
	// per fault: what was held, and since when.
	held    []float64
	holding []bool
}

// New returns an instrument that draws its noise from rng.
func New(c Character, rng *rand.Rand) *Sensor { return &Sensor{Character: c, rng: rng} }

// Follow tells the instrument the truth, and the air around it, dt seconds after
// the last call. The first call sets it without lag.
func (s *Sensor) Follow(truth, air, dt float64) {
	truth -= s.Contact * (truth - air)
	if !s.live {
		s.y, s.live = truth, true
	}
	x := 1.0
	if s.Lag > 0 {
		x = dt / s.Lag
		x /= 1 + x
	}
	s.y += (truth - s.y) * x
	s.air = air
}

// Read returns a reading at t seconds of the world's time.
func (s *Sensor) Read(t float64) Reading {
	v := s.y + s.Offset + s.Gain*s.y + s.DriftPerHour*t/3600
	noise, quantum := s.Noise, s.Quantum
	if len(s.held) < len(s.Faults) {
		s.held = append(s.held, make([]float64, len(s.Faults)-len(s.held))...)
		s.holding = append(s.holding, make([]bool, len(s.Faults)-len(s.holding))...)
	}
	open, stuck := false, math.NaN()
	for i := range s.Faults {
		f := &s.Faults[i]
		if t < f.From || f.Until > 0 && t >= f.Until {
			continue
		}
		since := t - f.From
		switch f.Kind {
		case Stuck:
			if !s.holding[i] {
				s.held[i], s.holding[i] = s.round(v+noise*s.rng.NormFloat64(), quantum), true
			}
			stuck = s.held[i]
		case ZeroEarly:
			v *= math.Max(0, 1-since/math.Max(f.Size, 1))
		case Offset:
			v += f.Size
		case Drifting:
			v += f.Size * since / 3600
		case Detached:
			v += (s.air - v) * (1 - math.Exp(-since/240))
		case Open:
			open = true
		case Noisy:
			if noise == 0 {
				noise = (s.High - s.Low) / 1000
			}
			noise *= f.Size
		case Spikes:
			if s.rng.Float64() < f.Size {
				return Reading{Value: math.NaN(), Reason: "out of range"}
			}
		case Jumps:
			if s.rng.Float64() < f.Size {
				v = s.Low + s.rng.Float64()*(s.High-s.Low)
			}
		case Coarse:
			quantum = f.Size
		case Scaled:
			v *= f.Size
		}
	}
	if open {
		return Reading{Value: math.NaN(), Reason: "open circuit"}
	}
	if !math.IsNaN(stuck) {
		return Reading{Value: stuck}
	}
	if noise > 0 {
		v += noise * s.rng.NormFloat64()
	}
	if s.Low != s.High && !(v >= s.Low && v <= s.High) {
		return Reading{Value: math.NaN(), Reason: "out of range"}
	}
	return Reading{Value: s.round(v, quantum)}
}

func (s *Sensor) round(v, quantum float64) float64 {
	if quantum > 0 {
		return math.Round(v/quantum) * quantum
	}
	return v
}
