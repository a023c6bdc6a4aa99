package forecast

import (
	"math"

	"ashlamp/rules/track"
)

// Figures of what the forecasts themselves teach. Common practice, no source.
const (
	// lessonMost is how many forecasts of a target are kept until it is reached; lessonS
	// the first spacing between them, s, doubled whenever there are too many.
	lessonMost, lessonS = 24, 120
	// shortestS is the least remaining time, s, that teaches anything.
	shortestS = 600
	// reachedFor is how many steps on end a reading must be under its limit.
	reachedFor = 3
	// plainly is the error, a natural logarithm, from which it was not the forecast that
	// was amiss.
	plainly = 0.7
	// buckets is how many spans of remaining time are told apart: up to 20 min, 40 min,
	// and so on to 1280 min and more.
	buckets = 8
	// doubt is for how many evenings the belief that nothing is amiss counts.
	doubt = 1.0
)

// Amiss is by how much forecasts of one target came out amiss over the evenings, a span
// of remaining time each: the mean of the logarithm of the true time over the forecast,
// and how many evenings showed it.
type Amiss struct {
	Mean [buckets]float64 `json:"mean"`
	N    [buckets]float64 `json:"n"`
}

func bucket(left float64) float64 { return math.Log2(left/60/20) + 0.5 }

// at returns what the forecast of a remaining time in s is to be corrected by.
func (a *Amiss) at(left float64) float64 {
	if a == nil || !(left > 0) {
		return 0
	}
	x := math.Max(0, math.Min(buckets-1, bucket(left)))
	i := int(x)
	j := min(i+1, buckets-1)
	one := func(i int) float64 { return a.Mean[i] * a.N[i] / (a.N[i] + doubt) }
	return one(i) + (one(j)-one(i))*(x-float64(i))
}

// add takes the errors of one evening, a span each; NaN where there were none.
func (a *Amiss) add(mean [buckets]float64) {
	for i, m := range mean {
		if math.IsNaN(m) {
			continue
		}
		// The newest evenings count most: an engine changes.
		a.N[i] = math.Min(a.N[i]+1, 8)
		a.Mean[i] += (m - a.Mean[i]) / a.N[i]
	}
}

// lesson is a forecast that waits for its outcome.
type lesson struct {
	at   track.Instant
	left float64 // s, as the model said without correction
}

// lessons are those of one target while nothing is changed.
type lessons struct {
	made    [lessonMost]lesson
	n       int
	spacing float64
	under   int
	since   track.Instant
	closed  bool
}

func (l *lessons) note(at track.Instant, left float64) {
	if l.closed || !(left >= shortestS) {
		return
	}
	if l.spacing == 0 {
		l.spacing = lessonS
	}
	if l.n > 0 && at.Sub(l.made[l.n-1].at) < l.spacing {
		return
	}
	if l.n == lessonMost {
		for i := range lessonMost / 2 {
			l.made[i] = l.made[2*i]
		}
		l.n, l.spacing = lessonMost/2, 2*l.spacing
	}
	l.made[l.n] = lesson{at, left}
	l.n++
}

// reads takes whether the target's readings are under their limits, and returns the
// errors once they have been so for long enough.
func (l *lessons) reads(at track.Instant, under bool) (mean [buckets]float64, done bool) {
	switch {
	case l.closed:
		return mean, false
	case !under:
		l.under = 0
		return mean, false
	case l.under == 0:
		l.since = at
	}
	if l.under++; l.under < reachedFor {
		return mean, false
	}
	l.closed = true
	var sum, n [buckets]float64
	for _, k := range l.made[:l.n] {
		took := l.since.Sub(k.at)
		if !(took > 0) {
			continue
		}
		off := math.Log(took / k.left)
		if math.Abs(off) > plainly {
			continue // what it took for granted was not so
		}
		i := int(math.Round(math.Max(0, math.Min(buckets-1, bucket(k.left)))))
		sum[i] += off
		n[i]++
	}
	for i := range mean {
		mean[i] = sum[i] / n[i] // NaN where there were none
	}
	return mean, l.n > 0
}
