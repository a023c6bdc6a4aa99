package health

import (
	"fmt"
	"math"
	"strings"

	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// kept is how many past values a channel keeps, one each keptS.
const (
	kept  = 12
	keptS = 30
)

// channel is what is known of one channel.
type channel struct {
	id           telemetry.Channel
	how          engine.Channel
	node         int
	fresh        float64
	lo, hi       float64 // what there can be
	rise, fall   float64 // fastest change, unit/s; 0 for unknown
	noiseS       float64
	heardAt      track.Instant // newest sample's arrival, of any quality
	accepted     track.Instant // newest good sample's time
	value        float64
	has          bool
	badSince     track.Instant
	badReason    string
	pending      bool
	pendingValue float64
	pendingAt    track.Instant
	spikes       [SpikesN]track.Instant

	// same is the run of equal values.
	sameN  int
	sameAt track.Instant

	// noise
	prev, prev2 past
	prevN       int
	noise       float64 // mean square of the scatter
	noiseN      int
	noisyAt     track.Instant

	// moves and turns are the shares of samples at which it moved, and turned back;
	// stillness that at which it did not move, as the run of equal values began.
	moves, turns, lastMove float64
	stillness              float64
	trembles               bool // it turned back often enough, once

	changes, repeats int
	step             float64

	past   [kept]past
	pastN  int
	pastAt track.Instant

	then [2]float64 // what the partners read when it last changed

	found [kinds]track.Instant
	words [kinds]string

	why, whyText string // the reason last formed, and of what
	whyOf        Kind
}

type past struct {
	at track.Instant
	v  float64
}

func newChannel(e engine.Engine, id telemetry.Channel) *channel {
	c := &channel{id: id, how: e.Channel(id), fresh: e.Fresh(id), noiseS: NoiseS, lo: math.Inf(-1), hi: math.Inf(1), step: math.Inf(1)}
	if id.OfShed() {
		c.node = 1
	}
	c.physics()
	if c.how.Low < c.how.High { // false where not stated
		u := c.how.Uncertainty
		if !(u >= 0) {
			u = 0
		}
		c.lo, c.hi = math.Max(c.lo, c.how.Low-u), math.Min(c.hi, c.how.High+u)
	}
	return c
}

// physics sets what a channel can read and how fast it can change: the fastest that
// the thing or its couple's pocket does, and no faster than any sensor of its kind
// follows (common practice, no source; in simulated evenings of forty engines none
// came to half of it).
func (c *channel) physics() {
	unit, _ := telemetry.UnitOf(c.id)
	switch id := c.id; {
	case id == telemetry.AmbientPressure:
		c.lo, c.hi, c.rise, c.fall = 50e3, 110e3, 100, 100
	case strings.HasPrefix(string(id), "boiler.pressure"):
		// A boiler that is opened falls fast; no fire makes it rise so.
		c.lo, c.hi, c.rise, c.fall = -110e3, 6e6, 0.3e5, 1.5e5
		if c.how.Absolute {
			c.lo = -10e3
		}
	case id == telemetry.BoilerLevel:
		c.lo, c.hi, c.rise, c.fall = -0.2, 1.2, 0.08, 0.08
	case id == telemetry.TankLeft, id == telemetry.TankRight:
		c.lo, c.hi, c.rise, c.fall = -0.2, 1.2, 0.02, 0.02
	case id == telemetry.AmbientTemp:
		c.lo, c.hi, c.rise, c.fall = -50, 70, 0.5, 0.5
	case id == telemetry.AmbientCO:
		// However fast it rises, it is believed.
		c.lo, c.hi = -1e-4, 0.1
	case unit == telemetry.Humidity:
		c.lo, c.hi, c.rise, c.fall = -6, 110, 10, 10
	case id == telemetry.Firebox:
		c.lo, c.hi, c.rise, c.fall = -60, 1500, 60, 60
	case id == telemetry.Smokebox:
		c.lo, c.hi, c.rise, c.fall = -60, 1000, 40, 40
	case id == telemetry.BlowdownPipe:
		c.lo, c.hi, c.rise, c.fall = -60, 450, 40, 40
	case strings.HasPrefix(string(id), "boiler.shell."):
		c.lo, c.hi, c.rise, c.fall = -60, 450, 2, 2
	}
	if c.id == telemetry.BoilerLevel {
		c.noiseS = LevelNoiseS
	}
}

func (c *channel) u() float64 {
	if u := c.how.U(c.value); u > 0 {
		return u
	}
	return math.Inf(1)
}

func (c *channel) find(k Kind, at track.Instant, words string) {
	if c.found[k] == 0 {
		c.found[k] = max(at, 1)
	}
	c.words[k] = words
}

func (c *channel) clear(k Kind) { c.found[k] = 0 }

// renew forgets what was found and how the channel was before.
func (c *channel) renew() {
	c.found = [kinds]track.Instant{}
	c.noise, c.noiseN, c.noisyAt, c.prevN = 0, 0, 0, 0
	c.changes, c.repeats, c.step = 0, 0, math.Inf(1)
	c.sameN, c.pastN = 0, 0
	c.moves, c.turns, c.lastMove, c.trembles = 0, 0, 0, false
	c.spikes = [SpikesN]track.Instant{}
}

// doubt returns the standing finding that makes every sample doubtful.
func (c *channel) doubt() Kind {
	for k := Kind(1); k < kinds; k++ {
		if c.found[k] != 0 && k.doubts() {
			return k
		}
	}
	return Sound
}

// inRange judges one sample by whether there can be such a number.
func (c *channel) inRange(s telemetry.Sample, at track.Instant) telemetry.Sample {
	if s.Quality == telemetry.Bad || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
		s.Quality = telemetry.Bad
		if s.Reason == "" {
			s.Reason = "no number"
		}
		c.bad(at, s.Reason)
		return s
	}
	if !(s.Value >= c.lo && s.Value <= c.hi) {
		c.bad(at, "out of range")
		if unit := c.otherUnit(s.Value); unit != "" {
			c.find(OtherUnit, at, unit)
		}
		c.find(OutOfRange, at, fmt.Sprintf("%g", s.Value))
		return lower(s, telemetry.Bad, "out of range")
	}
	return s
}

