// Package watch declares the conditions that raise an alarm whatever the step: what
// each means, what the person should do, and when it is suppressed by design.
//
// Each is a pure function of what is known. A condition that cannot be told is
// unknown, which neither raises nor clears.
package watch

import (
	"math"

	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// Side is to which side a watch takes the uncertainty of what it compares. The zero
// value is the cautious one.
type Side uint8

const (
	// Early: raised as soon as the limit may be passed. For what hurts people.
	Early Side = iota
	// AsRead: raised by the reading itself; the limit has room enough.
	AsRead
	// Late: raised only once the limit is passed for certain. For what costs little,
	// so that it does not cry wolf.
	Late
)

// String says it in a sentence for the documentation.
func (s Side) String() string {
	switch s {
	case AsRead:
		return "by the reading itself: the limit has room for its uncertainty"
	case Late:
		return "only once the limit is passed beyond the uncertainty"
	}
	return "as soon as the limit may be passed within the uncertainty"
}

// Reading is one quantity at one moment, in the unit of its channel. The zero value
// is not known.
type Reading struct {
	// Value, with its expanded uncertainty U.
	Value, U float64
	// Known is that it is good and fresh.
	Known bool
	// Doubtful is that it is fresh, and its quality uncertain. It may raise what hurts
	// people; it clears nothing.
	Doubtful bool
}

// Read returns the newest reading of a track at now. u gives the expanded
// uncertainty at a value. A nil track is not known.
func Read(t *track.Track, now track.Instant, u func(float64) float64) Reading {
	if t == nil {
		return Reading{}
	}
	if n, ok := t.Newest(); ok && n.Quality == telemetry.Uncertain && !math.IsNaN(n.Value) {
		if age := now.Sub(track.Of(n.At)); age <= t.FreshLimit() {
			if at, _, good := t.Good(); !good || at < track.Of(n.At) {
				return Reading{Value: n.Value, U: u(n.Value), Doubtful: true}
			}
		}
	}
	v, ok := t.Fresh(now)
	if !ok {
		return Reading{}
	}
	return Reading{Value: v, U: u(v), Known: true}
}

// Rate returns how fast a track rises, per hour, from the means over the first and
// the last third of the last quarter of an hour; not known over a gap. Errors of the
// instrument that do not change fall out; U is 3 K/h for what does (common practice,
// no source).
func Rate(t *track.Track, now track.Instant) Reading {
	if t == nil {
		return Reading{}
	}
	if _, fresh := t.Fresh(now); !fresh {
		return Reading{}
	}
	mean, ok := t.Thirds(RateS)
	if !ok {
		return Reading{}
	}
	return Reading{Value: (mean[2] - mean[0]) / (RateS * 2 / 3.0 / 3600), U: 3, Known: true}
}

// RateS is over how many seconds a rate is taken (common practice, no source).
const RateS = 900

// Fire is what a firebox is meant to be, and seen to be.
type Fire uint8

const (
	// FireIn: no fire was dropped, or one was said to be lit since.
	FireIn Fire = iota
	// FireOut: it was dropped, and none was seen since.
	FireOut
	// FireRelit: it was dropped, and one is seen all the same.
	FireRelit
)

// Shell is one channel of the boiler's shell: its temperature (°C), and how fast it
// rises (K/h).
type Shell struct {
	Reading
	Rate Reading
}

// Node is a box with sensors, by what it said of itself.
type Node struct {
	ID string
	Up bool
	// PutAway is that a person put it away on purpose.
	PutAway bool
}

// Known is what the watches are judged from, at one moment. The zero value knows
// nothing.
type Known struct {
	Engine engine.Engine
	Phase  disposal.Phase
	LayUp  telemetry.LayUp

	// Pressure in the boiler is gauge, Pa. Levels are 0 to 1, temperatures °C, humidity
	// %RH, CO a ratio.
	Pressure, Level, Firebox, TankLeft, TankRight Reading
	Air, AirHumidity, CO                          Reading
	// FireboxRate is how fast the firebox rises, K/h.
	FireboxRate Reading
	Shells      []Shell

	Fire Fire
	// SaidLit is that a fire was said to be lit since the last was dropped.
	SaidLit bool
	// Emptied is that the boiler was seen, or is said, to be empty; PlugsRemoved that
	// its plugs are said to be out.
	Emptied, PlugsRemoved bool
	Marks                 Marks

	// Findings are the health of the sensors; Nodes is what nodes said of themselves.
	Findings []health.Finding
	Nodes    []Node
	// ConflictAt is when a sample last came with another value for a time that had one
	// already; 0 for never.
	ConflictAt track.Instant
	// Store says what is the matter with the store; empty for nothing.
	Store string
}

func (k *Known) limit(key limit.Key) float64 { return k.Engine.Limits.At(key) }

// Marks are what must be remembered since the fire was dropped. The zero value has
// seen nothing.
type Marks struct {
	outAt   track.Instant
	last    [3]float64
	n       int
	lowest  float64
	late    float64 // lowest since hot brick explains no rise any more
	isLate  bool
	relitC  float64
	isRelit bool
}

// FireOut says that from now on the fire is meant to be out.
func (m *Marks) FireOut(at track.Instant) { *m = Marks{outAt: at} }

// FireIn says that a fire is meant to be in.
func (m *Marks) FireIn() { *m = Marks{} }

// Relit says that a fire was seen to come back, when the firebox was so hot (°C).
func (m *Marks) Relit(tC float64) { m.relitC, m.isRelit = tC, true }

// Pressure takes a good sample of the boiler's pressure (gauge, Pa). The lowest is
// that of the middle one of three, so that a single spike is none.
func (m *Marks) Pressure(at track.Instant, pa float64) {
	if m.outAt == 0 || math.IsNaN(pa) {
		return
	}
	m.last[m.n%3] = pa
	m.n++
	if m.n < 3 {
		return
	}
	a, b, c := m.last[0], m.last[1], m.last[2]
	mid := math.Max(math.Min(a, b), math.Min(math.Max(a, b), c))
	if m.n == 3 {
		m.lowest = mid
	}
	m.lowest = math.Min(m.lowest, mid)
	if at.Sub(m.outAt) >= RisingAfterS {
		if !m.isLate {
			m.late, m.isLate = mid, true
		}
		m.late = math.Min(m.late, mid)
	}
}

// FireOutAt returns when the fire was last dropped; 0 while one is in.
func (m *Marks) FireOutAt() track.Instant { return m.outAt }

// Lowest returns the lowest pressure since (gauge, Pa), and false where none is known.
func (m *Marks) Lowest() (pa float64, ok bool) { return m.lowest, m.n >= 3 }
