// Package fire follows the firebox temperature for three things that samples
// alone can tell: that a fire fell out, that one came back, and how low it has been.
package fire

import (
	"math"

	"ashlamp/rules/track"
)

// Limits by which a fire is told from its firebox; common practice, no source.
const (
	// DroppedFromC is the temperature a firebox must have had for a fall to be a
	// dropped fire.
	DroppedFromC = 500
	// DroppedByK within DroppedWithinS is that fall.
	DroppedByK     = 150
	DroppedWithinS = 1800
	// RelitForS is how long the firebox must rise to be taken for relit.
	RelitForS = 180
	// BurningC is a temperature that only a fire explains, whatever was said.
	BurningC = DroppedFromC
)

// Fire is the state of one firebox. Make it with [New].
type Fire struct {
	relitK float64
	track  *track.Track

	lowest   float64
	last     float64
	lastAt   track.Instant
	heard    bool
	watching bool
	// unseen is that it has risen while nobody looked: what falls after that may
	// be a fire that burns down.
	unseen   bool
	rising   bool
	roseAt   track.Instant
	roseFrom float64
	relit    bool
	relitAt  track.Instant
	fell     bool
}

// New returns a fire of which nothing is known; relitK is the rise in kelvin
// over the lowest that is taken for a fire.
func New(t *track.Track, relitK float64) *Fire {
	return &Fire{relitK: relitK, track: t, lowest: math.Inf(1)}
}

// Dropped says that from now on the fire is meant to be out: the lowest is
// counted anew.
func (f *Fire) Dropped() {
	f.lowest, f.watching, f.rising, f.relit, f.unseen = math.Inf(1), true, false, false, false
}

// Lit says that a fire is meant to be in.
func (f *Fire) Lit() {
	f.watching, f.rising, f.relit, f.fell, f.unseen = false, false, false, false, false
}

// Event is what a sample made plain.
type Event uint8

const (
	// Nothing new.
	Nothing Event = iota
	// Fell: by 150 K within 30 min from above 500 °C, for the first time since a
	// fire was in.
	Fell
	// Relit: risen over its lowest for 3 min, after the fire was meant to be out; or
	// found so much hotter after a gap, and still hot 3 min later.
	Relit
)

// Next takes one good sample of the firebox that is the newest of its track.
func (f *Fire) Next(at track.Instant, tC float64) Event {
	if f.heard && at.Sub(f.lastAt) > f.track.FreshLimit() && tC >= f.last+f.relitK {
		f.unseen = true
	}
	f.last, f.lastAt, f.heard = tC, at, true
	if f.watching {
		return f.watch(at, tC)
	}
	_, hi, ok := f.track.Extremes(DroppedWithinS)
	if !ok {
		return Nothing
	}
	if f.fell {
		if tC > DroppedFromC && hi-tC < DroppedByK {
			f.fell = false // hot again without a word: ready to see the next fall
		}
		return Nothing
	}
	if hi > DroppedFromC && hi-tC >= DroppedByK {
		f.fell = true
		return Fell
	}
	return Nothing
}

func (f *Fire) watch(at track.Instant, tC float64) Event {
	f.lowest = math.Min(f.lowest, tC)
	if tC < f.lowest+f.relitK {
		f.rising, f.unseen = false, false
		return Nothing
	}
	if !f.rising {
		f.rising, f.roseAt, f.roseFrom = true, at, tC
		return Nothing
	}
	if at.Sub(f.roseAt) < RelitForS || tC < f.roseFrom && !f.unseen {
		return Nothing
	}
	// A fire is in again: the next fall of it is worth seeing.
	f.relit, f.relitAt, f.watching, f.fell = true, at, false, false
	return Relit
}

// Relit reports whether a fire was seen to come back, and when.
func (f *Fire) Relit() (track.Instant, bool) { return f.relitAt, f.relit }

// Out reports whether a fire is meant to be out.
func (f *Fire) Out() bool { return f.watching }
