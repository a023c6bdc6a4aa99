// Package uncertainty combines the uncertainties of a measurement (JCGM
// 100:2008, the GUM) and bounds a value on its unsafe side.
//
// What is not known makes a bound infinite or NaN, never narrow: a [Value]
// whose uncertainty was never stated is below no limit and above none.
package uncertainty

import "math"

// CoverageFactor is the k by which a standard uncertainty becomes the expanded
// one: about 95 % of a normal distribution within ±U (JCGM 100:2008, 6.3.3), and
// 97.7 % on the right side of one bound.
const CoverageFactor = 2

// Normal returns the standard uncertainty of an expanded uncertainty stated with
// the coverage factor k, as a calibration certificate gives it (JCGM 100:2008,
// 4.3.3). A negative or NaN expanded uncertainty, or a k not above zero, gives NaN.
func Normal(expanded, k float64) float64 {
	if !(expanded >= 0 && k > 0) {
		return math.NaN()
	}
	return expanded / k
}

// Rectangular returns the standard uncertainty of an error known only to lie
// within ±a, a/sqrt 3 (JCGM 100:2008, 4.3.7). A negative or NaN a gives NaN.
func Rectangular(a float64) float64 {
	if !(a >= 0) {
		return math.NaN()
	}
	return a / math.Sqrt(3)
}

// Resolution returns the standard uncertainty of reading in steps of the given
// size, step/sqrt 12 (JCGM 100:2008, F.2.2.1). A negative or NaN step gives NaN.
func Resolution(step float64) float64 { return Rectangular(step / 2) }

// Combine returns the combined standard uncertainty of independent
// contributions, the root of the sum of their squares (JCGM 100:2008, 5.1.2,
// each already multiplied by its sensitivity). No contribution, a negative one
// or NaN gives NaN.
func Combine(standard ...float64) float64 {
	if len(standard) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, u := range standard {
		if !(u >= 0) {
			return math.NaN()
		}
		sum = math.Hypot(sum, u)
	}
	return sum
}

// Value is an estimate X with its expanded uncertainty U, in the same unit, with
// the coverage factor 2. A U of zero, as in the zero Value, means not stated:
// no measurement is without uncertainty.
type Value struct{ X, U float64 }

// Of returns x with the expanded uncertainty of independent standard
// uncertainties.
func Of(x float64, standard ...float64) Value {
	return Value{X: x, U: CoverageFactor * Combine(standard...)}
}

// Stated tells whether the value is a number with an uncertainty above zero.
func (v Value) Stated() bool {
	return !math.IsNaN(v.X) && !math.IsInf(v.X, 0) && v.U > 0
}

// Standard returns the standard uncertainty, U/2; NaN where it is not stated.
func (v Value) Standard() float64 {
	if !v.Stated() {
		return math.NaN()
	}
	return v.U / CoverageFactor
}

// Upper returns X+U, above which the quantity lies with a probability of 2.3 %
// (normal distribution); +Inf where no uncertainty is stated.
func (v Value) Upper() float64 {
	if !v.Stated() {
		return math.Inf(1)
	}
	return v.X + v.U
}

// Lower returns X-U, the counterpart of [Value.Upper]; -Inf where no
// uncertainty is stated.
func (v Value) Lower() float64 {
	if !v.Stated() {
		return math.Inf(-1)
	}
	return v.X - v.U
}

// Below tells whether even the upper bound is under limit. It is false for
// whatever is not known.
func (v Value) Below(limit float64) bool { return v.Upper() < limit }

// Above tells whether even the lower bound is over limit. It is false for
// whatever is not known.
func (v Value) Above(limit float64) bool { return v.Lower() > limit }

// Within tells whether both bounds lie inside lo and hi. It is false for
// whatever is not known.
func (v Value) Within(lo, hi float64) bool { return v.Above(lo) && v.Below(hi) }

// Plus returns the sum of two independent values. If either is not stated, nor
// is the sum.
func (v Value) Plus(w Value) Value {
	return Of(v.X+w.X, v.Standard(), w.Standard())
}

// Minus returns the difference of two independent values. If either is not
// stated, nor is the difference.
func (v Value) Minus(w Value) Value {
	return Of(v.X-w.X, v.Standard(), w.Standard())
}

// Times returns the value and its uncertainty scaled by a number without error,
// such as a conversion of units or a sensitivity.
func (v Value) Times(factor float64) Value {
	return Value{X: v.X * factor, U: v.U * math.Abs(factor)}
}
