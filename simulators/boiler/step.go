package boiler

import "math"

// Heat transfer coefficients between metal and what touches it, W/(m2 K). Orders
// of size of textbook boiling, convection and condensation (from memory); results
// depend on them only through how tightly wetted metal follows the water.
const (
	wetBoiling  = 3000.0
	wetStill    = 400.0
	dryGas      = 9.0
	condensing  = 2000.0
	maxSubstep  = 30.0 // s
	minSubstep  = 0.02 // s
	maxKelvin   = 0.4  // change of fluid temperature aimed at in a substep
	maxShare    = 0.02 // share of liquid or gas let out in a substep
	lastBoil    = 1.0  // s, while water boils or air goes in near the air's pressure
	nearLevel   = 1000 // Pa of difference below which flow is bounded, not resolved
	gasOrifice  = 0.6  // coefficient of discharge for air going in
	breathShare = 0.25 // share of the gas exchanged in a substep at most
)

// Advance moves the boiler on by dt seconds under the given controls and
// surroundings, in as many substeps as accuracy asks for.
func (v *Vessel) Advance(dt float64, c *Controls, s *Surroundings) {
	for dt > 1e-9 && v.err == nil {
		dt -= v.substep(dt, c, s)
	}
}

// flows are mass flows in kg/s at the present state.
type flows struct {
	liquid float64 // out through the cocks
	gas    float64 // out through all openings of the steam space
	cock   float64 // the part of gas that goes through the cocks
	in     float64 // air in
	breath float64 // m3/s of exchange without a difference of pressure
}

func (v *Vessel) flows(c *Controls, s *Surroundings) (f flows) {
	cock := c.CockLeak
	for i, bore := range v.Cocks {
		cock += c.Cocks[i] * math.Pi / 4 * bore * bore
	}
	vent := c.Vent * math.Pi / 4 * v.Vent * v.Vent
	plugs := c.Plugs * v.Plugs
	safety := c.SafetyLeak
	if gauge := v.p - s.Pressure; gauge > v.WorkingPressure {
		v.safetyOpen = true
	} else if gauge < 0.96*v.WorkingPressure {
		v.safetyOpen = false
	}
	if v.safetyOpen {
		safety += math.Pi / 4 * v.Safety * v.Safety
	}
	wet := 0.0
	if drainable := v.liquid - v.Residue; drainable > 0 && cock > 0 {
		wet = math.Min(1, drainable/(8*v.Volume))
		// Stagnation below saturation adds its Bernoulli head to the flashing
		// flux; where the water is below boiling at the ambient pressure only
		// Bernoulli remains.
		flashing := 0.0
		drive := v.p - s.Pressure
		if v.pVapour > s.Pressure {
			flashing = v.props.WaterFlux(v.pVapour, s.Pressure)
			drive = v.p - v.pVapour
		}
		drive += v.height * v.Diameter * gravity / v.vl
		if drive > 0 {
			f.liquid = wet * cock * v.CockFactor * math.Sqrt(flashing*flashing+0.36*2*drive/v.vl)
		}
	}
	open := vent + plugs + cock*(1-wet)
	if v.p > s.Pressure {
		flux := v.props.SteamFlux(v.p, s.Pressure)
		if share := v.air / (v.air + v.vapour); share > 0 {
			flux *= math.Sqrt(gasWater / (gasWater + share*(gasAir-gasWater)))
		}
		f.gas = flux * (open + c.Draw + safety)
		f.cock = flux * cock * (1 - wet)
	} else {
		// Air also bubbles in through an uncovered or covered cock, once the
		// vacuum exceeds the head of water over it.
		rho := s.Pressure / (gasAir * (s.Temperature + zeroC))
		f.in = gasOrifice * open * math.Sqrt(2*rho*math.Min(s.Pressure-v.p, 0.45*s.Pressure))
		if lack := s.Pressure - v.p - v.height*v.Diameter*gravity/v.vl; lack > 0 {
			f.in += 0.2 * cock * wet * math.Sqrt(2*rho*lack)
		}
	}
	if open > 0 && v.pVapour < s.Pressure && v.p < s.Pressure+500 {
		// A chimney between the openings above and below; one alone breathes in
		// counterflow through itself, at some hundredths of that.
		upper, lower := vent+plugs/2, plugs/2+cock*(1-wet)
		area := 0.05 * open
		if upper > 0 && lower > 0 {
			area += gasOrifice / math.Sqrt(1/(upper*upper)+1/(lower*lower))
		}
		rhoIn := (v.vapour + v.air) / v.volGas
		rhoOut := s.Pressure / (gasAir * (s.Temperature + zeroC))
		f.breath = area * math.Sqrt(2*gravity*v.Diameter*math.Abs(rhoOut-rhoIn)/rhoOut)
	}
	return f
}

