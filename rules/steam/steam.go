package steam

import (
	"fmt"
	"math"
)

const (
	// CelsiusZero is 0 °C in kelvin.
	CelsiusZero = 273.15
	// StandardPressure is the standard atmosphere at sea level in Pa (ISO 2533).
	StandardPressure = 101325
	// GasConstant is the specific gas constant of water in J/(kg K), IAPWS
	// R7-97(2012) equation 1.
	GasConstant = 461.526
	// CriticalTemperature is 647.096 K in °C, IAPWS R7-97(2012) equation 2.
	CriticalTemperature = 373.946
	// CriticalPressure is in Pa, IAPWS R7-97(2012) equation 3.
	CriticalPressure = 22.064e6
	// TriplePressure is the lowest pressure in Pa at which the saturation line
	// is given: what equation 30 of IAPWS R7-97(2012) yields at 273.15 K, cut
	// after the seventh digit.
	TriplePressure = 611.2126
	// MaxPressure is the highest pressure of regions 1 and 2 in Pa.
	MaxPressure = 100e6
	// MaxWaterTemperature is 623.15 K in °C, where region 1 ends.
	MaxWaterTemperature = 350
	// MaxSteamTemperature is 1073.15 K in °C, where region 2 ends.
	MaxSteamTemperature = 800

	// MinBarometer and MaxBarometer bound the station pressure in Pa that
	// [BoilingPoint] believes. 500 hPa is the standard atmosphere at 5574 m,
	// above every railway; 1100 hPa is above every surface reading on record
	// (common practice, no source: the bounds catch a wrong unit, a gauge
	// pressure or a broken sensor).
	MinBarometer = 50000
	MaxBarometer = 110000
)

// onTheLine is the relative distance from the saturation line at which a
// pressure still counts as on it: the two saturation equations agree to about
// 1e-13, and a caller may hold the pressure in ten digits.
const onTheLine = 1e-9

// RangeError says that a quantity lies outside the range of the formulation.
// Nothing here is ever extrapolated.
type RangeError struct {
	Quantity string  // what was out of range, for example "water temperature"
	Value    float64 // as given, in Unit
	Min, Max float64 // the range, in Unit
	Unit     string
	Mend     string // what to do about it
}

// Error tells the value, the range and the mend.
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s %.10g %s is outside %.10g..%.10g %s; %s",
		e.Quantity, e.Value, e.Unit, e.Min, e.Max, e.Unit, e.Mend)
}

// Properties are those of one kilogram of water or steam. Enthalpy and entropy
// count from the liquid at the triple point, where IAPWS R7-97(2012) sets
// internal energy and entropy to zero.
type Properties struct {
	Volume         float64 // m3/kg
	InternalEnergy float64 // J/kg
	Enthalpy       float64 // J/kg
	Entropy        float64 // J/(kg K)
	HeatCapacity   float64 // at constant pressure, J/(kg K)
	SoundSpeed     float64 // m/s
}

// Density returns the reciprocal of the volume, kg/m3.
func (p Properties) Density() float64 { return 1 / p.Volume }

// Saturated is water and steam in equilibrium.
type Saturated struct {
	Pressure    float64 // Pa, absolute
	Temperature float64 // °C
	Liquid      Properties
	Vapour      Properties
}

// Coefficients of the saturation equation, table 34.
const (
	s1  = 0.11670521452767e4
	s2  = -0.72421316703206e6
	s3  = -0.17073846940092e2
	s4  = 0.12020824702470e5
	s5  = -0.32325550322333e7
	s6  = 0.14915108613530e2
	s7  = -0.48232657361591e4
	s8  = 0.40511340542057e6
	s9  = -0.23855557567849
	s10 = 0.65017534844798e3
)

// saturationPressure is equation 30: t in K, result in Pa.
func saturationPressure(t float64) float64 {
	v := t + s9/(t-s10)
	a := (v+s1)*v + s2
	b := (s3*v+s4)*v + s5
	c := (s6*v+s7)*v + s8
	q := 2 * c / (-b + math.Sqrt(b*b-4*a*c))
	q *= q
	return q * q * 1e6
}

// saturationTemperature is equation 31: p in Pa, result in K.
func saturationTemperature(p float64) float64 {
	b2 := math.Sqrt(p * 1e-6)
	b := math.Sqrt(b2)
	e := b2 + s3*b + s6
	f := s1*b2 + s4*b + s7
	g := s2*b2 + s5*b + s8
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	h := s10 + d
	return 0.5 * (h - math.Sqrt(h*h-4*(s9+s10*d)))
}

// SaturationPressure returns the pressure (absolute, Pa) at which water boils
// at tC, from 0 to 373.946 °C (IAPWS R7-97(2012) equation 30). Any other
// temperature, or NaN, returns a [*RangeError].
func SaturationPressure(tC float64) (pPa float64, err error) {
	if !(tC >= 0 && tC <= CriticalTemperature) {
		return math.NaN(), &RangeError{"saturation temperature", tC, 0, CriticalTemperature, "°C",
			"check the sensor; below 0 °C is ice, above the critical point nothing boils"}
	}
	return saturationPressure(tC + CelsiusZero), nil
}

// SaturationTemperature returns the temperature (°C) at which water boils under
// the absolute pressure pPa, from [TriplePressure] to [CriticalPressure] (IAPWS
// R7-97(2012) equation 31). Any other pressure, or NaN, returns a [*RangeError].
func SaturationTemperature(pPa float64) (tC float64, err error) {
	if !(pPa >= TriplePressure && pPa <= CriticalPressure) {
		return math.NaN(), &RangeError{"saturation pressure", pPa, TriplePressure, CriticalPressure, "Pa",
			"give the absolute pressure: the gauge reading plus the barometer"}
	}
	return saturationTemperature(pPa) - CelsiusZero, nil
}

