// Package pulse lights a lamp by a train of pulses on a GPIO pin: each call is half a
// pulse. A retriggered monostable outside holds the lamp as long as pulses come. A level,
// high or low, lights nothing: a process that hangs, dies or is killed leaves one.
//
// The package makes no pulse of its own accord: no timer, no goroutine, no PWM of the
// board. Whoever has just judged makes it, or nobody does.
package pulse

import (
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"
)

// Figures of the train and of the monostable that it is made for.
const (
	// Every is the longest that two calls of [Train.Turn] may be apart for the lamp to
	// burn steadily. A rising edge comes at every second call, so every 0.4 s.
	Every = 200 * time.Millisecond
	// Hold is how long the monostable holds the lamp after a rising edge, nominally:
	// 0.7 x 470 kΩ x 4.7 µF for the 74HC4538 (Nexperia, data sheet Rev. 4, section 1: T =
	// 0.7 REXT CEXT). Two edges in a row may be missed before the lamp flickers.
	Hold = 1546 * time.Millisecond
	// DarkWithin is when the lamp is dark after the last edge, whatever the parts are
	// worth: 1.55 s and 21 % is 1.87 s. 10 % are the chip's from part to part (ON
	// Semiconductor, MC74HC4538A), 10 % the capacitor's and 1 % the resistor's, from memory.
	DarkWithin = 2 * time.Second
)

// Train drives one pin. Make it with [New]. It is for one goroutine.
type Train struct {
	pin  gpio.PinOut
	high bool
}

// New drives the pin low and returns a train at rest.
func New(pin gpio.PinOut) (*Train, error) {
	t := &Train{pin: pin}
	if err := t.Rest(); err != nil {
		return nil, err
	}
	return t, nil
}

// Turn is one turn of whoever judges: where lit it changes the level of the pin, else it
// drives the pin low. After an error the pin may be at either level, and no pulse is made
// by assuming one: the next call that is lit drives it low first if it was last high.
func (t *Train) Turn(lit bool) error {
	if !lit {
		return t.Rest()
	}
	return t.drive(!t.high)
}

// Rest drives the pin low: no pulses. Call it once more when the work is over.
func (t *Train) Rest() error { return t.drive(false) }

func (t *Train) drive(high bool) error {
	if err := t.pin.Out(gpio.Level(high)); err != nil {
		return fmt.Errorf("drive pin %s: %w; does this user have the board's GPIO, and does nothing else drive the pin?", t.pin.Name(), err)
	}
	t.high = high
	return nil
}
