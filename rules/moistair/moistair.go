// Package moistair gives the saturation vapour pressure over water and ice, dew
// and frost point, and the relative humidity that air takes at the temperature
// of the steel it touches.
//
// The formulas are those of D. Sonntag (Zeitschrift für Meteorologie 70 (1990)
// 340-344). They are on the ITS-90, as the sensors are; one form each serves
// water from -100 to 100 °C, supercooled too, and ice from -100 °C; and they lie
// within 0.013 % of IAPWS-IF97 (1 to 80 °C) and 0.007 % of the IAPWS sublimation
// equation (-10 to 0 °C), where the short Magnus forms err by 0.3 %. Those of Hyland
// and Wexler, as ASHRAE prints them, differ by 0.025 % at most over water (0 to
// 100 °C), which is 0.0034 K of dew point. IAPWS-IF97 itself does not go below 0 °C. The paper was not seen; two independent
// transcriptions of its coefficients agree.
//
// Relative humidity is over liquid water at every temperature, as the WMO and
// the makers of sensors have it. Pressures are of pure vapour, without the
// enhancement factor for air (0.4 % at 1000 hPa, which cancels in a dew point).
package moistair

import (
	"fmt"
	"math"
)

const (
	// MinTemperature and MaxTemperature bound all temperatures in °C, as the
	// formulas do.
	MinTemperature = -100
	MaxTemperature = 100
	// TriplePoint of water in °C, above which there is no ice.
	TriplePoint = 0.01

	celsiusZero = 273.15
)

// RangeError says that a quantity lies outside the range of the formulas.
type RangeError struct {
	Quantity string
	Value    float64 // as given, in Unit
	Min, Max float64 // the range, in Unit
	Unit     string
	Mend     string
}

// Error tells the value, the range and the mend.
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s %.7g %s is outside %.7g..%.7g %s; %s",
		e.Quantity, e.Value, e.Unit, e.Min, e.Max, e.Unit, e.Mend)
}

// formula is ln(e/Pa) = a/T + b + c T + d T² + f ln T, T in K.
type formula struct{ a, b, c, d, f float64 }

var (
	overWater = formula{-6096.9385, 21.2409642, -2.711193e-2, 1.673952e-5, 2.433502}
	overIce   = formula{-6024.5282, 29.32707, 1.0613868e-2, -1.3198825e-5, -0.49382577}
)

// at returns ln(e/Pa) and its slope per kelvin.
func (m *formula) at(t float64) (ln, slope float64) {
	u := 1 / t
	return m.a*u + m.b + t*(m.c+t*m.d) + m.f*math.Log(t), -m.a*u*u + m.c + 2*t*m.d + m.f*u
}

// inverse returns the temperature in K at which ln(e/Pa) is ln. Newton's method
// on 1/T, over which the pressure's logarithm is nearly a straight line.
func (m *formula) inverse(ln float64) float64 {
	t := celsiusZero
	for range 20 {
		y, s := m.at(t)
		u := 1/t - (ln-y)/(s*t*t)
		next := 1 / u
		if math.Abs(next-t) < 1e-10 {
			return next
		}
		t = next
	}
	return t
}

func checkTemperature(what string, tC, top float64) error {
	if !(tC >= MinTemperature && tC <= top) {
		return &RangeError{what, tC, MinTemperature, top, "°C", "check the sensor"}
	}
	return nil
}

func checkHumidity(rhPercent float64) error {
	if !(rhPercent > 0 && rhPercent <= 100) {
		return &RangeError{"relative humidity", rhPercent, 0, 100, "%RH",
			"give per cent above 0; a sensor that shows more than 100 is wet or out of order"}
	}
	return nil
}

// SaturationOverWater returns the saturation vapour pressure in Pa over liquid
// water at tC, supercooled below 0 °C, from -100 to 100 °C. Outside, or NaN, it
// returns NaN and a [*RangeError].
func SaturationOverWater(tC float64) (pPa float64, err error) {
	if err := checkTemperature("temperature", tC, MaxTemperature); err != nil {
		return math.NaN(), err
	}
	ln, _ := overWater.at(tC + celsiusZero)
	return math.Exp(ln), nil
}

// SaturationOverIce returns the saturation vapour pressure in Pa over ice at tC,
// from -100 to 0.01 °C. Outside, or NaN, it returns NaN and a [*RangeError].
func SaturationOverIce(tC float64) (pPa float64, err error) {
	if err := checkTemperature("temperature of ice", tC, TriplePoint); err != nil {
		return math.NaN(), err
	}
	ln, _ := overIce.at(tC + celsiusZero)
	return math.Exp(ln), nil
}

// VapourPressure returns the partial pressure of water vapour in Pa in air at tC
// (-100 to 100 °C) with the relative humidity rhPercent (above 0 to 100 %RH, over
// water). Outside, or NaN, it returns NaN and a [*RangeError].
func VapourPressure(tC, rhPercent float64) (pPa float64, err error) {
	if err := checkHumidity(rhPercent); err != nil {
		return math.NaN(), err
	}
	e, err := SaturationOverWater(tC)
	return e * rhPercent / 100, err
}

// DewPoint returns the temperature in °C at which the air would be saturated
// over liquid water, supercooled below 0 °C. Ranges as [VapourPressure]; air so
// dry that its dew point is below -100 °C returns NaN and a [*RangeError].
func DewPoint(tC, rhPercent float64) (dewC float64, err error) {
	return saturated(&overWater, "vapour pressure for a dew point", MaxTemperature,
		"the air is drier than the formula goes; check the humidity sensor", tC, rhPercent)
}

// FrostPoint returns the temperature in °C at which the air would be saturated
// over ice, where rime begins to settle. There is none above 0.01 °C: then it
// returns NaN and a [*RangeError], as for air outside the ranges of [DewPoint].
func FrostPoint(tC, rhPercent float64) (frostC float64, err error) {
	return saturated(&overIce, "vapour pressure for a frost point", TriplePoint,
		"above the upper bound air gives dew: ask for its dew point; below the lower, check the humidity sensor", tC, rhPercent)
}

// saturated refuses by the pressure, before the formula is inverted.
func saturated(m *formula, what string, topC float64, mend string, tC, rhPercent float64) (float64, error) {
	e, err := VapourPressure(tC, rhPercent)
	if err != nil {
		return math.NaN(), err
	}
	ln := math.Log(e)
	lo, _ := m.at(MinTemperature + celsiusZero)
	hi, _ := m.at(topC + celsiusZero)
	if !(ln >= lo && ln <= hi+1e-12) { // saturated air of the highest temperature, rounded
		return math.NaN(), &RangeError{what, e, math.Exp(lo), math.Exp(hi), "Pa", mend}
	}
	return min(m.inverse(ln)-celsiusZero, topC), nil
}

// HumidityAt returns the relative humidity (%RH, over water) that air of tC and
// rhPercent takes at otherC, the temperature of the steel beside it, with its
// vapour unchanged. More than 100 means that water settles there. Ranges as
// [VapourPressure].
func HumidityAt(tC, rhPercent, otherC float64) (atPercent float64, err error) {
	if err := checkHumidity(rhPercent); err != nil {
		return math.NaN(), err
	}
	if err := checkTemperature("temperature", tC, MaxTemperature); err != nil {
		return math.NaN(), err
	}
	if err := checkTemperature("temperature of the steel", otherC, MaxTemperature); err != nil {
		return math.NaN(), err
	}
	a, _ := overWater.at(tC + celsiusZero)
	b, _ := overWater.at(otherC + celsiusZero)
	return rhPercent * math.Exp(a-b), nil
}
