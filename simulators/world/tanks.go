package world

import "math"

// Tanks are the side tanks: a right and a left one joined low down by a balance
// pipe, with one drain, under the left one.
type Tanks struct {
	// Count is 0, 1 (the left one) or 2; Area of each in m2, Depth in m.
	Count       int
	Area, Depth float64
	// Balance and Drain are bores in m.
	Balance, Drain float64
	// Level of left and right, 0..1 of the depth.
	Level [2]float64
}

// orifice is the discharge coefficient of a sharp-edged opening.
const orifice = 0.62

// advance moves the water on by dt seconds: taken is kg/s drawn by the injector.
func (k *Tanks) advance(dt, balanceOpen float64, drain bool, taken float64) {
	if k.Count == 0 {
		return
	}
	volume := k.Area * k.Depth // m3 at level 1
	out := taken / 1000 * dt / volume
	if drain {
		a := math.Pi / 4 * k.Drain * k.Drain
		out += math.Min(k.Level[0], orifice*a*math.Sqrt(2*9.80665*k.Level[0]*k.Depth)*dt/volume)
	}
	k.Level[0] = math.Max(0, k.Level[0]-out)
	if k.Count == 2 && balanceOpen > 0 {
		d := k.Level[1] - k.Level[0]
		a := math.Pi / 4 * k.Balance * k.Balance * balanceOpen
		m := orifice * a * math.Sqrt(2*9.80665*math.Abs(d)*k.Depth) * dt / volume
		m = math.Copysign(math.Min(m, math.Abs(d)/2), d)
		k.Level[0] += m
		k.Level[1] -= m
	}
}
