package chip

import (
	"fmt"
	"math"
	"sync"
	"time"

	"ashlamp/hardware/thermocouple"
)

// Conversion times by the resolution field, 18 to 12 bits (DS20005426C table 5-3;
// from memory), and the step of a code in µV (2 at 18 bits, section 6.3.2).
var (
	mcpConversion = [4]time.Duration{320 * time.Millisecond, 80 * time.Millisecond, 20 * time.Millisecond, 5 * time.Millisecond}
	mcpDropped    = [4]uint{0, 2, 4, 6} // low bits that read 0 at that resolution
	mcpTypes      = map[byte]thermocouple.Type{0: thermocouple.K, 1: thermocouple.J, 2: thermocouple.T, 3: thermocouple.N}
)

// railed is where an open input with a bias resistor stands: the end of the
// 18-bit range, 2^17 codes of 2 µV.
const railed = 262.142 // mV

// Wiring is what is connected to the inputs of an MCP960x.
type Wiring struct {
	// Couple is the type of the couple, whatever the chip is told.
	Couple thermocouple.Type
	// Hot and Cold give the temperatures of the junctions in °C. Cold is also the
	// chip's own temperature.
	Hot, Cold func() float64
	// Bias: a resistor pulls an open input to the end of the range.
	Bias bool
	// NoSense: the VSENSE pin of an MCP9601 is not wired, so its detector is blind.
	NoSense bool
}

// MCP960x is an MCP9600 or MCP9601 as its registers show it, converting by itself in
// normal mode. Burst mode and the alert outputs are not simulated: alert registers
// read 0. Between conversions the registers stand still, as the chip's do.
type MCP960x struct {
	clock  Clock
	wiring Wiring
	id     byte

	mu             sync.Mutex
	open, short    bool
	frozen, halted bool
	pointer        byte
	sensor, device byte
	status         byte
	hot, cold      int16
	raw            int32
	filtered       float64
	primed         bool // filtered holds a temperature
	next           time.Time
}

// NewMCP9600 returns an MCP9600 after power-up: it has no detector of an open couple.
func NewMCP9600(clock Clock, w Wiring) *MCP960x { return newMCP960x(clock, w, 0x40) }

// NewMCP9601 returns an MCP9601 after power-up.
func NewMCP9601(clock Clock, w Wiring) *MCP960x { return newMCP960x(clock, w, 0x41) }

func newMCP960x(clock Clock, w Wiring, id byte) *MCP960x {
	c := &MCP960x{clock: clock, wiring: w, id: id}
	c.reset()
	return c
}

func (c *MCP960x) reset() {
	c.pointer, c.sensor, c.device, c.status = 0, 0, 0, 0
	c.hot, c.cold, c.raw, c.primed = 0, 0, 0, false
	c.next = c.clock.Now().Add(c.period())
}

// Open breaks a wire of the couple, or mends it.
func (c *MCP960x) Open(on bool) { c.set(&c.open, on) }

// Short lets a wire of the couple touch ground, or frees it.
func (c *MCP960x) Short(on bool) { c.set(&c.short, on) }

// Freeze makes the hot-junction register hold its last value while all else goes
// on, or lets it follow again.
func (c *MCP960x) Freeze(on bool) { c.set(&c.frozen, on) }

// Halt stops the conversions while the registers still answer, or lets them run.
func (c *MCP960x) Halt(on bool) { c.set(&c.halted, on) }

func (c *MCP960x) set(b *bool, on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.settle()
	*b = on
}

// PowerCycle takes the supply away and back: type K, no filter, no conversion yet.
func (c *MCP960x) PowerCycle() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.reset()
}

// Tx is one transaction: the first byte written is the register pointer, the
// second the register's value; reads give the register under the pointer.
func (c *MCP960x) Tx(w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.settle()
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) > 1 {
		c.write(w[1])
	}
	if len(r) > 0 {
		v, err := c.register()
		if err != nil {
			return err
		}
		for i := range r {
			r[i] = 0xFF // beyond the register the bus is released
			if i < len(v) {
				r[i] = v[i]
			}
		}
	}
	return nil
}

func (c *MCP960x) register() ([]byte, error) {
	switch c.pointer {
	case 0x00:
		return word(c.hot), nil
	case 0x01:
		return word(c.hot - c.cold), nil
	case 0x02:
		return word(c.cold), nil
	case 0x03:
		return []byte{byte(c.raw >> 16), byte(c.raw >> 8), byte(c.raw)}, nil
	case 0x04:
		return []byte{c.status}, nil
	case 0x05:
		return []byte{c.sensor}, nil
	case 0x06:
		return []byte{c.device}, nil
	case 0x20:
		return []byte{c.id, 0x10}, nil
	}
	if c.pointer >= 0x08 && c.pointer <= 0x13 { // alert registers
		return []byte{0, 0}, nil
	}
	return nil, fmt.Errorf("register 0x%02X does not exist", c.pointer)
}

