package chip

import (
	"errors"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Monostable is one half of a 74HC4538 (Nexperia, data sheet Rev. 4), triggered by the
// rising edges at its input A, with a lamp at its output Q: an edge sets Q for a time, and
// another meanwhile begins the time anew. It is the far end of a GPIO pin, and so is
// driven as one.
type Monostable struct {
	clock Clock
	hold  time.Duration
	name  string

	mu     sync.Mutex
	driven bool // the pin is an output
	level  gpio.Level
	edge   time.Time // the last rising one; zero for none
	edges  int
	broken error
}

// NewMonostable returns a chip after power-up: Q is low, the lamp dark. hold is what
// resistor and capacitor make of it, 0.7 R C; the name is that of the pin.
func NewMonostable(clock Clock, name string, hold time.Duration) *Monostable {
	return &Monostable{clock: clock, hold: hold, name: name}
}

// Lit reports whether the lamp burns now.
func (m *Monostable) Lit() bool { return m.LitAt(m.clock.Now()) }

// LitAt reports whether the lamp would burn at a moment with no further edge.
func (m *Monostable) LitAt(at time.Time) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return !m.edge.IsZero() && at.Before(m.edge.Add(m.hold))
}

// Level returns the pin's level, and false where nobody has driven it.
func (m *Monostable) Level() (high, driven bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return bool(m.level), m.driven
}

// Edges returns how many rising edges came.
func (m *Monostable) Edges() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.edges
}

// Break makes the pin refuse to be driven; nil mends it.
func (m *Monostable) Break(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.broken = err
}

// Out implements [gpio.PinOut].
func (m *Monostable) Out(l gpio.Level) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.broken != nil {
		return m.broken
	}
	// Before it was driven the resistor at the pin held it low.
	if l == gpio.High && m.level == gpio.Low {
		m.edge = m.clock.Now()
		m.edges++
	}
	m.level, m.driven = l, true
	return nil
}

// PWM implements [gpio.PinOut]. A train made by the board itself would go on without
// whoever judges, so the pin has none.
func (m *Monostable) PWM(gpio.Duty, physic.Frequency) error {
	return errors.New("this pin makes no pulses of its own")
}

// String implements [gpio.PinOut].
func (m *Monostable) String() string { return m.name }

// Halt implements [gpio.PinOut]; it leaves the level as it is.
func (m *Monostable) Halt() error { return nil }

// Name implements [gpio.PinOut].
func (m *Monostable) Name() string { return m.name }

// Number implements [gpio.PinOut]; the pin has none.
func (m *Monostable) Number() int { return -1 }

// Function implements [gpio.PinOut].
func (m *Monostable) Function() string { return "Out" }
