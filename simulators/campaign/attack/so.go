package attack

import (
	"math"

	"ashlamp/rules/telemetry"
	"ashlamp/simulators/world"
)

const bar = 1e5

// The campaign's own times, s.
const (
	// GraceS is how long a step may stand proven after what it promises has ended:
	// three intervals of the slowest instrument that it rests on, and half a minute.
	GraceS = 120
	// PlugsGraceS is the same where the plugs are to come out.
	PlugsGraceS = 60
	// LateS is what a step has beyond its hold, from being ready, to be in time.
	LateS = 300
	// NeverS is what it has beyond its hold before it counts as never proven.
	NeverS = 1800
)

// Bounds by which the truth is judged. The first block says when a step's promise
// does not hold: the rule's limit, and a slack. The second says when it is ready:
// the limit passed by the stated uncertainty.
const (
	zeroPa        = 0.20 * bar // without pressure
	leftShare     = 0.02       // of the boiler's volume, beyond what cannot drain: empty
	belowBoilingK = 0.5        // under the boiling point: nothing boils
	fireShare     = 0.05       // of the grate: out
	slackPa       = 0.10 * bar
	slackK        = 6.0
	// A firebox has no other witness than the shell, which it may be read 20 K below
	// (outside contract).
	slackBoxK  = 20.0
	slackLevel = 0.05
	slackTank  = 0.03
	// With the fire out low water harms nothing until the next is lit, which begins with
	// the glasses: at rest it is wrong from the mark at which a boiler is low.
	lowGlass = 0.20
	slackRH  = 5.0
	slackCO  = 5e-6

	readyZeroPa   = 500 // zero by a transducer at the end of its class
	readyPa       = 0.10 * bar
	readyK        = 3.0  // and the contact error
	readyContact  = 0.02 // of the excess over the air
	readyLevel    = 0.03
	readyTank     = 0.02
	readyFallK    = 1.0 // in half an hour: a box that still falls
	readyBurstK   = 3.0 // in five minutes
	readyRestingC = 45.0
	// The pipe's fall by which "run dry" must have been said to count: 30 K, the
	// couple's uncertainty, and what its lag hides while the pipe cools at half a kelvin a second.
	readyPipeK = 44.0
)

// Limits of the rules' steps as the project's documents state them, restated here so
// that a limit changed by mistake shows as wrongly proven.
const (
	waterToDrop, waterToRest = 0.60, 0.50
	fireOutC                 = 400.0
	openC, touchC            = 120.0, 43.0
	emptiedC, restC          = 100.0, 180.0
	tankEmpty                = 0.03
	coClear                  = 20e-6
	barrelRH                 = 40.0
	marginK                  = 3.0
)

// Bounds describes the bounds in the report's words.
func Bounds() []string {
	return []string{
		"pressure zero: gauge pressure within ±0.20 bar",
		"nothing left to boil: liquid less what cannot drain at most 2 % of the boiler's volume, or the fluid more than 0.5 K under the boiling point here",
		"fire out: at most 5 % of the grate burning, and the firebox under its limit + 6 K",
		"water at rest, with no fire in: at least a fifth of the glass, where a boiler is low",
		"drop-fire: only while a fire burns",
		"a firebox to house by: its limit + 20 K, since the shell is its only witness, and the contract lets it be read so far below that",
		"other limits: with a slack of 0.10 bar, 6 K, 0.05 of the glass, 0.03 of a tank, 5 %RH, 5 ppm",
		"a proven step is wrong when its truth has been false for more than 120 s, plugs-out 60 s",
		"ready: pressure limits passed by 0.10 bar, zero within 0.005 bar, temperatures by 3 K (shell also 2 % of the excess over the air), level by 0.03, tanks by 0.02, boxes seen falling in truth (1 K in 30 min, or 3 K in 5 min where the step asks for 5 min), and every word given",
		"in time: proven within the hold (2, 5 or 10 min by step) and 5 min of being ready; never: ready for the hold and 30 min, and not proven",
	}
}

// words that the crew gives, by their place in what a disposal remembers.
type word int