// substep takes one step of at most limit seconds and returns its length.
func (v *Vessel) substep(limit float64, c *Controls, s *Surroundings) float64 {
	v.Substeps++
	f := v.flows(c, s)
	t0 := v.t
	latent := v.uv - v.ul + v.pVapour/v.rhoV
	hGas := v.uv
	hLiquid := v.ul + v.p*v.vl
	if v.liquid == 0 {
		r := v.water / (v.Volume * v.rhoV)
		u0 := v.iv.u0.at(v.x)
		hGas = u0 + (v.uv-u0)*r
	}
	if v.vapour > 0 {
		hGas += v.pVapour * v.volGas / v.vapour
	}

	dt := math.Min(limit, maxSubstep)
	if over := v.p - s.Pressure; f.gas > 0 && over > nearLevel {
		// Near level pressures the bounds below do better than small steps.
		if v.liquid > 0 {
			// Kelvin a kilogram, taken from the water and the metal it wets.
			buffer := v.capacity + v.wet(0, 0.5)*v.Bottom.Capacity + v.wet(0.05, 0.6)*v.Plates.Capacity
			dt = math.Min(dt, maxKelvin*buffer/(f.gas*latent))
		} else {
			dt = math.Min(dt, 0.1*(v.vapour+v.air)/f.gas)
		}
	}
	if f.liquid > 0 {
		dt = math.Min(dt, maxShare*(v.liquid+0.02*v.Volume*1000)/f.liquid)
		if v.pVapour < s.Pressure {
			// Air must have time to follow the water down.
			drive := v.p - s.Pressure + v.height*v.Diameter*gravity/v.vl
			dt = math.Min(dt, math.Max(0.5, 0.2*drive*v.volGas/(v.p*v.vl*f.liquid)))
		}
	}
	if c.Feed > 0 {
		dt = math.Min(dt, maxKelvin*v.capacity/(c.Feed*math.Abs(v.ul-4186*c.FeedTemperature)+1))
	}
	if f.gas+f.in > 0 && v.liquid > 0 && math.Abs(v.p-s.Pressure) < 3e4 && v.t > 60 {
		// What boils within a step leaves only in the next.
		dt = math.Min(dt, lastBoil)
	}
	if f.breath > 0 {
		dt = math.Min(dt, math.Max(2, breathShare*v.volGas/f.breath))
	}
	dt = math.Min(limit, math.Max(dt, minSubstep))
	if limit-dt < 0.2*dt {
		dt = limit
	}

	water, air, energy := v.water, v.air, v.energy
	// Mass. Each amount is bounded by what brings the pressures level, so that no
	// opening ever blows past equilibrium however long the step.
	if m := math.Min(f.liquid*dt, math.Max(0, v.liquid-v.Residue)); m > 0 {
		if v.pVapour < s.Pressure {
			drive := v.p - s.Pressure + v.height*v.Diameter*gravity/v.vl
			m = math.Min(m, drive*v.volGas/(v.p*v.vl))
		}
		v.water -= m
		v.energy -= m * hLiquid
		v.WaterOut += m
		v.CockOut += m
		v.EnthalpyOut += m * hLiquid
	}
	gas := v.vapour + v.air
	if gas > 0 {
		share := v.air / gas
		out := f.gas * dt
		if out > 0 {
			stiff := share * gasAir * (v.t + zeroC) / v.volGas
			if v.liquid > 0 {
				stiff += (1 - share) * latent * v.iv.p.slope(v.x) / v.capacity
			} else {
				stiff = 1.3 * v.p / gas
			}
			// Steam let out is made again from the water; air is not.
			most := 0.5 * gas
			if v.air == 0 {
				most += 0.5 * v.liquid
			}
			out = math.Min(out, math.Min((v.p-s.Pressure)/stiff, most))
			v.CockOut += out * (1 - share) * f.cock / f.gas
		}
		out += math.Min(f.breath*dt/v.volGas, breathShare) * gas
		if out > 0 {
			w, a := out*(1-share), out*share
			ha := airEnthalpy(v.t)
			v.water -= w
			v.air -= a
			v.energy -= w*hGas + a*ha
			v.WaterOut += w
			v.EnthalpyOut += w * hGas
			v.AirOut += a
			v.AirEnthalpyOut += a * ha
		}
	}
	in := f.in * dt
	if in > 0 {
		in = math.Min(in, (s.Pressure-v.p)*v.volGas/(gasAir*(v.t+zeroC)))
	}
	if f.breath > 0 && v.p < s.Pressure+500 {
		// What went out by exchange is replaced at once; where water is left it
		// makes up the steam that went.
		gone := v.p
		if v.liquid > 0 {
			gone = v.pAir
		}
		in += math.Min(f.breath*dt, breathShare*v.volGas) * gone / (gasAir * (v.t + zeroC))
	}
	if in > 0 {
		iv, x := v.props.find(s.Temperature)
		pv := s.Humidity * iv.p.at(x)
		w := in * 0.622 * pv / (s.Pressure - pv)
		hw := iv.u0.at(x) + gasWater*(s.Temperature+zeroC)
		ha := airEnthalpy(s.Temperature)
		v.air += in
		v.water += w
		v.energy += in*ha + w*hw
		v.AirIn += in
		v.AirEnthalpyIn += in * ha
		v.WaterIn += w
		v.EnthalpyIn += w * hw
	}
	if c.Feed > 0 {
		iv, x := v.props.find(c.FeedTemperature)
		m := c.Feed * dt
		h := iv.ul.at(x) + v.p*iv.vl.at(x)
		v.water += m
		v.energy += m * h
		v.WaterIn += m
		v.EnthalpyIn += m * h
	}

	// Heat, pair by pair; each pair relaxes towards its own common temperature
	// and never past it, so that the step need not resolve the fastest of them.
	before := v.vapour
	if v.water != water || v.air != air || v.energy != energy {
		v.flash()
	}
	v.touch(&v.Bottom, v.wet(0, 0.5), dt)
	v.touch(&v.Plates, v.wet(0.05, 0.6), dt)
	v.touch(&v.Top, v.wet(0.5, 1), dt)
	v.flash()
	relax(&v.Plates, &v.Bottom, v.Rim, dt)
	relax(&v.Plates, &v.Top, v.Rim, dt)
	relax(&v.Top, &v.Bottom, v.Along, dt)
	v.lose(&v.Bottom, v.LossBottom, s.Temperature, dt)
	v.lose(&v.Top, v.LossTop, s.Temperature, dt)
	q := s.PlateHeat * dt
	v.Plates.Temperature += q / v.Plates.Capacity
	v.HeatIn += q

	// Steam made within the water lifts the level; bubbles leave within seconds.
	made := 0.0
	if v.liquid > 0 && v.t < t0 {
		made = (v.vapour - before + f.gas*dt) / dt / v.rhoV * 2.5 / (v.liquid * v.vl)
	}
	v.swell += (math.Max(0, math.Min(0.06, made)) - v.swell) * math.Min(1, dt/5)
	return dt
}

