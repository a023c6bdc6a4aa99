// Package mcp9600 drives the Microchip MCP9600 and MCP9601, which turn a
// thermocouple's emf into a temperature, over I2C.
//
// # An open couple
//
// The worst answer of a thermocouple is an open one that reads like a cold one.
// The MCP9601 has a detector of its own, if its VSENSE pin is wired; the MCP9600
// has none, and with both wires off its input may float to zero, which reads as
// the temperature of the terminal: a fire-box that looks cold. So:
//
//   - on an MCP9601 its open-circuit bit is a [hardware.OpenThermocouple], always,
//     and so is its short-circuit bit a [hardware.ShortedThermocouple];
//   - on either chip a raw voltage beyond 80 mV, which no couple gives, is an
//     [hardware.OpenThermocouple]: that is where a bias resistor, or a floating
//     input that drifted off, takes it;
//   - a temperature or emf outside the type's range is a [hardware.ThermocoupleRange];
//   - on an MCP9600 without a bias resistor nothing can be concluded from a
//     plausible number, so each of its readings is uncertain, for the reason
//     [hardware.OpenUndetectable]: it is drawn and proves nothing. With a resistor
//     of some megohms from the supply to the + input (data sheet section 6.3.3)
//     an open couple runs to the end of the range; the configuration says so with
//     [ByBias], and readings are good.
//
// Two wires that touch each other make a couple at that place, which reads the
// temperature there; no chip sees it, only a second channel does.
//
// # A number that does not follow
//
// The chip has been seen to hold its last temperature while its input was already
// open. The driver therefore computes the temperature again from the raw voltage
// and the cold junction by the ITS-90 reference functions and refuses a chip whose
// own answer is further off than its accuracy, its filter and a changing
// temperature explain: [hardware.ThermocoupleDisagrees]. Each reading needs a
// conversion that ended after the reading before it, so that a chip which stopped
// is noticed one reading later: [hardware.NotReady]. Settings are read back each
// time, since a chip that lost its supply wakes up as type K.
//
// Registers and bits are those of data sheet DS20005426C (MCP9600); what the
// MCP9601 adds, its identity 0x41 and bits 4 and 5 of the status, is from memory
// of a later revision, and so are the bits of the device configuration.
package mcp9600

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"ashlamp/hardware"
	"ashlamp/hardware/thermocouple"
	"ashlamp/rules/uncertainty"
)

// Register pointers (DS20005426C, table 4-2 on page 17, registers 5-2 to 5-12).
const (
	regHot      = 0x00 // page 24
	regCold     = 0x02 // page 26
	regRaw      = 0x03 // page 27
	regStatus   = 0x04 // page 28
	regSensor   = 0x05 // page 29
	regDevice   = 0x06 // page 30
	regIdentity = 0x20 // page 35
)

// Bits of the status register (DS20005426C, register 5-6 on page 28).
const (
	statusUpdate = 1 << 6
	statusRange  = 1 << 4 // MCP9600: input range; MCP9601: open circuit (from memory)
	statusShort  = 1 << 5 // MCP9601 only (from memory); the MCP9600 reads it as 0
)

// deviceNormal is the device configuration that the driver uses: cold junction at
// 0.0625 °C, 18-bit conversions, normal mode, all bits 0 (register 5-8 on page 30;
// from memory).
const deviceNormal = 0x00

// Conversion times, typical: 18-bit 320 ms (from memory), cold junction at
// 0.0625 °C 250 ms (DS20005426C, table 5-2 on page 26).
const (
	conversion = 320 * time.Millisecond
	coldJunct  = 250 * time.Millisecond
)

// The wait for a conversion: asked again each step, given up after twice both
// conversion times (common practice, no source).
const (
	readyStep     = conversion / 4
	readyDeadline = 2 * (conversion + coldJunct)
)

const (
	celsiusPerCode = 0.0625 // DS20005426C, registers 5-2 and 5-4
	microvoltCode  = 2      // DS20005426C, section 6.3.2: 2 µV for a code at 18 bits
)

// noCouple is a voltage in mV that no letter-designated couple gives: the largest
// of ITS-90 is 76.373 mV, type E at 1000 °C.
const noCouple = 80

// Cold junction, °C: the chip's specified range (DS20005426C, page 5).
const (
	coldLowest  = -40
	coldHighest = 125
)

// Accuracy limits in K. Hot junction ±1.5 °C (DS20005426C, page 1), which includes
// the cold junction; cold junction alone ±1 °C (from memory).
const (
	hotLimit  = 1.5
	coldLimit = 1.0
)