// take judges one sample by its channel alone.
func (c *channel) take(s telemetry.Sample, at track.Instant) telemetry.Sample {
	s = c.inRange(s, at)
	if s.Quality != telemetry.Good {
		return s
	}
	if c.has && at <= c.accepted {
		return s // it came late; it was judged by its range
	}
	if c.jumps(at, s.Value) {
		return lower(s, telemetry.Uncertain, Jumping)
	}
	c.accept(at, s.Value)
	return s
}

func (c *channel) bad(at track.Instant, reason string) {
	if c.badSince == 0 {
		c.badSince = at
	}
	c.badReason = reason
	if c.id == telemetry.BoilerHumidity {
		return // it is put in when the plugs come out: until then its wire ends in the air
	}
	if at.Sub(c.badSince) >= NoSignalS && (!c.has || at.Sub(c.accepted) >= NoSignalS) {
		c.find(NoSignal, c.badSince, reason)
	}
}

// jumps reports whether a value is further from the last than the channel can go,
// and is not borne out by the one before it. One that is borne out is true: it is
// told, and taken.
func (c *channel) jumps(at track.Instant, v float64) bool {
	u := c.u()
	if !c.has || c.rise == 0 || math.IsInf(u, 1) {
		return false
	}
	far := func(from float64, since track.Instant) bool {
		dt := at.Sub(since)
		return v-from > c.rise*dt+3*u || from-v > c.fall*dt+3*u
	}
	if !far(c.value, c.accepted) {
		if c.pending {
			c.spike(c.pendingAt)
		}
		c.pending = false
		return false
	}
	if c.pending && !far(c.pendingValue, c.pendingAt) {
		c.find(Jumped, c.pendingAt, fmt.Sprintf("from %s to %s", c.show(c.value), c.show(v)))
		c.pending, c.prevN = false, 0
		return false
	}
	if c.pending {
		c.spike(c.pendingAt)
	}
	c.pending, c.pendingValue, c.pendingAt = true, v, at
	return true
}

