package forecast

import (
	"math"

	"ashlamp/rules/blowdown"
	"ashlamp/rules/discharge"
	"ashlamp/rules/steam"
	"ashlamp/rules/track"
)

// Figures of emptying. Common practice, no source.
const (
	// waterSD is how well the glass tells what a boiler of its volume holds, as a part
	// of that volume; fallSD that of a change of it.
	waterSD = 0.05
	// lastSteamS is about how long the steam takes to go once the water has, s.
	lastSteamS = 20.0
	// metalOverWater is the heat capacity of the metal over that of a full boiler's
	// water, of what heats the water that is left.
	metalOverWater = 0.28
)

// fluxes is what passes an opening at a gauge pressure, kg/(m2 s), by [discharge.HEM]
// into the standard atmosphere: in steps of 0.1 bar up to 10 bar.
type fluxes [101]float64

func newFluxes() *fluxes {
	var f fluxes
	const air = 101325
	for i := range f {
		p := float64(i) * 1e4
		g, err := discharge.HEM(air+p, air)
		if err != nil {
			g = 0
		}
		f[i] = math.Max(g, blowdown.GravityFlux)
	}
	return &f
}

func (f *fluxes) at(gaugePa float64) float64 {
	if math.IsNaN(gaugePa) {
		return gaugePa
	}
	x := math.Min(float64(len(f)), math.Max(0, gaugePa/1e4))
	i := int(x)
	if i >= len(f)-1 {
		return f[len(f)-1]
	}
	return f[i] + (f[i+1]-f[i])*(x-float64(i))
}

// emptying follows how much water is left while it runs out.
type emptying struct {
	flux    *fluxes
	area    float64 // m2
	full    float64 // kg of water that would fill the boiler
	litres  float64
	known   bool
	running bool

	water   float64 // kg left
	lnPass  float64 // ln of what the cocks pass over what is reckoned
	vWater  float64
	vPass   float64
	vBoth   float64
	at      track.Instant
	gauge   float64
	level   float64 // newest of the glass; NaN for none
	nothing float64 // what a glass that shows nothing reads at most
}

func newEmptying(flux *fluxes, litres, boreMM, nothing, lnPass, vPass float64) emptying {
	return emptying{
		flux: flux, area: math.Pi / 4 * boreMM * boreMM * 1e-6, full: litres / 1000 * blowdown.HotWater,
		litres: litres, lnPass: lnPass, vPass: vPass, level: math.NaN(), nothing: nothing, gauge: math.NaN(),
	}
}

func (e *emptying) ofGlass(level float64) float64 {
	return (blowdown.WaterAtBottom + blowdown.WaterOfGlass*math.Max(0, math.Min(1, level))) * e.full
}

// told takes what the glass shows.
func (e *emptying) told(level float64) {
	e.level = level
	if level <= e.nothing {
		return
	}
	z, sd := e.ofGlass(level), waterSD*e.full
	if !e.known {
		e.known, e.water, e.vWater, e.vBoth = true, z, sd*sd, 0
		return
	}
	if !e.running {
		e.water, e.vWater, e.vBoth = z, sd*sd, 0
		return
	}
	// How much there was is not known better by a falling glass; how fast it goes is.
	e.observe(z, 0.02*e.full)
}

func (e *emptying) observe(z, sd float64) {
	v := e.vWater + sd*sd
	off := z - e.water
	kw, kp := e.vWater/v, e.vBoth/v
	e.water += kw * off
	e.lnPass += kp * off
	e.vPass -= kp * e.vBoth
	e.vBoth -= kp * e.vWater
	e.vWater -= kw * e.vWater
}

// runs moves the water on to a moment while the cocks run at a gauge pressure in Pa.
func (e *emptying) runs(at track.Instant, gaugePa float64) {
	if e.running && e.known {
		if dt := at.Sub(e.at); dt > 0 && dt < 120 {
			out := math.Exp(e.lnPass) * e.flux.at(gaugePa) * e.area * dt
			e.water -= out
			e.vWater += -2*out*e.vBoth + out*out*e.vPass
			e.vBoth -= out * e.vPass
		}
	}
	e.at, e.gauge = at, gaugePa
}

// ended says that the boiler is empty and without pressure: all that there was has gone.
func (e *emptying) ended() {
	if e.running && e.known && e.vWater > 0 {
		e.observe(0, 0.05*e.full)
	}
	e.running = false
}

// left returns for how many seconds water at a temperature would still run, with what
// is left and what the cocks pass deviating by so many standard deviations.
func (e *emptying) left(tC, air float64, dWater, dPass float64) float64 {
	water := e.water + dWater*math.Sqrt(math.Max(0, e.vWater))
	slope := 0.0
	if e.vWater > 0 {
		slope = e.vBoth / math.Sqrt(e.vWater)
	}
	rest := math.Sqrt(math.Max(0, e.vPass-slope*slope))
	pass := math.Exp(e.lnPass + slope*dWater + rest*dPass)
	if water <= 0 {
		return lastSteamS / 2
	}
	const steps = 24
	part := water / steps
	t, s := 0.0, tC
	for k := range steps {
		w := water - part*float64(k)
		p, err := steam.SaturationPressure(math.Max(s, 1))
		if err != nil {
			return math.NaN()
		}
		q := pass * e.flux.at(p-air) * e.area
		t += part / q
		// What leaves makes room for steam, and that takes its heat from what stays.
		rhoV := p / (461.5 * (s + zeroC))
		made := part / 930 * rhoV
		s -= made * 2.15e6 / (4300 * (w + metalOverWater*e.full))
	}
	return t + lastSteamS
}
