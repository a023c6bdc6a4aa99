// Package energy tells what a boiler still holds: the energy, the water, what of it
// would flash to steam if it were let down now, and how fast the heat leaves it.
//
// All of it follows from a pressure, a level and what the boiler is, by IAPWS-IF97.
// Each figure carries its expanded uncertainty (k = 2): every input is moved by its
// standard uncertainty both ways, and half of the differences are added as squares
// (JCGM 100:2008, 5.1.2 and 5.1.3 note 2). The inputs are taken as independent. That
// of the water is mostly how little a glass tells of a boiler's shape, that of the
// energy the guess at the steel as well.
//
// It is for people to see what they stand beside. Nothing is proven by it.
package energy

import (
	"fmt"
	"math"

	"ashlamp/rules/blowdown"
	"ashlamp/rules/saturation"
	"ashlamp/rules/steam"
	"ashlamp/rules/uncertainty"
)

const (
	// ReferenceC is the temperature of the water and steel that count as holding no
	// energy, in degree Celsius: that of the standard atmosphere at sea level (ISO 2533).
	// It is fixed, and not the air's own, so that two evenings can be compared, the
	// figure does not go when the air's couple does, and frost has no ice to reckon with.
	// Where the air is 10 K colder, water and steel come to hold that much more.
	ReferenceC = 15
	// referenceJ is the internal energy of saturated water at ReferenceC in J/kg
	// (IAPWS-IF97; a test holds it against the formulation).
	referenceJ = 62981.94

	// ShareStandard is the standard uncertainty of the part of a boiler that is water at
	// a level of the glass: what [blowdown.WaterAtBottom] and [blowdown.WaterOfGlass]
	// may be out for a boiler of which only the volume is known (common practice, no
	// source).
	ShareStandard = 0.05

	// SteelJ is the specific heat of boiler steel in J/(kg K), between 15 and 200 °C
	// (handbook value, from memory).
	SteelJ = 480
	// MetalKgPerL and MetalKgPerLBar give the steel of a boiler with its firebox, plates,
	// stays and tubes: so many kilograms a litre of its volume, and so many more for each
	// bar of working pressure. That is 2 kg a litre at 10 bar (common practice, no source).
	MetalKgPerL    = 1.0
	MetalKgPerLBar = 0.1
	// MetalShare is the expanded uncertainty of that, as a part of it (common practice, no
	// source). It covers that not all of the steel is as hot as the water.
	MetalShare = 0.30

	// UnknownAirC is the air temperature taken for a shell's contact error where none is
	// measured, in degree Celsius: a cold one, so that more error is allowed for (common
	// practice, no source).
	UnknownAirC = -10

	// RepeatShare is the part of an instrument's expanded uncertainty within which it
	// repeats itself over half an hour: only that much of it is in a fall that one
	// instrument was seen to show (common practice, no source).
	RepeatShare = 0.1
)

// RangeError says that a boiler cannot be as it was given.
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

// The boilers that are believed, as a configuration is: litres, and bar gauge.
const (
	minVolumeL, maxVolumeL       = 5, 20000
	minWorkingBar, maxWorkingBar = 0.5, 40
)

func checkVolume(volumeL float64) error {
	if !(volumeL >= minVolumeL && volumeL <= maxVolumeL) {
		return &RangeError{"boiler volume", volumeL, minVolumeL, maxVolumeL, "L", "give the volume of water and steam together"}
	}
	return nil
}

// Metal estimates the steel of a boiler in kilogram from its volume (5 to 20000 L,
// water and steam together) and its working pressure (0.5 to 40 bar, gauge), by
// [MetalKgPerL] and [MetalKgPerLBar], good to [MetalShare]. Outside, or NaN, it returns a
// [*RangeError].
func Metal(volumeL, workingBar float64) (uncertainty.Value, error) {
	if err := checkVolume(volumeL); err != nil {
		return uncertainty.Value{}, err
	}
	if !(workingBar >= minWorkingBar && workingBar <= maxWorkingBar) {
		return uncertainty.Value{}, &RangeError{"working pressure", workingBar, minWorkingBar, maxWorkingBar, "bar", "give the pressure on the boiler's plate, gauge"}
	}
	kg := (MetalKgPerL + MetalKgPerLBar*workingBar) * volumeL
	return uncertainty.Value{X: kg, U: MetalShare * kg}, nil
}

