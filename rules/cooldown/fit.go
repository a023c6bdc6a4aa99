package cooldown

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"ashlamp/rules/track"
)

// Figures of fitting. Common practice, no source.
const (
	// MeanOverS is over how long samples are averaged at first; it doubles as often as
	// memory asks for it.
	MeanOverS = 60
	// FitMeans and FitOverS are what a fit takes at least: so many means over so many
	// seconds.
	FitMeans = 8
	FitOverS = 1800
	// gapS is the longest silence within one stretch.
	gapS      = 600
	maxPoints = 256
)

// point is the mean of what came within one span of time.
type point struct {
	index int64 // of the span
	run   int32 // the stretch that it belongs to
	n     int32
	// sums: seconds since the line's first sample, what is fitted, and what it is
	// chosen by
	t, y, by float64
}

// line is what a straight line is fitted to: means over equal spans of time, in
// stretches. A stretch has its own level; they all share one slope. Its memory is
// constant: when it is full, spans are joined two by two.
type line struct {
	points [maxPoints]point
	n      int
	spanS  float64
	first  track.Instant
	last   track.Instant
	run    int32
	broken bool
}

// end says that what comes next belongs to another stretch.
func (l *line) end() { l.broken = true }

// add takes one value; what is not finite, or no later than the last, is left out.
func (l *line) add(at track.Instant, y, by float64) {
	switch {
	case math.IsNaN(y) || math.IsInf(y, 0):
		return
	case l.spanS == 0:
		l.spanS, l.first = MeanOverS, at
	case at <= l.last:
		return
	case l.broken || at.Sub(l.last) > gapS:
		l.run++
	}
	l.broken, l.last = false, at
	t := at.Sub(l.first)
	for {
		index := int64(math.Floor(t / l.spanS))
		if l.n > 0 {
			if p := &l.points[l.n-1]; p.index == index && p.run == l.run {
				p.n, p.t, p.y, p.by = p.n+1, p.t+t, p.y+y, p.by+by
				return
			}
		}
		if l.n < maxPoints {
			l.points[l.n] = point{index: index, run: l.run, n: 1, t: t, y: y, by: by}
			l.n++
			return
		}
		l.join()
	}
}

// join makes the spans twice as long. Where every point is a stretch of its own nothing
// can be joined: then the shorter half of the past, the oldest, is given up.
func (l *line) join() {
	l.spanS *= 2
	n := 0
	for _, p := range l.points[:l.n] {
		p.index = int64(math.Floor(float64(p.index) / 2))
		if n > 0 && l.points[n-1].index == p.index && l.points[n-1].run == p.run {
			q := &l.points[n-1]
			q.n, q.t, q.y, q.by = q.n+p.n, q.t+p.t, q.y+p.y, q.by+p.by
			continue
		}
		l.points[n] = p
		n++
	}
	if n == maxPoints {
		n = copy(l.points[:], l.points[maxPoints/2:n])
	}
	l.n = n
}

// slope is a fitted slope per hour with the half width of its 95 % interval, NaN where
// none can be told.
type slope struct {
	perHour, half    float64
	means            int
	effective, hours float64
}

// fit fits one slope through the points that choose picks, by their mean of what they
// are chosen by. It reports false where there is too little.
//
// The interval is Student's of a regression slope, with the effective number of
// independent means n(1-r)/(1+r) in place of their number n, where r is the lag-1
// autocorrelation of the residuals: B. D. Santer and others, Journal of Geophysical
// Research 105 (2000) 7337-7356, equations 3 to 6, from memory. An r below zero is
// taken as zero: there are never more independent means than means.
func (l *line) fit(choose func(by float64) bool) (slope, bool) {
	var at []int
	for i := range l.n {
		if p := &l.points[i]; choose == nil || choose(p.by/float64(p.n)) {
			at = append(at, i)
		}
	}
	xy := func(i int) (x, y float64) {
		p := &l.points[i]
		return p.t / float64(p.n) / 3600, p.y / float64(p.n)
	}
	var s slope
	var sxx, sxy, runs float64
	type level struct{ x, y float64 }
	levels := map[int32]level{}
	for i := 0; i < len(at); {
		j, run := i, l.points[at[i]].run
		var sx, sy float64
		for ; j < len(at) && l.points[at[j]].run == run; j++ {
			x, y := xy(at[j])
			sx, sy = sx+x, sy+y
		}
		n := float64(j - i)
		m := level{sx / n, sy / n}
		levels[run] = m
		for k := i; k < j; k++ {
			x, y := xy(at[k])
			sxx += (x - m.x) * (x - m.x)
			sxy += (x - m.x) * (y - m.y)
		}
		from, _ := xy(at[i])
		to, _ := xy(at[j-1])
		s.hours += to - from
		runs++
		i = j
	}
	s.means = len(at)
	if s.means < FitMeans || s.hours*3600 < FitOverS-MeanOverS || !(sxx > 0) {
		return s, false
	}
	s.perHour = sxy / sxx
	var sse, lagged, before float64
	for k, i := range at {
		x, y := xy(i)
		m := levels[l.points[i].run]
		e := y - m.y - s.perHour*(x-m.x)
		sse += e * e
		if k > 0 && l.points[at[k-1]].run == l.points[i].run && l.points[at[k-1]].index == l.points[i].index-1 {
			lagged += e * before
		}
		before = e
	}
	s.half, s.effective = interval(float64(s.means), runs, sse, lagged, sxx)
	return s, true
}

// interval returns the half width of the 95 % interval of a slope, and the effective
// number of means; see [line.fit].
func interval(n, runs, sse, lagged, sxx float64) (half, effective float64) {
	effective = n
	if sse > 0 {
		if r := lagged / sse; r > 0 {
			effective = n * (1 - r) / (1 + r)
		}
	}
	free := effective - runs - 1
	if !(free >= 1) {
		return math.NaN(), effective
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: free}.Quantile(0.975)
	return t * math.Sqrt(sse/free/sxx), effective
}

// falling is how fast something falls, in the slope's unit over scale.
func (s slope) falling(scale float64) *Rate {
	r := &Rate{Value: -s.perHour * scale, Means: s.means, Effective: s.effective, Hours: s.hours}
	if !math.IsNaN(s.half) {
		r.Lo, r.Hi = number(r.Value-s.half*scale), number(r.Value+s.half*scale)
	}
	return r
}

// timeConstant is that of what falls so, in hours; nil where it does not fall.
func (s slope) timeConstant() *Rate {
	if !(s.perHour < 0) {
		return nil
	}
	r := &Rate{Value: -1 / s.perHour, Means: s.means, Effective: s.effective, Hours: s.hours}
	// Where the interval of the slope reaches to zero the time constant has no upper end.
	if lo := -s.perHour - s.half; lo > 0 {
		r.Lo, r.Hi = number(1/(-s.perHour+s.half)), number(1/lo)
	}
	return r
}

// number is nil for what is none.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