// Water returns the properties of liquid water (region 1) at the absolute
// pressure pPa and tC, from 0 to 350 °C and from the saturation pressure to 100
// MPa. A pressure within one part in 10⁹ of saturation counts as on the line.
// Outside, or with NaN, it returns a [*RangeError].
func Water(pPa, tC float64) (Properties, error) {
	if !(tC >= 0 && tC <= MaxWaterTemperature) {
		return Properties{}, &RangeError{"water temperature", tC, 0, MaxWaterTemperature, "°C",
			"check the sensor; below 0 °C is ice"}
	}
	t := tC + CelsiusZero
	if ps := saturationPressure(t); !(pPa >= ps*(1-onTheLine) && pPa <= MaxPressure) {
		return Properties{}, &RangeError{"water pressure", pPa, ps, MaxPressure, "Pa",
			"below the lower bound it is steam at this temperature; give the absolute pressure"}
	}
	return liquid(pPa, t), nil
}

// Steam returns the properties of steam (region 2) at the absolute pressure pPa
// and tC: from 0 to 350 °C up to the saturation pressure, from there to 590 °C
// up to the boundary of region 3, and to 800 °C up to 100 MPa. A pressure
// within one part in 10⁹ of saturation counts as on the line. Outside, at or
// below zero, or with NaN, it returns a [*RangeError].
func Steam(pPa, tC float64) (Properties, error) {
	if !(tC >= 0 && tC <= MaxSteamTemperature) {
		return Properties{}, &RangeError{"steam temperature", tC, 0, MaxSteamTemperature, "°C", "check the sensor"}
	}
	t := tC + CelsiusZero
	top := MaxPressure * 1.0
	switch {
	case tC <= MaxWaterTemperature:
		top = saturationPressure(t)
	case tC <= 590:
		top = boundary23(t)
	}
	if !(pPa > 0 && pPa <= top*(1+onTheLine)) {
		return Properties{}, &RangeError{"steam pressure", pPa, 0, top, "Pa",
			"above the upper bound it is water or near-critical fluid at this temperature; give the absolute pressure"}
	}
	return vapour(pPa, t), nil
}

// boundary23 is equation 5, the pressure in Pa between regions 2 and 3 at t in K.
func boundary23(t float64) float64 {
	return (0.34805185628969e3 + t*(-0.11671859879975e1+t*0.10192970039326e-2)) * 1e6
}

// MaxSaturatedPressure is the saturation pressure at 350 °C in Pa, up to which
// regions 1 and 2 both reach the saturation line (16.529 MPa).
const MaxSaturatedPressure = 16.5291643e6

// AtPressure returns water and steam in equilibrium under the absolute pressure
// pPa, from [TriplePressure] to [MaxSaturatedPressure]. Any other pressure, or
// NaN, returns a [*RangeError].
func AtPressure(pPa float64) (Saturated, error) {
	if !(pPa >= TriplePressure && pPa <= MaxSaturatedPressure) {
		return Saturated{}, &RangeError{"saturation pressure", pPa, TriplePressure, MaxSaturatedPressure, "Pa",
			"give the absolute pressure: the gauge reading plus the barometer"}
	}
	t := saturationTemperature(pPa)
	return Saturated{pPa, t - CelsiusZero, liquid(pPa, t), vapour(pPa, t)}, nil
}

// AtTemperature returns water and steam in equilibrium at tC, from 0 to 350 °C.
// Any other temperature, or NaN, returns a [*RangeError].
func AtTemperature(tC float64) (Saturated, error) {
	if !(tC >= 0 && tC <= MaxWaterTemperature) {
		return Saturated{}, &RangeError{"saturation temperature", tC, 0, MaxWaterTemperature, "°C",
			"check the sensor; below 0 °C is ice"}
	}
	t := tC + CelsiusZero
	p := saturationPressure(t)
	return Saturated{p, tC, liquid(p, t), vapour(p, t)}, nil
}

// BoilingPoint returns the temperature in °C at which water in an open vessel
// boils under the air pressure ambientPa. It must be the station pressure, as a
// barometer on the spot reads it: a pressure reduced to sea level, as weather
// reports give it, makes boiling look hotter than it is. A reading outside
// [MinBarometer]..[MaxBarometer], or NaN, returns a [*RangeError].
func BoilingPoint(ambientPa float64) (tC float64, err error) {
	if !(ambientPa >= MinBarometer && ambientPa <= MaxBarometer) {
		return math.NaN(), &RangeError{"barometer reading", ambientPa, MinBarometer, MaxBarometer, "Pa",
			"check its unit and the sensor; it must be absolute and measured on the spot"}
	}
	return saturationTemperature(ambientPa) - CelsiusZero, nil
}

// StandardAtmosphere returns the air pressure in Pa at altitudeM metres above
// sea level (geopotential) in the standard atmosphere, from -500 to 11000 m
// (ISO 2533:1975, 2.3: gradient -6.5 K/km from 288.15 K, g 9.80665 m/s2,
// R 287.05287 J/(kg K)). A height from a map differs from the geopotential one
// by less than 4 m, or 0.05 % in pressure, up to 5000 m. Any other altitude, or
// NaN, returns a [*RangeError].
func StandardAtmosphere(altitudeM float64) (pPa float64, err error) {
	if !(altitudeM >= -500 && altitudeM <= 11000) {
		return math.NaN(), &RangeError{"altitude", altitudeM, -500, 11000, "m",
			"give the height of the shed above sea level in metres"}
	}
	const (
		gradient    = 0.0065
		temperature = 288.15
		exponent    = 9.80665 / (287.05287 * gradient)
	)
	return StandardPressure * math.Pow(1-gradient*altitudeM/temperature, exponent), nil
}