// How far the chip's temperature may lie from the one computed again (common
// practice, no source): disagreeBase covers its accuracy and a conversion that
// ended between two reads, disagreeShare the gain that the chip corrects and the
// raw voltage does not, disagreeRate the fastest change of a fire-box at the wall,
// for which the filter lags.
const (
	disagreeBase  = 8.0  // K
	disagreeShare = 0.01 // of hot minus cold
	disagreeRate  = 5.0  // K/s
)

// Lowest and highest address, chosen by the ADDR pin (DS20005426C, page 5).
const (
	AddressFirst uint16 = 0x60
	AddressLast  uint16 = 0x67
)

// Model is which of the two chips answers; its value is the identity register's upper byte.
type Model uint8

// The chips.
const (
	MCP9600 Model = 0x40 // DS20005426C, page 35
	MCP9601 Model = 0x41 // from memory
)

// String returns the chip's name.
func (m Model) String() string {
	switch m {
	case MCP9600:
		return "MCP9600"
	case MCP9601:
		return "MCP9601"
	default:
		return fmt.Sprintf("chip with identity 0x%02X", uint8(m))
	}
}

// OpenDetection says by what an open couple shows.
type OpenDetection uint8

const (
	// ByChip, the zero value: by the chip's own detector, which an MCP9600 has not.
	ByChip OpenDetection = iota
	// ByBias: a resistor pulls the input to the end of the range when it is open.
	ByBias
)

// Settings of one chip.
type Settings struct {
	// Couple is the type at the terminals: K, J, N or T. Others that the chip knows
	// are refused, because there is no reference function here to hold it to.
	Couple thermocouple.Type
	// Filter is the chip's coefficient n, 0 (off) to 7; its lag is about (2^n-1)/2
	// conversions of 0.32 s (DS20005426C, page 29; from memory).
	Filter uint8
	// Open says by what an open couple shows.
	Open OpenDetection
}

// Dev is one chip. It is not for use by several goroutines at once: a reading is
// several transactions.
type Dev struct {
	dev    i2c.Dev
	set    Settings
	sensor byte
	wait   func(context.Context, time.Duration) error
	model  Model // 0 until the chip holds its settings
	// w and r are what goes over the wire: a bus behind an interface would move
	// them to the heap at every transaction.
	w [2]byte
	r [3]byte
}

// New returns a driver for the chip at addr (0x60 to 0x67). It does not touch the
// bus, which the first reading does, and never closes it. wait returns after the
// duration, or earlier with the context's error.
func New(bus i2c.Bus, addr uint16, s Settings, wait func(ctx context.Context, d time.Duration) error) (*Dev, error) {
	code, known := typeCode(s.Couple)
	switch {
	case addr < AddressFirst || addr > AddressLast:
		return nil, fmt.Errorf("address 0x%02X is not one of an MCP9600; use 0x60 to 0x67 as its ADDR pin is wired", addr)
	case !known:
		return nil, fmt.Errorf("thermocouple type %v is not served on an MCP9600; use K, J, N or T", s.Couple)
	case s.Filter > 7:
		return nil, fmt.Errorf("filter %d is not one of an MCP9600; use 0 (off) to 7", s.Filter)
	case s.Open > ByBias:
		return nil, fmt.Errorf("open detection %d is not known; use ByChip or ByBias", s.Open)
	case bus == nil || wait == nil:
		return nil, errors.New("an MCP9600 needs a bus and a way to wait; hand both in")
	}
	return &Dev{dev: i2c.Dev{Bus: bus, Addr: addr}, set: s, sensor: code<<4 | s.Filter, wait: wait}, nil
}

// typeCode is the chip's code of a type (DS20005426C, register 5-7 on page 29).
func typeCode(t thermocouple.Type) (byte, bool) {
	switch t {
	case thermocouple.K:
		return 0, true
	case thermocouple.J:
		return 1, true
	case thermocouple.T:
		return 2, true
	case thermocouple.N:
		return 3, true
	default:
		return 0, false
	}
}

// Outside the range of class 2 of IEC 60584-1 no limit of error is defined for a
// couple; it is taken as twice that of type K inside (common practice, no source).
const (
	unclassedLeast = 5.0   // K
	unclassedShare = 0.015 // of the temperature in °C
)

