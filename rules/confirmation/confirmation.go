// Package confirmation keeps a person's word for what no sensor sees: what may
// be said, who said it and when, and when it lapses by itself.
package confirmation

import (
	"sort"

	"ashlamp/rules/track"
)

// Limits by which a word lapses; common practice, no source.
const (
	// PressureBar is the gauge pressure, either way, over which "without
	// pressure" can no longer be true.
	PressureBar = 0.2
	// LongS is how long a word about an opened boiler stands.
	LongS = 12 * 3600
	// IdlePipeS is how long the words about the blow-down place stand without the
	// pipe running.
	IdlePipeS = 600
	// HourS is how long the words about the ash pan and the brake stand.
	HourS = 3600
	// GlassesS is how long proved glasses stand.
	GlassesS = 1800
)

// Cause is something seen that ends words.
type Cause uint8

const (
	// Time has passed.
	Time Cause = iota
	// Pressure over [PressureBar] either way.
	Pressure
	// Water is back in the glass.
	Water
	// Fire is seen relit, or said to be lit.
	Fire
	// BlownDown: the blow-down has finished.
	BlownDown
	// Ended: the disposal has ended.
	Ended
	// TakenBack: the person withdrew it.
	TakenBack
)

// String says the cause in words that end the sentence "lapsed because ...".
func (c Cause) String() string {
	switch c {
	case Pressure:
		return "pressure or vacuum was over 0.2 bar"
	case Water:
		return "water came back into the glass"
	case Fire:
		return "a fire was seen"
	case BlownDown:
		return "the blow-down has finished"
	case Ended:
		return "the disposal ended"
	case TakenBack:
		return "it was taken back"
	default:
		return "its time ran out"
	}
}

// Declaration says what one confirmation is.
type Declaration struct {
	ID string
	// Title names it in a list.
	Title string
	// Question is put as it would be asked aloud.
	Question string
	// AfterS is the time after which it lapses; 0 for never by time alone.
	AfterS float64
	// IdleS is the time without the blow-down pipe running after which it lapses.
	IdleS float64
	// Ends are the causes that end it.
	Ends []Cause
}

// Table returns the confirmations of the contract.
func Table() []Declaration {
	opened := []Cause{Pressure, Water, Fire, Ended}
	untilFire := []Cause{Fire, Ended}
	return []Declaration{
		{ID: "glasses-proved", Title: "Glasses proved", Question: "Both gauge glasses blown through, and the water came back briskly?", AfterS: GlassesS, Ends: []Cause{Ended}},
		{ID: "fire-dropped", Title: "Fire dropped", Question: "Fire dropped, and the grate seen bare from end to end?", Ends: untilFire},
		{ID: "ash-cleared", Title: "Ash cleared", Question: "Ash raked clear and the pan hosed out, nothing glowing?", Ends: untilFire},
		{ID: "ash-pan-shut", Title: "Ash-pan slide shut", Question: "Ash-pan slide shut and pinned?", AfterS: HourS, Ends: []Cause{Ended}},
		{ID: "brake-tried", Title: "Brake tried", Question: "Brake tried, and does it hold?", AfterS: HourS, Ends: []Cause{Ended}},
		{ID: "at-blow-down-place", Title: "At the blow-down place", Question: "At the blow-down place, scotched, brake on?", IdleS: IdlePipeS, Ends: []Cause{BlownDown, Ended}},
		{ID: "people-clear", Title: "People clear", Question: "Everyone clear of the cocks and of the path of the jet?", IdleS: IdlePipeS, Ends: []Cause{BlownDown, Ended}},
		{ID: "vent-open", Title: "Vent open", Question: "Vent at the top open, and neither blowing nor sucking?", AfterS: LongS, Ends: opened},
		{ID: "cocks-run-dry", Title: "Cocks run dry", Question: "Both blow-down cocks open, handles in line, and nothing coming out?", AfterS: LongS, Ends: opened},
		{ID: "gauge-tried", Title: "Gauge tried", Question: "Test gauge or try cock opened, and no pressure behind it?", AfterS: LongS, Ends: opened},
		{ID: "blower-shut", Title: "Blower shut", Question: "Blower valve shut?", Ends: untilFire},
		{ID: "smokebox-ajar", Title: "Smokebox door ajar", Question: "Smokebox swept, and its door left ajar, not shut?", Ends: untilFire},
		{ID: "drain-clear", Title: "Drain clear", Question: "Tank drain open, and its outfall clear of people and track?", Ends: untilFire},
		{ID: "plugs-removed", Title: "Plugs removed", Question: "All washout plugs out, counted, and laid by?", Ends: []Cause{Pressure}},
	}
}

