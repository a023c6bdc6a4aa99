package notice

import (
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/layup"
	"ashlamp/rules/verdict"
)

// Standing is how an engine stands at one moment, as far as it can be worth a ring. Its
// memory is used again: see [Standing.Clear].
type Standing struct {
	At time.Time
	// Engine is the id, Name what people call it.
	Engine, Name string
	Phase        disposal.Phase
	// Begun is when the open disposal began; zero where none is open.
	Begun time.Time
	// Relit is that a fire was seen since it was dropped.
	Relit bool
	// House is the verdict on the step, Evidence what it rests on now.
	House    verdict.Verdict
	Evidence []Evidence
	// Forecast is that of "house" with things left as they are; zero where nothing
	// honest can be said.
	Forecast Expected
	// Alarms are the watches that are not normal. One that is not among them is.
	Alarms []Watch
	// Rested is that what follows was looked at.
	Rested    bool
	Damp      layup.Dampness
	Reminders []Reminder
	Batteries []Charge
}

// Clear forgets all but the memory.
func (s *Standing) Clear() {
	*s = Standing{
		Evidence: s.Evidence[:0], Alarms: s.Alarms[:0], Reminders: s.Reminders[:0], Batteries: s.Batteries[:0],
	}
}

// Evidence is one thing that "house" needs.
type Evidence struct {
	Title   string
	Verdict verdict.Verdict
	// Word is that a person's word alone shows it; Given that the word stands.
	Word, Given bool
}

// Expected is a forecast: the median, and an interval that holds it four times in five.
type Expected struct {
	ETA, Lo, Hi time.Time
}

func (e Expected) known() bool { return !e.ETA.IsZero() && !e.Lo.IsZero() && !e.Hi.IsZero() }

// Watch is an alarm that is not normal.
type Watch struct {
	ID, Title, Action string
	State             alarm.State
	Priority          alarm.Priority
	// Since is when it came into its state.
	Since time.Time
	// Text is what is the matter; where it is put aside or suppressed, why.
	Text string
	// By is who acknowledged it or put it aside.
	By string
}

// Reminder is something that should be done about a resting engine.
type Reminder struct{ ID, Text string }

// Charge is what a battery says of itself.
type Charge struct {
	// ID is its channel's, Name that of what it feeds.
	ID, Name string
	// Left is the part of the charge that is left, 0 to 1; NaN where it is not known now.
	Left float64
}

// atWork reports whether the engine is being put away with its fire out, and if not,
// why, and whether that is as it should be.
func (s *Standing) atWork() (yes bool, why string, done bool) {
	switch {
	case s.Relit:
		return false, "A fire was seen in it.", false
	case s.Phase == disposal.Housed || s.Phase == disposal.LaidUp:
		return false, "It is housed.", true
	case s.Phase == disposal.InSteam || s.Phase == disposal.LightingUp:
		return false, "A fire is in it.", false
	case s.Begun.IsZero():
		return false, "Its putting away was ended.", true
	}
	return true, "", false
}

// cool reports whether all that samples show of "house" is proven, what a person has yet
// to confirm, and if it is not so, why.
func (s *Standing) cool() (yes bool, yet []string, why string) {
	if len(s.Evidence) == 0 {
		return false, nil, "It cannot be told now."
	}
	for _, e := range s.Evidence {
		switch {
		case e.Verdict == verdict.Proven:
		case e.Word && !e.Given && e.Verdict == verdict.NotYet:
			yet = append(yet, e.Title)
		default:
			return false, nil, e.why()
		}
	}
	return true, yet, ""
}

// ready is the same of all that it needs.
func (s *Standing) ready() (yes bool, why string) {
	for _, e := range s.Evidence {
		if e.Verdict != verdict.Proven {
			return false, e.why()
		}
	}
	// Both are asked: what this list lacks must not prove anything.
	return len(s.Evidence) > 0 && s.House == verdict.Proven, "It cannot be told now."
}

func (e Evidence) why() string {
	switch {
	case e.Word && !e.Given:
		return e.Title + ": nobody's word stands for it."
	case e.Verdict == verdict.NotYet:
		return e.Title + ": no longer so."
	}
	return e.Title + ": cannot be told now."
}
