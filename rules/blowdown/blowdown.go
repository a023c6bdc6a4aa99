// Package blowdown follows the emptying of a boiler through its lowest cocks, by
// the pipe that grows hot, the glass that falls and the time it takes.
//
// A boiler counts as seen empty only by what was watched: a pipe that was warm
// before, a glass that merely shrank, a gap in the data and a choked cock count
// for nothing.
package blowdown

import (
	"math"

	"ashlamp/rules/discharge"
	"ashlamp/rules/track"
)

// Figures of the contract, and of common practice without source where marked.
const (
	// RunningK: the pipe runs while it is within so many kelvin of boiling.
	RunningK = 15
	// FellK: it has finished when the pipe has fallen by so much.
	FellK = 30
	// RoseK: a rise over its lowest by so much undoes that (common practice).
	RoseK = 15
	// SeenFall is the part of the glass through which the level must be seen to
	// fall, beside its uncertainty (common practice).
	SeenFall = 0.10
	// Share of the time that the boiler's water needs for which the pipe must run.
	Share = 0.5
	// WaterAtBottom and WaterOfGlass give the part of a boiler that is water: so
	// much at the bottom of the glass, and so much more at its top (common
	// practice for a locomotive boiler).
	WaterAtBottom = 0.65
	WaterOfGlass  = 0.20
	// HotWater is the density at which that water is taken, kg/m3 (IF97 at 2 to 3
	// bar gauge: 930).
	HotWater = 930
	// GravityFlux is the mass flux taken once there is no pressure left, kg/(m2 s):
	// under half of what 0.3 m of water drives by Bernoulli (common practice).
	GravityFlux = 1000
	// GravityBelow is the gauge pressure in pascal under which that flux is taken.
	GravityBelow = 20000
	// VacuumPa is the vacuum, in pascal, that holds back more water than stands
	// over the cocks, with a transducer's zero error added: nothing runs out then.
	VacuumPa = 10000
	// Slack is the factor within which the glass must agree with the cocks
	// (common practice): beyond it the cock is taken for choked. With the shares
	// above, a glass that has only just emptied never bears out half of the water,
	// however slowly it fell: the pipe must be seen to run on after that.
	Slack = 2
	// HeldPa is the gauge pressure in pascal from which a pipe that falls is no sign of an
	// empty boiler (common practice, no source).
	HeldPa = 30000
	// heldN samples on end show it: one may be a spike.
	heldN = 2
	// LagS is how much later than the water the couple on the pipe may tell of it
	// (common practice): so far back the glass is looked at when the pipe grows hot.
	LagS = 60
)

// lookBack is how many levels are kept for that.
const lookBack = 64

// Boiler is what must be known of the boiler beforehand.
type Boiler struct {
	VolumeL float64
	// BoreMM is the bore of one cock as large as all together.
	BoreMM float64
	// UPipe in kelvin and ULevel of the glass are expanded uncertainties.
	UPipe, ULevel float64
	// PipeFreshS and LevelFreshS are the longest gaps that count as watched.
	PipeFreshS, LevelFreshS float64
}

// Run is what has been seen. Make it with [New].
type Run struct {
	b    Boiler
	area float64

	hot      bool
	hotSince track.Instant
	hottest  float64
	lastPipe track.Instant
	anyPipe  bool

	passed float64 // kg that the cocks would have passed while the pipe ran
	ranS   float64

	levelTop   float64 // highest level since the pipe ran
	levelTopAt track.Instant
	passedTop  float64 // passed when the level stood there
	topKnown   bool
	// unheard is what the cocks would have passed between that level and the
	// moment at which the pipe told of it: it is not credited, but the glass must
	// bear it out.
	unheard   float64
	lastLevel float64
	levelAt   track.Instant
	anyLevel  bool
	levels    [lookBack]levelThen
	levelsN   int

	began      bool // the level was seen to fall while the pipe ran
	beganAt    track.Instant
	beganLevel float64
	beganKg    float64

	gone      bool
	goneSince track.Instant
	emptied   bool    // the glass has shown nothing since water was last seen in it
	goneKg    float64 // passed between the first fall and the empty glass
	goneDone  bool
	// then is how the glass emptied, and thenPassed what had been passed at its end.
	then       [lookBack]levelThen
	thenN      int
	thenPassed float64

	fell   bool
	fellAt track.Instant
	lowest float64
	// held is how many samples of the pipe on end showed it no longer running with steam
	// in the boiler; heldPa the pressure at the last of enough of them, 0 while there were
	// none since it last ran.
	held   int
	heldPa float64
}

type levelThen struct {
	at     track.Instant
	level  float64
	passed float64 // as [Run.passed] at that moment
}

// New returns nothing seen.
func New(b Boiler) *Run {
	return &Run{b: b, area: math.Pi / 4 * b.BoreMM * b.BoreMM * 1e-6}
}

// Reset forgets all, as when a disposal begins.
func (r *Run) Reset() { *r = *New(r.b) }

