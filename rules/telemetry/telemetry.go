// Package telemetry holds the words that every other package shares: channel,
// sample, quality, confirmation and bucket. It imports nothing of ours and can
// be read alone.
//
// A sample's time is its own, given by whoever measured it, never the time at
// which it was handled. Times are UTC and whole microseconds ([Resolution]).
package telemetry

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Resolution is the step of every sample's time. A SenML time is an IEEE 754
// double of Unix seconds, which in this century resolves about 0.24 µs, so a
// microsecond is the finest step that survives every door alike.
const Resolution = time.Microsecond

// Channel is the id of one measured quantity at one place, for example
// "boiler.pressure". Those that begin with "ambient." belong to the shed and
// serve all its engines; all others belong to one engine.
type Channel string

// The channels of the outside contract. Others of any name are stored and drawn.
const (
	BoilerPressure  Channel = "boiler.pressure"
	ShellTop        Channel = "boiler.shell.top"
	ShellBottom     Channel = "boiler.shell.bottom"
	BoilerLevel     Channel = "boiler.level"
	BoilerHumidity  Channel = "boiler.humidity"
	Firebox         Channel = "firebox"
	Smokebox        Channel = "smokebox"
	BlowdownPipe    Channel = "blowdown.pipe"
	TankLeft        Channel = "tank.left.level"
	TankRight       Channel = "tank.right.level"
	AmbientTemp     Channel = "ambient.temperature"
	AmbientHumidity Channel = "ambient.humidity"
	AmbientPressure Channel = "ambient.pressure"
	AmbientCO       Channel = "ambient.co"
)

// BatteryPrefix begins the channel of what is left in the battery of a node, a part from
// 0 to 1; the node's name follows.
const BatteryPrefix = "battery."

// OfShed reports whether the channel belongs to the shed rather than to one engine.
func (c Channel) OfShed() bool { return strings.HasPrefix(string(c), "ambient.") }

// Unit is a unit symbol of the SenML registry (RFC 8428 section 12.1).
type Unit string

// Units of the contract's channels.
const (
	Pascal   Unit = "Pa"
	Celsius  Unit = "Cel"
	Ratio    Unit = "/"
	Humidity Unit = "%RH"
)

// UnitOf returns the unit in which samples of the channel are kept, and false
// for a channel that the contract does not name (its samples keep whatever unit
// they came with).
func UnitOf(c Channel) (Unit, bool) {
	switch c {
	case BoilerPressure, AmbientPressure:
		return Pascal, true
	case ShellTop, ShellBottom, Firebox, Smokebox, BlowdownPipe, AmbientTemp:
		return Celsius, true
	case BoilerLevel, TankLeft, TankRight, AmbientCO:
		return Ratio, true
	case BoilerHumidity, AmbientHumidity:
		return Humidity, true
	}
	switch s := string(c); {
	case strings.HasPrefix(s, "boiler.pressure."):
		return Pascal, true
	case strings.HasPrefix(s, "boiler.shell."):
		return Celsius, true
	case strings.HasPrefix(s, BatteryPrefix):
		return Ratio, true
	}
	return "", false
}

// Quality says how far a sample may be relied upon. The zero value is Bad, so
// that a sample nobody judged proves nothing.
type Quality uint8

const (
	// Bad samples are kept and shown as gaps; they prove nothing.
	Bad Quality = iota
	// Uncertain samples are drawn; they prove nothing either.
	Uncertain
	// Good samples are the only ones that count as evidence.
	Good
)

// String returns "bad", "uncertain" or "good".
func (q Quality) String() string {
	switch q {
	case Good:
		return "good"
	case Uncertain:
		return "uncertain"
	default:
		return "bad"
	}
}

// MarshalText writes the word of [Quality.String].
func (q Quality) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads the word of [Quality.String]; any other is an error.
func (q *Quality) UnmarshalText(b []byte) error {
	for _, k := range []Quality{Bad, Uncertain, Good} {
		if string(b) == k.String() {
			*q = k
			return nil
		}
	}
	return fmt.Errorf("quality %q is not known; use good, uncertain or bad", b)
}

