// Package alarm is the life of one alarm: how it is raised, acknowledged, shelved,
// suppressed and taken out of service, and how it comes back (IEC 62682:2014 and
// ANSI/ISA-18.2-2016; their state diagram was not at hand, its transitions are from
// memory).
//
// The latched states of the standard are not used: what needs to be looked at stays
// listed until a person acknowledges it, in the state returned-unacknowledged.
//
// Delays and deadband are those of OPC 10000-9 (v1.05) B.1.5. A condition that is
// not known neither raises nor clears: what was counted of a delay is kept and goes
// on when the condition is known again and still the same. So a poor link cannot
// keep an alarm from ever being raised, and time in which nobody looked counts for
// nothing.
package alarm

import "fmt"

// State is where an alarm is in its life. The zero value is Unacknowledged, so that
// a forgotten field never reads as quiet.
type State uint8

// The letters are those of the standard's diagram.
const (
	// Unacknowledged (B): the condition holds, and nobody has said that they know.
	Unacknowledged State = iota
	// Acknowledged (C): the condition holds, and somebody knows.
	Acknowledged
	// ReturnedUnacknowledged (D): the condition is over, and nobody knew of it.
	ReturnedUnacknowledged
	// Normal (A): nothing to tell.
	Normal
	// Shelved (G): a person has put it aside for a limited time.
	Shelved
	// Suppressed (H): the engine's phase makes it meaningless, or its owner has set
	// no limit.
	Suppressed
	// OutOfService (I): a person has taken it out, until a person puts it back.
	OutOfService
	states // how many there are
)

func (s State) word() string {
	switch s {
	case Unacknowledged:
		return "unacknowledged"
	case Acknowledged:
		return "acknowledged"
	case ReturnedUnacknowledged:
		return "returned-unacknowledged"
	case Normal:
		return "normal"
	case Shelved:
		return "shelved"
	case Suppressed:
		return "suppressed"
	case OutOfService:
		return "out-of-service"
	}
	return ""
}

// String returns the state's word in the outside contract, "unacknowledged" for a
// value that is none.
func (s State) String() string {
	if w := s.word(); w != "" {
		return w
	}
	return Unacknowledged.word()
}

// MarshalText writes the word of [State.String].
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the word of [State.String]; any other is an error.
func (s *State) UnmarshalText(b []byte) error {
	for c := range states {
		if c.word() == string(b) {
			*s = c
			return nil
		}
	}
	*s = Unacknowledged
	return fmt.Errorf("alarm state %q is not known; use one of normal, unacknowledged, acknowledged, returned-unacknowledged, shelved, suppressed, out-of-service", b)
}

// Priority is how much an alarm presses. The zero value is High, so that a forgotten
// field is never taken lightly. A smaller one presses more.
type Priority uint8

// The priorities of the contract.
const (
	High Priority = iota
	Medium
	Low
)

// String returns "high", "medium" or "low"; "high" for a value that is none.
func (p Priority) String() string {
	switch p {
	case Medium:
		return "medium"
	case Low:
		return "low"
	}
	return "high"
}

// MarshalText writes the word of [Priority.String].
func (p Priority) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads the word of [Priority.String]; any other is an error.
func (p *Priority) UnmarshalText(b []byte) error {
	for _, c := range []Priority{High, Medium, Low} {
		if c.String() == string(b) {
			*p = c
			return nil
		}
	}
	*p = High
	return fmt.Errorf("priority %q is not known; use high, medium or low", b)
}

// Condition is what is known of the thing that an alarm tells of. The zero value is
// Unknown.
type Condition uint8

const (
	// Unknown: cannot be told now.
	Unknown Condition = iota
	// Clear: does not hold, by the deadband at least.
	Clear
	// Between: back inside the limit by less than the deadband. It raises nothing,
	// and does not clear what stands.
	Between
	// Holding: beyond the limit.
	Holding
)

// String returns the condition in a word.
func (c Condition) String() string {
	switch c {
	case Clear:
		return "clear"
	case Between:
		return "between"
	case Holding:
		return "holding"
	}
	return "unknown"
}

// MarshalText writes the word of [Condition.String].
func (c Condition) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads the word of [Condition.String]; any other is an error.
func (c *Condition) UnmarshalText(b []byte) error {
	for _, v := range []Condition{Unknown, Clear, Between, Holding} {
		if v.String() == string(b) {
			*c = v
			return nil
		}
	}
	*c = Unknown
	return fmt.Errorf("condition %q is not known; use unknown, clear, between or holding", b)
}