func word(v int16) []byte { return []byte{byte(uint16(v) >> 8), byte(v)} }

func (c *MCP960x) write(v byte) {
	switch c.pointer {
	case 0x04:
		// Flags are cleared by writing 0; writing 1 has no effect, and so has
		// writing to the other bits.
		c.status &= v | 0x3F
	case 0x05:
		c.sensor = v & 0x77
		c.restart()
	case 0x06:
		c.device = v
		c.restart()
	}
}

func (c *MCP960x) restart() {
	c.primed = false
	c.next = c.clock.Now().Add(c.period())
}

func (c *MCP960x) period() time.Duration { return mcpConversion[c.device>>5&3] }

// settle does the conversions whose time has come. They all see the inputs as they
// are now: between two transactions the world is not asked what it was.
func (c *MCP960x) settle() {
	now := c.clock.Now()
	if c.halted || c.device&3 == 1 {
		c.next = now.Add(c.period()) // shut down or stopped: time does not count
		return
	}
	if now.Before(c.next) {
		return
	}
	n := 1 + int64(now.Sub(c.next)/c.period())
	c.next = c.next.Add(time.Duration(n) * c.period())
	c.convert(n)
}

// convert does n conversions of the inputs as they stand.
func (c *MCP960x) convert(n int64) {
	c.status |= 0x40
	c.status &^= 0x30
	cold := c.wiring.Cold()
	c.cold = celsiusCode(cold)
	if c.device&0x80 != 0 { // cold junction at 0.25 °C: the two low bits read 0
		c.cold &^= 3
	}
	emf, plausible := c.input(cold)
	drop := mcpDropped[c.device>>5&3]
	if math.IsNaN(emf) { // no voltage at all stands at the end, as an unconnected input may
		emf = railed
	}
	c.raw = int32(math.Round(math.Max(-131072, math.Min(131071, emf*500)))) >> drop << drop
	couple, known := mcpTypes[c.sensor>>4]
	hot, err := 0.0, error(nil)
	if known && plausible {
		hot, err = thermocouple.Compensated(couple, float64(c.raw)/500, float64(c.cold)*0.0625)
	}
	outside := !known || !plausible || err != nil
	if c.id == 0x40 && outside {
		c.status |= 0x10
	}
	if c.id == 0x41 && !c.wiring.NoSense {
		if c.open {
			c.status |= 0x10
		}
		if c.short {
			c.status |= 0x20
		}
	}
	if outside || c.frozen {
		return // the hot-junction register has been seen to keep its last value
	}
	// A first-order filter with coefficient 2/(2^n+1), once for each conversion
	// (DS20005426C, page 29; the form is from memory).
	k := 2 / (math.Exp2(float64(c.sensor&7)) + 1)
	if !c.primed {
		c.filtered, c.primed = hot, true
	}
	c.filtered += (hot - c.filtered) * (1 - math.Pow(1-k, float64(n)))
	c.hot = celsiusCode(c.filtered)
}

// input is the voltage between the pins in mV, and whether a couple could give it.
func (c *MCP960x) input(cold float64) (emf float64, plausible bool) {
	switch {
	case c.open && c.wiring.Bias:
		return railed, false
	case c.open || c.short:
		return 0, true // floats to zero, or is held there
	}
	hot, hotErr := coupleEMF(c.wiring.Couple, c.wiring.Hot())
	junction, junctionErr := coupleEMF(c.wiring.Couple, cold)
	return hot - junction, hotErr == nil && junctionErr == nil
}

// coupleEMF is the emf in mV against 0 °C. A real couple does not end where its
// reference function does: beyond it goes on with the slope that it has there, and
// the error says so. A temperature that is no number gives an emf of NaN.
func coupleEMF(couple thermocouple.Type, t float64) (float64, error) {
	emf, err := thermocouple.EMF(couple, t)
	if err == nil {
		return emf, nil
	}
	low, high, rangeErr := thermocouple.Range(couple)
	if rangeErr != nil || math.IsNaN(t) {
		return math.NaN(), err
	}
	end := math.Max(low, math.Min(high, t))
	at, endErr := thermocouple.EMF(couple, end)
	slope, slopeErr := thermocouple.Sensitivity(couple, end)
	if endErr != nil || slopeErr != nil {
		return math.NaN(), err
	}
	return at + slope*(t-end), err
}

// celsiusCode is a temperature in codes of 0.0625 °C, held at the ends of 16 bits.
func celsiusCode(t float64) int16 {
	return int16(math.Max(math.MinInt16, math.Min(math.MaxInt16, math.Round(t/0.0625))))
}