// couple is the standard uncertainty of a couple of class 2 at t °C, in K.
func couple(c thermocouple.Type, t float64) float64 {
	tolerance, err := uncertainty.Thermocouple(c.String(), 2, t)
	if err != nil {
		return uncertainty.Rectangular(math.Max(unclassedLeast, unclassedShare*math.Abs(t)))
	}
	return tolerance.Standard()
}

// Read returns the hot junction in °C. It fails with a [*hardware.Fault], or with
// the context's error where ctx was cancelled.
func (d *Dev) Read(ctx context.Context) (hardware.Reading, error) {
	r, err := d.registers(ctx)
	if err != nil {
		return hardware.Reading{}, err
	}
	if err := d.judge(r); err != nil {
		return hardware.Reading{}, err
	}
	u := uncertainty.Combine(uncertainty.Rectangular(hotLimit), couple(d.set.Couple, r.hot), uncertainty.Resolution(celsiusPerCode))
	if d.model == MCP9600 && d.set.Open != ByBias {
		return hardware.Uncertain(r.hot, u, hardware.OpenUndetectable)
	}
	return hardware.Good(r.hot, u)
}

// ReadCold returns the cold junction in °C, which is the temperature of the chip
// at the terminals. It does not need a couple. It fails as [Dev.Read] does.
func (d *Dev) ReadCold(ctx context.Context) (hardware.Reading, error) {
	r, err := d.registers(ctx)
	if err != nil {
		return hardware.Reading{}, err
	}
	if err := d.judgeCold(r); err != nil {
		return hardware.Reading{}, err
	}
	return hardware.Good(r.cold, uncertainty.Combine(uncertainty.Rectangular(coldLimit), uncertainty.Resolution(celsiusPerCode)))
}

// registers is what one reading found, in °C and mV.
type registers struct {
	hot, cold, emf float64
	status         byte
}

func (d *Dev) judgeCold(r registers) error {
	if !(r.cold >= coldLowest && r.cold <= coldHighest) {
		return d.fault(hardware.ColdJunctionRange, "%.1f °C", r.cold)
	}
	return nil
}

// judge finds what is wrong with the couple, the most telling sign first.
func (d *Dev) judge(r registers) error {
	if d.model == MCP9601 && r.status&statusRange != 0 {
		return d.fault(hardware.OpenThermocouple, "status 0x%02X", r.status)
	}
	if d.model == MCP9601 && r.status&statusShort != 0 {
		return d.fault(hardware.ShortedThermocouple, "status 0x%02X", r.status)
	}
	if math.Abs(r.emf) > noCouple {
		return d.fault(hardware.OpenThermocouple, "%.1f mV", r.emf)
	}
	if err := d.judgeCold(r); err != nil {
		return err
	}
	if r.status&(statusRange|statusShort) != 0 {
		return d.fault(hardware.ThermocoupleRange, "status 0x%02X, %.3f mV", r.status, r.emf)
	}
	want, err := thermocouple.Compensated(d.set.Couple, r.emf, r.cold)
	if err != nil {
		return &hardware.Fault{Reason: hardware.ThermocoupleRange, Detail: d.name(), Err: err}
	}
	lag := (math.Exp2(float64(d.set.Filter)) - 1) / 2 * conversion.Seconds()
	allowed := disagreeBase + disagreeShare*math.Abs(want-r.cold) + disagreeRate*lag
	if !(math.Abs(want-r.hot) <= allowed) {
		return d.fault(hardware.ThermocoupleDisagrees, "it says %.1f °C, %.3f mV at %.1f °C says %.1f °C", r.hot, r.emf, r.cold, want)
	}
	return nil
}

// registers waits for a conversion that ended since the last reading, and reads it.
func (d *Dev) registers(ctx context.Context) (r registers, err error) {
	defer func() {
		// Whatever went wrong on the wire or with the settings, the next reading
		// begins by finding the chip and setting it up again.
		switch hardware.ReasonOf(err) {
		case hardware.BusError, hardware.SettingsLost, hardware.WrongDevice, hardware.NotReady:
			d.model = 0
		}
	}()
	if d.model == 0 {
		if err := d.setUp(); err != nil {
			return r, err
		}
	}
	if r.status, err = d.updated(ctx); err != nil {
		return r, err
	}
	hot, err := d.twice(regHot)
	if err != nil {
		return r, err
	}
	cold, err := d.twice(regCold)
	if err != nil {
		return r, err
	}
	raw, err := d.read(regRaw, 3)
	if err != nil {
		return r, err
	}
	// The 24 bits are in two's complement with the sign repeated above bit 17.
	code := int32(uint32(raw[0])<<24|uint32(raw[1])<<16|uint32(raw[2])<<8) >> 8
	if err := d.holds(); err != nil {
		return r, err
	}
	// Writing 0 to the flags clears them; the other bits are read-only.
	if err := d.write(regStatus, 0); err != nil {
		return r, err
	}
	r.hot, r.cold = float64(hot)*celsiusPerCode, float64(cold)*celsiusPerCode
	r.emf = float64(code) * microvoltCode / 1000
	return r, nil
}