func (c *channel) spike(at track.Instant) {
	copy(c.spikes[:], c.spikes[1:])
	c.spikes[SpikesN-1] = at
	if first := c.spikes[0]; first != 0 && at.Sub(first) <= SpikesS {
		c.find(Spikes, first, "")
	}
}

// expire ends findings that time alone ends.
func (c *channel) expire(now track.Instant) {
	if c.found[Spikes] != 0 && now.Sub(c.spikes[SpikesN-1]) > SpikesS {
		c.clear(Spikes)
	}
	if at := c.found[Jumped]; at != 0 && now.Sub(at) > SpikesS {
		c.clear(Jumped)
	}
}

func (c *channel) next(now, began track.Instant) track.Instant {
	next := track.Never
	for _, at := range [...]track.Instant{c.staleAt(began), c.found[Jumped].Add(SpikesS + 1), c.spikes[SpikesN-1].Add(SpikesS + 1)} {
		if at > now {
			next = min(next, at)
		}
	}
	return next
}

// accept takes a good value in.
func (c *channel) accept(at track.Instant, v float64) {
	if c.badSince != 0 && at.Sub(c.badSince) < NoSignalS {
		c.spike(c.badSince)
	}
	c.badSince = 0
	if c.has && at.Sub(c.accepted) > math.Max(3*c.fresh, 60) {
		// Nobody looked: what came before says nothing of how it came to be so.
		c.pastN, c.prevN, c.sameN, c.pending = 0, 0, 0, false
	}
	c.clear(NoSignal)
	c.clear(OutOfRange)
	if c.found[OtherUnit] != 0 && c.otherUnit(v) == "" && c.words[OtherUnit] != fromPartner {
		c.clear(OtherUnit)
	}
	if c.has {
		c.tremble(v)
	}
	if c.has && v == c.value && c.sameN > 0 {
		c.sameN++
		c.repeats++
	} else {
		if c.has && c.sameN > 0 {
			c.changes++
			c.step = math.Min(c.step, math.Abs(v-c.value))
		}
		c.sameN, c.sameAt = 1, at
		c.clear(Frozen)
	}
	c.scatter(at, v)
	c.value, c.accepted, c.has = v, at, true
	u := c.u()
	// A steep rise has no small steps either; but it does not dwell on them.
	if c.changes >= CoarseN && c.repeats >= c.changes && c.step > u {
		c.find(Coarse, at, fmt.Sprintf("steps of %s", c.size(c.step)))
	} else if c.step <= u {
		c.clear(Coarse)
	}
	if c.pastN == 0 || at.Sub(c.pastAt) >= keptS {
		c.past[c.pastN%kept] = past{at, v}
		c.pastN++
		c.pastAt = at
	}
}

// tremble follows how often a channel moves from one sample to the next, and how often
// it turns back: one that has trembled does not come to rest to the last digit.
func (c *channel) tremble(v float64) {
	const weight = 1.0 / 32
	d := v - c.value
	if d == 0 {
		if c.sameN == 1 {
			c.stillness = 1 - c.moves // as it was before this run of equal values
		}
		c.moves -= c.moves * weight
		c.turns -= c.turns * weight
		return
	}
	c.moves += (1 - c.moves) * weight
	if d*c.lastMove < 0 {
		c.turns += (1 - c.turns) * weight
		c.trembles = c.trembles || c.turns >= TrembleTurns
	} else {
		c.turns -= c.turns * weight
	}
	c.lastMove = d
}

// still reports whether a channel that has trembled repeats itself for longer than
// chance allows: the run of equal values that chance makes once in a hundred million
// times, by the geometric law of run lengths (A. M. Mood, Ann. Math. Stat. 11 (1940)
// 367-392, from memory).
func (c *channel) still(at track.Instant) bool {
	if c.sameN < SameN || at.Sub(c.sameAt) < StillS || !c.trembles {
		return false
	}
	p := math.Max(c.stillness, 0.05)
	return float64(c.sameN)*-math.Log(p) > StillLog
}

