// Package ads1115 drives the Texas Instruments ADS1115, a 16-bit analogue to
// digital converter with four inputs, over I2C.
//
// Each reading is one single-shot conversion: the driver writes the Config
// register with the start bit, waits for the conversion time, reads Config until
// the chip says it is done, checks that Config still holds what was written, and
// reads the Conversion register twice. I2C carries no checksum, so two reads that
// differ are a [hardware.BusError]; a code at either end of the range is a
// [hardware.InputOverrange], because it says only that the voltage is at least that.
//
// Registers and bits are those of data sheet SBAS444 (sections "Register Map" of
// revision D, January 2018). Error figures of the electrical characteristics are
// from memory of the same sheet.
package ads1115

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"ashlamp/hardware"
	"ashlamp/rules/uncertainty"
)

// Register pointers (SBAS444D, "Address Pointer Register").
const (
	regConversion = 0x00
	regConfig     = 0x01
	regLoThresh   = 0x02
	regHiThresh   = 0x03
)

// Bits of the Config register (SBAS444D, "Config Register").
const (
	configStart   = 1 << 15 // OS: written 1 starts a conversion; read 1 means idle
	configMuxPos  = 12
	configGainPos = 9
	configSingle  = 1 << 8 // MODE: single-shot
	configRatePos = 5
	configNoComp  = 3 // COMP_QUE: comparator off
	loReset       = 0x8000
	hiReset       = 0x7FFF
)

// Lowest and highest address, chosen by the ADDR pin (SBAS444D, "I2C Address Selection").
const (
	AddressFirst uint16 = 0x48
	AddressLast  uint16 = 0x4B
)

// Input says between which pins the voltage is measured; its value is the MUX field.
type Input uint8

// The inputs: four differences and four pins against ground. The zero value is
// the chip's own default, the difference of the first two pins.
const (
	Diff01 Input = iota
	Diff03
	Diff13
	Diff23
	Pin0
	Pin1
	Pin2
	Pin3
)

// String returns for example "pin 2" or "pins 0-1".
func (i Input) String() string {
	if i > Pin3 {
		return fmt.Sprintf("input %d", uint8(i))
	}
	return [...]string{"pins 0-1", "pins 0-3", "pins 1-3", "pins 2-3", "pin 0", "pin 1", "pin 2", "pin 3"}[i]
}

// Range is the full scale of a conversion; its value is the PGA field.
type Range uint8

// The ranges. A pin may never be driven beyond the chip's supply by more than
// 0.3 V whatever the range (SBAS444D, "Absolute Maximum Ratings").
const (
	Volts6144 Range = iota // ±6.144 V
	Volts4096              // ±4.096 V
	Volts2048              // ±2.048 V
	Volts1024              // ±1.024 V
	Volts0512              // ±0.512 V
	Volts0256              // ±0.256 V
)

// FullScale returns the positive end of the range in volts, NaN for a value that
// is no range.
func (r Range) FullScale() float64 {
	if r > Volts0256 {
		return math.NaN()
	}
	return [...]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}[r]
}

// Rate is the data rate; its value is the DR field.
type Rate uint8

// The rates in samples per second. Slower is quieter.
const (
	PerSecond8 Rate = iota
	PerSecond16
	PerSecond32
	PerSecond64
	PerSecond128
	PerSecond250
	PerSecond475
	PerSecond860
)

// Conversion returns the nominal time of one conversion, 0 for a value that is no rate.
func (r Rate) Conversion() time.Duration {
	if r > PerSecond860 {
		return 0
	}
	return time.Second / [...]time.Duration{8, 16, 32, 64, 128, 250, 475, 860}[r]
}

// rateTolerance is how far the chip's oscillator may be off (SBAS444D, "data
// rate variation" ±10 %; from memory).
const rateTolerance = 0.1

// deadlineConversions bounds the wait for one conversion, in nominal conversion
// times: twice is far beyond the oscillator's tolerance (common practice, no source).
const deadlineConversions = 2

// Limits of error (SBAS444D, "Electrical Characteristics"; from memory).
const (
	gainLimit    = 0.0015 // gain error, share of the reading, maximum at 25 °C
	gainDrift    = 40e-6  // gain drift, share of the reading for each K, maximum
	driftKelvins = 35     // cabinet at -10 to 60 °C about 25 °C (common practice, no source)
	offsetCodes  = 3      // offset, codes
	linearCodes  = 1      // integral non-linearity, codes
)

// Settings of the chip.
type Settings struct {
	Rate Rate
}

// Dev is one chip. It is not for use by several goroutines at once: a
// conversion is several transactions.
type Dev struct {
	dev  i2c.Dev
	rate Rate
	wait func(context.Context, time.Duration) error
	// w and r are what goes over the wire: a bus behind an interface would move
	// them to the heap at every transaction.
	w [3]byte
	r [2]byte
}

// New returns a driver for the chip at addr (0x48 to 0x4B). It does not touch the
// bus and never closes it. wait returns after the duration, or earlier with the
// context's error.
func New(bus i2c.Bus, addr uint16, s Settings, wait func(ctx context.Context, d time.Duration) error) (*Dev, error) {
	switch {
	case addr < AddressFirst || addr > AddressLast:
		return nil, fmt.Errorf("address 0x%02X is not one of an ADS1115; use 0x48 to 0x4B as its ADDR pin is wired", addr)
	case s.Rate.Conversion() == 0:
		return nil, fmt.Errorf("data rate %d is not one of an ADS1115; use PerSecond8 to PerSecond860", s.Rate)
	case bus == nil || wait == nil:
		return nil, errors.New("an ADS1115 needs a bus and a way to wait; hand both in")
	}
	return &Dev{dev: i2c.Dev{Bus: bus, Addr: addr}, rate: s.Rate, wait: wait}, nil
}

