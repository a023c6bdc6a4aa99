// Package disposal follows one engine from the ash pit to the shed and on to the
// next fire: when a putting-away begins and ends, and which phase it is in.
package disposal

import (
	"ashlamp/rules/track"
)

// Phase is where an engine is between one fire and the next.
type Phase string

// The phases of the contract.
const (
	InSteam     Phase = "in-steam"
	FireDropped Phase = "fire-dropped"
	BlowingDown Phase = "blowing-down"
	Emptied     Phase = "emptied"
	Cooling     Phase = "cooling"
	Housed      Phase = "housed"
	LaidUp      Phase = "laid-up"
	LightingUp  Phase = "lighting-up"
)

const (
	// AfterHousedS is how long after the engine is said to be housed its disposal
	// ends (contract).
	AfterHousedS = 1800
	// CoolingAfterS is how long after the fire was dropped an engine left with its
	// water counts as cooling (common practice, no source).
	CoolingAfterS = 1800
	// SteamBar is the gauge pressure from which an engine just lit is in steam
	// (common practice, no source).
	SteamBar = 1.0
)

// Why says how a disposal came to begin or end.
type Why string

// The ways of beginning and ending.
const (
	Said       Why = "said"
	Found      Why = "found"
	Superseded Why = "superseded"
	Lit        Why = "fire lit"
)

// Facts is what the phases are judged from, at one moment.
type Facts struct {
	// FireOut is that a fire is meant to be out and none was seen since.
	FireOut bool
	// DroppedAt is when the fire was said or seen to be dropped.
	DroppedAt track.Instant
	// Running, Fell and Gone are of the blow-down: pipe running, pipe fallen, glass empty.
	Running, Fell, Gone bool
	// PlugsRemoved is that the plugs are said to be out.
	PlugsRemoved bool
	// GaugeBar is the boiler's pressure; NaN where it is not known.
	GaugeBar float64
	// FireboxC is the firebox temperature; NaN where it is not known.
	FireboxC float64
}

// Disposal is the state of one engine. The zero value has seen nothing.
type Disposal struct {
	phase   Phase
	open    bool
	begun   track.Instant
	ended   track.Instant
	housed  track.Instant
	isLit   bool
	everEnd bool
}

// Phase returns the present phase.
func (d *Disposal) Phase() Phase {
	if d.phase == "" {
		return LaidUp
	}
	return d.phase
}

// Open reports whether a disposal is open, and since when.
func (d *Disposal) Open() (begun track.Instant, open bool) { return d.begun, d.open }

// Last returns when the newest disposal began and ended; begun is 0 where there
// was none, ended is 0 while it is open.
func (d *Disposal) Last() (begun, ended track.Instant) {
	if d.open {
		return d.begun, 0
	}
	return d.begun, d.ended
}

// HousedAt returns when the engine was said to be housed; false while it was not.
func (d *Disposal) HousedAt() (track.Instant, bool) { return d.housed, d.housed != 0 }

// Begin opens a disposal and reports whether it superseded one that was open.
func (d *Disposal) Begin(at track.Instant) (superseded bool) {
	superseded = d.open
	if superseded {
		d.ended = at
	}
	d.open, d.begun, d.housed, d.isLit = true, at, 0, false
	return superseded
}

// House says that the engine is housed; its disposal ends half an hour later.
// It has no effect where none is open.
func (d *Disposal) House(at track.Instant) bool {
	if !d.open || d.housed != 0 {
		return false
	}
	d.housed = at
	return true
}

// Light says that a fire is lit, which ends disposal and lay-up; it reports
// whether a disposal was open.
func (d *Disposal) Light(at track.Instant) (ended bool) {
	ended = d.open
	d.close(at)
	d.isLit, d.phase = true, LightingUp
	return ended
}

func (d *Disposal) close(at track.Instant) {
	if d.open {
		d.open, d.ended, d.everEnd = false, at, true
	}
	d.housed = 0
}

// EndsAt returns when time alone ends the open disposal, or [track.Never].
func (d *Disposal) EndsAt() track.Instant {
	if d.open && d.housed != 0 {
		return d.housed.Add(AfterHousedS)
	}
	return track.Never
}

// Next returns the first moment after now at which time alone ends the disposal
// or may bring another phase, or [track.Never].
func (d *Disposal) Next(now track.Instant, f Facts) track.Instant {
	next := d.EndsAt()
	if cooling := f.DroppedAt.Add(CoolingAfterS); d.open && f.FireOut && cooling > now {
		next = min(next, cooling)
	}
	return next
}

// Expire ends the disposal if its time has come, and reports whether it did.
func (d *Disposal) Expire(now track.Instant) bool {
	if now < d.EndsAt() {
		return false
	}
	d.close(now)
	d.phase = LaidUp
	return true
}

// Judge forms the phase at now and reports whether it changed.
func (d *Disposal) Judge(now track.Instant, f Facts) bool {
	next := d.next(now, f)
	changed := next != d.phase
	d.phase = next
	return changed
}

func (d *Disposal) next(now track.Instant, f Facts) Phase {
	switch {
	case d.isLit:
		if f.GaugeBar >= SteamBar {
			return InSteam
		}
		return LightingUp
	case !d.open:
		if d.everEnd {
			return LaidUp
		}
		// Nothing was said yet: go by what is seen.
		if f.GaugeBar >= SteamBar || f.FireboxC >= 400 {
			return InSteam
		}
		return LaidUp
	case d.housed != 0:
		return Housed
	case f.PlugsRemoved:
		return Cooling
	case f.Running:
		return BlowingDown
	case f.Fell && f.Gone:
		return Emptied
	case f.FireOut && now >= f.DroppedAt.Add(CoolingAfterS) && !f.Running && !f.Fell && f.GaugeBar < SteamBar:
		return Cooling
	case f.FireOut:
		return FireDropped
	}
	return InSteam
}
