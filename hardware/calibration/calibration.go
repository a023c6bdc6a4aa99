// Package calibration fits zero and span of a transducer to points at which a
// reference was read beside it.
package calibration

import (
	"errors"
	"fmt"
	"math"
)

// Point is one comparison. All three are in the channel's unit.
type Point struct {
	// Reading is what the transducer gave without a calibration.
	Reading float64
	// Reference is what the reference gave.
	Reference float64
	// Standard is the standard uncertainty of the reference (JCGM 100:2008, 2.3.1).
	Standard float64
}

// MaxDrift is how far, as a share of the span, a line may lie from the one before it
// at either end of the span; MaxFirst is the same from the nominal line, where there is
// none before.
// A transducer that moved further between two calibrations is broken, or the gauge was
// misread (common practice, no source; industrial transducers state a tenth of a percent
// to half a percent a year, from memory).
const (
	MaxDrift = 0.03
	MaxFirst = 0.10
)

// MinSpread is the least share of the transducer's span that the points must
// cover: a line through two points close together says nothing of the far end
// (common practice, no source).
const MinSpread = 0.25

// Gains beyond these are a wrong span in the configuration, or a broken
// transducer, not a calibration (common practice, no source).
const (
	GainLow  = 0.8
	GainHigh = 1.25
)

// Line is value = Zero + Gain·reading. The zero Line leaves readings as they are.
type Line struct {
	Zero float64
	// Gain is 0 in the zero Line, which stands for "none".
	Gain float64
	// n, mean, sxx and s give what the points' own scatter makes uncertain at a reading.
	n, mean, sxx, s float64
	// points give what the reference makes uncertain there.
	points []pull
}

// pull is how far a point lies from the mean reading, and the standard uncertainty of
// its reference.
type pull struct{ from, standard float64 }

// None reports whether l is the zero Line.
func (l Line) None() bool { return l.Gain == 0 }

// Apply returns the calibrated value of a reading.
func (l Line) Apply(reading float64) float64 {
	if l.None() {
		return reading
	}
	return l.Zero + l.Gain*reading
}

// Slope is the factor that a small uncertainty of the reading takes, 1 for the zero Line.
func (l Line) Slope() float64 {
	if l.None() {
		return 1
	}
	return l.Gain
}

// Standard is the standard uncertainty of the line itself at a reading, 0 for the zero
// Line. It is the greater of two, and grows away from the points:
//
//   - what the points scatter, s·√(1/n + (x-x̄)²/Sxx), the prediction of a fitted line
//     (JCGM 100:2008, H.3.4, written about the mean);
//   - what the reference may be off. Each point pulls the line at x by its weight
//     1/n + (x-x̄)(xᵢ-x̄)/Sxx. The errors of one gauge at several pressures are not
//     independent, and nobody knows their correlation, so that they are added as they
//     are (5.2.2, note 1), not in quadrature: more points under one gauge make it no
//     better than it is, and a zero taken open to the air stays as good as it was.
//
// A line that was not made by [Fit] has none of its own.
func (l Line) Standard(reading float64) float64 {
	if l.sxx == 0 {
		return 0
	}
	d := reading - l.mean
	var reference float64
	for _, p := range l.points {
		reference += math.Abs(1/l.n+d*p.from/l.sxx) * p.standard
	}
	return math.Max(reference, l.s*math.Sqrt(1/l.n+d*d/l.sxx))
}

// Fit returns the line of least squares through the points, and each point's
// residual, reference minus calibrated reading, in their order. span is the
// transducer's whole span in the channel's unit.
//
// It refuses fewer than two points, points that cover less than [MinSpread] of the
// span, a gain beyond [GainLow] to [GainHigh], and numbers that are not finite.
// With two points the residuals are 0 by necessity and the line's uncertainty rests
// on the reference's alone; three or more show what the transducer really does.
func Fit(points []Point, span float64) (Line, []float64, error) {
	if !(span > 0) || math.IsInf(span, 0) {
		return Line{}, nil, fmt.Errorf("span %v is not above zero; give the transducer's whole span in the channel's unit", span)
	}
	if len(points) < 2 {
		return Line{}, nil, errors.New("a calibration needs two points or more; read the reference near both ends of the span")
	}
	n := float64(len(points))
	low, high := math.Inf(1), math.Inf(-1)
	var meanX, meanY float64
	for i, p := range points {
		for _, v := range []float64{p.Reading, p.Reference, p.Standard} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return Line{}, nil, fmt.Errorf("point %d has %v; leave out what was not read", i+1, v)
			}
		}
		if p.Standard < 0 {
			return Line{}, nil, fmt.Errorf("point %d has an uncertainty of %v; it cannot be below zero", i+1, p.Standard)
		}
		low, high = math.Min(low, p.Reading), math.Max(high, p.Reading)
		meanX += p.Reading / n
		meanY += p.Reference / n
	}
	if !(high-low >= MinSpread*span) {
		return Line{}, nil, fmt.Errorf("the points cover %.1f %% of the span; spread them over %.0f %% or more", 100*(high-low)/span, 100*MinSpread)
	}
	var sxx, sxy float64
	for _, p := range points {
		d := p.Reading - meanX
		sxx += d * d
		sxy += d * (p.Reference - meanY)
	}
	l := Line{Gain: sxy / sxx, n: n, mean: meanX, sxx: sxx}
	for _, p := range points {
		l.points = append(l.points, pull{p.Reading - meanX, p.Standard})
	}
	if !(l.Gain >= GainLow && l.Gain <= GainHigh) {
		return Line{}, nil, fmt.Errorf("the points ask for a gain of %.3f, outside %.2f to %.2f; check the configured span and the transducer", l.Gain, GainLow, GainHigh)
	}
	l.Zero = meanY - l.Gain*meanX
	residuals := make([]float64, len(points))
	var ssr float64
	for i, p := range points {
		residuals[i] = p.Reference - l.Apply(p.Reading)
		ssr += residuals[i] * residuals[i]
	}
	if n > 2 {
		l.s = math.Sqrt(ssr / (n - 2))
	}
	return l, residuals, nil
}

// Drift reports, as an error with the mend, that a line lies further from the one
// before it than [MaxDrift] of the span from low to high at either end, or, where there
// is none before it, further from nominal than [MaxFirst].
func Drift(l, before Line, low, high float64) error {
	span := high - low
	share, than, mend := MaxDrift, "the calibration before it", "read the gauge again; where the transducer was exchanged, delete the old calibration first"
	if before.None() {
		share, than, mend = MaxFirst, "the uncalibrated reading", "check the configured range, the wiring and the gauge"
	}
	for _, x := range []float64{low, high} {
		d := l.Apply(x) - before.Apply(x)
		if !(math.Abs(d) <= share*span) {
			return fmt.Errorf("at a reading of %.6g the line lies %.1f %% of the range from %s, more than %.0f %%; %s", x, 100*math.Abs(d)/span, than, 100*share, mend)
		}
	}
	return nil
}
