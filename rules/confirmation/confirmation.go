// Package confirmation keeps a person's word for what no sensor sees: what may
// be said, who said it and when, and when it lapses by itself.
package confirmation

import "ashlamp/rules/track"

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
	// FireIn: a firebox so hot that only a fire explains it, whether or not one was
	// meant to be out.
	FireIn
	// BlownDown: the blow-down has finished.
	BlownDown
	// Ended: the disposal has ended.
	Ended
	// TakenBack: the person withdrew it.
	TakenBack
	causes = iota
)

// String says the cause in words that end the sentence "lapsed because ...".
func (c Cause) String() string {
	switch c {
	case Pressure:
		return "pressure or vacuum was over 0.2 bar"
	case Water:
		return "water came back into the glass"
	case Fire, FireIn:
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
	opened := []Cause{Pressure, Water, Fire, FireIn, Ended}
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
	index map[string]int
	words []word        // in the order of the table
	ran   track.Instant // last moment at which the pipe was seen running
	// seen is when each cause was last seen.
	seen [causes]track.Instant
}

type word struct {
	Declaration
	stands, ended bool
	given         Given
	lapsed        Lapsed
}

// New returns nothing said. Extra are the confirmations that an engine's
// configuration names in the place of sensors.
func New(extra ...Declaration) *Standing {
	s := &Standing{index: map[string]int{}, ran: never}
	for c := range s.seen {
		s.seen[c] = never
	}
	for _, d := range append(Table(), extra...) {
		if i, ok := s.index[d.ID]; ok {
			s.words[i].Declaration = d
			continue
		}
		s.index[d.ID] = len(s.words)
		s.words = append(s.words, word{Declaration: d})
	}
	return s
}

// never is before every instant at which anything is seen.
const never = -track.Never

// find returns the word of an id, nil for one that this engine does not know.
func (s *Standing) find(id string) *word {
	i, ok := s.index[id]
	if !ok {
		return nil
	}
	return &s.words[i]
}

// Declared returns the declaration of a confirmation, and false for one that
// this engine does not know.
func (s *Standing) Declared(id string) (Declaration, bool) {
	if w := s.find(id); w != nil {
		return w.Declaration, true
	}
	return Declaration{}, false
}

// Give lets a word stand. One that stands already is renewed. Where something
// that ends it was seen after at, it does not stand: it lapsed then. False means
// that the confirmation is not known.
func (s *Standing) Give(id, by string, at track.Instant) bool {
	w := s.find(id)
	if w == nil {
		return false
	}
	w.given, w.stands, w.ended = Given{id, by, at}, true, false
	for _, c := range w.Ends {
		if s.seen[c] > at {
			w.end(s.seen[c], c)
			break
		}
	}
	return true
}

// Withdraw takes a word back. False means that it did not stand.
func (s *Standing) Withdraw(id string, at track.Instant) (Lapsed, bool) {
	w := s.find(id)
	if w == nil || !w.stands {
		return Lapsed{}, false
	}
	return w.end(at, TakenBack), true
}

func (w *word) end(at track.Instant, c Cause) Lapsed {
	w.stands, w.ended, w.lapsed = false, true, Lapsed{w.given, at, c}
	return w.lapsed
}

// Get returns a word that stands.
func (s *Standing) Get(id string) (Given, bool) {
	if w := s.find(id); w != nil && w.stands {
		return w.given, true
	}
	return Given{}, false
}

// Last returns how a word that no longer stands came to lapse.
func (s *Standing) Last(id string) (Lapsed, bool) {
	if w := s.find(id); w != nil && w.ended {
		return w.lapsed, true
	}
	return Lapsed{}, false
}

// All returns the words that stand, in the order of the table.
func (s *Standing) All() []Given {
	var out []Given
	for i := range s.words {
		if w := &s.words[i]; w.stands {
			out = append(out, w.given)
		}
	}
	return out
}

// Seen ends the words that the cause ends, those too that were given in the
// moments since at: what was seen then is not over because someone spoke. The
// lapses are in the order of the table, so that the same evening always reads the same.
func (s *Standing) Seen(c Cause, at track.Instant) []Lapsed { return s.end(c, at, track.Never) }

// SeenLate ends the words that the cause ends and that were given by at: what is
// heard of late says nothing of a word given after it.
func (s *Standing) SeenLate(c Cause, at track.Instant) []Lapsed { return s.end(c, at, at) }

func (s *Standing) end(c Cause, at, givenBy track.Instant) (out []Lapsed) {
	s.seen[c] = max(s.seen[c], at)
	for i := range s.words {
		w := &s.words[i]
		if w.stands && w.given.At <= givenBy && w.endsBy(c) {
			out = append(out, w.end(at, c))
		}
	}
	return out
}

func (w *word) endsBy(c Cause) bool {
	for _, e := range w.Ends {
		if e == c {
			return true
		}
	}
	return false
}

// PipeRunning says that the blow-down pipe was seen running.
func (s *Standing) PipeRunning(at track.Instant) { s.ran = max(s.ran, at) }

// Until returns when a standing word lapses by time alone, or [track.Never].
func (s *Standing) Until(id string) track.Instant {
	if w := s.find(id); w != nil {
		return w.until(s.ran)
	}
	return track.Never
}

func (w *word) until(ran track.Instant) track.Instant {
	until := track.Never
	if !w.stands {
		return until
	}
	if w.AfterS > 0 {
		until = w.given.At.Add(w.AfterS)
	}
	if w.IdleS > 0 {
		until = min(until, max(w.given.At, ran).Add(w.IdleS))
	}
	return until
}

// Next returns the first moment at which time alone ends a word.
func (s *Standing) Next() track.Instant {
	next := track.Never
	for i := range s.words {
		next = min(next, s.words[i].until(s.ran))
	}
	return next
}

// Expire ends the words whose time has run out at now, in the order of the table.
func (s *Standing) Expire(now track.Instant) (out []Lapsed) {
	for i := range s.words {
		if until := s.words[i].until(s.ran); now >= until && until != track.Never {
			out = append(out, s.words[i].end(until, Time))
		}
	}
	return out
}
