package main

import (
	"math"
	"sort"

	"ashlamp/rules/forecast"
	"ashlamp/simulators/skill/evening"
)

// horizon is how much of the remaining time is left when a forecast is scored: a part
// of what there was at first, or so many seconds.
type horizon struct {
	name    string
	part    float64
	seconds float64
}

var horizons = []horizon{
	{"start", 0.95, 0}, {"half", 0.5, 0}, {"quarter", 0.25, 0},
	{"4h", 0, 4 * 3600}, {"2h", 0, 2 * 3600}, {"1h", 0, 3600}, {"30min", 0, 1800},
}

// shortest is the least remaining time in s that a target is scored from, and
// shortestRun that while the cocks run.
const shortest, shortestRun = 900, 60

// key is a target as it is scored: what runs out of the cocks apart.
type key struct {
	target  forecast.Target
	running bool
}

// tally is relative errors, and what the rivals made of the same moments.
type tally struct {
	ours, signed, line, exp []float64
	seconds                 []float64
	inside, told, asked     int
}

// score adds one evening's forecasts.
func score(to map[key]map[string]*tally, r *evening.Result) {
	for i := range r.Stretches {
		s := &r.Stretches[i]
		for target, at := range s.Reached {
			whole := at - s.From
			if whole < shortest && !s.Running || whole < shortestRun {
				continue
			}
			k := key{target, s.Running}
			if to[k] == nil {
				to[k] = map[string]*tally{}
			}
			for _, h := range horizons {
				left := h.seconds
				if h.part > 0 {
					left = h.part * whole
				} else if whole < left+300 {
					continue
				}
				m, ok := nearest(s, target, at-left)
				if !ok {
					continue
				}
				e := to[k][h.name]
				if e == nil {
					e = &tally{}
					to[k][h.name] = e
				}
				e.add(m, at)
			}
		}
	}
}

func (e *tally) add(m evening.Made, at float64) {
	left := at - m.At
	e.asked++
	if !m.Told {
		return
	}
	e.told++
	e.ours = append(e.ours, math.Abs(m.ETA-at)/left)
	e.seconds = append(e.seconds, math.Abs(m.ETA-at))
	e.signed = append(e.signed, (m.ETA-at)/left)
	if m.Lo <= at && at <= m.Hi {
		e.inside++
	}
	// A rival that says nothing is as far off as one that says now.
	rel := func(t float64) float64 {
		if math.IsNaN(t) {
			return 1
		}
		return math.Abs(t-at) / left
	}
	e.line = append(e.line, rel(m.Line))
	e.exp = append(e.exp, rel(m.Exp))
}

// nearest returns what was foretold of a target nearest to a moment.
func nearest(s *evening.Stretch, target forecast.Target, t float64) (best evening.Made, ok bool) {
	off := math.Inf(1)
	for _, m := range s.Made {
		if m.Target == target && m.Assuming == forecast.AsIs && math.Abs(m.At-t) < off {
			best, off, ok = m, math.Abs(m.At-t), true
		}
	}
	return best, ok && off <= math.Max(10, math.Min(330, 0.2*math.Abs(t-s.From)+60))
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
