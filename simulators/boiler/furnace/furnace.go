// Package furnace is the fire side of a locomotive boiler: the fire on its grate,
// the brick around it, the draught, and the smokebox at the far end of the tubes.
//
// Coefficients are orders of size for a small coal-fired engine (from memory);
// the behaviour that follows from them is stated by the package's tests.
package furnace

import "math"

// Design is what a furnace is.
type Design struct {
	// Power is the heat in W that a full fire under full draught gives plates of
	// 180 °C.
	Power float64
	// Flame is the temperature of the gas over a full fire, °C.
	Flame float64
	// Brick is the heat capacity of brick arch, grate and ash pan, J/K; BrickArea
	// the surface in m2 that it shows the plates.
	Brick, BrickArea float64
	// Draught is the air in kg/s drawn through with the fire out, pan and
	// smokebox as in steam, brick at 500 °C.
	Draught float64
	// Smoke is the time in s in which the smokebox follows what comes out of the
	// tubes.
	Smoke float64
}

// Doors is what lets air through. Openings 0..1.
type Doors struct {
	// Pan is the ash pan slide, Smokebox its door: 0 shut, about 0.15 ajar, 1 open.
	Pan, Smokebox float64
	// Blower is how far the blower draws, 0..1.
	Blower float64
}

// Furnace is one furnace in one state.
type Furnace struct {
	Design
	// Fire is the burning bed on the grate or, relit, in the pan: 0 out, 1 full.
	Fire float64
	// BrickTemp, Gas and SmokeTemp are °C: the brick, what a couple in the
	// firebox sees, and what one in the smokebox sees.
	BrickTemp, Gas, SmokeTemp float64
}

// New returns a furnace with a full fire over plates of a temperature in °C.
func New(d Design, plates float64) *Furnace {
	f := &Furnace{Design: d, Fire: 1, BrickTemp: 950, Gas: d.Flame, SmokeTemp: 300}
	f.Gas = f.gas(plates, 15, 0.5)
	f.SmokeTemp = plates + (f.Gas-plates)*passed
	return f
}

const (
	stefan = 5.670374e-8 // W/(m2 K4), CODATA
	// emitting is the effective emissivity between brick and sooty plates.
	emitting = 0.7
	cpGas    = 1050.0 // J/(kg K) of flue gas and air, 300 to 800 K (from memory)
	// passed is the share of the gas's excess over the plates left after the tubes.
	passed = 0.13
	// How strongly a couple in the firebox sees flame, brick, plates and the air
	// drawn in. The air is a film along the floor: it counts little.
	seesFlame, seesBrick, seesPlates, seesAir = 9.0, 0.45, 0.52, 0.03
)

func (f *Furnace) gas(plates, ambient, draught float64) float64 {
	w := seesFlame * math.Min(1, 3*f.Fire)
	a := seesAir * math.Min(1, draught)
	return (w*f.flame() + seesBrick*f.BrickTemp + seesPlates*plates + a*ambient) / (w + seesBrick + seesPlates + a)
}

// flame is the temperature of what burns: a little fire glows less hot.
func (f *Furnace) flame() float64 { return 700 + (f.Flame-700)*math.Sqrt(math.Min(1, 2.5*f.Fire)) }

// Advance moves the furnace on by dt seconds over plates and in air of the given
// temperatures in °C, and returns the mean power in W that the plates took
// (negative where the draught cools them).
func (f *Furnace) Advance(dt, plates, ambient float64, d Doors) float64 {
	// Warm gas drives the draught: its flow goes with the square root of the
	// excess. An open smokebox door breaks the chimney's pull but lets the
	// tubes exchange air with the shed.
	warm := math.Max(0, 0.6*f.BrickTemp+0.4*plates-ambient)
	way := 0.3 + 0.7*d.Pan
	way *= 1 - 0.35*math.Min(1, d.Smokebox)
	way += 0.25 * math.Min(1, 3*d.Smokebox)
	flow := f.Draught * (way*math.Sqrt(warm/480) + 4*d.Blower)

	// Under a fire the brick is part of it: it follows the flame, and what it
	// radiates is in Power. Bare brick radiates by its own heat.
	gain, bare := 0.0, 1-math.Min(1, 5*f.Fire)
	if f.Fire > 0 {
		pull := 0.08 + 0.45*d.Pan + 0.6*d.Blower
		gain = f.Power * f.Fire * pull * math.Max(0, f.flame()-plates) / (f.flame() - 180)
		x := dt / 400 * (1 - bare)
		f.BrickTemp += (f.flame() - 200 - f.BrickTemp) * x / (1 + x)
	}
	tb, tp := f.BrickTemp+273.15, plates+273.15
	radiant := emitting * stefan * (tb + tp) * (tb*tb + tp*tp)
	x := bare * (radiant + 4) * f.BrickArea * dt / f.Brick
	q := (f.BrickTemp - plates) * f.Brick * x / (1 + x)
	f.BrickTemp -= q / f.Brick
	gain += q / dt
	if f.Fire < 0.05 {
		// Air takes heat from the brick first, what is left of it from the plates.
		c := flow * cpGas
		x = 0.25 * c * dt / f.Brick
		qb := (f.BrickTemp - ambient) * f.Brick * x / (1 + x)
		f.BrickTemp -= qb / f.Brick
		gain -= 0.5 * c * (plates - ambient)
	}
	f.Gas = f.gas(plates, ambient, flow/f.Draught)

	// Shut, the smokebox is heated by the tubes and the gas from them and is never
	// colder than they; open, the shed's air mixes in.
	out := plates + math.Max(0, f.Gas-plates)*passed*(0.6+0.5*d.Blower+0.4*f.Fire)
	tau := f.Smoke
	if open := math.Min(1, d.Smokebox); open > 0 {
		mix := 0.3 + 0.4*math.Min(1, 3*open)
		out += (ambient - out) * mix
		tau *= 1.5 - open
	}
	x = dt / tau
	f.SmokeTemp += (out - f.SmokeTemp) * x / (1 + x)
	if d.Smokebox == 0 {
		f.SmokeTemp = math.Max(f.SmokeTemp, plates)
	}
	return gain
}
