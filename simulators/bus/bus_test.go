package bus_test

import (
	"errors"
	"fmt"
	"sync"
	"testing"

	"periph.io/x/conn/v3/physic"

	"ashlamp/simulators/bus"
)

// register holds one byte, and tells if it is entered twice at once.
type register struct {
	value  byte
	inside int // unguarded on purpose: the race detector sees a bus that does not serialise
}

func (c *register) Tx(w, r []byte) error {
	c.inside++
	defer func() { c.inside-- }()
	if len(w) > 0 {
		c.value = w[0]
	}
	for i := range r {
		r[i] = c.value
	}
	return nil
}

func TestTransactions(t *testing.T) {
	b := bus.New("shed")
	if err := b.Attach(0x48, &register{}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		before func()
		addr   uint16
		w      []byte
		want   byte
		err    error
		fails  bool
	}{
		{name: "write then read", addr: 0x48, w: []byte{7}, want: 7},
		{name: "read alone", addr: 0x48, want: 7},
		{name: "nobody there", addr: 0x49, err: bus.ErrNoAck},
		{name: "unplugged", before: func() { b.Unplug(0x48, true) }, addr: 0x48, err: bus.ErrNoAck},
		{name: "plugged in again", before: func() { b.Unplug(0x48, false) }, addr: 0x48, want: 7},
		{name: "stuck", before: func() { b.Stick(true) }, addr: 0x48, err: bus.ErrStuck},
		{name: "free again", before: func() { b.Stick(false) }, addr: 0x48, want: 7},
		{name: "noise on the way back", before: func() { b.Noise(func(_ uint16, r []byte) { r[0] ^= 0x80 }) }, addr: 0x48, want: 0x87},
		{name: "noise over", before: func() { b.Noise(nil) }, addr: 0x48, want: 7},
		{name: "ten bits of address", addr: 0x80, fails: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.before != nil {
				c.before()
			}
			var r [1]byte
			err := b.Tx(c.addr, c.w, r[:])
			if c.err != nil || c.fails {
				if err == nil || c.err != nil && !errors.Is(err, c.err) {
					t.Fatalf("Tx(0x%02X) = %v, want %v", c.addr, err, c.err)
				}
				return
			}
			if err != nil || r[0] != c.want {
				t.Fatalf("Tx(0x%02X) read 0x%02X, %v; want 0x%02X", c.addr, r[0], err, c.want)
			}
		})
	}
	if err := b.Tx(0x49, nil, nil); err != nil {
		t.Errorf("an empty transaction: %v, want nothing done as on a real host", err)
	}
}

func TestAttachRefuses(t *testing.T) {
	b := bus.New("shed")
	for _, c := range []struct {
		name string
		addr uint16
		ok   bool
	}{
		{"lowest", 0x08, true}, {"highest", 0x77, true}, {"taken", 0x77, false}, {"reserved low", 0x07, false}, {"reserved high", 0x78, false},
	} {
		if err := b.Attach(c.addr, &register{}); (err == nil) != c.ok {
			t.Errorf("%s: Attach(0x%02X) = %v, want ok %v", c.name, c.addr, err, c.ok)
		}
	}
}

func TestSpeed(t *testing.T) {
	b := bus.New("shed")
	for _, c := range []struct {
		f  physic.Frequency
		ok bool
	}{{10 * physic.KiloHertz, true}, {400 * physic.KiloHertz, true}, {0, false}, {physic.MegaHertz, false}} {
		if err := b.SetSpeed(c.f); (err == nil) != c.ok || c.ok && b.Speed() != c.f {
			t.Errorf("SetSpeed(%v) = %v, speed %v; want ok %v", c.f, err, b.Speed(), c.ok)
		}
	}
}

func TestOneTransactionIsOverBeforeTheNext(t *testing.T) {
	b := bus.New("shed")
	c := &register{}
	if err := b.Attach(0x48, c); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			for range 500 {
				var r [1]byte
				if err := b.Tx(0x48, []byte{byte(g)}, r[:]); err != nil || r[0] != byte(g) {
					t.Errorf("wrote %d, read %d, %v in one transaction", g, r[0], err)
					return
				}
			}
		})
	}
	wg.Wait()
	if n := b.Transactions(0x48); n != 8*500 {
		t.Errorf("counted %d transactions, want %d", n, 8*500)
	}
}

func ExampleBus() {
	b := bus.New("shed")
	err := b.Tx(0x48, []byte{0}, make([]byte, 2))
	fmt.Println(err)
	// Output: shed: address 0x48: no acknowledge
}
