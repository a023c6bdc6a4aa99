// Package notice says what is worth a ring: it follows how an engine stands and gives
// a [Notice] where a cause begins, becomes worse, or is no longer so. Who is told, by
// which way and when, is not its business.
package notice

import (
	"time"

	"ashlamp/rules/alarm"
)

// LineMax is how many characters a line has at most: what a lock screen shows without
// being opened; common practice, no source.
const LineMax = 120

// Kind is what a person chooses to be told of.
type Kind string

// The kinds.
const (
	// CoolEnough is that all evidence of "house" that comes from samples is proven.
	CoolEnough Kind = "cool-enough"
	// Ready is that "house" is proven.
	Ready Kind = "ready"
	// Moved is that the forecast of "house" moved by more than [MovedBy].
	Moved Kind = "moved"
	// Alarm is an alarm, by its priority.
	Alarm Kind = "alarm"
	// LayUp is what is found between disposals: damp, frost, a reminder.
	LayUp Kind = "lay-up"
	// Lost is a node or a neighbour's daemon that is heard no longer.
	Lost Kind = "lost"
	// Battery is a node's battery that is low.
	Battery Kind = "battery"
)

// Kinds are all of them, in the order in which a page shows them.
func Kinds() []Kind { return []Kind{CoolEnough, Ready, Moved, Alarm, LayUp, Lost, Battery} }

// Turn is what became of a cause.
type Turn string

// The turns. A cause has one Began, any number of Worse and Seen, and one Over.
const (
	Began Turn = "began"
	Worse Turn = "worse"
	// Seen is that a person acknowledged it: it rings nobody, and stops what would ring.
	Seen Turn = "seen"
	Over Turn = "over"
)

// Notice is one turn of one cause.
type Notice struct {
	// Cause names this occurrence of it, for ever: the engine (empty for the shed), the
	// kind, what it is about, and when it began, as "quillet/alarm/frost/20310504t170200z".
	Cause string `json:"cause"`
	// N counts the turns of the cause, from 1.
	N    int  `json:"n"`
	Turn Turn `json:"turn"`
	Kind Kind `json:"kind"`
	// Subject is the watch, node, channel or target that it is about; may be empty.
	Subject string `json:"subject,omitempty"`
	// Engine is the id, empty for the shed; Name is what people call it.
	Engine string `json:"engine,omitempty"`
	Name   string `json:"name"`
	// OfShed is that it is about the shed, although an engine's judgement found it: each
	// engine of the shed finds the same at about the same time.
	OfShed bool `json:"of_shed,omitempty"`
	// At is when it turned; Began when the cause began.
	At    time.Time `json:"t"`
	Began time.Time `json:"began"`
	// Priority is that of an alarm, or of what is as pressing as one.
	Priority alarm.Priority `json:"priority"`
	// Acknowledged is that a person has seen the alarm: nobody else is rung for it.
	Acknowledged bool `json:"acknowledged,omitempty"`
	// Facts are what the line is made of.
	Facts Facts `json:"facts"`
}

// Facts are what a line is made of. Those that a kind does not need are left out.
type Facts struct {
	// Yet are the titles of what a person has yet to confirm. A notice of CoolEnough that
	// has none has one of Ready beside it.
	Yet []string `json:"yet,omitempty"`
	// Among are the titles of what was put together, where it was.
	Among []string `json:"among,omitempty"`
	// Title and Action are those of an alarm or a finding.
	Title  string `json:"title,omitempty"`
	Action string `json:"action,omitempty"`
	// Text is the daemon's own sentence, in bar and degree Celsius. Where it is over, it
	// says why.
	Text string `json:"text,omitempty"`
	// By is who acknowledged it, or put it aside; empty where no person did.
	By string `json:"by,omitempty"`
	// Done is that it is over because it came to its end as it should, as an engine that
	// was housed: nothing is wrong.
	Done bool `json:"done,omitempty"`
	// Was and ETA are the forecast before and now; Lo and Hi its interval now.
	Was *time.Time `json:"was,omitempty"`
	ETA *time.Time `json:"eta,omitempty"`
	Lo  *time.Time `json:"lo,omitempty"`
	Hi  *time.Time `json:"hi,omitempty"`
}