// Input is what is known of a boiler at one moment. A value that is not stated
// ([uncertainty.Value.Stated]) is not known.
type Input struct {
	// Gauge is the boiler's pressure over the air, and Ambient the air's, in pascal.
	Gauge, Ambient uncertainty.Value
	// Shell is the hottest shell temperature in degree Celsius.
	Shell uncertainty.Value
	// AirC is the shed's air in degree Celsius, for the shell's contact error alone; NaN
	// where it is not known.
	AirC float64
	// Level is the water in the glass: 0 at its bottom, 1 at its top.
	Level uncertainty.Value
	// FallKPerH is how fast the water cools, in K/h; below 0 where it grows hotter.
	FallKPerH uncertainty.Value
	// Shut is that nothing goes in or out and no fire is in: only then is what the water
	// loses lost by the boiler as it stands.
	Shut bool
	// VolumeL is the boiler's volume in litre, water and steam together.
	VolumeL float64
	// Metal is its steel in kilogram; see [Metal].
	Metal uncertainty.Value
}

// View is what the boiler holds. A value that is not stated is not known, which is not
// nothing; the zero View knows nothing.
type View struct {
	// Energy is that of water, steam and steel over [ReferenceC], in megajoule.
	Energy uncertainty.Value
	// Water is its mass in kilogram.
	Water uncertainty.Value
	// Loss is the heat that leaves the boiler, in kilowatt.
	Loss uncertainty.Value
	// FlashShare is the part of the water, 0 to 1, that becomes steam when it is let down
	// to the air now, and Flash its mass in kilogram. Water that does not boil under the
	// air has 0 of both; their uncertainty is then still that of the reckoning.
	FlashShare, Flash uncertainty.Value
	// EnergyMost, WaterMost and FlashMost are the most that there may be of each where the
	// glass does not tell how much water there is: upper bounds that leave 2.3 % above
	// them. NaN, or 0 in the zero View, where there is no such bound.
	EnergyMost, WaterMost, FlashMost float64
	// Why says why any of it is not known, and WhyNoLoss why the loss is not; empty where
	// it is.
	Why, WhyNoLoss string
}

// unknown is a value of which nothing is known.
func unknown() uncertainty.Value { return uncertainty.Value{X: math.NaN(), U: math.NaN()} }

// notKnown is a view of nothing, and why.
func notKnown(why string) View {
	n := math.NaN()
	return View{
		Energy: unknown(), Water: unknown(), Loss: unknown(), FlashShare: unknown(), Flash: unknown(),
		EnergyMost: n, WaterMost: n, FlashMost: n, Why: why, WhyNoLoss: why,
	}
}

// Sentences of what is not known.
const (
	noPressure = "The boiler's pressure is not known."
	noAir      = "The air's pressure is not known."
	noShell    = "Without pressure only the shell tells how hot the water is, and no shell temperature is known."
	tooHot     = "The shell is hotter than water under this pressure can be: look at the gauge."
	apart      = "Pressure and shell disagree along the saturation line: one of them is wrong."
	noLevel    = "The level is not known."
	noWater    = "The glass shows nothing: there may be any water under it, or none."
	noTop      = "The glass is full: there may be any water over it."
	noMetal    = "The boiler's steel is not known."
	notShut    = "The loss can be told only with no fire in and the boiler shut."
	noFall     = "The fall has not been watched for long enough."
)

