// Package discharge gives the ideal mass flux of water and steam through an
// opening: the homogeneous equilibrium model for water that flashes, the same
// isentropic expansion for steam, and Bernoulli for cold water.
//
// All figures are without friction and contraction; the caller multiplies by a
// discharge coefficient and the area. In the homogeneous equilibrium model water
// and steam share one velocity and flash without delay. Short openings pass
// more than it says, since the water has no time to flash; long pipes come near
// it. It is the lower bracket.
package discharge

import (
	"math"

	"ashlamp/rules/steam"
)

// Flow is the ideal flow through the narrowest section of an opening.
type Flow struct {
	MassFlux       float64 // kg/(m2 s)
	ThroatPressure float64 // Pa, absolute
	Velocity       float64 // in the throat, m/s
	Quality        float64 // mass fraction of steam in the throat, 0..1
	Choked         bool    // a lower ambient pressure would not raise the flux
}

// HEM returns the mass flux in kg/(m2 s) of saturated water from rest at the
// absolute pressure p0Pa into ambientPa, by the homogeneous equilibrium model:
// isentropic expansion in equilibrium, greatest over all throat pressures not
// under the ambient. Both pressures must lie in [steam.TriplePressure] to
// [steam.MaxSaturatedPressure] and p0Pa not below ambientPa, else a
// [*steam.RangeError] is returned.
func HEM(p0Pa, ambientPa float64) (kgPerM2S float64, err error) {
	f, err := SaturatedWater(p0Pa, ambientPa)
	if err != nil {
		return math.NaN(), err
	}
	return f.MassFlux, nil
}

// SteamFlow returns the mass flux in kg/(m2 s) of dry saturated steam from rest
// at the absolute pressure p0Pa through a nozzle into ambientPa, by isentropic
// expansion in equilibrium; critical once the ambient is below about 0.58 of
// p0Pa. Ranges and errors as [HEM].
func SteamFlow(p0Pa, ambientPa float64) (kgPerM2S float64, err error) {
	f, err := DrySteam(p0Pa, ambientPa)
	if err != nil {
		return math.NaN(), err
	}
	return f.MassFlux, nil
}

// ColdWater returns the mass flux in kg/(m2 s) of water well below boiling that
// headPa drives through an opening, sqrt(2 ρ Δp) (Bernoulli). headPa is the
// pressure difference in Pa, gauge pressure and head of water together, from 0
// to 10 MPa; density in kg/m3, from 500 to 1100. Outside, or NaN, it returns a
// [*steam.RangeError]. For water near boiling use [Subcooled].
func ColdWater(headPa, density float64) (kgPerM2S float64, err error) {
	if !(headPa >= 0 && headPa <= 10e6) {
		return math.NaN(), &steam.RangeError{Quantity: "head", Value: headPa, Min: 0, Max: 10e6, Unit: "Pa",
			Mend: "give the pressure inside above that outside; nothing flows out against a higher pressure"}
	}
	if !(density >= 500 && density <= 1100) {
		return math.NaN(), &steam.RangeError{Quantity: "density of the water", Value: density, Min: 500, Max: 1100, Unit: "kg/m3",
			Mend: "give kilograms a cubic metre"}
	}
	return math.Sqrt(2 * density * headPa), nil
}

// SaturatedWater is [HEM] with the state in the throat.
func SaturatedWater(p0Pa, ambientPa float64) (Flow, error) {
	if err := check(p0Pa, ambientPa); err != nil {
		return Flow{}, err
	}
	s, err := steam.AtPressure(p0Pa)
	if err != nil {
		return Flow{}, err
	}
	return greatest(reservoir{p: p0Pa, h: s.Liquid.Enthalpy, s: s.Liquid.Entropy, v: s.Liquid.Volume}, ambientPa, 0.4*p0Pa)
}

// DrySteam is [SteamFlow] with the state in the throat.
func DrySteam(p0Pa, ambientPa float64) (Flow, error) {
	if err := check(p0Pa, ambientPa); err != nil {
		return Flow{}, err
	}
	s, err := steam.AtPressure(p0Pa)
	if err != nil {
		return Flow{}, err
	}
	return greatest(reservoir{p: p0Pa, h: s.Vapour.Enthalpy, s: s.Vapour.Entropy, v: s.Vapour.Volume}, ambientPa, 0.4*p0Pa)
}

// Subcooled is the flow of water at tC, at or below its boiling point, from rest
// under the absolute pressure p0Pa into ambientPa: Bernoulli down to where it
// flashes, the homogeneous equilibrium model from there. It joins [ColdWater]
// to [HEM]; water under a column of itself, at the bottom of a boiler, is
// subcooled by that column. Ranges as [HEM] and [steam.Water].
func Subcooled(p0Pa, tC, ambientPa float64) (Flow, error) {
	if err := check(p0Pa, ambientPa); err != nil {
		return Flow{}, err
	}
	w, err := steam.Water(p0Pa, tC)
	if err != nil {
		return Flow{}, err
	}
	ps, err := steam.SaturationPressure(tC)
	if err != nil {
		return Flow{}, err
	}
	return greatest(reservoir{p: p0Pa, h: w.Enthalpy, s: w.Entropy, v: w.Volume}, ambientPa, 0.4*ps)
}

