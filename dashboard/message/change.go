package message

import (
	"maps"
	"slices"

	"ashlamp/rules/telemetry"
)

// With returns the snapshot as it is after the change. Neither argument is
// altered, and the result shares with them only what nobody may alter. A change
// of an engine that the snapshot does not have leaves it as it is.
func (s Snapshot) With(c Change) Snapshot {
	i := slices.IndexFunc(s.States, func(st State) bool { return st.Engine == c.Engine })
	if i < 0 {
		return s
	}
	s.States = slices.Clone(s.States)
	s.States[i] = s.States[i].With(c)
	if c.Marks != nil {
		s.Engines = slices.Clone(s.Engines)
		for j := range s.Engines {
			if s.Engines[j].ID == c.Engine {
				s.Engines[j].Marks = *c.Marks
			}
		}
	}
	if c.At.After(s.At) {
		s.At = c.At
	}
	return s
}

// With returns the state as it is after the change, as [Snapshot.With].
func (s State) With(c Change) State {
	s.At = c.At
	replace(&s.Phase, c.Phase)
	replace(&s.LayUp, c.LayUp)
	replace(&s.Front, c.Front)
	replace(&s.Asks, c.Asks)
	replace(&s.Forecasts, c.Forecasts)
	replace(&s.Alarms, c.Alarms)
	replace(&s.Confirmations, c.Confirmations)
	replace(&s.Findings, c.Findings)
	replace(&s.Bearing, c.Bearing)
	replace(&s.Rest, c.Rest)
	if c.Disposal != nil {
		s.Disposal = c.Disposal
	}
	if c.Energy != nil {
		s.Energy = c.Energy
	}
	s.Channels = overlaid(s.Channels, c.Channels)
	s.Steps = stepsWith(s.Steps, c.Steps)
	return s
}

// Then returns one change that does to a snapshot what c and after it next do.
// Both are of the same engine.
func (c Change) Then(next Change) Change {
	c.At = next.At
	take(&c.Phase, next.Phase)
	take(&c.LayUp, next.LayUp)
	take(&c.Disposal, next.Disposal)
	take(&c.Front, next.Front)
	take(&c.Asks, next.Asks)
	take(&c.Forecasts, next.Forecasts)
	take(&c.Alarms, next.Alarms)
	take(&c.Confirmations, next.Confirmations)
	take(&c.Findings, next.Findings)
	take(&c.Bearing, next.Bearing)
	take(&c.Rest, next.Rest)
	take(&c.Energy, next.Energy)
	take(&c.Marks, next.Marks)
	c.Channels = overlaid(c.Channels, next.Channels)
	c.Steps = stepsWith(c.Steps, next.Steps)
	return c
}

func replace[T any](field *T, with *T) {
	if with != nil {
		*field = *with
	}
}

func take[T any](field **T, with *T) {
	if with != nil {
		*field = with
	}
}

func overlaid(below, above map[telemetry.Channel]Reading) map[telemetry.Channel]Reading {
	if len(above) == 0 {
		return below
	}
	if len(below) == 0 {
		return above
	}
	out := maps.Clone(below)
	maps.Copy(out, above)
	return out
}

// stepsWith replaces the steps of the same id where they stand, and puts those
// that are new at the end.
func stepsWith(steps, changed []Step) []Step {
	if len(changed) == 0 {
		return steps
	}
	steps = slices.Clone(steps)
	for _, c := range changed {
		if i := slices.IndexFunc(steps, func(s Step) bool { return s.ID == c.ID }); i >= 0 {
			steps[i] = c
		} else {
			steps = append(steps, c)
		}
	}
	return steps
}
