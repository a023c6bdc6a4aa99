package rules

import (
	"math"
	"slices"
	"sort"
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/confirmation"
	"ashlamp/rules/disposal"
	"ashlamp/rules/energy"
	"ashlamp/rules/evidence"
	"ashlamp/rules/forecast"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/verdict"
)

// State is all that is known of an engine at one moment.
type State struct {
	At    time.Time
	Phase disposal.Phase
	LayUp telemetry.LayUp
	// Begun and Ended are of the newest disposal; zero where there is none, or
	// while it is open.
	Begun, Ended time.Time
	Readings     []Reading
	Steps        []StepState
	// Front is the id of the step in front.
	Front         string
	Asks          []Ask
	Confirmations []Given
	// Alarms are all the watches, in the order of their table; Findings what is the
	// matter with the sensors; Figures how the alarms are borne.
	Alarms   []Alarm
	Findings []health.Finding
	Figures  alarm.Figures
	Rest     Rest
	// Forecasts are what is expected, where the judge foretells.
	Forecasts []forecast.Forecast
	// Energy is what the boiler still holds.
	Energy energy.View
	// Marks are the limits that a drawing shows: pressures in pascal, temperatures
	// in degree Celsius.
	Marks map[string]float64
}

// Reading is the newest sample of a channel, as it counts now.
type Reading struct {
	telemetry.Sample
	Stale bool
	// FreshS is how old it may be, in seconds.
	FreshS float64
	// U is its expanded uncertainty in the channel's unit.
	U float64
}

// StepState is a step as judged now.
type StepState struct {
	ID, Title string
	Verdict   verdict.Verdict
	Since     time.Time
	// Done is when the deed was done; zero while it is not.
	Done    time.Time
	Because []Because
}

// Because is one evidence of a step.
type Because struct {
	verdict.Reason
	Title string
	// Confirm is the confirmation that it is or waits for; empty where samples
	// alone tell.
	Confirm string
}

// Given is a word that stands; Until is zero where time alone does not end it.
type Given struct {
	Confirm, By string
	At, Until   time.Time
}

// Ask is something that needs a person.
type Ask struct {
	// Confirm is a confirmation's id, or Say one of "disposal-begin" and "disposal-end".
	Confirm, Say string
	Question     string
	Step         string
	// Now is false where it is to be asked later; Note then says when.
	Now  bool
	Note string
}

// State returns what is known at the latest time heard.
func (j *Judge) State() State {
	s := State{
		At: j.now.Time(), Phase: j.d.Phase(), LayUp: j.k.LayUp, Marks: j.marks(),
	}
	begun, ended := j.d.Last()
	s.Begun, s.Ended = timeOf(begun), timeOf(ended)
	for _, t := range j.k.Tracks() {
		if r, ok := j.reading(t); ok {
			s.Readings = append(s.Readings, r)
		}
	}
	sort.Slice(s.Readings, func(a, b int) bool { return s.Readings[a].Channel < s.Readings[b].Channel })
	for i := range j.steps {
		s.Steps = append(s.Steps, j.stepState(&j.steps[i]))
	}
	for _, g := range j.k.Said.All() {
		s.Confirmations = append(s.Confirmations, Given{
			Confirm: g.ID, By: g.By, At: g.At.Time(), Until: timeOf(j.k.Said.Until(g.ID)),
		})
	}
	s.Front, s.Asks = j.asks()
	s.Alarms, s.Figures = j.alarms(), j.w.board.Panel.Figures(j.now)
	s.Findings = slices.Clone(j.w.known.Findings)
	s.Rest = j.Rest()
	s.Forecasts = j.Forecasts()
	s.Energy = j.energy()
	return s
}

func timeOf(i track.Instant) time.Time {
	if i == 0 || i == track.Never {
		return time.Time{}
	}
	return i.Time()
}

func (j *Judge) reading(t *track.Track) (Reading, bool) {
	newest, ok := t.Newest()
	if !ok {
		return Reading{}, false
	}
	_, fresh := t.Fresh(j.now)
	return Reading{Sample: newest, Stale: !fresh, FreshS: t.FreshLimit(), U: j.engine.Channel(t.ID()).U(newest.Value)}, true
}

func (j *Judge) stepState(s *stepState) StepState {
	out := StepState{ID: s.step.ID, Title: s.step.Title, Verdict: s.verdict, Since: timeOf(s.since), Done: timeOf(s.done)}
	ids := s.wasFor
	reasons := j.reasons(ids)
	for n, i := range ids {
		d := &j.needs[i].decl
		out.Because = append(out.Because, Because{Reason: reasons[n], Title: d.Title, Confirm: d.WordNow(j.k)})
	}
	return out
}