// wet is the share of a body of metal between two heights that water covers.
func (v *Vessel) wet(from, to float64) float64 {
	if v.liquid == 0 {
		return 0
	}
	return math.Max(0, math.Min(1, (v.height-from)/(to-from)))
}

// touch exchanges heat between metal and fluid.
func (v *Vessel) touch(m *Metal, wet, dt float64) {
	d := m.Temperature - v.t
	h := wetStill
	if v.pVapour > 0.9*v.p || d > 0 && m.Temperature > 100 {
		h = wetBoiling
	}
	dry := dryGas
	if d < 0 && v.p > 0 {
		// Air blankets a condensing surface: a few per cent cost most of it.
		y := v.pVapour / v.p
		y *= y
		y *= y
		y *= y
		dry += condensing * y * y
	}
	ua := m.Area * (wet*h + (1-wet)*dry)
	joint := m.Capacity * v.capacity / (m.Capacity + v.capacity)
	x := ua * dt / joint
	q := d * joint * x / (1 + x)
	if d > 0 && v.liquid > 0 && v.liquid < 15*v.Volume {
		// The last of the water may boil away within the step; what holds heat is
		// then only gas, which must not end hotter than the metal.
		liquid, vapour := v.liquid, v.vapour
		u, _ := v.state(m.Temperature)
		v.liquid, v.vapour = liquid, vapour
		q = math.Max(0, math.Min(q, u-v.energy))
	}
	m.Temperature -= q / m.Capacity
	v.energy += q
	v.t += q / v.capacity
}

func relax(a, b *Metal, conductance, dt float64) {
	joint := a.Capacity * b.Capacity / (a.Capacity + b.Capacity)
	x := conductance * dt / joint
	q := (a.Temperature - b.Temperature) * joint * x / (1 + x)
	a.Temperature -= q / a.Capacity
	b.Temperature += q / b.Capacity
}

func (v *Vessel) lose(m *Metal, conductance, ambient, dt float64) {
	x := conductance * dt / m.Capacity
	q := (m.Temperature - ambient) * m.Capacity * x / (1 + x)
	m.Temperature -= q / m.Capacity
	v.HeatLost += q
}