// scatter follows the noise by how far a value lies from the line between its
// neighbours: a slow or steady change falls out of that, however the samples come.
func (c *channel) scatter(at track.Instant, v float64) {
	if c.prevN >= 2 {
		u := math.Min(c.u(), c.how.U(v))
		w := c.prev.at.Sub(c.prev2.at) / at.Sub(c.prev2.at)
		d := c.prev.v - (c.prev2.v + w*(v-c.prev2.v))
		if (c.prev.v-c.prev2.v)*(v-c.prev.v) > 0 {
			d = 0 // a bend in a steep fall is no scatter: that turns back
		}
		// One step, which shows three times, is not noise.
		sq := math.Min(d*d, 9*u*u) / (1 + w*w + (1-w)*(1-w))
		c.noise += (sq - c.noise) / math.Min(float64(c.noiseN+1), NoiseN)
		c.noiseN++
		switch over := 2 * math.Sqrt(c.noise) / u; {
		case c.noiseN < NoiseN:
		case over > NoiseOver:
			if c.noisyAt == 0 {
				c.noisyAt = at
			}
			if at.Sub(c.noisyAt) >= c.noiseS {
				c.find(Noisy, c.noisyAt, fmt.Sprintf("by %s", c.size(2*math.Sqrt(c.noise))))
			}
		case over < 1:
			c.noisyAt = 0
			c.clear(Noisy)
		}
	}
	c.prev2, c.prev = c.prev, past{at, v}
	c.prevN++
}

// ago returns the value about s seconds before the newest, s at most kept times
// keptS; false where none is kept from then.
func (c *channel) ago(s float64) (float64, bool) {
	for i := 1; i <= min(c.pastN, kept); i++ {
		p := c.past[(c.pastN-i)%kept]
		if d := c.accepted.Sub(p.at); d >= s-keptS/2 {
			return p.v, d <= s+2*keptS
		}
	}
	return math.NaN(), false
}

// fell returns by how much the channel fell in the last s seconds.
func (c *channel) fell(s float64) (float64, bool) {
	v, ok := c.ago(s)
	return v - c.value, ok
}

// fellFrom is fell where there may be no such channel.
func (c *channel) fellFrom(s float64) (float64, bool) {
	if c == nil {
		return math.NaN(), false
	}
	return c.fell(s)
}

// staleAt is when the channel counts as stale if nothing more comes.
func (c *channel) staleAt(began track.Instant) track.Instant {
	if c.id == telemetry.BoilerHumidity || began == 0 {
		return track.Never // it is put in when the plugs come out, and taken away again
	}
	if c.heardAt == 0 {
		return began.Add(math.Max(600, c.fresh))
	}
	return c.heardAt.Add(c.fresh)
}

func (c *channel) stale(now, began track.Instant) (track.Instant, bool) {
	at := c.staleAt(began)
	return at, now >= at
}

func (c *channel) isShell() bool { return strings.HasPrefix(string(c.id), "boiler.shell.") }

// otherUnit says which unit a number out of range looks like; empty for none.
func (c *channel) otherUnit(v float64) string {
	unit, _ := telemetry.UnitOf(c.id)
	switch {
	case c.id == telemetry.AmbientPressure && v >= 500 && v <= 1100:
		return "hPa instead of Pa"
	case c.id == telemetry.AmbientPressure && v >= 50 && v <= 110:
		return "kPa instead of Pa"
	case c.id == telemetry.AmbientCO && v >= 0.5 && v <= 2000:
		return "ppm instead of a ratio"
	case unit == telemetry.Ratio && v > 1.2 && v <= 105:
		return "% instead of a ratio"
	case c.id == telemetry.AmbientTemp && v >= 220 && v <= 330:
		return "K instead of °C"
	}
	return ""
}
