package message

import "ashlamp/rules/telemetry"

// filled is the list itself, or an empty one where there is none, so that JSON
// has [] and never null.
func filled[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func filledAt[T any](list *[]T) *[]T {
	if list == nil || *list != nil {
		return list
	}
	return &[]T{}
}

// each is a copy of the list with f done to every member.
func each[T any](list []T, f func(T) T) []T {
	out := make([]T, len(list))
	for i, v := range list {
		out[i] = f(v)
	}
	return out
}

// Whole returns the engine with empty lists in place of absent ones, as the
// OpenAPI document promises.
func (e Engine) Whole() Engine {
	e.Measured = filled(e.Measured)
	if e.Marks == nil {
		e.Marks = map[string]float64{}
	}
	return e
}

// Whole is as [Engine.Whole].
func (s Step) Whole() Step {
	s.Because = filled(s.Because)
	return s
}

// Whole is as [Engine.Whole].
func (s State) Whole() State {
	if s.Channels == nil {
		s.Channels = map[telemetry.Channel]Reading{}
	}
	s.Steps = each(s.Steps, Step.Whole)
	s.Asks = filled(s.Asks)
	s.Forecasts = filled(s.Forecasts)
	s.Alarms = filled(s.Alarms)
	s.Confirmations = filled(s.Confirmations)
	s.Findings = filled(s.Findings)
	s.Bearing = s.Bearing.Whole()
	s.Rest = s.Rest.Whole()
	return s
}

// Whole is as [Engine.Whole].
func (b Bearing) Whole() Bearing {
	b.Chattering, b.Stale = filled(b.Chattering), filled(b.Stale)
	return b
}

// Whole is as [Engine.Whole].
func (r Rest) Whole() Rest {
	r.Reminders, r.Repairs = filled(r.Reminders), filled(r.Repairs)
	return r
}

// Whole is as [Engine.Whole].
func (s Snapshot) Whole() Snapshot {
	s.Shed.People = filled(s.Shed.People)
	if s.Shed.Cautions == nil {
		s.Shed.Cautions = map[string][]string{}
	}
	s.Engines = each(s.Engines, Engine.Whole)
	s.States = each(s.States, State.Whole)
	return s
}

// Whole is as [Engine.Whole]; what is absent because it did not change stays absent.
func (c Change) Whole() Change {
	if len(c.Steps) > 0 {
		c.Steps = each(c.Steps, Step.Whole)
	}
	c.Asks = filledAt(c.Asks)
	c.Forecasts = filledAt(c.Forecasts)
	c.Alarms = filledAt(c.Alarms)
	c.Confirmations = filledAt(c.Confirmations)
	c.Findings = filledAt(c.Findings)
	if c.Bearing != nil {
		b := c.Bearing.Whole()
		c.Bearing = &b
	}
	if c.Rest != nil {
		r := c.Rest.Whole()
		c.Rest = &r
	}
	if c.Marks != nil && *c.Marks == nil {
		c.Marks = &map[string]float64{}
	}
	return c
}

// Whole is as [Engine.Whole].
func (l Lane) Whole() Lane {
	l.Segments = filled(l.Segments)
	return l
}

// Whole is as [Engine.Whole].
func (l Lanes) Whole() Lanes {
	l.Lanes = each(l.Lanes, Lane.Whole)
	l.Stamps = filled(l.Stamps)
	return l
}
