package cooldown

import (
	"math"

	"ashlamp/rules/track"
)

// tank follows a level for when its last fall began.
type tank struct {
	*channel
	// ref is the level at which it stands, or the lowest of its fall; at is when it last
	// had it, from since when it falls, 0 while it stands.
	ref  float64
	at   track.Instant
	from track.Instant
}

// look takes the newest level. A fall begins where the level was last seen as it had
// stood; what is within the uncertainty of that is no fall. One that comes to rest above
// the level empty is over, and what falls later is another.
func (t *tank) look(level, empty float64) {
	at := t.channel.at
	stands := func() { t.ref, t.at, t.from = level, at, 0 }
	switch {
	case t.at == 0 || level > t.ref+t.u:
		stands()
	case t.from == 0 && level >= t.ref-t.u:
		t.ref, t.at = math.Max(t.ref, level), at
	case t.from == 0:
		t.from = t.at
		t.ref, t.at = level, at
	case level < t.ref-t.u/2:
		t.ref, t.at = level, at
	case at.Sub(t.at) > StoodS && level > empty:
		stands()
	}
}

const coolingSpans = CoolingOverS / MeanOverS

// fall keeps the means of the last ten minutes of one shell channel.
type fall struct {
	index [coolingSpans + 1]int64
	sum   [coolingSpans + 1]float64
	n     [coolingSpans + 1]int
	last  int64
}

// add takes one temperature in °C. Where a span has ended it returns the cooling over
// the ten minutes before, K/h: positive while it cools.
func (f *fall) add(at track.Instant, tC float64) (kPerH float64, ok bool) {
	index := int64(at) / (MeanOverS * 1e6)
	place := func(i int64) int { return int(i % (coolingSpans + 1)) }
	if f.last != 0 && index > f.last {
		new, old := place(f.last), place(f.last-coolingSpans)
		if f.n[new] > 0 && f.n[old] > 0 && f.index[new] == f.last && f.index[old] == f.last-coolingSpans {
			d := f.sum[old]/float64(f.n[old]) - f.sum[new]/float64(f.n[new])
			kPerH, ok = d*3600/CoolingOverS, true
		}
	}
	f.last = max(f.last, index)
	p := place(index)
	if f.index[p] != index {
		f.index[p], f.sum[p], f.n[p] = index, 0, 0
	}
	f.sum[p] += tC
	f.n[p]++
	return kPerH, ok
}

// lag regresses by how much the saturation temperature at the boiler's pressure is above
// the shell on how fast it falls: what follows late reads too high the faster it falls,
// and an offset between the two does not count. Its memory is constant.
type lag struct {
	index      int64
	n          int
	sat, over  float64 // sums of the span
	means      [3]float64
	overs      [3]float64
	spans      int // that followed each other without a gap
	count      float64
	mx, my     float64 // means of fall and difference
	sxx, sxy   float64
	least, top float64
}

// add takes both temperatures in °C at one moment.
func (l *lag) add(at track.Instant, saturationC, shellC float64) {
	index := int64(at) / (MeanOverS * 1e6)
	if index != l.index {
		l.close(index)
	}
	l.n++
	l.sat += saturationC
	l.over += saturationC - shellC
}

func (l *lag) close(next int64) {
	if l.n > 0 {
		l.means[0], l.means[1], l.means[2] = l.means[1], l.means[2], l.sat/float64(l.n)
		l.overs[0], l.overs[1], l.overs[2] = l.overs[1], l.overs[2], l.over/float64(l.n)
		l.spans++
		if l.spans >= 3 {
			// The fall about the span in the middle.
			l.take((l.means[0]-l.means[2])/2*3600/MeanOverS, l.overs[1])
		}
	}
	if next != l.index+1 {
		l.spans = 0
	}
	l.index, l.n, l.sat, l.over = next, 0, 0, 0
}

// take adds one pair to the sums, after B. P. Welford, Technometrics 4 (1962) 419-420.
func (l *lag) take(fall, over float64) {
	if l.count == 0 {
		l.least, l.top = fall, fall
	}
	l.least, l.top = math.Min(l.least, fall), math.Max(l.top, fall)
	l.count++
	dx := fall - l.mx
	l.mx += dx / l.count
	l.my += (over - l.my) / l.count
	l.sxx += dx * (fall - l.mx)
	l.sxy += dx * (over - l.my)
}

// lag returns the lag in seconds; nil where too little was seen, or all at one rate. It
// has no interval: the residuals are not kept that would tell how many independent ones
// they are worth, and Effective is therefore 0.
func (l *lag) lag() *Rate {
	if l.count < FitMeans || !(l.top-l.least >= LagSpanKPerH) || !(l.sxx > 0) {
		return nil
	}
	return &Rate{Value: l.sxy / l.sxx * 3600, Means: int(l.count), Hours: l.count * MeanOverS / 3600}
}
