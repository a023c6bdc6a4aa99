// Package thermocouple converts between the emf of a thermocouple and its
// temperature by the reference functions of the ITS-90, types K, N, J and T
// (NIST Monograph 175; IEC 60584-1 has the same functions).
//
// The published inverse polynomials err by up to 0.06 K. Here they only start a
// Newton iteration on the reference function, so that both directions agree to
// better than 1e-6 K over the whole range of the inverse.
package thermocouple

import (
	"fmt"
	"math"
)

// Type is a letter-designated thermocouple. Its zero value is none, which
// every function refuses.
type Type uint8

// The types served, with the range of the reference function and that of the
// inverse, in °C.
const (
	K Type = iota + 1 // nickel-chromium, nickel-aluminium: -270..1372, inverse -200..1372
	N                 // nickel-chromium-silicon, nickel-silicon: -270..1300, inverse -200..1300
	J                 // iron, copper-nickel: -210..1200, inverse -210..1200
	T                 // copper, copper-nickel: -270..400, inverse -200..400
)

// ParseType returns the type of a letter, K, N, J or T.
func ParseType(letter string) (Type, error) {
	switch letter {
	case "K":
		return K, nil
	case "N":
		return N, nil
	case "J":
		return J, nil
	case "T":
		return T, nil
	}
	return 0, fmt.Errorf("thermocouple type %q is not known; give K, N, J or T", letter)
}

// String returns the letter, or "none".
func (t Type) String() string {
	if f := t.function(); f != nil {
		return f.name
	}
	return "none"
}

func (t Type) function() *function {
	switch t {
	case K:
		return &typeK
	case N:
		return &typeN
	case J:
		return &typeJ
	case T:
		return &typeT
	}
	return nil
}

// RangeError says that a temperature or emf is outside the range of the
// reference function. Nothing is extrapolated.
type RangeError struct {
	Type     Type
	Quantity string  // "temperature" or "emf"
	Value    float64 // as given, in Unit
	Min, Max float64 // the range, in Unit
	Unit     string
	Mend     string
}

// Error tells the value, the range and the mend.
func (e *RangeError) Error() string {
	return fmt.Sprintf("type %s %s %.7g %s is outside %.7g..%.7g %s; %s",
		e.Type, e.Quantity, e.Value, e.Unit, e.Min, e.Max, e.Unit, e.Mend)
}

// UnknownTypeError says that a [Type] is none of K, N, J and T.
type UnknownTypeError struct{ Type Type }

// Error tells the number and the mend.
func (e *UnknownTypeError) Error() string {
	return fmt.Sprintf("thermocouple type number %d is not known; configure K, N, J or T", uint8(e.Type))
}

// Range returns the lowest and highest temperature in °C of [EMF].
func Range(typ Type) (minC, maxC float64, err error) {
	f := typ.function()
	if f == nil {
		return math.NaN(), math.NaN(), &UnknownTypeError{typ}
	}
	return f.forward[0].minC, f.forward[len(f.forward)-1].maxC, nil
}

// InverseRange returns the lowest and highest temperature in °C that
// [Temperature] returns: below, a thermocouple hardly changes its emf, and no
// inverse function is published.
func InverseRange(typ Type) (minC, maxC float64, err error) {
	lo, hi, err := Range(typ)
	if err != nil {
		return lo, hi, err
	}
	return max(lo, coldest(typ)), hi, nil
}

// coldest is where the published inverse functions begin, in °C.
func coldest(typ Type) float64 {
	if typ == J {
		return -210
	}
	return -200
}

// EMF returns the emf in mV of a thermocouple at tC whose reference junction is
// at 0 °C. Outside the range of the type, or for NaN, it returns NaN and a
// [*RangeError].
func EMF(typ Type, tC float64) (mV float64, err error) {
	f := typ.function()
	if f == nil {
		return math.NaN(), &UnknownTypeError{typ}
	}
	lo, hi := f.forward[0].minC, f.forward[1].maxC
	if !(tC >= lo && tC <= hi) {
		return math.NaN(), &RangeError{typ, "temperature", tC, lo, hi, "°C", "check the type configured and the sensor"}
	}
	mV, _ = f.at(tC)
	return mV, nil
}

// Sensitivity returns the Seebeck coefficient in mV/K at tC, the slope of
// [EMF], by which an uncertainty of voltage becomes one of temperature. The
// errors are those of [EMF].
func Sensitivity(typ Type, tC float64) (mVPerK float64, err error) {
	if _, err := EMF(typ, tC); err != nil {
		return math.NaN(), err
	}
	_, s := typ.function().at(tC)
	return s, nil
}

// at evaluates the reference function and its slope by Horner's rule.
func (f *function) at(t float64) (e, slope float64) {
	r := &f.forward[0]
	if t >= r.maxC {
		r = &f.forward[1]
	}
	for i := len(r.c) - 1; i >= 0; i-- {
		slope = slope*t + e
		e = e*t + r.c[i]
	}
	if r.a0 != 0 {
		d := t - r.a2
		g := r.a0 * math.Exp(r.a1*d*d)
		e += g
		slope += 2 * r.a1 * d * g
	}
	return e, slope
}

// edge is how far beyond its end a temperature may fall by rounding, K.
const edge = 1e-7

// Temperature returns the temperature in °C of a thermocouple that gives mV
// with its reference junction at 0 °C, over [InverseRange]. It is the inverse
// of [EMF] to better than 1e-6 K. An emf outside, or NaN, returns NaN and a
// [*RangeError].
func Temperature(typ Type, mV float64) (tC float64, err error) {
	f := typ.function()
	if f == nil {
		return math.NaN(), &UnknownTypeError{typ}
	}
	lo, hi := coldest(typ), f.forward[1].maxC
	// The printed limits of the inverse are rounded to 0.001 mV.
	if !(mV >= f.inverse[0].minMV-0.001 && mV <= f.inverse[len(f.inverse)-1].maxMV+0.001) {
		return math.NaN(), f.outside(typ, mV, lo, hi)
	}
	t := f.start(mV)
	for range 8 {
		e, s := f.at(t)
		d := (mV - e) / s
		t += d
		if math.Abs(d) < 1e-9 {
			break
		}
	}
	if !(t >= lo-edge && t <= hi+edge) {
		return math.NaN(), f.outside(typ, mV, lo, hi)
	}
	return min(max(t, lo), hi), nil
}

func (f *function) outside(typ Type, mV, loC, hiC float64) error {
	lo, _ := f.at(loC)
	hi, _ := f.at(hiC)
	return &RangeError{typ, "emf", mV, lo, hi, "mV", "check for an open or reversed thermocouple and the type configured"}
}

// start is the published inverse polynomial, in °C.
func (f *function) start(mV float64) float64 {
	r := &f.inverse[0]
	for i := 1; i < len(f.inverse) && mV >= f.inverse[i].minMV; i++ {
		r = &f.inverse[i]
	}
	t := 0.0
	for i := len(r.d) - 1; i >= 0; i-- {
		t = t*mV + r.d[i]
	}
	return t
}

// Compensated returns the temperature in °C of a thermocouple that gives mV
// against a reference junction (cold junction) at junctionC, measured by other
// means: the emf of the junction is added, never its temperature. junctionC
// must be within [Range], and their sum within that of [Temperature].
func Compensated(typ Type, mV, junctionC float64) (tC float64, err error) {
	j, err := EMF(typ, junctionC)
	if err != nil {
		return math.NaN(), fmt.Errorf("reference junction: %w", err)
	}
	return Temperature(typ, mV+j)
}
