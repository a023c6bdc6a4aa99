package boiler

import (
	"fmt"
	"math"
)

// gravity is standard gravity in m/s2.
const gravity = 9.80665

// Design is what a boiler is. All lengths in m, areas in m2.
type Design struct {
	// Volume that water and steam fill, m3.
	Volume float64
	// Diameter of the barrel, m.
	Diameter float64
	// GlassBottom and GlassTop are the visible ends of the gauge glass as
	// fractions of the diameter from below. The bottom lies above the firebox
	// crown, so that an empty glass is not an empty boiler.
	GlassBottom, GlassTop float64
	// WorkingPressure at which the safety valve lifts, Pa gauge.
	WorkingPressure float64
	// Cocks are the bores of the blow-down cocks at the lowest point, m.
	Cocks []float64
	// CockFactor multiplies the homogeneous equilibrium flux: below 1 for a rough
	// passage, above for a short one, where water has no time to flash.
	CockFactor float64
	// Vent and Safety are bores in m; Plugs is the area in m2 open to the air
	// once the plugs and mudhole doors are out.
	Vent, Safety, Plugs float64
	// Bottom and Top are the lower and upper halves of the shell, Plates the
	// firebox plates and tubes.
	Bottom, Top, Plates Metal
	// LossBottom and LossTop are W/K through the lagging to the air.
	LossBottom, LossTop float64
	// Rim is W/K by conduction between plates and each half of the shell; Along
	// that between the halves.
	Rim, Along float64
	// Residue is the mass of water in kg that no cock lets out: films and pockets.
	Residue float64
}

// Metal is one body of metal at one temperature.
type Metal struct {
	// Capacity is its heat capacity, J/K.
	Capacity float64
	// Area of its surface on the water side, m2.
	Area float64
	// Temperature in °C.
	Temperature float64
}

// Controls are what hands or faults have opened. The zero value is a boiler shut.
type Controls struct {
	// Cocks are the openings of the blow-down cocks, 0..1 each.
	Cocks [2]float64
	// Vent and Plugs are openings, 0..1.
	Vent, Plugs float64
	// Draw is the effective area in m2 through which steam is used: blower,
	// brake, cylinders, injector overflow.
	Draw float64
	// CockLeak and SafetyLeak are effective areas in m2 of a passing cock and of
	// a passing safety valve.
	CockLeak, SafetyLeak float64
	// Feed is kg/s of water put in at FeedTemperature °C. An injector returns to
	// the boiler the steam that drives it, so that only the feed counts.
	Feed, FeedTemperature float64
}

// Surroundings is what the boiler feels from outside during a step.
type Surroundings struct {
	// Temperature °C, Pressure Pa absolute and Humidity 0..1 of the air.
	Temperature, Pressure, Humidity float64
	// PlateHeat is the power in W that the fire side gives the plates; negative
	// where the draught cools them.
	PlateHeat float64
}

// Ledger counts what crossed the boundary since the boiler was made: the figures
// that a balance is tested by.
type Ledger struct {
	// HeatIn is what the fire side gave the plates, J (net); HeatLost went
	// through the lagging, J.
	HeatIn, HeatLost float64
	// WaterOut and WaterIn are kg of water substance, EnthalpyOut and EnthalpyIn
	// what it carried, J; likewise air, kg, whose enthalpy is in its own figures.
	WaterOut, EnthalpyOut         float64
	WaterIn, EnthalpyIn           float64
	AirOut, AirIn                 float64
	AirEnthalpyOut, AirEnthalpyIn float64
	// CockOut is the part of WaterOut that left through the blow-down cocks, kg.
	CockOut float64
	// Substeps is how many steps of integration were taken.
	Substeps int
}

// Vessel is one boiler in one state. It is not safe for concurrent use.
type Vessel struct {
	Design
	Ledger

	props *Properties
	shape *shape

	// The extensive state.
	water, air, energy float64

	// What the flash found.
	t, p, pVapour, pAir    float64
	pSat                   float64
	liquid, vapour, volGas float64
	capacity               float64 // dU/dT at constant volume and masses, J/K
	iv                     *interval
	x                      float64
	rhoV, vl, ul, uv       float64
	height                 float64 // of the liquid, fraction of the diameter
	safetyOpen             bool
	swell                  float64
	err                    error
}

