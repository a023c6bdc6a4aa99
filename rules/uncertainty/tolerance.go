package uncertainty

import (
	"fmt"
	"math"
	"slices"
)

// Tolerance is a permitted error ±Limit, with where it is from. A tolerance
// bounds a new or calibrated instrument, so it is taken as rectangular.
type Tolerance struct {
	Limit  float64 // in the unit of the quantity
	Source string  // the standard, and how its figure was come by
}

// Standard returns the standard uncertainty, Limit/sqrt 3.
func (t Tolerance) Standard() float64 { return Rectangular(t.Limit) }

// RangeError says that a tolerance is not defined for what was given.
type RangeError struct {
	Quantity string
	Value    float64
	Mend     string
}

// Error tells the value and the mend.
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s %g has no tolerance; %s", e.Quantity, e.Value, e.Mend)
}

const thermocoupleSource = "IEC 60584-1:2013, from memory"

// Thermocouple returns the tolerance in K of a thermocouple of type K, N, J or T
// in class 1 or 2 at tC: a fixed limit or a share of |t|, whichever is more. The
// figures are from memory (IEC 60584-1:2013; the standard was not at hand). A
// temperature outside the class, NaN, or another type or class returns an error.
//
//	class 1: K, N -40..1000, J -40..750 °C: 1.5 K or 0.4 %; T -40..350 °C: 0.5 K or 0.4 %
//	class 2: K, N -40..1200, J -40..750 °C: 2.5 K or 0.75 %; T -40..350 °C: 1 K or 0.75 %
func Thermocouple(letter string, class int, tC float64) (Tolerance, error) {
	var fixed, share, top float64
	switch class {
	case 1:
		fixed, share, top = 1.5, 0.004, 1000
	case 2:
		fixed, share, top = 2.5, 0.0075, 1200
	default:
		return Tolerance{Limit: math.NaN()}, &RangeError{"thermocouple class", float64(class), "give class 1 or 2 (IEC 60584-1)"}
	}
	switch letter {
	case "K", "N":
	case "J":
		top = 750
	case "T":
		top = 350
		if fixed = 0.5; class == 2 {
			fixed = 1
		}
	default:
		return Tolerance{Limit: math.NaN()}, fmt.Errorf("thermocouple type %q has no tolerance here; give K, N, J or T", letter)
	}
	if !(tC >= -40 && tC <= top) {
		return Tolerance{Limit: math.NaN()}, &RangeError{"thermocouple temperature in °C", tC,
			fmt.Sprintf("type %s class %d is defined from -40 to %g °C", letter, class, top)}
	}
	return Tolerance{max(fixed, share*math.Abs(tC)), thermocoupleSource}, nil
}

// gaugeClasses are the accuracy classes of EN 837-1:1996 table 11, in per cent
// of the span.
var gaugeClasses = []float64{0.1, 0.25, 0.6, 1, 1.6, 2.5, 4}

// DialGauge returns the permitted error of a dial gauge of an EN 837-1 accuracy
// class (0.1, 0.25, 0.6, 1, 1.6, 2.5 or 4 % of the span) at 20 °C, in the unit of
// span (EN 837-1:1996 table 11, published; read in extract). A gauge with a stop
// at zero shows 0 over any vacuum, which no class covers.
func DialGauge(class, span float64) (Tolerance, error) {
	if !slices.Contains(gaugeClasses, class) {
		return Tolerance{Limit: math.NaN()}, &RangeError{"gauge class", class, "give 0.1, 0.25, 0.6, 1, 1.6, 2.5 or 4 (EN 837-1)"}
	}
	if !(span > 0) || math.IsInf(span, 0) {
		return Tolerance{Limit: math.NaN()}, &RangeError{"gauge span", span, "give the end of the scale less its beginning"}
	}
	return Tolerance{class / 100 * span, "EN 837-1:1996 table 11"}, nil
}

// DialGaugeTemperature returns the further error of a dial gauge at tC away from
// 20 °C, 0.4 % of the span for 10 K (EN 837-1, from memory), from -20 to 60 °C.
// Outside, or NaN, it returns an error.
func DialGaugeTemperature(span, tC float64) (Tolerance, error) {
	if !(span > 0) || math.IsInf(span, 0) {
		return Tolerance{Limit: math.NaN()}, &RangeError{"gauge span", span, "give the end of the scale less its beginning"}
	}
	if !(tC >= -20 && tC <= 60) {
		return Tolerance{Limit: math.NaN()}, &RangeError{"gauge temperature in °C", tC, "keep the gauge at -20 to 60 °C, behind a filled siphon"}
	}
	return Tolerance{0.0004 * math.Abs(tC-20) * span, "EN 837-1, from memory"}, nil
}
