// Package board knows the I2C buses of the machine it runs on, and finds which
// known chips answer there.
package board

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/host/v3"

	"ashlamp/hardware"
	"ashlamp/hardware/ads1115"
	"ashlamp/hardware/mcp9600"
)

// Open opens an I2C bus of this machine by name, number or path, for example "1" or
// "/dev/i2c-1"; "" is the first. Whoever opens it closes it, once nobody reads any more.
//
// The MCP9600 holds the clock line while it is busy, and is specified for 100 kHz: a
// host that cannot wait for the clock reads nonsense, which the drivers refuse.
func Open(name string) (i2c.BusCloser, error) {
	if _, err := host.Init(); err != nil {
		return nil, fmt.Errorf("look for I2C buses: %w", err)
	}
	b, err := i2creg.Open(name)
	if err != nil {
		return nil, fmt.Errorf("open I2C bus %q: %w; enable I2C on the board and let this user read and write its device", name, err)
	}
	return b, nil
}

// Buses returns the names of the I2C buses of this machine; none is no error.
func Buses() ([]string, error) {
	if _, err := host.Init(); err != nil {
		return nil, fmt.Errorf("look for I2C buses: %w", err)
	}
	var names []string
	for _, r := range i2creg.All() {
		names = append(names, r.Name)
	}
	return names, nil
}

// Chip is a kind of chip that there is a driver for.
type Chip struct {
	// Kind is the word for it in the configuration.
	Kind string
	// First and Last are its lowest and highest address.
	First, Last uint16
	// Serves says what it measures.
	Serves string
	// recognise says whether it is this kind that answers, and how sure that is.
	recognise func(i2c.Bus, uint16) (Certainty, string, error)
}

// Certainty is how sure a scan is of a chip.
type Certainty uint8

const (
	// Unknown: something answers that no driver knows.
	Unknown Certainty = iota
	// Likely: it behaves as the chip does, which has no identity to read.
	Likely
	// Certain: it said its identity.
	Certain
)

// String returns "unknown", "likely" or "certain".
func (c Certainty) String() string {
	switch c {
	case Certain:
		return "certain"
	case Likely:
		return "likely"
	default:
		return "unknown"
	}
}

// Known returns the table of chips that there are drivers for.
func Known() []Chip {
	return []Chip{
		{
			Kind: "ads1115", First: ads1115.AddressFirst, Last: ads1115.AddressLast,
			Serves: "four voltages: loops through a shunt, ratiometric transducers",
			recognise: func(b i2c.Bus, addr uint16) (Certainty, string, error) {
				ok, err := ads1115.Resembles(b, addr)
				if err != nil || !ok {
					return Unknown, "", err
				}
				return Likely, "ADS1115", nil
			},
		},
		{
			Kind: "mcp9600", First: mcp9600.AddressFirst, Last: mcp9600.AddressLast,
			Serves: "one thermocouple and the temperature of its terminals",
			recognise: func(b i2c.Bus, addr uint16) (Certainty, string, error) {
				model, revision, err := mcp9600.Identify(b, addr)
				if hardware.ReasonOf(err) == hardware.WrongDevice {
					return Unknown, "", nil
				}
				if err != nil {
					return Unknown, "", err
				}
				return Certain, fmt.Sprintf("%v revision %d.%d", model, revision>>4, revision&0xF), nil
			},
		},
	}
}

// Found is one address that answered.
type Found struct {
	Addr uint16
	// Kind is that of [Chip], empty for one that no driver knows.
	Kind      string
	Certainty Certainty
	// Name is the chip's name as far as it could be told.
	Name string
}

// The addresses that a scan asks: the others are reserved (UM10204, section 3.1.12).
const (
	scanFirst uint16 = 0x08
	scanLast  uint16 = 0x77
)

// Scan asks every address that is not reserved to answer to a read of one byte,
// then asks what it is. It writes nothing but register pointers, and those only
// where a known chip may be. A bus on which every address fails with an error gives
// the addresses found, none, and no error: nothing there and no wire look the same.
// A chip that answered and then fell silent is reported, beside the rest, as an error.
func Scan(b i2c.Bus) ([]Found, error) {
	var (
		found []Found
		errs  []error
	)
	known := Known()
	for addr := scanFirst; addr <= scanLast; addr++ {
		var one [1]byte
		if b.Tx(addr, nil, one[:]) != nil {
			continue
		}
		f := Found{Addr: addr}
		for _, c := range known {
			if addr < c.First || addr > c.Last {
				continue
			}
			certainty, name, err := c.recognise(b, addr)
			if err != nil {
				errs = append(errs, fmt.Errorf("address 0x%02X answered, then: %w", addr, err))
			}
			if certainty > f.Certainty {
				f.Kind, f.Certainty, f.Name = c.Kind, certainty, name
			}
		}
		found = append(found, f)
	}
	return found, errors.Join(errs...)
}