// Of returns what a boiler holds. It fails with a [*RangeError] only where the volume
// cannot be; whatever else is not known or not to be believed is not known in the view,
// with the reason.
//
// Under steam – a gauge pressure over its own uncertainty – water and steam are
// saturated at that pressure, and a shell that is known must agree with it by
// [saturation.Pair.Tolerance]. Else the water is as hot as the shell, with its contact
// error, and the space over it holds saturated vapour; of air in it nothing is reckoned.
//
// The water is the part [blowdown.WaterAtBottom] + [blowdown.WaterOfGlass] × level of the
// volume, at the density of saturated water; steam fills the rest. A glass that shows
// nothing, or nothing but water, tells no mass, only a bound.
//
// The energy is the internal energy of water and steam over that of saturated water at
// [ReferenceC], and the heat of the steel over that.
//
// What flashes is h(p) = (1-x) h'(p0) + x h”(p0): let down at once to the air p0, with
// nothing lost on the way. Steam drawn off little by little is some hundredths less.
//
// The loss is the fall of temperature × (water × its heat capacity at constant pressure +
// steel × [SteelJ]). The heat of the steam that condenses as it cools is left out: 1 %,
// far under the uncertainty.
func Of(in Input) (View, error) {
	if err := checkVolume(in.VolumeL); err != nil {
		return View{}, err
	}
	switch {
	case !in.Gauge.Stated():
		return notKnown(noPressure), nil
	case !in.Ambient.Stated():
		return notKnown(noAir), nil
	}
	var m moves
	// The level at and below which a glass shows nothing is that of blowdown.Run.
	bottom := math.Max(0.05, in.Level.U)
	nothing := in.Level.Stated() && in.Level.X <= bottom
	if why := m.heat(&in); why != "" {
		if nothing && (why == tooHot || why == apart) {
			why = noWater // dry steel may be as hot as it likes
		}
		return notKnown(why), nil
	}
	p := point{hot: m.hot, cold: m.cold, m3: in.VolumeL / 1000}
	out := notKnown("")

	// How much water there is.
	known := false
	uShare := uncertainty.Combine(ShareStandard, blowdown.WaterOfGlass*in.Level.Standard())
	switch {
	case !in.Level.Stated():
		out.Why = noLevel
	case nothing:
		out.Why = noWater
		p.share = share(bottom)
	case in.Level.X >= 1-in.Level.U:
		out.Why = noTop
		// With its uncertainty it is the whole boiler.
		p.share, uShare = 1-uncertainty.CoverageFactor*ShareStandard, ShareStandard
	default:
		known = true
		p.share = share(in.Level.X)
	}
	p.metal = in.Metal.X
	if !in.Metal.Stated() && out.Why == "" {
		out.Why = noMetal
	}
	lost := known && in.Metal.Stated() && in.Shut && in.FallKPerH.Stated()
	switch {
	case out.Why != "":
		out.WhyNoLoss = out.Why
	case !in.Shut:
		out.WhyNoLoss = notShut
	case !lost:
		out.WhyNoLoss = noFall
	}
	if lost {
		p.fall = in.FallKPerH.X
	}

	x := p.amounts()
	var sum amounts
	for i := range m.n {
		a, b := p, p
		a.hot, a.cold = m.above[i].hot, m.above[i].cold
		b.hot, b.cold = m.below[i].hot, m.below[i].cold
		sum.add(a.amounts(), b.amounts())
	}
	for _, mv := range []struct {
		field *float64
		u     float64
	}{{&p.share, uShare}, {&p.metal, in.Metal.Standard()}, {&p.fall, in.FallKPerH.Standard()}} {
		if math.IsNaN(mv.u) {
			continue // not known, and so not in what is told
		}
		was := *mv.field
		*mv.field = was + mv.u
		a := p.amounts()
		*mv.field = was - mv.u
		b := p.amounts()
		*mv.field = was
		sum.add(a, b)
	}
	of := func(x, squares float64) uncertainty.Value { return uncertainty.Of(x, math.Sqrt(squares)) }

	out.FlashShare = of(math.Max(0, x.flashShare), sum.flashShare)
	switch {
	case known:
		out.Water = of(x.water, sum.water)
		out.Flash = of(math.Max(0, x.flash), sum.flash)
		if in.Metal.Stated() {
			out.Energy = of(x.energy, sum.energy)
		}
		if lost {
			out.Loss = of(x.loss, sum.loss)
		}
	case in.Level.Stated():
		out.WaterMost = of(x.water, sum.water).Upper()
		out.FlashMost = of(math.Max(0, x.flash), sum.flash).Upper()
		if in.Metal.Stated() {
			out.EnergyMost = of(x.energy, sum.energy).Upper()
		}
	}
	return out, nil
}

// share returns the part of a boiler that is water at a level of its glass.
func share(level float64) float64 { return blowdown.WaterAtBottom + blowdown.WaterOfGlass*level }

