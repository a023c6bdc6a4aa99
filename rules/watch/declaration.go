package watch

import (
	"fmt"
	"math"

	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// Declaration says what one watch is.
type Declaration struct {
	ID, Title string
	// Priority is the highest that it can have, Low where it has but one of three by
	// level; Consequence is what comes of it if nobody acts.
	Priority    alarm.Priority
	Consequence string
	// RespondS is how long there is to act, in seconds.
	RespondS float64
	// Action is what the person should do.
	Action string
	// Deadband in words; OnDelayS and OffDelayS in seconds, with where they are from.
	Deadband            string
	OnDelayS, OffDelayS float64
	Source              string
	// ReAlarmS and ShelfS are as in [alarm.Settings].
	ReAlarmS, ShelfS float64
	// SuppressedIn are the phases in which it is suppressed by design, and
	// SuppressedFor why, in a few words. A watch may look closer than at the phase.
	SuppressedIn  []disposal.Phase
	SuppressedFor string
	// Side is to which side the uncertainty is taken.
	Side   Side
	Needs  []telemetry.Channel
	Limits []limit.Key

	judge    func(d *Declaration, k *Known, now track.Instant, aloud bool) finding
	suppress func(d *Declaration, k *Known) (why string, yes bool)
}

// finding is what a condition comes to: whether it holds, how much it presses, what
// is to be said if anybody asks, and when time alone makes it another.
type finding struct {
	c     alarm.Condition
	p     alarm.Priority
	text  string
	until track.Instant
}

// Settings returns how the alarm of this watch behaves.
func (d *Declaration) Settings() alarm.Settings {
	return alarm.Settings{Watch: d.ID, OnDelayS: d.OnDelayS, OffDelayS: d.OffDelayS, ReAlarmS: d.ReAlarmS, ShelfS: d.ShelfS}
}

// Judge returns what the watch tells its alarm at now, and the first moment at which
// time alone could change that, the ageing of samples aside; [track.Never] if only a
// sample or a word can. aloud asks for the sentence even where nothing holds.
func (d *Declaration) Judge(k *Known, now track.Instant, aloud bool) (alarm.Input, track.Instant) {
	if why, off := d.Off(k); off {
		return alarm.Input{Suppressed: true, Why: why, Priority: d.Priority}, track.Never
	}
	f := d.judge(d, k, now, aloud)
	in := alarm.Input{Condition: f.c, Priority: f.p, Text: f.text}
	if d.suppress != nil {
		in.Why, in.Suppressed = d.suppress(d, k)
	}
	if f.until == 0 {
		f.until = track.Never
	}
	return in, f.until
}

// Off reports whether the watch has no limit to go by, and says so.
func (d *Declaration) Off(k *Known) (why string, off bool) {
	for _, key := range d.Limits {
		if (key == limit.Cooling || key == limit.Spread) && math.IsNaN(k.limit(key)) {
			return fmt.Sprintf("off until the owner sets %s from the maker's book", key), true
		}
	}
	return "", false
}

// inPhase suppresses in the phases declared.
func inPhase(d *Declaration, k *Known) (string, bool) {
	for _, p := range d.SuppressedIn {
		if p == k.Phase {
			return d.SuppressedFor, true
		}
	}
	return "", false
}

// over holds a reading against a limit that it should stay under.
func (d *Declaration) over(r Reading, lim, band float64) alarm.Condition {
	if !r.Known && !(r.Doubtful && d.Side == Early) {
		return alarm.Unknown
	}
	x := r.Value
	switch d.Side {
	case Early:
		x += r.U
	case Late:
		x -= r.U
	}
	switch {
	case math.IsNaN(x) || math.IsNaN(lim) || math.IsNaN(band):
		return alarm.Unknown
	case x >= lim:
		return alarm.Holding
	case !r.Known:
		return alarm.Unknown
	case x > lim-band:
		return alarm.Between
	}
	return alarm.Clear
}

// under holds a reading against a limit that it should stay over.
func (d *Declaration) under(r Reading, lim, band float64) alarm.Condition {
	r.Value = -r.Value
	return d.over(r, -lim, band)
}

// join returns the worst of several: holding before unknown before between.
func join(a, b alarm.Condition) alarm.Condition {
	rank := func(c alarm.Condition) int {
		switch c {
		case alarm.Holding:
			return 3
		case alarm.Unknown:
			return 2
		case alarm.Between:
			return 1
		}
		return 0
	}
	if rank(b) > rank(a) {
		return b
	}
	return a
}