// Sample is one measurement. The zero value is bad.
type Sample struct {
	Channel Channel
	// At is the sample's own time, UTC, whole microseconds.
	At time.Time
	// Value is in the channel's unit ([UnitOf]); NaN where a bad sample has no number.
	Value   float64
	Quality Quality
	// Reason says in a few words why the quality is not good; empty if it is.
	Reason string
}

// Lost returns a bad sample without a number, with its reason.
func Lost(c Channel, at time.Time, reason string) Sample {
	return Sample{Channel: c, At: at, Value: math.NaN(), Quality: Bad, Reason: reason}
}

// Kind is what an [Event] says.
type Kind uint8

const (
	// Nothing is the zero value; it is never stored.
	Nothing Kind = iota
	// Confirmed: a person gives their word for Subject, a confirmation's id.
	Confirmed
	// Withdrawn: a person takes the confirmation Subject back.
	Withdrawn
	// DisposalBegun: a person says that a disposal begins; LayUp may be set.
	DisposalBegun
	// DisposalEnded: a person says that the engine is housed.
	DisposalEnded
	// FireLit: a person says that a fire is lit.
	FireLit
	// NodePutAway: the node Subject is put away on purpose.
	NodePutAway
	// NodeBack: the node Subject is in use again.
	NodeBack
	// AlarmAcknowledged: a person knows of the alarm of the watch Subject.
	AlarmAcknowledged
	// AlarmShelved: a person puts the alarm of Subject aside Until then, and says Why.
	AlarmShelved
	// AlarmUnshelved: a person takes it up again before that.
	AlarmUnshelved
	// RepairBooked: what was found, Subject, is booked for repair.
	RepairBooked
	// RepairDone: that repair is done.
	RepairDone
	// NextWanted: the engine is next wanted at Until; no Until means nobody knows.
	NextWanted
	// LookedInto: a person has looked into the resting boiler, or tested its water.
	LookedInto
)

var kindNames = map[Kind]string{
	Confirmed: "confirmed", Withdrawn: "withdrawn", DisposalBegun: "disposal-begun",
	DisposalEnded: "disposal-ended", FireLit: "fire-lit", NodePutAway: "node-put-away", NodeBack: "node-back",
	AlarmAcknowledged: "alarm-acknowledged", AlarmShelved: "alarm-shelved", AlarmUnshelved: "alarm-unshelved",
	RepairBooked: "repair-booked", RepairDone: "repair-done", NextWanted: "next-wanted", LookedInto: "looked-into",
}

// String returns the kind's word, "nothing" for the zero value.
func (k Kind) String() string {
	if s, ok := kindNames[k]; ok {
		return s
	}
	return "nothing"
}

// MarshalText writes the word of [Kind.String].
func (k Kind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads the word of [Kind.String]; any other is an error.
func (k *Kind) UnmarshalText(b []byte) error {
	for kind, name := range kindNames {
		if name == string(b) {
			*k = kind
			return nil
		}
	}
	return fmt.Errorf("event kind %q is not known; this file was written by a newer version or is damaged", b)
}

// LayUp is how an engine rests between disposals. The zero value means not said.
type LayUp string

const (
	// Short rest: the boiler is left with its water.
	Short LayUp = "short"
	// Dry rest: the boiler is emptied and dried.
	Dry LayUp = "dry"
	// Wet rest: the boiler is filled right up with treated water.
	Wet LayUp = "wet"
)

// Event is what a person said, with who and when.
type Event struct {
	At   time.Time `json:"t"`
	Kind Kind      `json:"kind"`
	// Subject is the confirmation's, the node's or the watch's id, or what is to be
	// repaired, where the kind has one.
	Subject string `json:"subject,omitempty"`
	// By is who said it.
	By    string `json:"by,omitempty"`
	LayUp LayUp  `json:"lay_up,omitempty"`
	// Until and Why are as the kind says.
	Until time.Time `json:"until,omitzero"`
	Why   string    `json:"why,omitempty"`
}

// Bucket sums up the samples of one channel within [From, To).
// Min, Mean and Max are over samples that have a number and are not bad;
// they are NaN when Count is 0.
type Bucket struct {
	From, To       time.Time
	Min, Mean, Max float64
	// Count is the number of samples with a number that are not bad.
	Count int
	// Worst is the lowest quality of any sample within, bad ones included.
	Worst Quality
}
