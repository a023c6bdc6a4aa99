// Package saturation watches whether the pressure transducer and the shell
// follow the saturation line together. That they did, under steam, is what makes
// the transducer's zero believable later.
package saturation

import (
	"math"

	"ashlamp/rules/steam"
	"ashlamp/rules/track"
)

// What "following" takes. The figures are common practice, no source; the line
// itself is IAPWS R7-97(2012).
const (
	// FromBar is the lowest gauge pressure at which agreement counts: under it a
	// kelvin is worth too little pressure.
	FromBar = 0.5
	// ForS is how long they must have agreed in all.
	ForS = 300
	// SpanBar is over what span of pressure: standing still proves nothing of a
	// stuck transducer.
	SpanBar = 0.5
	// AgainstS is how long they must disagree before the agreement is void.
	AgainstS = 120
	// LagK allows for steel that follows the water a little late.
	LagK = 3
	// ContactShare is the part of its excess over the air by which a couple on a
	// shell may read low.
	ContactShare = 0.02
	// GapS is the longest time between two pairs that counts as watched.
	GapS = 60
)

// Pair is pressure and shell temperature at one moment.
type Pair struct {
	At track.Instant
	// Gauge and Ambient in pascal; UPressure is the expanded uncertainty of Gauge.
	Gauge, UPressure, Ambient float64
	// Shell and Air in degree Celsius; UShell is the expanded uncertainty of Shell.
	Shell, UShell, Air float64
}

// Follow is what has been seen so far. The zero value has seen nothing.
type Follow struct {
	agreedS  float64
	lo, hi   float64
	last     track.Instant
	lastOK   bool
	seenPair bool
	against  track.Instant
	opposed  bool
	void     bool
	worstK   float64
}

// Tolerance returns by how many kelvin the shell may differ from the saturation
// temperature at the pair's pressure, and that temperature. An error means that
// the pressure is not one at which water boils within the formulation.
func (p Pair) Tolerance() (saturationC, toleranceK float64, err error) {
	abs := p.Gauge + p.Ambient
	saturationC, err = steam.SaturationTemperature(abs)
	if err != nil {
		return 0, 0, err
	}
	above, err := steam.SaturationTemperature(abs + p.UPressure)
	if err != nil {
		return 0, 0, err
	}
	contact := ContactShare * math.Max(0, p.Shell-p.Air)
	return saturationC, p.UShell + contact + LagK + (above - saturationC), nil
}

// Next takes one pair. wetted is false while the boiler is being emptied or is
// empty: dry steel has no reason to follow, so disagreement then says nothing.
func (f *Follow) Next(p Pair, wetted bool) {
	ts, tol, err := p.Tolerance()
	if err != nil {
		return
	}
	diff := math.Abs(p.Shell - ts)
	agrees := diff <= tol
	dt := p.At.Sub(f.last)
	watched := f.seenPair && dt > 0 && dt <= GapS
	switch {
	case agrees && p.Gauge >= FromBar*1e5:
		if watched && f.lastOK {
			f.agreedS += dt
		}
		if f.agreedS == 0 && !f.lastOK {
			f.lo, f.hi = p.Gauge, p.Gauge
		}
		f.lo, f.hi = math.Min(f.lo, p.Gauge), math.Max(f.hi, p.Gauge)
		f.opposed, f.void = false, false
	case agrees:
		f.opposed = false
	case wetted && (p.Shell > ts+tol || p.Gauge >= FromBar*1e5):
		if !f.opposed || !watched {
			f.opposed, f.against = true, p.At
		}
		f.worstK = diff
		if p.At.Sub(f.against) >= AgainstS {
			*f = Follow{void: true, worstK: diff, opposed: true, against: f.against}
		}
	}
	f.last, f.lastOK, f.seenPair = p.At, agrees && p.Gauge >= FromBar*1e5, true
}

// Seen reports whether transducer and shell have followed the line together for
// long enough, over a wide enough span.
func (f *Follow) Seen() bool {
	return !f.void && f.agreedS >= ForS && f.hi-f.lo >= SpanBar*1e5
}

// Void reports whether they have parted company for good, and by how many kelvin.
func (f *Follow) Void() (byK float64, void bool) { return f.worstK, f.void }