// ends are water in the boiler, and water let down to the air.
type ends struct{ hot, cold steam.Saturated }

// moves are the ends as they are, and with one input at a time moved by its standard
// uncertainty up and down.
type moves struct {
	ends
	above, below [2]ends
	n            int
}

// heat finds how hot the water is; why says why that is not known.
func (m *moves) heat(in *Input) (why string) {
	p, air, u, uAir := in.Gauge.X, in.Ambient.X, in.Gauge.Standard(), in.Ambient.Standard()
	var err error
	at := func(pa float64) steam.Saturated {
		s, e := steam.AtPressure(pa)
		if e != nil && err == nil {
			err = e
		}
		return s
	}
	m.cold = at(air)
	coldUp, coldDown := at(air+uAir), at(air-uAir)
	airC := in.AirC
	if math.IsNaN(airC) {
		airC = UnknownAirC
	}
	tol, over := math.NaN(), math.NaN() // the shell's, over the saturation line
	if in.Shell.Stated() {
		pair := saturation.Pair{
			Gauge: p, UPressure: in.Gauge.U, Ambient: air, Shell: in.Shell.X, UShell: in.Shell.U, Air: airC,
		}
		ts, t, e := pair.Tolerance()
		if e != nil {
			return e.Error()
		}
		tol, over = t, in.Shell.X-ts
	}
	if p > in.Gauge.U {
		if in.Shell.Stated() && !(math.Abs(over) <= tol) {
			return apart
		}
		m.hot, m.n = at(p+air), 2
		m.above[0], m.below[0] = ends{at(p + air + u), m.cold}, ends{at(p + air - u), m.cold}
		m.above[1], m.below[1] = ends{at(p + air + uAir), coldUp}, ends{at(p + air - uAir), coldDown}
	} else {
		if !in.Shell.Stated() {
			return noShell
		}
		if !(over <= tol) {
			return tooHot
		}
		contact := saturation.ContactShare * math.Max(0, in.Shell.X-airC)
		uT := uncertainty.Combine(in.Shell.Standard(), uncertainty.Rectangular(contact))
		warm := func(tC float64) steam.Saturated {
			s, e := steam.AtTemperature(tC)
			if e != nil && err == nil {
				err = e
			}
			return s
		}
		m.hot, m.n = warm(in.Shell.X), 2
		m.above[0], m.below[0] = ends{warm(in.Shell.X + uT), m.cold}, ends{warm(in.Shell.X - uT), m.cold}
		m.above[1], m.below[1] = ends{m.hot, coldUp}, ends{m.hot, coldDown}
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// point is one set of inputs without uncertainty.
type point struct {
	hot, cold              steam.Saturated
	m3, share, metal, fall float64
}

// amounts are the figures at a point, or the sums of their squared moves.
type amounts struct{ energy, water, loss, flashShare, flash float64 }

// amounts returns MJ, kg, kW, 1 and kg.
func (p *point) amounts() amounts {
	l, v := &p.hot.Liquid, &p.hot.Vapour
	water := p.m3 * p.share / l.Volume
	vapour := p.m3 * (1 - p.share) / v.Volume
	steel := p.metal * SteelJ
	x := (l.Enthalpy - p.cold.Liquid.Enthalpy) / (p.cold.Vapour.Enthalpy - p.cold.Liquid.Enthalpy)
	return amounts{
		energy:     (water*(l.InternalEnergy-referenceJ) + vapour*(v.InternalEnergy-referenceJ) + steel*(p.hot.Temperature-ReferenceC)) / 1e6,
		water:      water,
		loss:       p.fall / 3600 * (water*l.HeatCapacity + steel) / 1000,
		flashShare: x,
		flash:      x * water,
	}
}

// add adds the square of half the difference between two moves of one input.
func (s *amounts) add(a, b amounts) {
	sq := func(d float64) float64 { return d * d / 4 }
	s.energy += sq(a.energy - b.energy)
	s.water += sq(a.water - b.water)
	s.loss += sq(a.loss - b.loss)
	s.flashShare += sq(a.flashShare - b.flashShare)
	s.flash += sq(a.flash - b.flash)
}