// New returns a boiler with the given liquid height (fraction of the diameter)
// of saturated water under steam at a gauge pressure in Pa, with all metal at the
// water's temperature. It refuses a design or state that makes no sense.
func New(p *Properties, d Design, gaugePa, ambientPa, height float64) (*Vessel, error) {
	switch {
	case !(d.Volume > 0.005 && d.Volume < 20):
		return nil, fmt.Errorf("boiler volume %v m3 is outside 0.005..20; give it in m3, not litres", d.Volume)
	case !(d.Diameter > 0.05 && d.Diameter < 4):
		return nil, fmt.Errorf("barrel diameter %v m is outside 0.05..4; give it in m", d.Diameter)
	case !(d.GlassBottom > 0 && d.GlassTop > d.GlassBottom && d.GlassTop <= 1):
		return nil, fmt.Errorf("gauge glass from %v to %v of the diameter; give 0 < bottom < top <= 1", d.GlassBottom, d.GlassTop)
	case len(d.Cocks) > 2:
		return nil, fmt.Errorf("%d blow-down cocks; at most two are simulated", len(d.Cocks))
	case !(d.CockFactor > 0):
		return nil, fmt.Errorf("cock factor %v; give a number above 0, 1 for the homogeneous model itself", d.CockFactor)
	case !(height >= 0 && height < 0.98):
		return nil, fmt.Errorf("liquid height %v of the diameter is outside 0..0.98; leave room for steam", height)
	case !(d.Bottom.Capacity > 0 && d.Top.Capacity > 0 && d.Plates.Capacity > 0):
		return nil, fmt.Errorf("a body of metal without heat capacity; give bottom, top and plates a capacity in J/K")
	}
	v := &Vessel{Design: d, props: p, shape: newShape(d.Diameter)}
	t := p.Boiling(gaugePa + ambientPa)
	if !(t > 0) {
		return nil, fmt.Errorf("no boiling point at %v Pa gauge and %v Pa of air; give Pa", gaugePa, ambientPa)
	}
	iv, x := p.find(t)
	vol := v.shape.share(height) * d.Volume
	liquid := vol / iv.vl.at(x)
	vapour := (d.Volume - vol) * iv.rhov.at(x)
	v.water = liquid + vapour
	v.energy = liquid*iv.ul.at(x) + vapour*iv.uv.at(x)
	v.t = t
	v.Bottom.Temperature, v.Top.Temperature, v.Plates.Temperature = t, t, t
	v.flash()
	return v, v.err
}

// Err returns why the state left the range of the tables, nil while it has not.
func (v *Vessel) Err() error { return v.err }

// Temperature of water, steam and air in °C.
func (v *Vessel) Temperature() float64 { return v.t }

// Pressure in Pa absolute.
func (v *Vessel) Pressure() float64 { return v.p }

// Liquid, Vapour, Water and Air are masses in kg; Water is the sum of the first two.
func (v *Vessel) Liquid() float64 { return v.liquid }

// Vapour is the mass of steam in kg.
func (v *Vessel) Vapour() float64 { return v.vapour }

// Water is the mass of water substance in kg, liquid and vapour.
func (v *Vessel) Water() float64 { return v.water }

// Air is the mass of air in kg.
func (v *Vessel) Air() float64 { return v.air }

// Energy is the internal energy of water and air in J, IF97's zero for water, 0 °C
// for air; the metal's is not in it.
func (v *Vessel) Energy() float64 { return v.energy }

// Height of the liquid as a fraction of the diameter, without swell.
func (v *Vessel) Height() float64 { return v.height }

// SafetyLifting reports whether the safety valve blows.
func (v *Vessel) SafetyLifting() bool { return v.safetyOpen }

// Glass returns what stands in the gauge glass, 0..1 of its visible length. The
// level swells while steam is made within the water. A glass cannot show what is
// below or above it.
func (v *Vessel) Glass() float64 {
	h := v.height
	if v.swell > 0 {
		h = v.shape.of(v.liquid * v.vl * (1 + v.swell) / v.Volume)
	}
	return math.Max(0, math.Min(1, (h-v.GlassBottom)/(v.GlassTop-v.GlassBottom)))
}

// LiquidAtGlass returns the mass in kg of water of a temperature in °C that would
// stand at a fraction of the glass.
func (v *Vessel) LiquidAtGlass(glass, tC float64) float64 {
	iv, x := v.props.find(tC)
	h := v.GlassBottom + glass*(v.GlassTop-v.GlassBottom)
	return v.shape.share(h) * v.Volume / iv.vl.at(x)
}