// Given is a word that stands.
type Given struct {
	ID, By string
	At     track.Instant
}

// Lapsed is a word that no longer stands.
type Lapsed struct {
	Given
	When  track.Instant
	Cause Cause
}

// Standing holds the words that stand on one engine. Make it with [New].
type Standing struct {
	decl   map[string]Declaration
	order  []string
	given  map[string]Given
	lapsed map[string]Lapsed
	ran    track.Instant // last moment at which the pipe was seen running
}

// New returns nothing said. Extra are the confirmations that an engine's
// configuration names in the place of sensors.
func New(extra ...Declaration) *Standing {
	s := &Standing{decl: map[string]Declaration{}, given: map[string]Given{}, lapsed: map[string]Lapsed{}}
	for _, d := range append(Table(), extra...) {
		if _, ok := s.decl[d.ID]; !ok {
			s.order = append(s.order, d.ID)
		}
		s.decl[d.ID] = d
	}
	return s
}

// Declared returns the declaration of a confirmation, and false for one that
// this engine does not know.
func (s *Standing) Declared(id string) (Declaration, bool) {
	d, ok := s.decl[id]
	return d, ok
}

// Give lets a word stand. One that stands already is renewed. False means that
// the confirmation is not known.
func (s *Standing) Give(id, by string, at track.Instant) bool {
	if _, ok := s.decl[id]; !ok {
		return false
	}
	s.given[id] = Given{id, by, at}
	delete(s.lapsed, id)
	return true
}

// Withdraw takes a word back. False means that it did not stand.
func (s *Standing) Withdraw(id string, at track.Instant) (Lapsed, bool) {
	return s.end(id, at, TakenBack)
}

func (s *Standing) end(id string, at track.Instant, c Cause) (Lapsed, bool) {
	g, ok := s.given[id]
	if !ok {
		return Lapsed{}, false
	}
	delete(s.given, id)
	l := Lapsed{g, at, c}
	s.lapsed[id] = l
	return l, true
}

// Get returns a word that stands.
func (s *Standing) Get(id string) (Given, bool) {
	g, ok := s.given[id]
	return g, ok
}

// Last returns how a word that no longer stands came to lapse.
func (s *Standing) Last(id string) (Lapsed, bool) {
	l, ok := s.lapsed[id]
	return l, ok
}

// All returns the words that stand, in the order of the table.
func (s *Standing) All() []Given {
	var out []Given
	for _, id := range s.order {
		if g, ok := s.given[id]; ok {
			out = append(out, g)
		}
	}
	return out
}

// Seen ends the words that the cause ends, given before at.
func (s *Standing) Seen(c Cause, at track.Instant) []Lapsed {
	var out []Lapsed
	for id := range s.given {
		for _, e := range s.decl[id].Ends {
			if e == c {
				if l, ok := s.end(id, at, c); ok {
					out = append(out, l)
				}
				break
			}
		}
	}
	return s.sorted(out)
}

// PipeRunning says that the blow-down pipe was seen running.
func (s *Standing) PipeRunning(at track.Instant) { s.ran = max(s.ran, at) }

// Until returns when a standing word lapses by time alone, or [track.Never].
func (s *Standing) Until(id string) track.Instant {
	g, ok := s.given[id]
	if !ok {
		return track.Never
	}
	d, until := s.decl[id], track.Never
	if d.AfterS > 0 {
		until = g.At.Add(d.AfterS)
	}
	if d.IdleS > 0 {
		until = min(until, max(g.At, s.ran).Add(d.IdleS))
	}
	return until
}

// Next returns the first moment at which time alone ends a word.
func (s *Standing) Next() track.Instant {
	next := track.Never
	for id := range s.given {
		next = min(next, s.Until(id))
	}
	return next
}

// Expire ends the words whose time has run out at now.
func (s *Standing) Expire(now track.Instant) []Lapsed {
	var out []Lapsed
	for id := range s.given {
		if until := s.Until(id); now >= until {
			if l, ok := s.end(id, until, Time); ok {
				out = append(out, l)
			}
		}
	}
	return s.sorted(out)
}

// sorted puts lapses in the order of the table, so that the same evening always
// reads the same.
func (s *Standing) sorted(l []Lapsed) []Lapsed {
	rank := make(map[string]int, len(s.order))
	for i, id := range s.order {
		rank[id] = i
	}
	sort.Slice(l, func(i, j int) bool { return rank[l[i].ID] < rank[l[j].ID] })
	return l
}