// Event is what a sample made plain.
type Event uint8

const (
	// Nothing new.
	Nothing Event = iota
	// Began: the level was seen to fall while the pipe ran.
	Began
	// Finished: the pipe fell after it had run.
	Finished
	// WaterBack: water came back into a glass that had shown nothing.
	WaterBack
)

// Pipe takes a good sample of the blow-down pipe, newest of its channel.
// boilingC is the boiling point here; gaugePa the boiler's pressure at that
// moment, NaN where it is not known, ambientPa the air's.
func (r *Run) Pipe(at track.Instant, tC, boilingC, gaugePa, ambientPa float64) Event {
	watched := r.anyPipe && at.Sub(r.lastPipe) <= r.b.PipeFreshS
	dt := at.Sub(r.lastPipe)
	r.lastPipe, r.anyPipe = at, true

	if !(tC-r.b.UPipe >= boilingC-RunningK) {
		return r.cooler(at, tC, gaugePa)
	}
	if !r.hot {
		r.hot, r.hotSince, r.hottest = true, at, tC
		r.topKnown = false
		if r.anyLevel && at.Sub(r.levelAt) <= r.b.LevelFreshS {
			level, stood := r.highestSince(at.Add(-LagS))
			r.setTop(stood, level)
			if !math.IsNaN(gaugePa) {
				until := at
				if r.gone && r.goneSince > stood {
					until = r.goneSince // a glass that shows nothing bears nothing out any more
				}
				r.unheard = r.flux(gaugePa, ambientPa) * r.area * until.Sub(stood)
			}
		}
	} else if watched && !math.IsNaN(gaugePa) {
		r.passed += r.flux(gaugePa, ambientPa) * r.area * dt
		r.ranS += dt
	}
	r.hottest = math.Max(r.hottest, tC)
	r.fell = false
	r.held, r.heldPa = 0, 0
	return Nothing
}

func (r *Run) cooler(at track.Instant, tC, gaugePa float64) Event {
	r.hot = false
	if !r.began {
		return Nothing
	}
	if gaugePa > HeldPa {
		if r.held++; r.held >= heldN {
			r.heldPa = gaugePa
		}
	} else {
		r.held = 0
	}
	if r.fell {
		if tC > r.lowest+RoseK {
			r.fell, r.hottest = false, tC
			return Nothing
		}
		r.lowest = math.Min(r.lowest, tC)
		return Nothing
	}
	r.hottest = math.Max(r.hottest, tC)
	if r.hottest-tC >= FellK {
		r.fell, r.fellAt, r.lowest = true, at, tC
		return Finished
	}
	return Nothing
}

func (r *Run) flux(gaugePa, ambientPa float64) float64 {
	switch {
	case gaugePa < -VacuumPa:
		return 0
	case gaugePa < GravityBelow:
		return GravityFlux
	}
	g, err := discharge.HEM(gaugePa+ambientPa, ambientPa)
	if err != nil {
		return 0
	}
	return g
}

// highestSince returns the highest level seen since a moment, at least the newest,
// and the last moment at which it stood there within the glass's uncertainty.
func (r *Run) highestSince(from track.Instant) (top float64, stood track.Instant) {
	top, stood = r.lastLevel, r.levelAt
	recent := r.levels[:min(r.levelsN, lookBack)]
	for _, l := range recent {
		if l.at >= from {
			top = math.Max(top, l.level)
		}
	}
	if top-r.lastLevel <= r.b.ULevel {
		return top, stood
	}
	stood = from
	for _, l := range recent {
		if l.level >= top-r.b.ULevel {
			stood = max(stood, l.at)
		}
	}
	return top, stood
}

func (r *Run) setTop(at track.Instant, level float64) {
	r.levelTop, r.levelTopAt, r.passedTop, r.topKnown, r.unheard = level, at, r.passed, true, 0
}

// Level takes a good sample of the glass (0 to 1), newest of its channel.
func (r *Run) Level(at track.Instant, level float64) (event Event) {
	watched := r.anyLevel && at.Sub(r.levelAt) <= r.b.LevelFreshS
	r.lastLevel, r.levelAt, r.anyLevel = level, at, true
	r.levels[r.levelsN%lookBack] = levelThen{at, level, r.passed}
	if r.levelsN++; r.levelsN == 2*lookBack {
		r.levelsN = lookBack
	}

	if pipe := at.Sub(r.lastPipe) <= r.b.PipeFreshS; r.hot && !pipe {
		r.topKnown = false // what falls while nobody hears of the pipe was not seen to run out
	} else if r.hot && !r.began {
		switch {
		case !r.topKnown || !watched || level >= r.levelTop-0.01:
			r.setTop(at, level)
		case r.levelTop-level >= SeenFall+r.b.ULevel:
			r.began, r.beganAt, r.beganLevel, r.beganKg = true, r.levelTopAt, r.levelTop, r.passedTop
			event = Began
		}
	}
	goneAt := r.Bottom()
	switch {
	case level <= goneAt:
		if !r.gone || !watched {
			r.gone, r.goneSince = true, at
		}
		r.emptied = true
		if r.began && !r.goneDone {
			if r.goneDone = true; r.goneSince > r.hotSince {
				r.goneKg = r.passed - r.beganKg
			}
			r.then, r.thenN, r.thenPassed = r.levels, min(r.levelsN, lookBack), r.passed
		}
	case r.back(level):
		r.Reset()
		r.lastLevel, r.levelAt, r.anyLevel = level, at, true
		return WaterBack
	case level > goneAt+0.01:
		r.gone = false
	}
	return event
}

