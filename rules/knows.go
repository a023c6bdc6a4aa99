package rules

import "ashlamp/rules/telemetry"

// Check reports what is wrong with an event before it is kept: an unknown
// confirmation is an [*UnknownError]; nil where [Judge.Hear] will take it.
func (j *Judge) Check(ev telemetry.Event) error {
	if ev.Kind == telemetry.Confirmed || ev.Kind == telemetry.Withdrawn {
		if _, ok := j.k.Said.Declared(ev.Subject); !ok {
			return &UnknownError{ev.Subject}
		}
	}
	return nil
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