const (
	glassesProved word = iota
	fireDropped
	ashCleared
	ashPanShut
	brakeTried
	atPlace
	peopleClear
	ventOpen
	cocksDry
	blowerShut
	smokeboxAjar
	drainClear
	words
)

func wordOf(id string) (word, bool) {
	switch id {
	case "glasses-proved":
		return glassesProved, true
	case "fire-dropped":
		return fireDropped, true
	case "ash-cleared":
		return ashCleared, true
	case "ash-pan-shut":
		return ashPanShut, true
	case "brake-tried":
		return brakeTried, true
	case "at-blow-down-place":
		return atPlace, true
	case "people-clear":
		return peopleClear, true
	case "vent-open":
		return ventOpen, true
	case "cocks-run-dry":
		return cocksDry, true
	case "blower-shut":
		return blowerShut, true
	case "smokebox-ajar":
		return smokeboxAjar, true
	case "drain-clear":
		return drainClear, true
	}
	return 0, false
}

// lapseS is after what time a word no longer stands; NaN where time alone does not
// end it within an evening.
func (w word) lapseS() float64 {
	switch w {
	case ashPanShut, brakeTried:
		return 3600
	case glassesProved:
		return 1800
	case atPlace, peopleClear:
		return 600
	case ventOpen, cocksDry:
		return 12 * 3600
	}
	return math.NaN()
}

// past keeps the truth of firebox, smokebox and pressure a minute apart, for what
// must have fallen.
type past struct {
	at                         [31]float64
	firebox, smokebox, boilerP [31]float64
	n                          int
}

func (p *past) note(x *world.Truth) {
	if p.n > 0 && x.Elapsed < p.at[(p.n-1)%31]+60 {
		return
	}
	i := p.n % 31
	p.at[i], p.firebox[i], p.smokebox[i], p.boilerP[i] = x.Elapsed, x.Firebox, x.Smokebox, x.Pressure
	p.n++
}

// fell reports whether a value fell all through the last minutes, by at least k.
func (p *past) fell(of *[31]float64, minutes int, k float64) bool {
	if p.n <= minutes {
		return false
	}
	last := p.n - 1
	for i := last - minutes; i < last; i++ {
		if of[(i+1)%31] > of[i%31] {
			return false
		}
	}
	return of[(last-minutes)%31]-of[last%31] >= k
}

// cooling reports whether a box is falling, as a step asks that looks at five
// minutes, or at half an hour.
func (p *past) cooling(of *[31]float64, long bool) bool {
	if p.n == 0 {
		return false
	}
	if v := of[(p.n-1)%31]; v < readyRestingC {
		return p.n > 30
	}
	return p.fell(of, 30, readyFallK) || !long && p.fell(of, 5, readyBurstK)
}

// judgement is what is so of each step.
type judgement struct {
	so, ready [steps]bool
}