// back reports whether a level is water in a glass that had shown nothing.
func (r *Run) back(level float64) bool {
	return r.emptied && level >= r.Bottom()+0.03+r.b.ULevel
}

// Back takes a level that is not to be relied upon: if it were water back in the glass,
// nothing is known to be empty any more. It reports whether it is.
func (r *Run) Back(level float64) bool {
	if !r.back(level) {
		return false
	}
	r.Reset()
	return true
}

// Bottom is the level at and below which the glass shows nothing.
func (r *Run) Bottom() float64 { return math.Max(0.05, r.b.ULevel) }

// Running reports whether the pipe runs hot with water seen leaving.
func (r *Run) Running() bool { return r.began && r.hot }

// Hot reports whether the pipe is at running heat, for whatever cause.
func (r *Run) Hot() bool { return r.hot }

// Began reports whether water was seen to leave, and since when.
func (r *Run) Began() (track.Instant, bool) { return r.beganAt, r.began }

// Fell reports whether the pipe has fallen since it last ran, and when.
func (r *Run) Fell() (track.Instant, bool) { return r.fellAt, r.fell }

// Gone reports whether the glass shows nothing, and since when.
func (r *Run) Gone() (track.Instant, bool) { return r.goneSince, r.gone }

// RanS returns for how many seconds the pipe was watched running.
func (r *Run) RanS() float64 { return r.ranS }

// Mass returns the water in kilogram that this boiler held when it began to
// run, and how much of it the cocks can be credited with. The credit is what
// they pass by the homogeneous equilibrium model at the pressures seen, and no
// more than twice what the falling glass bears out.
func (r *Run) Mass() (held, credited float64) {
	if !r.began {
		return r.water(r.lastLevel), 0
	}
	held, credited = r.sinceBegan()
	// A cock that has passed a little for an hour is hot all the time: what counts is when
	// it was opened. From whatever moment on the glass bears the cocks out, the same must
	// hold as from the beginning.
	for _, l := range r.then[:r.thenN] {
		if l.at < r.hotSince || l.level-r.Bottom() < SeenFall+r.b.ULevel || l.passed < r.beganKg {
			continue
		}
		h := r.water(l.level)
		if c := r.borne(l.level, r.Bottom(), r.thenPassed-l.passed) * (r.passed - l.passed); c*held > credited*h {
			held, credited = h, c
		}
	}
	return held, credited
}

// borne returns which part of what the cocks would have passed while the glass fell
// from one level to another that glass bears out, within [Slack]; at most 1.
func (r *Run) borne(from, to, kg float64) float64 {
	seen := r.seen(from, to)
	if kg > 0 && seen*Slack < kg {
		return seen * Slack / kg
	}
	return 1
}

func (r *Run) sinceBegan() (held, credited float64) {
	held = r.water(r.beganLevel)
	credited = r.passed - r.beganKg
	to, kg := r.lastLevel, credited
	if r.goneDone {
		to, kg = r.Bottom(), r.goneKg
	}
	share := r.borne(r.beganLevel, to, kg+r.unheard)
	credited *= share
	if r.goneDone {
		// What the glass itself showed to go has gone, however late the pipe told of it.
		credited = math.Max(credited, r.seen(r.beganLevel, to)+share*(r.passed-r.beganKg-r.goneKg))
	}
	return held, credited
}

// seen returns the water in kilogram between two levels of the glass.
func (r *Run) seen(from, to float64) float64 {
	return (math.Min(1, from) - to) * WaterOfGlass * r.b.VolumeL / 1000 * HotWater
}

func (r *Run) water(level float64) float64 {
	level = math.Min(1, math.Max(0, level))
	return (WaterAtBottom + WaterOfGlass*level) * r.b.VolumeL / 1000 * HotWater
}

// Held reports whether the boiler still held steam when the pipe no longer ran: a cock
// was shut then, or choked, for an open one lets out all that is in the boiler, and is
// hot while it does. The pressure (gauge, Pa) is the last that was seen so.
func (r *Run) Held() (gaugePa float64, held bool) { return r.heldPa, r.heldPa > HeldPa }

// Enough reports whether the cocks can be credited with at least half the water.
func (r *Run) Enough() bool {
	held, credited := r.Mass()
	return credited >= Share*held
}
