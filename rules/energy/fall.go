package energy

import (
	"math"

	"ashlamp/rules/steam"
	"ashlamp/rules/uncertainty"
)

// Fall returns how fast a temperature falls, in K/h, from the means of one couple in
// degree Celsius over the three thirds of windowS seconds, oldest first. u is the
// couple's expanded uncertainty in kelvin.
//
// The fall is that between the middles of the first and the last third. Its expanded
// uncertainty has two parts: what the instrument repeats itself by, [RepeatShare], in
// both means; and by how much the middle third lies off the straight line, which is
// noise, or a fall that has changed meanwhile. A window or u not above zero, or NaN
// anywhere, gives a value that is not stated.
func Fall(means [3]float64, u, windowS float64) uncertainty.Value {
	hours := windowS * 2 / 3 / 3600
	if !(hours > 0 && u > 0) {
		return unknown()
	}
	repeat := RepeatShare * u * math.Sqrt2
	bent := means[1] - (means[0]+means[2])/2
	return uncertainty.Value{X: (means[0] - means[2]) / hours, U: math.Hypot(repeat, bent) / hours}
}

// FallUnderSteam is [Fall] for the water under steam, by the saturation temperature
// under the means of a gauge pressure in pascal. u is the expanded uncertainty of that,
// and ambient the air's pressure in pascal; its own change is taken as none. An error of
// the zero shifts all three means and is in the result as what it does to the fall. A
// pressure under which nothing boils within the formulation gives a value that is not
// stated.
func FallUnderSteam(means [3]float64, u float64, ambient uncertainty.Value, windowS float64) uncertainty.Value {
	if !ambient.Stated() || !(u > 0) {
		return unknown()
	}
	line := func(shift float64) (t [3]float64, ok bool) {
		for i, p := range means {
			c, err := steam.SaturationTemperature(p + shift)
			if err != nil {
				return t, false
			}
			t[i] = c
		}
		return t, true
	}
	zero := math.Hypot(u, ambient.U)
	at, ok := line(ambient.X)
	up, okUp := line(ambient.X + zero)
	down, okDown := line(ambient.X - zero)
	if !ok || !okUp || !okDown {
		return unknown()
	}
	// In kelvin at the newest pressure, where a pascal is worth the most.
	perPa := (up[2] - down[2]) / (2 * zero)
	f := Fall(at, perPa*u, windowS)
	shifted := ((up[0] - up[2]) - (down[0] - down[2])) / 2 / (windowS * 2 / 3 / 3600)
	f.U = math.Hypot(f.U, shifted)
	return f
}
