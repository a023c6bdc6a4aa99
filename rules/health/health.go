// Package health judges the sensors of one engine from their samples alone, each by
// itself and against those that must move with it, and lowers the quality of samples
// that are not to be relied upon before anything is judged by them.
//
// A sample is never raised in quality, and its number never changed. What is doubted
// still shows: a doubtful reading proves nothing, but may well be true.
//
// What it cannot see: an error smaller than the uncertainties of the two things that
// are compared; a channel without a partner that stops (air temperature, barometer,
// carbon monoxide, the tanks, whose difference is a watch of its own); a firebox that drifts; a couple that comes off the
// blow-down pipe as the boiler runs out, or off a smokebox whose door may be open; a
// glass with blocked cocks, in which the water stands and trembles.
package health

import (
	"math"
	"slices"
	"sort"
	"strings"

	"ashlamp/rules/engine"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// Kind is what is the matter with a channel. The zero value is none.
type Kind uint8

const (
	// Sound: nothing found.
	Sound Kind = iota
	// Stale: no sample came for longer than the channel's limit of age.
	Stale
	// NoSignal: the sensor itself says that it has no number.
	NoSignal
	// OutOfRange: a number that there cannot be.
	OutOfRange
	// Spikes: single samples jump faster than physics allows.
	Spikes
	// Jumped: the reading jumped faster than physics allows, and stayed.
	Jumped
	// Noisy: readings scatter by more than the stated uncertainty.
	Noisy
	// Coarse: readings come in steps larger than the stated uncertainty.
	Coarse
	// Frozen: unchanged while something that must move with it moved.
	Frozen
	// Detached: falls towards the air while its neighbours do not.
	Detached
	// Disagrees: differs from its partners by more than the uncertainties.
	Disagrees
	// Drifting: came to differ from its partners little by little.
	Drifting
	// OtherUnit: the numbers are those of another unit.
	OtherUnit
	// ClockAhead and ClockBehind: the times of the samples are not now.
	ClockAhead
	ClockBehind
	// NodeFrozen: all channels of a node repeat themselves.
	NodeFrozen
	// NodeSilent: no channel of a node comes any more.
	NodeSilent
	kinds
)

// String returns the kind's word.
func (k Kind) String() string {
	words := [...]string{"sound", "stale", "no-signal", "out-of-range", "spikes", "jumped", "noisy", "coarse", "frozen",
		"detached", "disagrees", "drifting", "other-unit", "clock-ahead", "clock-behind", "node-frozen", "node-silent"}
	if k < kinds {
		return words[k]
	}
	return "sound"
}

// doubts reports whether a standing finding makes every sample of its channel
// doubtful, rather than only those that gave rise to it.
func (k Kind) doubts() bool {
	switch k {
	case Noisy, Coarse, Frozen, Detached, Disagrees, Drifting, OtherUnit, NodeFrozen:
		return true
	}
	return false
}

// Finding is one thing found. Channel is empty where it is of a whole node; Node is
// then "engine" or "shed", after whose channels the node carries.
type Finding struct {
	Channel telemetry.Channel
	Node    string
	Kind    Kind
	Since   track.Instant
	// Text is a sentence for the crew that ends in what to do.
	Text string
}

// Limits. Where no source stands beside one it is common practice, no source.
const (
	// SkewS is how far ahead of the clock a sample's time may be (contract).
	SkewS = 5
	// ClockForS is for how long every sample must be ClockOldS old on arrival before
	// the clock is taken to be behind: a backlog that is sent after an outage takes
	// less, and the newest of a pack sent now and then is young.
	ClockForS = 60
	ClockOldS = 30
	// ConfirmS is for how long partners must disagree before it is told.
	ConfirmS = 120
	// SmoothS is the time constant of the exponentially weighted moving average of a
	// difference between partners (S. W. Roberts, Technometrics 1 (1959) 239-250;
	// NIST/SEMATECH e-Handbook 6.3.2.4; both from memory).
	SmoothS = 120
	// ClearShare of the tolerance, for ClearS, ends a disagreement.
	ClearShare = 0.7
	ClearS     = 600
	// SpikesN spikes within SpikesS are told, and forgotten SpikesS after the last.
	SpikesN = 3
	SpikesS = 600
	// NoSignalS is how long there must be nothing but bad samples.
	NoSignalS = 30
	// NoiseN samples, and NoiseS, are needed to know the noise, taken from the mean
	// square of successive differences (after J. von Neumann, Ann. Math. Stat. 12
	// (1941) 367-395, from memory; here of second differences); NoiseOver is by how much the expanded noise
	// must exceed the stated uncertainty. A level that is moved about is no fault:
	// LevelNoiseS for it.
	NoiseN      = 40
	NoiseS      = 120
	LevelNoiseS = 1200
	NoiseOver   = 1.5
	// CoarseN changes of value, and as many repetitions, must have been seen to know
	// its step.
	CoarseN = 6
	// SameN equal samples at least are frozen; NodeSameS all channels of a node while
	// anything is hot, NodeQuietS otherwise.
	SameN      = 6
	NodeSameS  = 900
	NodeQuietS = 6 * 3600
	// A channel trembles that turns back at TrembleTurns of its samples; it is still that
	// then repeats itself for StillS, and longer than chance allows (StillLog is minus
	// the logarithm of that chance).
	TrembleTurns = 0.15
	StillS       = 60
	// StillN equal samples are taken together where all of a node stand still.
	StillN   = 3
	StillLog = 18
	// HotC is a temperature that cannot keep still.
	HotC = 60
	// LagK is what steel may lag behind water, beside the uncertainties.
	LagK = 3
	// BoxK is what a shell moves by at least while firebox and smokebox may rest.
	BoxK = 30
	// RunningK about boiling the blow-down pipe may be running (contract).
	RunningK = 15
	// RunS is longer than any boiler here takes to run out.
	RunS = 2400
	// QuietBar: about zero a transducer repeats itself and is not frozen.
	QuietBar = 0.2
	// FireboxBelowShellK is by how much a firebox can lie below its shell (contract).
	FireboxBelowShellK = 20
	// SmokeboxShare of the shell's excess over the air is what a smokebox keeps, its
	// door open or shut.
	SmokeboxShare = 0.15
	// DetachedK in DetachedS is a fall that only a couple off its metal makes, if it is
	// DetachedTimes that of its neighbour.
	DetachedK     = 15
	DetachedS     = 300
	DetachedTimes = 4
	// EmptyingK takes the place of DetachedK while the boiler runs out: the bottom of
	// the shell then gives its heat to water and steam that leave.
	EmptyingK = 60
	EmptyingS = 1800
	// ApartK is more than the two ends of a dry shell ever differ by.
	ApartK = 30
	// PipeColdK below boiling the pipe does not run.
	PipeColdK = 30
	// AloneS is how much later the pipe may tell of water that leaves than the glass.
	AloneS = 75
	// GlassFell is the part of the glass that cannot go in DetachedS with the cocks
	// shut.
	GlassFell = 0.25
)

// checkS is the least time between two comparisons of partners.
const checkS = 10

// Monitor is the health of one engine's sensors. Make it with [New]. It is not safe
// for concurrent use.
type Monitor struct {
	e        engine.Engine
	standard float64
	all      []*channel // in the order of their ids
	by       map[telemetry.Channel]*channel
	shells   []*channel
	began    track.Instant
	now      track.Instant

	pressure, level, pipe, firebox, smokebox *channel
	air, barometer                           *channel

	nodes   [2]clock // engine, shed
	checked track.Instant

	ran      bool // the pipe ran: steel may be dry since
	coldPipe track.Instant
	pairs    []pairing // one a shell channel, beside it
	spread   pairing   // of the two ends, in water
	apart    pairing   // of the two ends, dry
	steady   [6]steady
}

// New returns a monitor of an engine of which nothing was heard. It fails only where
// the engine itself cannot be, as at an altitude without an atmosphere.
func New(e engine.Engine) (*Monitor, error) {
	std, err := steam.StandardAtmosphere(e.Altitude)
	if err != nil {
		return nil, err
	}
	m := &Monitor{e: e, standard: std, by: map[telemetry.Channel]*channel{}}
	ids := make([]string, 0, len(e.Channels))
	for id := range e.Channels {
		ids = append(ids, string(id))
	}
	sort.Strings(ids)
	for _, id := range ids {
		m.channel(telemetry.Channel(id))
	}
	return m, nil
}

func (m *Monitor) channel(id telemetry.Channel) *channel {
	if c, ok := m.by[id]; ok {
		return c
	}
	c := newChannel(m.e, id)
	m.by[id] = c
	at := sort.Search(len(m.all), func(i int) bool { return m.all[i].id >= id })
	m.all = slices.Insert(m.all, at, c)
	switch id {
	case telemetry.BoilerPressure:
		m.pressure = c
	case telemetry.BoilerLevel:
		m.level = c
	case telemetry.BlowdownPipe:
		m.pipe = c
	case telemetry.Firebox:
		m.firebox = c
	case telemetry.Smokebox:
		m.smokebox = c
	case telemetry.AmbientTemp:
		m.air = c
	case telemetry.AmbientPressure:
		m.barometer = c
	default:
		if strings.HasPrefix(string(id), "boiler.shell.") {
			m.shells = append(m.shells, c)
			m.pairs = append(m.pairs, pairing{})
		}
	}
	return c
}

// Renew forgets what the partners' comparison has shown, as when a sensor was
// replaced or a new disposal begins after a rest.
func (m *Monitor) Renew() {
	for i := range m.pairs {
		m.pairs[i] = pairing{}
	}
	m.spread, m.apart, m.steady, m.ran = pairing{}, pairing{}, [6]steady{}, false
	for _, c := range m.all {
		c.renew()
	}
}

// Add takes one sample received at now and returns it, its quality lowered with the
// reason where it is not to be relied upon. Whoever judges hears the returned one.
func (m *Monitor) Add(s telemetry.Sample, now track.Instant) telemetry.Sample {
	m.now = max(m.now, now)
	if m.began == 0 {
		m.began = now
	}
	c := m.channel(s.Channel)
	at := track.Of(s.At)
	m.nodes[c.node].heard(at, now)
	c.heardAt = max(c.heardAt, m.now)
	if ahead := at.Sub(now); ahead > SkewS {
		m.nodes[c.node].ahead(now, ahead)
		return lower(s, telemetry.Bad, "clock ahead")
	}
	if m.nodes[c.node].behind != 0 {
		// Where times are not to be relied upon nothing is told from their order.
		return c.inRange(s, at)
	}
	s = c.take(s, at)
	if c.accepted == at {
		m.follow(c, at)
		if at.Sub(m.checked) >= checkS {
			m.checked = at
			m.compare(at)
		}
	}
	if s.Quality == telemetry.Good {
		if k := c.doubt(); k != Sound {
			return lower(s, telemetry.Uncertain, c.reason(k))
		}
		if m.nodes[c.node].frozen != 0 {
			return lower(s, telemetry.Uncertain, NodeFrozenReason)
		}
	}
	return s
}

// lower gives a sample a lower quality; one that is as low already stays as it is.
func lower(s telemetry.Sample, q telemetry.Quality, reason string) telemetry.Sample {
	if q < s.Quality {
		s.Quality, s.Reason = q, reason
	}
	return s
}

// NodeFrozenReason stands on samples of a node that repeats itself.
const NodeFrozenReason = "its node repeats the same numbers"

// Jumping is the reason on a single sample that lies further from the last than it can.
const Jumping = "jumped faster than it can"

// reason returns what stands on a doubtful sample: what was found, and what to do.
func (c *channel) reason(k Kind) string {
	if c.why != c.words[k] || c.whyOf != k {
		_, said, _ := strings.Cut(c.sentence(k), ": ")
		c.why, c.whyOf, c.whyText = c.words[k], k, strings.TrimSuffix(said, ".")
	}
	return c.whyText
}

// Findings appends what is the matter at now, channels in the order of their ids and
// whole nodes last.
func (m *Monitor) Findings(now track.Instant, out []Finding) []Finding {
	for _, c := range m.all {
		if since, ok := c.stale(now, m.began); ok {
			out = append(out, Finding{Channel: c.id, Kind: Stale, Since: since, Text: c.sentence(Stale)})
		}
		c.expire(now)
		for k := Kind(1); k < kinds; k++ {
			if since := c.found[k]; since != 0 {
				out = append(out, Finding{Channel: c.id, Kind: k, Since: since, Text: c.sentence(k)})
			}
		}
	}
	for i := range m.nodes {
		out = m.nodes[i].findings(nodeNames[i], now, out)
		if since, silent := m.silent(i, now); silent {
			out = append(out, Finding{Node: nodeNames[i], Kind: NodeSilent, Since: since,
				Text: "Nothing comes from the " + nodeNames[i] + "'s node. Look at its supply and its link."})
		}
	}
	return out
}

// silent reports whether all channels that a node was ever heard with are stale.
func (m *Monitor) silent(node int, now track.Instant) (since track.Instant, silent bool) {
	for _, c := range m.all {
		if c.node != node || c.heardAt == 0 || c.id == telemetry.BoilerHumidity {
			continue
		}
		at, stale := c.stale(now, m.began)
		if !stale {
			return 0, false
		}
		since, silent = max(since, at), true
	}
	return since, silent
}

// Next returns the first moment after now at which time alone changes the findings,
// or [track.Never].
func (m *Monitor) Next(now track.Instant) track.Instant {
	next := track.Never
	for _, c := range m.all {
		next = min(next, c.next(now, m.began))
	}
	for i := range m.nodes {
		if at := m.nodes[i].expires(); at > now {
			next = min(next, at)
		}
	}
	return next
}

func (m *Monitor) fresh(c *channel, at track.Instant) (float64, bool) {
	if c == nil || !c.has || math.Abs(at.Sub(c.accepted)) > c.fresh {
		return math.NaN(), false
	}
	return c.value, true
}
