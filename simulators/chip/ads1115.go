package chip

import (
	"encoding/binary"
	"math"
	"sync"
	"time"
)

// Clock tells a chip how far its conversions have got.
type Clock interface {
	Now() time.Time
}

// Registers, reset values and fields of the ADS1115 (data sheet SBAS444D,
// "Register Map"). They are written here from the sheet, not taken from the
// driver, so that a slip in one shows against the other.
var (
	adsReset     = [4]uint16{0x0000, 0x8583, 0x8000, 0x7FFF}
	adsFullScale = [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}
	adsRate      = [8]float64{8, 16, 32, 64, 128, 250, 475, 860}
	adsPins      = [8][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}, {0, -1}, {1, -1}, {2, -1}, {3, -1}}
)

// ADS1115 is the four-input converter as its registers show it. Only single-shot
// mode converts; continuous mode, the comparator and the alert pin are not simulated.
// A conversion takes the voltages at its start.
type ADS1115 struct {
	clock Clock
	pins  [4]func() float64

	mu      sync.Mutex
	reg     [4]uint16
	pointer byte
	done    time.Time // when the running conversion ends; zero when idle
	result  uint16    // what it will give
	busy    bool
	drift   float64
}

// NewADS1115 returns a chip after power-up. Each pin gives the voltage against
// ground in volts; a nil pin is open and reads 0 V.
func NewADS1115(clock Clock, pins [4]func() float64) *ADS1115 {
	return &ADS1115{clock: clock, pins: pins, reg: adsReset}
}

// PowerCycle takes the supply away and back: every register returns to its reset value.
func (c *ADS1115) PowerCycle() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.reg, c.pointer, c.done = adsReset, 0, time.Time{}
}

// StickBusy makes conversions never end, as a failed oscillator does, or lets them end again.
func (c *ADS1115) StickBusy(on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.busy = on
}

// Oscillator sets how far the chip's own oscillator is off: 0.1 makes conversions
// 10 % longer, the most the data sheet allows.
func (c *ADS1115) Oscillator(off float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.drift = off
}

// Tx is one transaction: the first byte written is the register pointer, two more
// are the register's value; reads give the register under the pointer.
func (c *ADS1115) Tx(w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.settle()
	if len(w) > 0 {
		c.pointer = w[0] & 3
		if len(w) >= 3 && c.pointer != 0 {
			c.write(binary.BigEndian.Uint16(w[1:3]))
		}
	}
	v := c.reg[c.pointer]
	if c.pointer == 1 {
		v &^= 0x8000
		if c.done.IsZero() {
			v |= 0x8000
		}
	}
	for i := range r {
		// A read beyond two bytes finds the bus released: all ones.
		switch i {
		case 0:
			r[i] = byte(v >> 8)
		case 1:
			r[i] = byte(v)
		default:
			r[i] = 0xFF
		}
	}
	return nil
}

// settle ends the running conversion if its time has come.
func (c *ADS1115) settle() {
	if c.done.IsZero() || c.busy || c.clock.Now().Before(c.done) {
		return
	}
	c.reg[0], c.done = c.result, time.Time{}
}

func (c *ADS1115) write(v uint16) {
	c.reg[c.pointer] = v
	if c.pointer != 1 || v&0x8000 == 0 || v&0x0100 == 0 || !c.done.IsZero() {
		return
	}
	c.result = adsCode(c.volts(adsPins[v>>12&7]), adsFullScale[v>>9&7])
	period := (1 + c.drift) / adsRate[v>>5&7] * float64(time.Second)
	c.done = c.clock.Now().Add(time.Duration(period))
}

func (c *ADS1115) volts(pins [2]int) float64 {
	var v [2]float64
	for i, p := range pins {
		if p >= 0 && c.pins[p] != nil {
			v[i] = c.pins[p]()
		}
	}
	return v[0] - v[1]
}

// adsCode is the code of a voltage: 32768 codes for full scale, held at the ends
// (SBAS444D, "Data Format"). A voltage that is no number reads as the lower end.
func adsCode(volts, fullScale float64) uint16 {
	code := math.Round(volts / fullScale * 32768)
	switch {
	case code >= math.MaxInt16:
		return math.MaxInt16
	case code > math.MinInt16:
		return uint16(int16(code))
	default:
		return 0x8000
	}
}
