// Package level gives the water level of a boiler from the differential pressure
// between two tappings, corrected for the density of hot water, of the steam
// above it and of the reference leg.
//
// A transducer set up with cold water reads the column 12 % low at 10 bar gauge;
// the crew would see too little, or after a setting made hot, too much water in
// a cold boiler.
package level

import (
	"fmt"
	"math"

	"ashlamp/rules/steam"
)

// Gravity is the standard acceleration of free fall in m/s2 (ISO 80000-3); that
// of a place differs by 0.3 % at most.
const Gravity = 9.80665

// Tolerance is the share of the distance between the tappings by which a height
// may lie beyond them before it is refused, for the zero error and the noise of
// a transducer (common practice, no source).
const Tolerance = 0.02

// RangeError says that a quantity lies outside what can be judged.
type RangeError struct {
	Quantity string
	Value    float64 // as given, in Unit
	Min, Max float64 // the range, in Unit
	Unit     string
	Mend     string
}

// Error tells the value, the range and the mend.
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s %.6g %s is outside %.6g..%.6g %s; %s",
		e.Quantity, e.Value, e.Unit, e.Min, e.Max, e.Unit, e.Mend)
}

// Leg tells what fills the pipe from the upper tapping down to the transducer.
type Leg uint8

// The legs. The transducer stands at the height of the lower tapping, or its
// zero is set so; it gives the pressure of the lower tapping's pipe less that of
// the upper one's, so a wet leg gives negative figures.
const (
	LegUnknown Leg = iota // refused
	DryLeg                // steam or air, as in the boiler above the water
	WetLeg                // condensate up to the upper tapping, at its own temperature
)

// Geometry is how the tappings and the glass stand. Heights are in metres above
// the lower tapping.
type Geometry struct {
	Tappings    float64 // height of the upper tapping
	GlassBottom float64 // lowest visible water, fraction 0
	GlassTop    float64 // highest visible water, fraction 1
	Leg         Leg
}

// check refuses a geometry that cannot be.
func (g Geometry) check() error {
	if !(g.Tappings > 0 && g.Tappings <= 10) {
		return &RangeError{"height of the upper tapping", g.Tappings, 0, 10, "m", "give the distance between the tappings in metres"}
	}
	if !(g.GlassBottom >= 0 && g.GlassBottom < g.GlassTop) {
		return &RangeError{"bottom of the glass", g.GlassBottom, 0, g.GlassTop, "m", "give its height above the lower tapping, under the top of the glass"}
	}
	if !(g.GlassTop <= g.Tappings) {
		return &RangeError{"top of the glass", g.GlassTop, g.GlassBottom, g.Tappings, "m", "give its height above the lower tapping, not over the upper one"}
	}
	if g.Leg != DryLeg && g.Leg != WetLeg {
		return &RangeError{"kind of reference leg", float64(g.Leg), float64(DryLeg), float64(WetLeg), "", "configure a dry or a wet leg"}
	}
	return nil
}

// Densities are those of the water in the boiler, of what stands above it and of
// the condensate in a wet reference leg, kg/m3.
type Densities struct{ Water, Above, Leg float64 }

// Saturated returns the densities in a boiler that boils or has just boiled, at
// the absolute pressure pPa, with its wet leg at legC (of no effect for a dry
// leg, but it must be a temperature of water). Outside the ranges of
// [steam.AtPressure] and [steam.Water], or where the leg itself would boil away,
// it returns a [*steam.RangeError].
func Saturated(pPa, legC float64) (Densities, error) {
	s, err := steam.AtPressure(pPa)
	if err != nil {
		return Densities{}, fmt.Errorf("boiler: %w", err)
	}
	leg, err := steam.Water(pPa, legC)
	if err != nil {
		return Densities{}, fmt.Errorf("reference leg: %w", err)
	}
	return Densities{Water: s.Liquid.Density(), Above: s.Vapour.Density(), Leg: leg.Density()}, nil
}