func check(p0, ambient float64) error {
	if !(ambient >= steam.TriplePressure && ambient <= steam.MaxSaturatedPressure) {
		return &steam.RangeError{Quantity: "ambient pressure", Value: ambient, Min: steam.TriplePressure, Max: steam.MaxSaturatedPressure, Unit: "Pa",
			Mend: "give it absolute"}
	}
	if !(p0 >= ambient && p0 <= steam.MaxSaturatedPressure) {
		return &steam.RangeError{Quantity: "pressure before the opening", Value: p0, Min: ambient, Max: steam.MaxSaturatedPressure, Unit: "Pa",
			Mend: "give it absolute; below the lower bound, the ambient pressure, nothing flows out"}
	}
	return nil
}

// reservoir is the state at rest before the opening.
type reservoir struct{ p, h, s, v float64 }

// through is the flow with the throat at p, isentropic and in equilibrium.
func (r reservoir) through(p float64) (Flow, error) {
	if p >= r.p {
		return Flow{ThroatPressure: r.p}, nil
	}
	s, err := steam.AtPressure(p)
	if err != nil {
		return Flow{}, err
	}
	x := (r.s - s.Liquid.Entropy) / (s.Vapour.Entropy - s.Liquid.Entropy)
	if x <= 0 {
		// Not flashed: the volume of water changes by less than 0.1 % a MPa.
		w := math.Sqrt(2 * r.v * (r.p - p))
		return Flow{MassFlux: w / r.v, ThroatPressure: p, Velocity: w}, nil
	}
	h := s.Liquid.Enthalpy + x*(s.Vapour.Enthalpy-s.Liquid.Enthalpy)
	v := s.Liquid.Volume + x*(s.Vapour.Volume-s.Liquid.Volume)
	w := math.Sqrt(2 * max(r.h-h, 0)) // rounding alone can make it negative, next to the reservoir
	return Flow{MassFlux: w / v, ThroatPressure: p, Velocity: w, Quality: x}, nil
}

// greatest finds the throat pressure between the ambient, or floor where that is
// higher, and the reservoir at which the flux is greatest. The flux has one
// maximum there; the search is golden section with parabolic steps (Brent,
// Algorithms for Minimization without Derivatives, 1973, chapter 5).
func greatest(r reservoir, ambient, floor float64) (Flow, error) {
	lo, hi := max(ambient, floor, steam.TriplePressure), r.p
	edge, err := r.through(lo)
	if err != nil {
		return Flow{}, err
	}
	const (
		golden  = 0.3819660112501051 // (3-sqrt 5)/2
		closest = 1e-7               // of the reservoir's pressure
		steps   = 200
	)
	x := lo + golden*(hi-lo)
	best, err := r.through(x)
	if err != nil {
		return Flow{}, err
	}
	fx := -best.MassFlux
	w, v, fw, fv := x, x, fx, fx
	var d, e float64
	tol := closest * r.p
	for range steps {
		mid := (lo + hi) / 2
		if math.Abs(x-mid) <= 2*tol-(hi-lo)/2 {
			break
		}
		parabola := false
		if math.Abs(e) > tol {
			a := (x - w) * (fx - fv)
			q := (x - v) * (fx - fw)
			n := (x-v)*q - (x-w)*a
			q = 2 * (q - a)
			if q > 0 {
				n = -n
			}
			q = math.Abs(q)
			if math.Abs(n) < math.Abs(q*e/2) && n > q*(lo-x) && n < q*(hi-x) {
				e, d = d, n/q
				parabola = true
			}
		}
		if !parabola {
			e = lo - x
			if x < mid {
				e = hi - x
			}
			d = golden * e
		}
		u := x + d
		if math.Abs(d) < tol {
			u = x + math.Copysign(tol, d)
		}
		f, err := r.through(u)
		if err != nil {
			return Flow{}, err
		}
		fu := -f.MassFlux
		if fu <= fx {
			if u < x {
				hi = x
			} else {
				lo = x
			}
			v, w, x = w, x, u
			fv, fw, fx = fw, fx, fu
			best = f
			continue
		}
		if u < x {
			lo = u
		} else {
			hi = u
		}
		if fu <= fw || w == x {
			v, w, fv, fw = w, u, fw, fu
		} else if fu <= fv || v == x || v == w {
			v, fv = u, fu
		}
	}
	if edge.MassFlux >= best.MassFlux {
		return edge, nil
	}
	best.Choked = true
	return best, nil
}
