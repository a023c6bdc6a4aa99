package health

import (
	"math"

	"ashlamp/rules/track"
)

// pairing follows the difference between two channels that should be equal, by an
// exponentially weighted moving average, against what their uncertainties allow.
type pairing struct {
	mean, tol float64
	at        track.Instant
	began     bool
	over      track.Instant // beyond the tolerance since
	under     track.Instant // well inside it since
	agreedS   float64
	parted    track.Instant // last moment of agreement
	against   bool
}

// next takes one difference.
func (p *pairing) next(at track.Instant, d, tol float64) {
	dt := at.Sub(p.at)
	if !p.began || dt > 300 || dt < 0 {
		p.mean, p.began, p.over, p.under = d, true, 0, 0
	} else {
		p.mean += (d - p.mean) * (1 - math.Exp(-dt/SmoothS))
		if math.Abs(p.mean) < tol/2 {
			p.agreedS += dt
			p.parted = at
		}
	}
	p.at, p.tol = at, tol
	switch a := math.Abs(p.mean); {
	case a > tol:
		p.under = 0
		if p.over == 0 {
			p.over = at
		}
		if at.Sub(p.over) >= ConfirmS {
			p.against = true
		}
	case a < ClearShare*tol:
		p.over = 0
		if p.under == 0 {
			p.under = at
		}
		if at.Sub(p.under) >= ClearS {
			p.against = false
		}
	default:
		p.over, p.under = 0, 0
	}
}

// drifted reports whether it agreed for long and parted little by little.
func (p *pairing) drifted() bool {
	return p.agreedS >= 300 && p.over != 0 && p.over.Sub(p.parted) > 300
}

// steady follows whether something holds for long enough to be told, or has not for
// long enough to be forgotten.
type steady struct {
	on, off track.Instant
	told    bool
}

func (s *steady) next(at track.Instant, holds bool, onS float64) bool {
	if holds {
		s.off = 0
		if s.on == 0 {
			s.on = at
		}
		if at.Sub(s.on) >= onS {
			s.told = true
		}
	} else {
		s.on = 0
		if s.off == 0 {
			s.off = at
		}
		if at.Sub(s.off) >= ClearS {
			s.told = false
		}
	}
	return s.told
}
