package forecast

import (
	"math"

	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// Engine is what must be known of an engine beforehand.
type Engine struct {
	// VolumeL is the boiler's volume in litre, BoreMM the bore of one cock as large as
	// all together, ULevel the expanded uncertainty of the glass.
	VolumeL, BoreMM, ULevel float64
}

// Standing is how the engine stands, as far as it was seen or said.
type Standing struct {
	// FireOut: the fire was dropped and is not seen again.
	FireOut bool
	// Running: water runs out of the cocks. Empty: it has run out.
	Running, Empty bool
	// Vented: vent or plugs are open. Ajar: the smokebox door. PanShut: the ash pan's
	// slide was said to be shut since the fire was dropped.
	Vented, Ajar, PanShut bool
}

// Figures of the estimator. Common practice of simulated engines, no source.
const (
	// stepS is how long samples are gathered before they move the belief on, s.
	stepS = 60
	// sparseS is the gap, s, over which samples are not taken together.
	sparseS = 45
	// firmPa is the gauge pressure down to which the water's temperature is taken from
	// the saturation line; under it, from the shell.
	firmPa = 15000
	// believedPa is how well it is known beside its noise there, Pa.
	believedPa = 200
	// glowC: a firebox that reads more still has fire in it, °C. Down to bareC the last
	// of the bed and the face of the brick cool otherwise than the brick as a whole, and
	// would teach the wrong figures: until then it is read to so many kelvin only.
	glowC, bareC, glowSD = 550, 350, 15
	// workS: for so long after something else happened to the engine it may go on, s.
	workS = 300
	// lostS: after so long without a sample nothing is left of what was known, s.
	lostS = 6 * 3600
	// believedS: a loss otherwise than believed that goes on for so long is believed, s.
	believedS = 1200
	// strainS is over how long the fit of the model is looked at, s; strainMost the most
	// that one reading counts.
	strainS, strainMost = 3600, 50
	// settleS: for so long after the fire is out the heat of bed and brick goes its own
	// ways, and teaches nothing of how the boiler loses its own, s.
	settleS = 1800
)

// wander is by how much each place of the state may change otherwise than the model
// says, in the root of a second.
var wander = func() (v vector) {
	perHour := func(x float64) float64 { return x / 60 }
	v[iShell], v[iPlates], v[iBrick], v[iSmoke] = perHour(0.08), perHour(0.4), perHour(2.5), perHour(3)
	v[iLnWet], v[iLnDry], v[iLnRadiate], v[iLnBrick] = perHour(0.010), perHour(0.04), perHour(0.03), perHour(0.02)
	v[iLnDraught], v[iSees], v[iLnSmoke], v[iMixed] = perHour(0.05), perHour(0.004), perHour(0.03), perHour(0.02)
	v[iAir], v[iLnAlong], v[iLnEmpty], v[iCouple] = perHour(0.15), perHour(0.03), perHour(0.02), perHour(0.1)
	return v
}()

// gathered is the mean of what came in within a step.
type gathered struct {
	sum float64
	n   int
}

func (g *gathered) add(v float64) { g.sum += v; g.n++ }

func (g *gathered) take() (mean float64, ok bool) {
	if g.n == 0 {
		return math.NaN(), false
	}
	mean = g.sum / float64(g.n)
	*g = gathered{}
	return mean, true
}

// Estimator follows one engine as it cools. Make it with [New]. Its memory is constant.
type Estimator struct {
	engine   Engine
	learned  Learned // before this evening
	lessons  Learned // the same, with what came of this evening's forecasts
	made     map[Target]*lessons
	heard    [bodies]track.Instant // when each was last heard; 0 for never
	limits   Limits                // last asked for
	taught   Learned               // by what was seen of it until the fire was lit again
	b        *belief
	day      day
	emptying emptying
	flux     *fluxes

	stands    Standing
	since     track.Instant // when it last came to stand otherwise, or the fire went out
	started   track.Instant // when the temperatures were first known
	strain    float64       // how ill the model fits what is read: 1 while it fits
	oddSince  track.Instant // since when its loss is otherwise than believed, at each step
	worked    track.Instant // when something else last happened to it
	quiet     [2]float64    // s that it was watched undisturbed, with its water and without
	fireHeard bool          // the firebox is measured
	begun     bool          // the temperatures are known
	at        track.Instant // of the belief
	win       window
	airPa     float64
	gauge     float64
	// hotOver is what the hottest of the shell channels reads over the water, K.
	hotOver offset

	pressure, firebox, smokebox gathered
	shells                      map[telemetry.Channel]*gathered
}

// New returns an estimator that has seen nothing of this evening.
func New(e Engine, l Learned) *Estimator {
	est := &Estimator{
		engine: e, b: newBelief(), day: newDay(0), airPa: 101325,
		gauge: math.NaN(), shells: map[telemetry.Channel]*gathered{}, flux: newFluxes(),
	}
	est.Begin(l)
	return est
}

// Begin forgets the evening and begins one with what is believed of the engine.
func (e *Estimator) Begin(l Learned) {
	e.learned, e.lessons, e.taught = l, l, l
	e.unmade()
	e.begun = false
	e.stands, e.since, e.worked, e.oddSince, e.quiet = Standing{}, 0, 0, 0, [2]float64{}
	n := size - temperatures
	for i := range size {
		for j := i; j < size; j++ {
			v := 0.0
			if i >= temperatures && len(l.Covariance) == n*n {
				v = l.Covariance[(i-temperatures)*n+j-temperatures]
			}
			e.b.cov.SetSym(i, j, v)
		}
		if i >= temperatures && len(l.Mean) == n {
			e.b.mean[i] = l.Mean[i-temperatures]
		}
	}
	e.emptying = newEmptying(e.flux, e.engine.VolumeL, e.engine.BoreMM, math.Max(0.05, e.engine.ULevel), l.Emptying, l.EmptyingVariance)
}

// Clock says by how many seconds the shed's clock is ahead of UTC: the day's warmest hour
// goes by it.
func (e *Estimator) Clock(aheadS float64) { e.day.offsetSeconds = aheadS }

// Sample takes a good sample, in its channel's unit; a pressure is gauge.
func (e *Estimator) Sample(ch telemetry.Channel, at track.Instant, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	switch ch {
	case telemetry.BoilerLevel:
		e.emptying.told(v)
		return
	case telemetry.AmbientTemp:
		if !e.day.known && e.begun {
			p := unseen(e.engine.VolumeL)[iAir]
			e.b.set(iAir, p.mean, p.sd)
		}
		e.day.measured(at, v)
		return
	case telemetry.AmbientPressure:
		e.airPa = v
		return
	}
	if e.win.n > 0 && at.Sub(e.win.last) > sparseS {
		e.move() // what came before stands for its own time
	}
	switch ch {
	case telemetry.BoilerPressure:
		e.heard[ofPressure] = at
		e.gauge = v
		e.pressure.add(v)
		if e.stands.Running {
			e.emptying.runs(at, v)
		}
	case telemetry.Firebox:
		e.heard[ofFirebox] = at
		e.firebox.add(v)
		e.fireHeard = true
	case telemetry.Smokebox:
		e.heard[ofSmokebox] = at
		e.smokebox.add(v)
	default:
		if !isShell(ch) {
			return
		}
		e.heard[ofShell] = at
		g := e.shells[ch]
		if g == nil {
			g = &gathered{}
			e.shells[ch] = g
		}
		g.add(v)
	}
	e.win.add(at)
	if at.Sub(e.win.first) >= stepS {
		e.move()
	}
}

// window is the time over which samples are gathered.
type window struct {
	first, last track.Instant
	sum         float64 // s since first
	n           int
}

func (w *window) add(at track.Instant) {
	if w.n == 0 {
		w.first = at
	}
	w.sum += at.Sub(w.first)
	w.n++
	w.last = max(w.last, at)
}

// take returns the middle of it and begins another.
func (w *window) take() track.Instant {
	at := w.first.Add(w.sum / float64(w.n))
	*w = window{}
	return at
}

func isShell(ch telemetry.Channel) bool {
	const prefix = "boiler.shell."
	return len(ch) > len(prefix) && ch[:len(prefix)] == prefix
}

// Stand says how the engine stands from a moment on.
func (e *Estimator) Stand(at track.Instant, s Standing) {
	// The word lapses by itself; the slide does not open by itself.
	s.PanShut = s.PanShut || e.stands.PanShut && s.FireOut
	if s == e.stands {
		return
	}
	was := e.stands
	e.stands = s
	if !s.FireOut {
		e.taught = e.Learned()
		e.begun = false
		e.emptying.running = s.Running
		return
	}
	e.since = at
	e.unmade()
	if s.Running && !was.Running {
		e.emptying.running, e.emptying.at = true, at
	}
	if was.Running && !s.Running {
		if s.Empty {
			e.emptying.ended()
		}
		e.emptying.running = false
	}
	if !e.begun {
		return
	}
	if s.Empty && !was.Empty {
		// The metal no longer follows water; how hot the plates are is seen in the
		// firebox.
		e.b.set(iPlates, e.b.mean[iPlates], 12)
		e.b.set(iShell, e.b.mean[iShell], 8)
	}
	if s.Vented != was.Vented && s.Empty {
		e.loosen(iLnDry, 0.15)
	}
	if s.Ajar != was.Ajar {
		e.loosen(iLnDraught, 0.2)
		e.loosen(iSmoke, 20)
	}
}

// unmade forgets the forecasts that wait for their outcome: what they took for granted is
// no longer so.
func (e *Estimator) unmade() {
	e.made = make(map[Target]*lessons, len(Targets()))
	for _, t := range Targets() {
		e.made[t] = &lessons{}
	}
}

// outcome holds the forecasts of this evening against what is now read: gauge pressure in
// pascal and temperatures in °C, NaN for what is not.
func (e *Estimator) outcome(at track.Instant, pressure, shell, fire, smoke float64) {
	l := &e.limits
	zero := math.Abs(pressure) <= l.ZeroPa
	w := wet
	if e.stands.Empty {
		w = dry
	}
	for t, m := range e.made {
		under := false
		switch t {
		case SteamToMove:
			under = pressure <= l.MovePa
		case PressureZero:
			under = pressure <= l.ZeroPa
		case BelowBoiling:
			under = shell <= l.ShellC
		case FireboxCool:
			under = fire <= l.FireboxC
		case House:
			without := zero
			if !math.IsNaN(l.HousePa) {
				without = pressure <= l.HousePa
			}
			under = without && fire <= l.FireboxC && smoke <= l.SmokeboxC && (!l.HouseShell || shell <= l.ShellC)
		}
		if mean, done := m.reads(at, under); done {
			e.lessons = e.lessons.after(lessonKey(w, t), mean)
		}
	}
}

// Before returns what was believed of the engine before this evening.
func (e *Estimator) Before() Learned { return e.learned }

// Standing returns how the engine was last said to stand.
func (e *Estimator) Standing() Standing { return e.stands }

// loosen makes a place less certain by a standard deviation.
func (e *Estimator) loosen(i int, sd float64) {
	e.b.cov.SetSym(i, i, e.b.cov.At(i, i)+sd*sd)
}

// move takes what was gathered and moves the belief on to the middle of when it came.
func (e *Estimator) move() {
	at := e.win.take()
	dt := at.Sub(e.at)
	e.at = at
	p, anyP := e.pressure.take()
	shell, anyShell := e.hottest()
	if !anyShell {
		shell = math.NaN()
	}
	fire, anyFire := e.firebox.take()
	smoke, anySmoke := e.smokebox.take()
	if !e.stands.FireOut {
		return
	}
	water, sdWater, wet := math.NaN(), 0.0, false
	if !e.stands.Empty {
		if anyP && p > firmPa {
			if t, err := steam.SaturationTemperature(p + e.airPa); err == nil {
				// K a pascal, by Clausius and Clapeyron with the steam an ideal gas.
				slope := 461.5 * (t + zeroC) * (t + zeroC) / (2.15e6 * (p + e.airPa))
				water, sdWater, wet = t, math.Hypot(0.06, believedPa*slope), true
			}
		} else if anyShell {
			water, sdWater, wet = shell-e.hotOver.k, 0.3, true
		}
	} else if anyShell {
		water, sdWater, wet = shell, 0.4, true
	}
	if !e.begun {
		if !anyFire && !e.fireHeard {
			fire = water // nobody measures it: no more heat is reckoned with than is seen
		}
		if !wet || !(fire <= glowC) {
			return
		}
		e.start(water, fire, smoke, anySmoke)
		e.started = at
		return
	}
	if dt > lostS {
		// What went on meanwhile is not known: it begins anew with what is now read.
		e.taught = e.Learned()
		e.begun = false
		return
	}
	h := e.held()
	for left := dt; left > 0; {
		d := math.Min(left, 2*stepS)
		h.air = e.day.temperature(at.Add(-left + d/2))
		e.b.predict(&h, d, &wander)
		left -= d
	}
	if e.stands.Running {
		// The water falls as it flashes away: nothing is learned of how it is lost.
		e.loosen(iShell, 5)
		e.loosen(iPlates, 5)
	}
	if at.Sub(e.worked) < workS || e.fireHeard && at.Sub(e.started) < settleS {
		e.loosen(iShell, 0.5)
	} else if h.empty {
		e.quiet[1] += dt
	} else if !e.stands.Running {
		e.quiet[0] += dt
	}
	if wet {
		var g vector
		g[iShell] = 1
		// What goes on for so long is no work on the engine: it is otherwise than was
		// believed.
		believe := e.oddSince != 0 && at.Sub(e.oddSince) > believedS
		nis, odd := e.b.observe(water, e.b.mean[iShell], sdWater, &g, iShell, believe)
		if (!odd || believe) && nis >= 0 {
			e.strain += (math.Min(nis, strainMost) - e.strain) * (1 - math.Exp(-dt/strainS))
		}
		switch {
		case !odd:
			e.oddSince = 0
		case e.oddSince == 0:
			e.oddSince = at
			fallthrough
		case !believe:
			e.worked = at
			e.unmade()
		}
		if !e.stands.Empty && anyShell && anyP && p > firmPa {
			e.hotOver.next(shell - water)
		}
	}
	if anyFire {
		x := &e.b.mean
		var g vector
		g[iBrick], g[iPlates], g[iSees], g[iCouple] = x[iSees], 1-x[iSees], x[iBrick]-x[iPlates], 1
		sd := 0.6
		if fire > bareC {
			sd = glowSD
		}
		e.b.observe(fire, x.firebox(&h), sd, &g, iBrick, false)
	}
	if anySmoke {
		var g vector
		g[iSmoke] = 1
		e.b.observe(smoke, e.b.mean[iSmoke], 0.8, &g, iSmoke, false)
	}
	if !e.stands.Running && at.Sub(e.worked) >= workedS {
		e.outcome(at, p, shell, fire, smoke)
	}
	if !e.b.finite() {
		e.Begin(e.learned)
	}
}

// offset is a difference that changes slowly, smoothed.
type offset struct {
	k     float64
	known bool
}

func (o *offset) next(d float64) {
	if !o.known {
		o.k, o.known = d, true
	}
	o.k += 0.2 * (d - o.k)
}

func (e *Estimator) held() held {
	return held{empty: e.stands.Empty, ajar: e.stands.Ajar, pan: !e.stands.PanShut}
}

// hottest takes the means of the shell channels and returns the highest of them.
func (e *Estimator) hottest() (tC float64, ok bool) {
	tC = math.Inf(-1)
	for _, g := range e.shells {
		if v, any := g.take(); any {
			tC, ok = math.Max(tC, v), true
		}
	}
	return tC, ok
}

// start sets the temperatures from the first readings after the fire went out.
func (e *Estimator) start(water, fire, smoke float64, anySmoke bool) {
	e.begun = true
	b := e.b
	b.set(iShell, water, 2)
	b.set(iPlates, water, 4)
	sees := b.mean[iSees]
	sdBrick := 60.0
	if !e.fireHeard {
		sdBrick = 2
	}
	b.set(iBrick, (fire-(1-sees)*water)/sees, sdBrick)
	if !anySmoke {
		smoke = water
	}
	b.set(iSmoke, smoke, 10)
	if !e.day.known {
		e.loosen(iAir, unmeasuredSD)
	}
}

func sq(x float64) float64 { return x * x }