// setUp finds the chip, gives it its settings and clears its flags.
func (d *Dev) setUp() error {
	model, _, err := Identify(d.dev.Bus, d.dev.Addr)
	if err != nil {
		return err
	}
	if err := d.write(regSensor, d.sensor); err != nil {
		return err
	}
	if err := d.write(regDevice, deviceNormal); err != nil {
		return err
	}
	if err := d.holds(); err != nil {
		return err
	}
	if err := d.write(regStatus, 0); err != nil {
		return err
	}
	d.model = model
	return nil
}

// holds reads the settings back.
func (d *Dev) holds() error {
	for _, s := range []struct{ reg, want byte }{{regSensor, d.sensor}, {regDevice, deviceNormal}} {
		got, err := d.read(s.reg, 1)
		if err != nil {
			return err
		}
		if got[0] != s.want {
			return d.fault(hardware.SettingsLost, "register 0x%02X holds 0x%02X, not 0x%02X", s.reg, got[0], s.want)
		}
	}
	return nil
}

func (d *Dev) updated(ctx context.Context) (byte, error) {
	for waited := time.Duration(0); ; waited += readyStep {
		status, err := d.read(regStatus, 1)
		if err != nil {
			return 0, err
		}
		if status[0]&statusUpdate != 0 {
			return status[0], nil
		}
		if waited >= readyDeadline {
			return 0, d.fault(hardware.NotReady, "no conversion within %v", readyDeadline)
		}
		if err := d.wait(ctx, readyStep); err != nil {
			if errors.Is(err, context.DeadlineExceeded) {
				return 0, &hardware.Fault{Reason: hardware.NotReady, Detail: d.name(), Err: err}
			}
			return 0, err
		}
	}
}

// twice reads a temperature register until two reads in a row agree. A conversion
// may end between the first two; that three differ is the wire's doing.
func (d *Dev) twice(reg byte) (int16, error) {
	var got [3]int16
	for i := range got {
		b, err := d.read(reg, 2)
		if err != nil {
			return 0, err
		}
		got[i] = int16(uint16(b[0])<<8 | uint16(b[1]))
		if i > 0 && got[i] == got[i-1] {
			return got[i], nil
		}
	}
	return 0, d.fault(hardware.BusError, "register 0x%02X read as 0x%04X, 0x%04X and 0x%04X", reg, uint16(got[0]), uint16(got[1]), uint16(got[2]))
}

// read returns n bytes of a register, valid until the next transaction.
func (d *Dev) read(reg byte, n int) ([]byte, error) {
	d.w[0] = reg
	if err := d.dev.Tx(d.w[:1], d.r[:n]); err != nil {
		return nil, &hardware.Fault{Reason: hardware.BusError, Detail: d.name(), Err: err}
	}
	return d.r[:n], nil
}

func (d *Dev) write(reg, v byte) error {
	d.w = [2]byte{reg, v}
	if err := d.dev.Tx(d.w[:], nil); err != nil {
		return &hardware.Fault{Reason: hardware.BusError, Detail: d.name(), Err: err}
	}
	return nil
}

func (d *Dev) name() string { return fmt.Sprintf("MCP9600 at 0x%02X", d.dev.Addr) }

func (d *Dev) fault(r hardware.Reason, format string, args ...any) error {
	return &hardware.Fault{Reason: r, Detail: d.name() + ", " + fmt.Sprintf(format, args...)}
}

// Identify returns which chip answers at addr and its revision, the major number in
// the upper four bits. Another chip is a [hardware.WrongDevice]. It only reads.
func Identify(bus i2c.Bus, addr uint16) (Model, uint8, error) {
	d := Dev{dev: i2c.Dev{Bus: bus, Addr: addr}}
	id, err := d.read(regIdentity, 2)
	if err != nil {
		return 0, 0, err
	}
	if m := Model(id[0]); m == MCP9600 || m == MCP9601 {
		return m, id[1], nil
	}
	return 0, 0, d.fault(hardware.WrongDevice, "identity 0x%02X, not 0x40 or 0x41", id[0])
}
