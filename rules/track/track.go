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

// Add returns the instant s seconds later; [Never] where s is NaN or the sum is
// beyond every instant, so that a limit that is not known is never reached.
func (i Instant) Add(s float64) Instant {
	d := math.Round(s * 1e6)
	if !(float64(i)+d < float64(Never)) {
		return Never
	}
	return i + Instant(d)
}

const (
	binSeconds = 10
	binCount   = 280 // 46 min 40 s: the longest trend looked at is 30 min
	recentMax  = 64  // so many samples are known one by one
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
	limit Instant // fresh; negative where nothing is ever fresh

	newest   telemetry.Sample // any quality
	newestAt Instant
	heard    bool
	good     Instant
	value    float64
	since    Instant // start of the run of good samples without a gap
	before   before
	hasGood  bool

	recent  [recentMax]seen
	recentN int
	latest  Instant // of recent
	// dropped is the latest time that fell out of recent: whether a sample no
	// later than that came before is no longer known.
	dropped    Instant
	hasDropped bool

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
// Where fresh is NaN or negative nothing is ever fresh.
func New(id telemetry.Channel, fresh float64) *Track {
	t := &Track{id: id, fresh: fresh, limit: -1}
	if fresh >= 0 {
		t.limit = Instant(0).Add(math.Min(fresh, longestFresh))
	}
	return t
}

// longestFresh keeps sums of instants far from overflow: 30 years in seconds.
const longestFresh = 1e9

// within reports whether good samples so far apart have no gap between them.
func (t *Track) within(d Instant) bool { return t.limit >= 0 && d <= t.limit }

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
	if again := t.again(at, s); again != Newest {
		return again
	}
	good := s.Quality == telemetry.Good && !math.IsNaN(s.Value) && !math.IsInf(s.Value, 0)
	if good && t.hasGood && at < t.good {
		// Averaged only where it is certain that it is not averaged already.
		if !t.hasDropped || at > t.dropped {
			t.bin(at, s.Value)
		}
		t.before.fill(at, &t.since, t)
		for _, h := range t.holds {
			h.late(at, s.Value)
		}
		return Late
	}
	// A bad sample from a clock that ran ahead does not hide the good ones after it.
	late := t.heard && at < t.newestAt
	if !late || good {
		t.newest, t.newestAt, t.heard = s, at, true
	}
	if !good {
		if late {
			return Late
		}
		return Newest
	}
	if !t.hasGood || !t.within(at-t.good) {
		if t.hasGood {
			t.before = before{since: t.since, last: t.good, open: true}
		}
		t.since = at
	}
	t.good, t.value, t.hasGood = at, s.Value, true
	t.bin(at, s.Value)
	for _, h := range t.holds {
		h.next(at, s.Value)
	}
	return Newest
}