// hold compares the truth with the bounds.
func (d *Disposal) hold(x *world.Truth) (j judgement) {
	e := &d.plan.Engine
	working := e.Plan.Working
	zero := math.Abs(x.Pressure) <= zeroPa
	empty := x.Liquid-x.Residue <= leftShare*1000*e.Boiler.Volume
	nothing := empty || x.Fluid < x.Boiling-belowBoilingK
	out := x.Fire <= fireShare && x.Firebox < fireOutC+slackK
	tanks := x.Tanks[0] <= tankEmpty+slackTank && x.Tanks[1] <= tankEmpty+slackTank
	air := x.CO <= coClear+slackCO
	dropMin, dropMax := 0.40*working, working
	moveMin := math.Max(2*bar, 0.30*working)

	// With no fire in there is none to drop, whatever the lamp says of it.
	j.so[dropFire] = x.Fire <= fireShare || x.Glass >= waterToDrop-slackLevel && x.Pressure >= dropMin-slackPa && x.Pressure <= dropMax+slackPa
	j.so[moveUnderSteam] = x.Pressure >= moveMin-slackPa
	j.so[blowDown] = out && x.Pressure >= e.Plan.BlowDownMin-slackPa && x.Pressure <= e.Plan.BlowDownMax+slackPa
	j.so[plugsOut] = zero && nothing
	j.so[openSmokebox] = out && x.Smokebox < openC+slackK
	j.so[drainTanks] = out
	j.so[reachIn] = out && zero && x.Firebox < touchC+slackK && x.Smokebox < touchC+slackK
	dry := e.Plan.LayUp == telemetry.Dry
	if dry {
		j.so[house] = zero && nothing && tanks && air && x.Fire <= fireShare && x.Firebox < emptiedC+slackBoxK && x.Smokebox < emptiedC+slackK
	} else {
		rising := d.past.n > 30 && x.Pressure > d.past.boilerP[(d.past.n-31)%31]+slackPa
		j.so[house] = out && air && x.Firebox < restC+slackBoxK && x.Smokebox < restC+slackK &&
			x.Glass >= lowGlass && x.Pressure <= 0.80*working+slackPa && !rising
	}
	j.so[sealDry] = x.PlugsOut && 100*x.Humidity <= barrelRH+slackRH

	// Ready.
	p := &d.past
	said := func(ws ...word) bool {
		for _, w := range ws {
			// A word that lapses at this moment is none any more.
			if t := d.said[w]; !(t >= 0) || x.Elapsed-t >= w.lapseS()-1 {
				return false
			}
		}
		return true
	}
	readyZero := math.Abs(x.Pressure) <= readyZeroPa
	hot := math.Max(x.Top, x.Bottom)
	readyNothing := false
	if e.Plan.EmptiedBy == "cold" {
		readyNothing = hot <= x.Boiling-marginK-readyK-readyContact*(hot-x.AirTemperature)
	} else {
		readyNothing = empty && x.Glass == 0
	}
	readyOut := x.Fire == 0 && x.Firebox < fireOutC-readyK && p.cooling(&p.firebox, false) && said(fireDropped)
	slope := 0.0 // Pa/s over five minutes
	if p.n > 5 {
		slope = (p.boilerP[(p.n-1)%31] - p.boilerP[(p.n-6)%31]) / (p.at[(p.n-1)%31] - p.at[(p.n-6)%31])
	}
	j.ready[dropFire] = x.Glass >= waterToDrop+readyLevel && x.Pressure >= dropMin+readyPa && x.Pressure <= dropMax-readyPa && said(glassesProved)
	j.ready[moveUnderSteam] = p.n > 5 && x.Pressure+900*math.Min(0, slope) >= moveMin+2*readyPa && said(ashPanShut, brakeTried)
	j.ready[blowDown] = readyOut && x.Running == 0 && x.Pressure >= e.Plan.BlowDownMin+readyPa && x.Pressure <= e.Plan.BlowDownMax-readyPa && said(atPlace, peopleClear)
	j.ready[plugsOut] = readyZero && readyNothing && said(ventOpen, cocksDry)
	j.ready[openSmokebox] = readyOut && x.Smokebox < openC-readyK && said(blowerShut)
	j.ready[drainTanks] = e.Tanks.Count > 0 && readyOut && said(drainClear)
	j.ready[reachIn] = readyOut && readyZero && x.Firebox < touchC-readyK && x.Smokebox < touchC-readyK
	if dry {
		j.ready[house] = readyZero && readyNothing && x.Tanks[0] <= tankEmpty-readyTank && x.Tanks[1] <= tankEmpty-readyTank && air &&
			x.Firebox < emptiedC-readyK && x.Smokebox < emptiedC-readyK && p.cooling(&p.firebox, true) && p.cooling(&p.smokebox, true) &&
			said(ashCleared, ashPanShut, smokeboxAjar, ventOpen, cocksDry)
	} else {
		j.ready[house] = readyOut && air && x.Firebox < restC-readyK && x.Smokebox < restC-readyK && p.cooling(&p.firebox, true) && p.cooling(&p.smokebox, true) &&
			x.Glass >= waterToRest+readyLevel && x.Pressure <= 0.80*working-readyPa && p.fell(&p.boilerP, 30, 1500) && said(ashCleared, ashPanShut)
	}
	return j
}
