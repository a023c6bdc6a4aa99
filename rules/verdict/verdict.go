// Package verdict has the three-valued answer of the whole tool, and what goes
// with it: the reasons.
package verdict

import (
	"fmt"
	"time"
)

// Verdict is what is known of one statement. Its zero value is CannotTell, so
// that a forgotten field, an early return or a missing map key never reads as
// proven.
type Verdict uint8

const (
	// CannotTell: neither waiting nor doing will settle it; something must be
	// mended or looked at.
	CannotTell Verdict = iota
	// NotYet: waiting or doing will settle it.
	NotYet
	// Proven: shown by good samples, or by a person's word where the rule says so.
	Proven
)

// String returns "cannot-tell", "not-yet" or "proven".
func (v Verdict) String() string {
	switch v {
	case Proven:
		return "proven"
	case NotYet:
		return "not-yet"
	default:
		return "cannot-tell"
	}
}

// MarshalText writes the word of [Verdict.String].
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText reads the word of [Verdict.String]; any other is an error and
// leaves CannotTell.
func (v *Verdict) UnmarshalText(b []byte) error {
	*v = CannotTell
	switch string(b) {
	case "proven":
		*v = Proven
	case "not-yet":
		*v = NotYet
	case "cannot-tell":
	default:
		return fmt.Errorf("verdict %q is not known; use proven, not-yet or cannot-tell", b)
	}
	return nil
}

// Reason is the verdict on one evidence, in a sentence that a crew member understands.
type Reason struct {
	Evidence string  `json:"evidence"`
	Verdict  Verdict `json:"verdict"`
	Text     string  `json:"text"`
}

// Change says that the verdict of a step, or of an evidence within it, is
// another from this moment on. Its JSON is the replay line of the contract.
type Change struct {
	At      time.Time `json:"t"`
	Engine  string    `json:"engine"`
	Step    string    `json:"step"`
	Verdict Verdict   `json:"verdict"`
	Because []Reason  `json:"because"`
}