// again says whether a sample of that time is among the recent ones, and keeps
// it there if not.
func (t *Track) again(at Instant, s telemetry.Sample) Admission {
	if t.recentN > 0 && at <= t.latest {
		for i := range min(t.recentN, recentMax) {
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
	}
	slot := &t.recent[t.recentN%recentMax]
	if t.recentN >= recentMax && (!t.hasDropped || slot.at > t.dropped) {
		t.dropped, t.hasDropped = slot.at, true
	}
	*slot = seen{at, s.Value, s.Quality}
	if t.recentN == 0 || at > t.latest {
		t.latest = at
	}
	if t.recentN++; t.recentN == 2*recentMax {
		t.recentN = recentMax
	}
	return Newest
}

// slot returns the bin that an index falls in. The conversion lets times before
// 1970 have a place too.
func (t *Track) slot(index int64) *bin { return &t.bins[uint64(index)%binCount] }

func (t *Track) bin(at Instant, v float64) {
	index := int64(at) / (binSeconds * 1_000_000)
	b := t.slot(index)
	if b.n > 0 && b.index > index {
		return // older than anything a trend looks at
	}
	if b.index != index || b.n == 0 {
		*b = bin{index: index, lo: v, hi: v}
	}
	b.sum += v
	b.n++
	b.lo, b.hi = min(b.lo, v), max(b.hi, v)
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
	if !t.hasGood || !t.within(now-t.good) {
		return math.NaN(), false
	}
	return t.value, true
}

// StaleAt returns the first moment at which the newest good sample no longer
// counts, or [Never] if there is none.
func (t *Track) StaleAt() Instant {
	if !t.hasGood || t.limit < 0 {
		return Never
	}
	return t.good + t.limit + 1
}

// Fault returns why the newest sample is not good, if that is so and it is newer
// than the newest good one.
func (t *Track) Fault() (reason string, ok bool) {
	switch {
	case !t.heard:
		return "", false
	case t.newest.Quality != telemetry.Good:
		return t.newest.Reason, true
	case math.IsNaN(t.newest.Value) || math.IsInf(t.newest.Value, 0):
		return "not a number", true
	}
	return "", false
}

// Since returns the start of the run of good samples without a gap that the
// newest good sample belongs to.
func (t *Track) Since() Instant { return t.since }

// Thirds returns the means of the good samples over each third of the last
// window seconds before the newest good sample, oldest first. It is false where
// a third is empty, the window reaches back over a gap, is shorter than 30 s or
// longer than 46 min.
func (t *Track) Thirds(window float64) (mean [3]float64, ok bool) {
	if !t.hasGood || !(t.good.Sub(t.since) >= window) {
		return mean, false
	}
	last := int64(t.good) / (binSeconds * 1_000_000)
	bins := int64(math.Ceil(window / binSeconds))
	if !(window >= 3*binSeconds && bins <= binCount) {
		return mean, false
	}
	index := last - bins + 1
	at := uint64(index) % binCount
	for k := range mean {
		var sum float64
		var n int32
		for end := last - bins + 1 + (bins*int64(k+1)+2)/3; index < end; index++ {
			if b := &t.bins[at]; b.index == index {
				sum += b.sum
				n += b.n
			}
			if at++; at == binCount {
				at = 0
			}
		}
		if n == 0 {
			return mean, false
		}
		mean[k] = sum / float64(n)
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
		if b := t.slot(index); b.index == index && b.n > 0 {
			lo, hi, ok = min(lo, b.lo), max(hi, b.hi), true
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
	before      before
}

// before is the run that a gap ended. Samples that come late may show that there was
// none: the runs on either side are then one.
type before struct {
	since, last Instant
	open        bool
}

// fill takes a sample that came late. start is when the run after the gap began.
func (b *before) fill(at Instant, start *Instant, t *Track) {
	if !b.open || at <= b.last || at >= *start {
		return
	}
	switch {
	case t.within(at - b.last):
		b.last = at
	case t.within(*start - at):
		*start = at
	}
	if t.within(*start - b.last) {
		*start, b.open = b.since, false
	}
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
		h.running, h.before.open = false, false
		return
	case !h.running:
		h.since = at
	case !h.track.within(at - h.last):
		h.before = before{since: h.since, last: h.last, open: true}
		h.since = at
	}
	h.last, h.running = at, true
}

// late takes a good sample that is older than the newest: one outside the limit
// within the run ends it there, and since nothing is known of the time between,
// the run begins anew at the newest sample; one inside may fill a gap.
func (h *Hold) late(at Instant, v float64) {
	switch {
	case !h.running:
	case h.inside(at, v):
		h.before.fill(at, &h.since, h.track)
	case at >= h.since:
		h.since, h.before.open = h.last, false
	case h.before.open && at >= h.before.since:
		h.before.open = false
	}
}

// Held returns for how many seconds the hold has run at now, and false where the
// newest good sample is outside the limit, too old, or absent.
func (h *Hold) Held(now Instant) (seconds float64, ok bool) {
	if !h.running || !h.track.within(now-h.track.good) {
		return 0, false
	}
	return math.Max(0, now.Sub(h.since)), true
}

// Reached returns when the run has lasted for need seconds, with two samples at
// least: one alone holds nothing. It is [Never] where there is no such run, or
// need is NaN.
func (h *Hold) Reached(need float64) Instant {
	if !h.running || h.last == h.since {
		return Never
	}
	return h.since.Add(need)
}

// Since returns when the present run inside the limit began; false where there is none.
func (h *Hold) Since() (Instant, bool) { return h.since, h.running }

// Restart forgets the run, as after the limit itself has changed.
func (h *Hold) Restart() { h.running, h.before.open = false, false }