// Vented returns the densities in a boiler open to the air at the absolute
// pressure pPa with water at waterC, at or below boiling, and the leg at legC.
// Above the water is taken to be dry air at the water's temperature, an ideal
// gas of 287.05 J/(kg K) (ISO 2533): at a thousandth of the water's density its
// moisture does not count. Errors as [Saturated].
func Vented(pPa, waterC, legC float64) (Densities, error) {
	w, err := steam.Water(pPa, waterC)
	if err != nil {
		return Densities{}, fmt.Errorf("boiler: %w", err)
	}
	leg, err := steam.Water(pPa, legC)
	if err != nil {
		return Densities{}, fmt.Errorf("reference leg: %w", err)
	}
	air := pPa / (287.05 * (waterC + steam.CelsiusZero))
	return Densities{Water: w.Density(), Above: air, Leg: leg.Density()}, nil
}

func (d Densities) check() error {
	if !(d.Above >= 0 && d.Water <= 1100 && d.Water > d.Above) {
		return &RangeError{"density of the water", d.Water, d.Above, 1100, "kg/m3", "give kilograms a cubic metre, more than that of the steam"}
	}
	if !(d.Leg >= 0 && d.Leg <= 1100) {
		return &RangeError{"density of the reference leg", d.Leg, 0, 1100, "kg/m3", "give kilograms a cubic metre"}
	}
	return nil
}

// Height returns the height of the water in metres above the lower tapping, from
// the differential pressure dpPa in Pa (lower less upper):
//
//	dry leg: dp = (ρw - ρs) g h
//	wet leg: dp = (ρw - ρs) g h - (ρl - ρs) g H
//
// by hydrostatics, H being the distance of the tappings. Between the tappings
// alone does the pressure tell the level: a height beyond them by more than
// [Tolerance], NaN, an impossible geometry or density returns NaN and a
// [*RangeError].
func (g Geometry) Height(dpPa float64, d Densities) (heightM float64, err error) {
	if err := g.check(); err != nil {
		return math.NaN(), err
	}
	if err := d.check(); err != nil {
		return math.NaN(), err
	}
	full := (d.Water - d.Above) * Gravity
	offset := 0.0
	if g.Leg == WetLeg {
		offset = (d.Leg - d.Above) * Gravity * g.Tappings
	}
	h := (dpPa + offset) / full
	slack := Tolerance * g.Tappings
	if !(h >= -slack && h <= g.Tappings+slack) {
		return math.NaN(), &RangeError{"differential pressure", dpPa,
			-slack*full - offset, (g.Tappings+slack)*full - offset, "Pa",
			"the water is beyond the tappings, or a pipe is shut, choked, empty or swapped: look at the glass"}
	}
	return h, nil
}

// Fraction returns the height as a fraction of the visible glass: 0 at its
// bottom, 1 at its top, less or more where the water is out of sight but still
// between the tappings. The glass itself is cooler than the boiler and shows a
// little less than this. Errors as [Geometry.Height].
func (g Geometry) Fraction(dpPa float64, d Densities) (fraction float64, err error) {
	h, err := g.Height(dpPa, d)
	if err != nil {
		return math.NaN(), err
	}
	return (h - g.GlassBottom) / (g.GlassTop - g.GlassBottom), nil
}

// DifferentialPressure returns the pressure in Pa that a transducer would see
// with the water heightM metres above the lower tapping, from 0 to the upper
// one: the inverse of [Geometry.Height]. Outside, or NaN, it returns NaN and a
// [*RangeError].
func (g Geometry) DifferentialPressure(heightM float64, d Densities) (dpPa float64, err error) {
	if err := g.check(); err != nil {
		return math.NaN(), err
	}
	if err := d.check(); err != nil {
		return math.NaN(), err
	}
	if !(heightM >= 0 && heightM <= g.Tappings) {
		return math.NaN(), &RangeError{"height of the water", heightM, 0, g.Tappings, "m",
			"beyond the tappings the pressure does not change with the level"}
	}
	dp := (d.Water - d.Above) * Gravity * heightM
	if g.Leg == WetLeg {
		dp -= (d.Leg - d.Above) * Gravity * g.Tappings
	}
	return dp, nil
}
