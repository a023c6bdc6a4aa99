// Package beacon is a lamp or siren in the shed that reads what the daemon publishes over
// MQTT: an example, small enough to be written again for a microcontroller, of how a
// message with until is to be read.
package beacon

import (
	"encoding/json"
	"fmt"
	"sync"
	"time"
)

// CannotTell is what stands whenever nobody says otherwise.
const CannotTell = "cannot-tell"

// longest is the most that a message is believed; the contract has 30 s.
const longest = time.Minute

// Reader holds the newest message of one topic, sheds/{shed}/engines/{engine}/steps/{step}
// or …/alarms/{watch}. The zero value has heard nothing. Its methods may be called from
// several goroutines.
type Reader struct {
	// Clock is true where this device has the time of day, and so can find a message old
	// that came late. One without counts only from the receipt.
	Clock bool

	mu    sync.Mutex
	says  string
	until time.Time // by this device's clock
}

// Take reads a message. kept is its RETAIN flag: a message that the broker had kept may be
// of a daemon that is dead since, and is not believed; a living one says it again within
// 10 s. What cannot be read is worth as much as silence.
func (r *Reader) Take(payload []byte, kept bool, now time.Time) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.says = CannotTell
	var m struct {
		T       time.Time `json:"t"`
		Until   time.Time `json:"until"`
		Verdict string    `json:"verdict"` // of a step
		State   string    `json:"state"`   // of an alarm
	}
	if err := json.Unmarshal(payload, &m); err != nil {
		return fmt.Errorf("a message that is none of the daemon's: %w", err)
	}
	span := m.Until.Sub(m.T)
	if m.T.IsZero() || span <= 0 || span > longest {
		return fmt.Errorf("a message that is to be believed from %s until %s", m.T, m.Until)
	}
	if kept {
		return nil
	}
	r.says, r.until = m.Verdict+m.State, now.Add(span)
	if r.Clock && m.Until.Before(r.until) {
		r.until = m.Until
	}
	return nil
}

// Says returns the verdict or the state of the alarm, [CannotTell] once it is past its
// time.
func (r *Reader) Says(now time.Time) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.says == "" || !now.Before(r.until) {
		return CannotTell
	}
	return r.says
}