// Read makes one conversion and returns the voltage in volts. It fails with a
// [*hardware.Fault], or with the context's error where ctx was cancelled.
func (d *Dev) Read(ctx context.Context, in Input, r Range) (hardware.Reading, error) {
	if in > Pin3 || r > Volts0256 {
		return hardware.Reading{}, fmt.Errorf("input %d with range %d does not exist on an ADS1115; use Diff01 to Pin3 and Volts6144 to Volts0256", in, r)
	}
	want := uint16(in)<<configMuxPos | uint16(r)<<configGainPos | configSingle | uint16(d.rate)<<configRatePos | configNoComp
	if err := d.write(regConfig, want|configStart); err != nil {
		return hardware.Reading{}, err
	}
	if err := d.ready(ctx, want); err != nil {
		return hardware.Reading{}, err
	}
	first, err := d.read(regConversion)
	if err != nil {
		return hardware.Reading{}, err
	}
	second, err := d.read(regConversion)
	if err != nil {
		return hardware.Reading{}, err
	}
	if first != second {
		return hardware.Reading{}, d.fault(hardware.BusError, "conversion read as 0x%04X, then as 0x%04X", first, second)
	}
	code := int16(first)
	if code == math.MaxInt16 || code == math.MinInt16 {
		return hardware.Reading{}, d.fault(hardware.InputOverrange, "%v at the end of ±%.3f V", in, r.FullScale())
	}
	volts := float64(code) * codeVolts(r)
	return hardware.Good(volts, standard(volts, r))
}

// codeVolts is the voltage of one code: full scale over 2^15 (SBAS444D, "Data Format").
func codeVolts(r Range) float64 { return r.FullScale() / 32768 }

// standard is the standard uncertainty of a voltage, each limit of error taken as a
// rectangular distribution (JCGM 100:2008, 4.3.7).
func standard(volts float64, r Range) float64 {
	lsb := codeVolts(r)
	return uncertainty.Combine(
		uncertainty.Rectangular((gainLimit+gainDrift*driftKelvins)*math.Abs(volts)),
		uncertainty.Rectangular(offsetCodes*lsb),
		uncertainty.Rectangular(linearCodes*lsb),
		uncertainty.Resolution(lsb))
}

// ready waits until the conversion is done and the settings are still those wanted.
func (d *Dev) ready(ctx context.Context, want uint16) error {
	conversion := d.rate.Conversion()
	step := time.Duration(float64(conversion) * (1 + rateTolerance))
	for waited := time.Duration(0); waited < deadlineConversions*conversion; {
		if err := d.wait(ctx, step); err != nil {
			if errors.Is(err, context.DeadlineExceeded) {
				return &hardware.Fault{Reason: hardware.NotReady, Detail: d.name(), Err: err}
			}
			return err
		}
		waited += step
		step = conversion / 4
		got, err := d.read(regConfig)
		if err != nil {
			return err
		}
		if got&^configStart != want {
			return d.fault(hardware.SettingsLost, "Config holds 0x%04X, not 0x%04X", got&^configStart, want)
		}
		if got&configStart != 0 {
			return nil
		}
	}
	return d.fault(hardware.NotReady, "converting for more than %v", deadlineConversions*conversion)
}

func (d *Dev) read(reg byte) (uint16, error) {
	d.w[0] = reg
	if err := d.dev.Tx(d.w[:1], d.r[:]); err != nil {
		return 0, &hardware.Fault{Reason: hardware.BusError, Detail: d.name(), Err: err}
	}
	return binary.BigEndian.Uint16(d.r[:]), nil
}

func (d *Dev) write(reg byte, v uint16) error {
	d.w[0] = reg
	binary.BigEndian.PutUint16(d.w[1:], v)
	if err := d.dev.Tx(d.w[:], nil); err != nil {
		return &hardware.Fault{Reason: hardware.BusError, Detail: d.name(), Err: err}
	}
	return nil
}

func (d *Dev) name() string { return fmt.Sprintf("ADS1115 at 0x%02X", d.dev.Addr) }

func (d *Dev) fault(r hardware.Reason, format string, args ...any) error {
	return &hardware.Fault{Reason: r, Detail: d.name() + ", " + fmt.Sprintf(format, args...)}
}

// Resembles reports whether the chip at addr looks like an ADS1115. The chip has
// no identity register, so this asks whether its thresholds stand at their reset
// values and the lowest bits of Config leave the comparator off, as this driver
// and the reset do. It only reads.
func Resembles(bus i2c.Bus, addr uint16) (bool, error) {
	d := Dev{dev: i2c.Dev{Bus: bus, Addr: addr}}
	lo, err := d.read(regLoThresh)
	if err != nil {
		return false, err
	}
	hi, err := d.read(regHiThresh)
	if err != nil {
		return false, err
	}
	config, err := d.read(regConfig)
	if err != nil {
		return false, err
	}
	return lo == loReset && hi == hiReset && config&configNoComp == configNoComp, nil
}
