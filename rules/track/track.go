// Package track keeps what the judgement needs of one channel's past: the newest
// samples, how long good ones have come without a gap, and means over the last
// three quarters of an hour. Memory and time a sample are constant.
package track

import (
	"math"
	"time"

	"ashlamp/rules/telemetry"
)

// Instant is a time in microseconds since the Unix epoch: small and quick to
// compare, and no coarser than a sample's time.
type Instant int64

// Never is an instant after every other.
const Never = Instant(math.MaxInt64)

// Of returns t as an Instant.
func Of(t time.Time) Instant { return Instant(t.UnixMicro()) }

// Time returns the instant as UTC.
func (i Instant) Time() time.Time { return time.UnixMicro(int64(i)).UTC() }

// Sub returns i - j in seconds.
func (i Instant) Sub(j Instant) float64 { return float64(i-j) / 1e6 }

// Add returns the instant s seconds later.
func (i Instant) Add(s float64) Instant { return i + Instant(math.Round(s*1e6)) }

const (
	binSeconds = 10
	binCount   = 280 // 46 min 40 s: the longest trend looked at is 30 min
	recentMax  = 64  // repeats and shuffles beyond so many samples are taken as late
)

type bin struct {
	index  int64
	sum    float64
	n      int32
	lo, hi float64
}

// Track is the past of one channel. Make it with [New].
type Track struct {
	id    telemetry.Channel
	fresh float64

	newest    telemetry.Sample // any quality
	heard     bool
	newestBad telemetry.Sample
	good      Instant
	value     float64
	since     Instant // start of the run of good samples without a gap
	hasGood   bool

	recent  [recentMax]seen
	recentN int

	bins  [binCount]bin
	holds []*Hold

	conflicts int
}

type seen struct {
	at      Instant
	value   float64
	quality telemetry.Quality
}

// New returns an empty track; fresh is the channel's limit of age in seconds: a
// longer silence between good samples is a gap.
func New(id telemetry.Channel, fresh float64) *Track {
	return &Track{id: id, fresh: fresh}
}

// Admission says what became of a sample.
type Admission uint8

const (
	// Repeated: the same channel and time was heard before with the same value.
	Repeated Admission = iota
	// Conflicting: the same channel and time was heard before with another value;
	// the first stands.
	Conflicting
	// Late: older than the newest good sample; it can end a hold but not extend one.
	Late
	// Newest: the newest sample of its channel so far.
	Newest
)

// Add takes one sample in and says what became of it.
func (t *Track) Add(s telemetry.Sample) Admission {
	at := Of(s.At)
	n := min(t.recentN, recentMax)
	for i := range n {
		r := &t.recent[i]
		if r.at != at {
			continue
		}
		if r.quality == s.Quality && (r.value == s.Value || r.value != r.value && s.Value != s.Value) {
			return Repeated
		}
		t.conflicts++
		return Conflicting
	}
	t.recent[t.recentN%recentMax] = seen{at, s.Value, s.Quality}
	t.recentN++
	if t.recentN == 2*recentMax {
		t.recentN = recentMax
	}

	late := t.heard && at < Of(t.newest.At)
	if !late {
		t.newest, t.heard = s, true
	}
	if s.Quality != telemetry.Good || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
		if !late {
			t.newestBad = s
		}
		if late {
			return Late
		}
		return Newest
	}
	if t.hasGood && at < t.good {
		t.bin(at, s.Value)
		for _, h := range t.holds {
			h.late(at, s.Value)
		}
		return Late
	}
	if !t.hasGood || at.Sub(t.good) > t.fresh {
		t.since = at
	}
	t.good, t.value, t.hasGood = at, s.Value, true
	t.bin(at, s.Value)
	for _, h := range t.holds {
		h.next(at, s.Value)
	}
	return Newest
}

func (t *Track) bin(at Instant, v float64) {
	index := int64(at) / (binSeconds * 1_000_000)
	b := &t.bins[index%binCount]
	if b.index > index {
		return // older than anything a trend looks at
	}
	if b.index != index || b.n == 0 {
		*b = bin{index: index, lo: v, hi: v}
	}
	b.sum += v
	b.n++
	b.lo, b.hi = math.Min(b.lo, v), math.Max(b.hi, v)
}

// ID returns the channel.
func (t *Track) ID() telemetry.Channel { return t.id }

// FreshLimit returns the limit of age in seconds.
func (t *Track) FreshLimit() float64 { return t.fresh }

// Heard reports whether any sample came, of whatever quality.
func (t *Track) Heard() bool { return t.heard }

// Newest returns the newest sample of any quality, and false if there is none.
func (t *Track) Newest() (telemetry.Sample, bool) { return t.newest, t.heard }

