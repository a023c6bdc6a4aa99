package rules

import (
	"fmt"

	"ashlamp/rules/telemetry"
)

// Check reports what is wrong with an event before it is kept: an unknown
// confirmation is an [*UnknownError], an unknown lay-up an error that names the
// known ones; nil where [Judge.Hear] will take it.
func (j *Judge) Check(ev telemetry.Event) error {
	if ev.Kind == telemetry.Confirmed || ev.Kind == telemetry.Withdrawn {
		if _, ok := j.k.Said.Declared(ev.Subject); !ok {
			return &UnknownError{ev.Subject}
		}
	}
	if ev.Kind == telemetry.DisposalBegun {
		return checkLayUp(ev.LayUp)
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

// Changes returns every step's verdict as it stands, as if each had just changed.
func (j *Judge) Changes() []Change {
	var out []Change
	for i := range j.steps {
		s := &j.steps[i]
		out = append(out, Change{Step: j.change(s)})
	}
	return out
}
