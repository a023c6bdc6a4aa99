package rules

import (
	"errors"
	"fmt"

	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// Check reports what is wrong with an event before it is kept: an unknown
// confirmation is an [*UnknownError], an unknown lay-up an error that names the
// known ones, what an alarm does not take now an [*alarm.RefusedError]; nil where
// [Judge.Hear] will take it.
func (j *Judge) Check(ev telemetry.Event) error {
	if ev.Kind == telemetry.Confirmed || ev.Kind == telemetry.Withdrawn {
		if _, ok := j.k.Said.Declared(ev.Subject); !ok {
			return &UnknownError{ev.Subject}
		}
	}
	switch ev.Kind {
	case telemetry.DisposalBegun:
		return checkLayUp(ev.LayUp)
	case telemetry.AlarmAcknowledged, telemetry.AlarmShelved, telemetry.AlarmUnshelved:
		return j.checkAlarm(ev)
	case telemetry.RepairBooked, telemetry.RepairDone:
		if ev.Subject == "" {
			return errors.New("a repair without a word of what it is; say what was found")
		}
	}
	return nil
}

// checkLayUp refuses a lay-up that is none: by it is judged whether water may stay.
func checkLayUp(l telemetry.LayUp) error {
	switch l {
	case "", telemetry.Short, telemetry.Dry, telemetry.Wet:
		return nil
	}
	return fmt.Errorf("lay_up %q is not known; use \"short\", \"dry\" or \"wet\"", l)
}

// Stands reports whether a person's word stands now.
func (j *Judge) Stands(confirm string) bool {
	_, ok := j.k.Said.Get(confirm)
	return ok
}

// Open reports whether a disposal is open now.
func (j *Judge) Open() bool {
	_, open := j.d.Open()
	return open
}

// Watching reports whether a watch of that id stands on the panel.
func (j *Judge) Watching(id string) bool { return j.w.board.Panel.Get(id) != nil }

// Verdict returns a step's verdict as it stands; cannot-tell for one that this engine
// has not.
func (j *Judge) Verdict(step string) verdict.Verdict {
	for i := range j.steps {
		if j.steps[i].step.ID == step {
			return j.steps[i].verdict
		}
	}
	return verdict.CannotTell
}

// Changes returns every step's verdict as it stands, as if each had just changed.
func (j *Judge) Changes() []Change {
	var out []Change
	for i := range j.steps {
		s := &j.steps[i]
		out = append(out, Change{Step: j.change(s)})
	}
	return out
}