// Conflicts returns how many samples came with another value for a time that
// already had one.
func (t *Track) Conflicts() int { return t.conflicts }

// Good returns the newest good sample, and false if there is none.
func (t *Track) Good() (at Instant, value float64, ok bool) { return t.good, t.value, t.hasGood }

// Fresh returns the newest good value, and false if there is none or it is older
// than the limit.
func (t *Track) Fresh(now Instant) (value float64, ok bool) {
	if !t.hasGood || now.Sub(t.good) > t.fresh {
		return math.NaN(), false
	}
	return t.value, true
}

// StaleAt returns the first moment at which the newest good sample no longer
// counts, or [Never] if there is none.
func (t *Track) StaleAt() Instant {
	if !t.hasGood {
		return Never
	}
	return t.good.Add(t.fresh) + 1
}

// Fault returns why the newest sample is not good, if that is so and it is newer
// than the newest good one.
func (t *Track) Fault() (reason string, ok bool) {
	if !t.heard || t.newest.Quality == telemetry.Good {
		return "", false
	}
	return t.newest.Reason, true
}

// Since returns the start of the run of good samples without a gap that the
// newest good sample belongs to.
func (t *Track) Since() Instant { return t.since }

// Thirds returns the means of the good samples over each third of the last
// window seconds before the newest good sample, oldest first. It is false where
// a third is empty or the window reaches back over a gap.
func (t *Track) Thirds(window float64) (mean [3]float64, ok bool) {
	if !t.hasGood || t.good.Sub(t.since) < window {
		return mean, false
	}
	last := int64(t.good) / (binSeconds * 1_000_000)
	bins := int64(math.Ceil(window / binSeconds))
	var sum [3]float64
	var n [3]int32
	for i := range bins {
		index := last - bins + 1 + i
		b := &t.bins[index%binCount]
		if b.index != index {
			continue
		}
		third := i * 3 / bins
		sum[third] += b.sum
		n[third] += b.n
	}
	for k := range mean {
		if n[k] == 0 {
			return mean, false
		}
		mean[k] = sum[k] / float64(n[k])
	}
	return mean, true
}

// Extremes returns the lowest and highest good value within the last window
// seconds before the newest good sample, to the bin; false where there is none.
func (t *Track) Extremes(window float64) (lo, hi float64, ok bool) {
	if !t.hasGood {
		return math.NaN(), math.NaN(), false
	}
	last := int64(t.good) / (binSeconds * 1_000_000)
	bins := min(int64(math.Ceil(window/binSeconds)), binCount)
	lo, hi = math.Inf(1), math.Inf(-1)
	for i := range bins {
		index := last - i
		if b := &t.bins[index%binCount]; b.index == index && b.n > 0 {
			lo, hi, ok = math.Min(lo, b.lo), math.Max(hi, b.hi), true
		}
	}
	return lo, hi, ok
}

// Hold follows for how long the good samples of one channel have been inside a
// limit without a gap.
type Hold struct {
	track  *Track
	inside func(at Instant, v float64) bool
	// since is when the run inside began; from 0 there is none.
	since, last Instant
	running     bool
}

// Hold returns a new hold on the track. Inside judges each good sample as it
// comes; it must already take the uncertainty on the unsafe side, and be false
// for NaN.
func (t *Track) Hold(inside func(at Instant, v float64) bool) *Hold {
	h := &Hold{track: t, inside: inside}
	t.holds = append(t.holds, h)
	return h
}

func (h *Hold) next(at Instant, v float64) {
	switch {
	case !h.inside(at, v):
		h.running = false
		return
	case !h.running || at.Sub(h.last) > h.track.fresh:
		h.since = at
	}
	h.last, h.running = at, true
}

// late takes a good sample that is older than the newest: one outside the limit
// within the run ends it there, and since nothing is known of the time between,
// the run begins anew at the newest sample; one inside changes nothing.
func (h *Hold) late(at Instant, v float64) {
	if h.running && at >= h.since && !h.inside(at, v) {
		h.since = h.last
	}
}

// Held returns for how many seconds the hold has run at now, and false where the
// newest good sample is outside the limit, too old, or absent.
func (h *Hold) Held(now Instant) (seconds float64, ok bool) {
	if !h.running || now.Sub(h.track.good) > h.track.fresh {
		return 0, false
	}
	return math.Max(0, now.Sub(h.since)), true
}

// Since returns when the present run inside the limit began; false where there is none.
func (h *Hold) Since() (Instant, bool) { return h.since, h.running }

// Restart forgets the run, as after the limit itself has changed.
func (h *Hold) Restart() { h.running = false }