func (j *Judge) marks() map[string]float64 {
	m := map[string]float64{}
	put := func(key string, v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			m[key] = v
		}
	}
	put("zero_band", j.k.ZeroBand())
	boiling, _, _ := j.k.Boiling(j.now)
	put("boiling_c", boiling)
	dry := j.k.LayUp == telemetry.Dry
	fb, sb := limit.RestFirebox, limit.RestSmokebox
	if dry {
		fb, sb = limit.HouseFirebox, limit.HouseSmokebox
	}
	l := j.engine.Limits
	put("house_firebox_c", l.At(fb))
	put("house_smokebox_c", l.At(sb))
	for _, k := range []limit.Key{limit.FireOut, limit.OpenSmokebox, limit.Touch} {
		put(string(k), l.At(k))
	}
	for key, k := range map[string]limit.Key{
		"blow_down_min": limit.BlowDownMin, "blow_down_max": limit.BlowDownMax, "move_min": limit.MoveMin,
		"drop_min": limit.DropMin, "drop_max": limit.DropMax,
	} {
		put(key, l.At(k)*1e5)
	}
	return m
}

// inOrder reports whether a step belongs to this evening's work.
func (j *Judge) inOrder(s *stepState) bool {
	return s.step.InOrder && (!s.step.Emptying || j.k.LayUp == telemetry.Dry)
}

// asks returns the step in front, the first in working order that is not done,
// and what needs a person, the most pressing first.
func (j *Judge) asks() (front string, out []Ask) {
	if _, open := j.d.Open(); !open {
		if _, ended := j.d.Last(); ended != 0 || j.d.Phase() == disposal.InSteam || j.d.Phase() == disposal.LightingUp {
			out = append(out, Ask{Say: "disposal-begin", Question: "At the ash pit, and putting the engine away?", Now: true})
		}
	}
	asked := map[string]bool{}
	for i := range j.steps {
		s := &j.steps[i]
		if !j.inOrder(s) || s.done != 0 {
			continue
		}
		if front == "" {
			front = s.step.ID
		}
		out = append(out, j.asksOf(s, s.step.ID == front, asked)...)
	}
	if front == "" {
		if n := len(j.steps); n > 0 {
			front = j.steps[n-1].step.ID
		}
	}
	return front, out
}

// asksOf returns what a step needs of a person. What another evidence must show
// first is asked later, and says so.
func (j *Judge) asksOf(s *stepState, front bool, asked map[string]bool) []Ask {
	var out []Ask
	waiting := ""
	for _, i := range s.wasFor {
		if n := &j.needs[i]; !n.byHand && n.finding.Verdict != verdict.Proven && waiting == "" && n.decl.WordNow(j.k) == "" {
			waiting = n.decl.Title
		}
	}
	add := func(id string, later string) {
		d, ok := j.k.Said.Declared(id)
		if _, given := j.k.Said.Get(id); !ok || given || asked[id] {
			return
		}
		asked[id] = true
		a := Ask{Confirm: id, Question: d.Question, Step: s.step.ID, Now: front && later == ""}
		if !a.Now {
			a.Note = "Asked when the steps before it are done"
			if later != "" {
				a.Note = "Asked when this is proven: " + later
			}
		}
		out = append(out, a)
	}
	for _, i := range s.wasFor {
		n := &j.needs[i]
		id := n.decl.WordNow(j.k)
		if id == "" || n.finding.Verdict == verdict.Proven {
			continue
		}
		later := ""
		switch id {
		case "people-clear":
			later = waiting
		case "vent-open":
			if p, _, ok := j.k.Gauge(j.now); !ok || math.Abs(p) > confirmation.PressureBar*1e5 {
				later = evidence.Title("pressure-zero")
			}
		case "cocks-run-dry":
			if _, fell := j.k.Run.Fell(); !fell {
				later = "the blow-down has finished"
			}
		}
		add(id, later)
	}
	if d := s.step.Deed; d != "" {
		later := ""
		if s.verdict != verdict.Proven {
			later = s.step.Title
		}
		add(d, later)
	}
	if s.step.ID == "house" {
		a := Ask{Say: "disposal-end", Question: "In the shed, scotched, and left for the night?", Step: s.step.ID, Now: front && s.verdict == verdict.Proven}
		if _, open := j.d.Open(); open {
			if !a.Now {
				a.Note = "Asked when this is proven: " + s.step.Title
			}
			out = append(out, a)
		}
	}
	return out
}
