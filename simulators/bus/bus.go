// Package bus is an I2C bus made of simulated chips, behind periph's i2c.Bus, so
// that whatever reads a real bus reads this one without knowing.
//
// It is the electrical bus only: addresses, acknowledge, and what goes wrong with
// wires. What a chip answers is the chip's own affair.
package bus

import (
	"errors"
	"fmt"
	"sync"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Chip answers at one address. Tx is one transaction: w is what the master
// writes, then r is filled. An error is a missing acknowledge.
type Chip interface {
	Tx(w, r []byte) error
}

// ErrNoAck is what a master sees where no chip answers.
var ErrNoAck = errors.New("no acknowledge")

// ErrStuck is what a master sees while a line is held low.
var ErrStuck = errors.New("bus timeout, a line is held low")

// Bus is an i2c.Bus. All methods may be called from several goroutines; one
// transaction is over before the next begins, as on the wire.
type Bus struct {
	name string

	mu       sync.Mutex
	chips    map[uint16]Chip
	unplug   map[uint16]bool
	noise    func(addr uint16, read []byte)
	stuck    bool
	speed    physic.Frequency
	attempts map[uint16]int
}

var _ i2c.Bus = (*Bus)(nil)

// New returns an empty bus at 100 kHz, which is what an MCP9600 is specified for.
func New(name string) *Bus {
	return &Bus{
		name: name, chips: map[uint16]Chip{}, unplug: map[uint16]bool{},
		attempts: map[uint16]int{}, speed: 100 * physic.KiloHertz,
	}
}

// Addresses below and above these are reserved by the I2C specification (UM10204
// section 3.1.12).
const (
	addressFirst = 0x08
	addressLast  = 0x77
)

// Attach puts a chip at a 7-bit address. A reserved or taken address is an error.
func (b *Bus) Attach(addr uint16, c Chip) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if addr < addressFirst || addr > addressLast {
		return fmt.Errorf("address 0x%02X is reserved; use 0x08 to 0x77", addr)
	}
	if b.chips[addr] != nil {
		return fmt.Errorf("address 0x%02X is taken on %s; give the second chip another", addr, b.name)
	}
	b.chips[addr] = c
	return nil
}

// Unplug takes the chip at addr off the wires, or puts it back: while unplugged
// nothing acknowledges there. The chip keeps its state.
func (b *Bus) Unplug(addr uint16, off bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.unplug[addr] = off
}

// Stick holds a line low, or lets go: while stuck every transaction fails.
func (b *Bus) Stick(on bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.stuck = on
}

// Noise sets what happens to bytes on their way to the master, nil for nothing.
// It is called under the bus's lock, once for each transaction that reads.
func (b *Bus) Noise(f func(addr uint16, read []byte)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.noise = f
}

// Transactions returns how often the address was called, answered or not.
func (b *Bus) Transactions(addr uint16) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.attempts[addr]
}

// String returns the bus's name.
func (b *Bus) String() string { return b.name }

// Tx does one transaction, as i2c.Bus says. With neither w nor r it does nothing,
// as on a real host.
func (b *Bus) Tx(addr uint16, w, r []byte) error {
	if addr > 0x7F {
		return fmt.Errorf("%s: address 0x%X has more than 7 bits; this bus has none such", b.name, addr)
	}
	if len(w) == 0 && len(r) == 0 {
		return nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.attempts[addr]++
	if b.stuck {
		return fmt.Errorf("%s: %w", b.name, ErrStuck)
	}
	c := b.chips[addr]
	if c == nil || b.unplug[addr] {
		return fmt.Errorf("%s: address 0x%02X: %w", b.name, addr, ErrNoAck)
	}
	if err := c.Tx(w, r); err != nil {
		return fmt.Errorf("%s: address 0x%02X: %w", b.name, addr, err)
	}
	if b.noise != nil && len(r) > 0 {
		b.noise(addr, r)
	}
	return nil
}

// SetSpeed takes 10 kHz to 400 kHz and refuses the rest.
func (b *Bus) SetSpeed(f physic.Frequency) error {
	if f < 10*physic.KiloHertz || f > 400*physic.KiloHertz {
		return fmt.Errorf("%s: %v is not a speed of this bus; use 10kHz to 400kHz", b.name, f)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.speed = f
	return nil
}

// Speed returns the speed that was set.
func (b *Bus) Speed() physic.Frequency {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.speed
}
