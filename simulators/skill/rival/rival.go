// Package rival holds the two plain ways of saying when a reading will come to a limit
// that a forecast must do better than: a straight line through the last quarter of an
// hour, and a single exponential by least squares.
package rival

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

// Reading is one reading at a time in s.
type Reading struct{ At, Value float64 }

// LineS is the length in s of what the straight line is laid through.
const LineS = 900

// Line returns in how many seconds from the newest reading a straight line through the
// last quarter of an hour, by least squares, comes down to a limit; NaN where it does
// not fall or there is too little to lay it through.
func Line(past []Reading, limit float64) float64 {
	if len(past) == 0 {
		return math.NaN()
	}
	now := past[len(past)-1].At
	var x, y []float64
	for _, r := range past {
		if now-r.At <= LineS {
			x, y = append(x, r.At-now), append(y, r.Value)
		}
	}
	if len(x) < 3 {
		return math.NaN()
	}
	level, slope := stat.LinearRegression(x, y, nil, false)
	if !(slope < 0) {
		return math.NaN()
	}
	return math.Max(0, (limit-level)/slope)
}

// Exponential returns in how many seconds from the newest reading a single exponential
// towards an end, fitted to all the readings given by least squares of the readings
// themselves, comes down to a limit; NaN where it does not, as when the limit lies under
// the end.
func Exponential(past []Reading, end, limit float64) float64 {
	if len(past) < 4 || !(limit > end) {
		return math.NaN()
	}
	now := past[len(past)-1].At
	// First by the logarithms, then Gauss and Newton on the readings themselves.
	var x, y []float64
	for _, r := range past {
		if r.Value > end {
			x, y = append(x, r.At-now), append(y, math.Log(r.Value-end))
		}
	}
	if len(x) < 4 {
		return math.NaN()
	}
	a, k := stat.LinearRegression(x, y, nil, false)
	a, k = math.Exp(a), -k
	for range 12 {
		var saa, sak, skk, ga, gk float64
		for _, r := range past {
			t := r.At - now
			e := math.Exp(-k * t)
			da, dk := e, -a*t*e
			off := r.Value - end - a*e
			saa, sak, skk = saa+da*da, sak+da*dk, skk+dk*dk
			ga, gk = ga+da*off, gk+dk*off
		}
		det := saa*skk - sak*sak
		if !(det > 0) {
			break
		}
		stepA, stepK := (skk*ga-sak*gk)/det, (saa*gk-sak*ga)/det
		if math.Abs(stepK) > 0.5*math.Abs(k) {
			f := 0.5 * math.Abs(k) / math.Abs(stepK)
			stepA, stepK = f*stepA, f*stepK
		}
		a, k = a+stepA, k+stepK
		if math.Abs(stepK) < 1e-6*math.Abs(k) {
			break
		}
	}
	if !(k > 0) || !(a > 0) {
		return math.NaN()
	}
	return math.Max(0, math.Log(a/(limit-end))/k)
}