// Humidity returns the relative humidity in the barrel, 0..1, at the temperature
// of its air.
func (v *Vessel) Humidity() float64 {
	return math.Min(1, v.pVapour/v.pSat)
}

// state evaluates internal energy and its slope at a temperature, for the masses held.
func (v *Vessel) state(t float64) (u, slope float64) {
	iv, x := v.props.find(t)
	v.iv, v.x = iv, x
	rhoV := iv.rhov.at(x)
	vl, ul, uv := iv.vl.at(x), iv.ul.at(x), iv.uv.at(x)
	v.rhoV, v.vl, v.ul, v.uv = rhoV, vl, ul, uv
	free := v.Volume - v.water*vl
	k := 1 - vl*rhoV
	vapour := free * rhoV / k
	dRho := iv.rhov.slope(x)
	if vapour < v.water {
		dvl := iv.vl.slope(x)
		dVapour := (free*dRho-v.water*dvl*rhoV)/k + free*rhoV*(dvl*rhoV+vl*dRho)/(k*k)
		dul := iv.ul.slope(x)
		u = v.water*ul + vapour*(uv-ul) + v.air*cvAir*t
		slope = v.water*dul + dVapour*(uv-ul) + vapour*(iv.uv.slope(x)-dul) + v.air*cvAir
		v.vapour, v.liquid = vapour, v.water-vapour
		return u, slope
	}
	// Superheated: u goes from its ideal-gas value to that of saturated vapour
	// linearly with density, the second virial term.
	r := v.water / (v.Volume * rhoV)
	u0, du0 := iv.u0.at(x), iv.u0.slope(x)
	u = v.water*(u0+(uv-u0)*r) + v.air*cvAir*t
	slope = v.water*(du0+(iv.uv.slope(x)-du0)*r-(uv-u0)*r*dRho/rhoV) + v.air*cvAir
	v.vapour, v.liquid = v.water, 0
	return u, slope
}

// flash finds temperature and pressure from masses and energy, starting from the
// temperature it had. Energy rises with temperature throughout, so Newton's steps
// are kept within a bracket that narrows.
func (v *Vessel) flash() {
	lo, hi := tableLow, dryHigh
	t := v.t
	for i := 0; ; i++ {
		u, slope := v.state(t)
		d := u - v.energy
		if d > 0 {
			hi = t
		} else {
			lo = t
		}
		step := d / slope
		if math.Abs(step) < 1e-7 {
			v.capacity = slope
			break
		}
		if i == 60 || math.IsNaN(step) || hi-lo < 1e-9 {
			v.capacity = math.Max(slope, 1)
			if v.err == nil && (i == 60 || math.IsNaN(step) || t < tableLow+1 || t > dryHigh-1) {
				v.err = fmt.Errorf("boiler state left the tables: %.4g kg water, %.4g kg air, %.5g J at %.1f °C", v.water, v.air, v.energy, t)
			}
			break
		}
		if t -= step; !(t > lo && t < hi) {
			t = (lo + hi) / 2
		}
	}
	if v.liquid > 0 && t > tableHigh && v.err == nil {
		v.err = fmt.Errorf("water at %.0f °C is above the tables (%.0f °C): this boiler has burst", t, tableHigh)
	}
	v.t = t
	v.volGas = v.Volume - v.liquid*v.vl
	ps := v.iv.p.at(v.x)
	v.pSat = ps
	v.pVapour = ps
	if v.liquid == 0 {
		r := v.water / (v.Volume * v.rhoV)
		ideal := v.water / v.Volume * gasWater * (t + zeroC)
		zs := ps / (v.rhoV * gasWater * (t + zeroC))
		v.pVapour = ideal * (1 + (zs-1)*r)
	}
	v.pAir = v.air * gasAir * (t + zeroC) / v.volGas
	v.p = v.pVapour + v.pAir
	v.height = v.shape.of(v.liquid * v.vl / v.Volume)
	if v.volGas < 0.005*v.Volume && v.err == nil {
		v.err = fmt.Errorf("boiler is brim full (%.1f kg in %.0f l); a vessel without steam space is not simulated", v.water, v.Volume*1000)
	}
}
