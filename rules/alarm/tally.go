package alarm

import "ashlamp/rules/track"

// Figures of alarm handling. Rates: EEMUA 191 as HSE's information sheet CHIS6
// quotes it (p. 37); chattering from articles on ISA-18.2 practice; stale, and the
// end of a flood, from memory (ISA-18.2).
const (
	// FloodS is the window over which alarms are counted, FloodAt more than which in
	// it is a flood, which ends when no more than FloodEnds are.
	FloodS    = 600
	FloodAt   = 10
	FloodEnds = 5
	// ChatterN alarms of one watch within ChatterS are chattering.
	ChatterN = 3
	ChatterS = 60
	// StaleS is how long an alarm stands before it is stale.
	StaleS = 24 * 3600
	// AverageS is the time for which one alarm is a good long-term average.
	AverageS = 600
)

const (
	tallyBinS = 10
	tallyBins = FloodS / tallyBinS
)

// Figures are what the alarms of a panel come to at one moment.
type Figures struct {
	// Raised is how often an alarm called for a person in all; by priority: high,
	// medium, low.
	Raised     int    `json:"raised"`
	ByPriority [3]int `json:"by_priority"`
	// PerTenMin is the average over all the time counted, LastTenMin the number in the
	// last ten minutes (to ten seconds), PeakTenMin the largest there was.
	PerTenMin  float64 `json:"per_ten_min"`
	LastTenMin int     `json:"last_ten_min"`
	PeakTenMin int     `json:"peak_ten_min"`
	// Flood is whether there is one now, Floods how many there were, FloodS for how
	// many seconds in all.
	Flood  bool    `json:"flood"`
	Floods int     `json:"floods"`
	FloodS float64 `json:"flood_s"`
	// Chatters is how often a watch was raised while it chattered.
	Chatters int `json:"chatters"`
	// The rest is of the present: watches that stand (unacknowledged or acknowledged),
	// those of them that are stale, those that chatter, and those put aside.
	Standing     []string `json:"standing"`
	Stale        []string `json:"stale"`
	Chattering   []string `json:"chattering"`
	Shelved      []string `json:"shelved"`
	Suppressed   []string `json:"suppressed"`
	OutOfService []string `json:"out_of_service"`
}

// tally counts how often alarms call for a person, in constant memory.
type tally struct {
	began, now track.Instant
	total      int
	byPrio     [3]int
	bins       [tallyBins]struct {
		at int64
		n  int
	}
	peak     int
	flood    bool
	floodS   float64
	floods   int
	floodAt  track.Instant
	chatters int
}

func (t *tally) pass(now track.Instant) {
	if t.began == 0 {
		t.began, t.now = now, now
	}
	// A flood ends as its alarms leave the window, with nobody counting.
	for t.flood && t.now < now {
		t.now = min(now, t.now.Add(tallyBinS))
		if t.last(t.now) <= FloodEnds {
			t.flood = false
			t.floodS += t.now.Sub(t.floodAt)
		}
	}
	t.now = max(t.now, now)
}

func (t *tally) last(now track.Instant) int {
	n := 0
	bin := int64(now) / (tallyBinS * 1e6)
	for i := range t.bins {
		if b := &t.bins[i]; b.at > bin-tallyBins && b.at <= bin {
			n += b.n
		}
	}
	return n
}

func (t *tally) raised(at track.Instant, p Priority) {
	t.pass(at)
	t.total++
	t.byPrio[min(p, Low)]++
	bin := int64(at) / (tallyBinS * 1e6)
	b := &t.bins[((bin%tallyBins)+tallyBins)%tallyBins]
	if b.at != bin {
		b.at, b.n = bin, 0
	}
	b.n++
	n := t.last(at)
	t.peak = max(t.peak, n)
	if n > FloodAt && !t.flood {
		t.flood, t.floodAt = true, at
		t.floods++
	}
}

func (t *tally) figures(now track.Instant) Figures {
	t.pass(now)
	f := Figures{
		Raised: t.total, ByPriority: t.byPrio, LastTenMin: t.last(t.now), PeakTenMin: t.peak,
		Flood: t.flood, Floods: t.floods, FloodS: t.floodS, Chatters: t.chatters,
	}
	if t.flood {
		f.FloodS += t.now.Sub(t.floodAt)
	}
	f.PerTenMin = float64(t.total) * AverageS / max(t.now.Sub(t.began), AverageS)
	return f
}
