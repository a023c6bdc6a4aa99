package poll

import (
	"context"
	"fmt"

	"ashlamp/hardware"
	"ashlamp/hardware/ads1115"
	"ashlamp/hardware/mcp9600"
	"ashlamp/hardware/thermocouple"
	"ashlamp/hardware/transducer"
)

// Input says which quantity of a chip a channel is bound to. The kinds are
// [Thermocouple] and [ColdJunction] of an MCP9600 or MCP9601, and [Loop],
// [Ratiometric], [Voltage] and [Couple] of an ADS1115.
type Input interface {
	// bind returns how to read the input from its chip.
	bind(*devices) (read, error)
}

type read func(context.Context) (hardware.Reading, error)

// devices are the drivers of one address; one of the two is nil.
type devices struct {
	mcp *mcp9600.Dev
	ads *ads1115.Dev
}

// Thermocouple is the hot junction of an MCP9600 or MCP9601, in °C.
type Thermocouple struct{ mcp9600.Settings }

// ColdJunction is the temperature of an MCP9600 or MCP9601 itself, in °C, beside the
// [Thermocouple] of the same address, or alone.
type ColdJunction struct{}

// Pin is an input of an ADS1115 and the range to read it in. The zero value is the
// difference of the first two pins in ±6.144 V.
type Pin struct {
	Input ads1115.Input
	Range ads1115.Range
}

// Loop is a 4 to 20 mA transmitter, its shunt at a pin.
type Loop struct {
	Pin
	Transducer *transducer.Loop
}

// Ratiometric is a transducer of 0.5 to 4.5 V at a pin.
type Ratiometric struct {
	Pin
	// Supply is the pin that its supply is measured at; nil takes the supply that
	// the transducer's settings declare.
	Supply     *Pin
	Transducer *transducer.Ratiometric
}

// Voltage is a transducer that gives a voltage, at a pin.
type Voltage struct {
	Pin
	Transducer *transducer.Voltage
}

// Couple is a thermocouple's emf at a pin; the temperature of its terminals is a
// voltage at another pin of the same chip.
type Couple struct {
	Pin
	Transducer *transducer.Couple
	Junction   Voltage
}

func (Thermocouple) bind(d *devices) (read, error) { return d.mcp.Read, nil }

func (ColdJunction) bind(d *devices) (read, error) { return d.mcp.ReadCold, nil }

// volts returns how to read the pin.
func (p Pin) volts(d *devices) (read, error) {
	if p.Input > ads1115.Pin3 || p.Range > ads1115.Volts0256 {
		return nil, fmt.Errorf("input %d with range %d does not exist on an ADS1115; use Diff01 to Pin3 and Volts6144 to Volts0256", p.Input, p.Range)
	}
	return func(ctx context.Context) (hardware.Reading, error) { return d.ads.Read(ctx, p.Input, p.Range) }, nil
}

// then returns a read whose result goes through convert.
func (r read) then(convert func(hardware.Reading) (hardware.Reading, error)) read {
	return func(ctx context.Context) (hardware.Reading, error) {
		v, err := r(ctx)
		if err != nil {
			return hardware.Reading{}, err
		}
		return convert(v)
	}
}

// with returns a read of both whose results go through convert, first r's.
func (r read) with(other read, convert func(a, b hardware.Reading) (hardware.Reading, error)) read {
	return func(ctx context.Context) (hardware.Reading, error) {
		a, err := r(ctx)
		if err != nil {
			return hardware.Reading{}, err
		}
		b, err := other(ctx)
		if err != nil {
			return hardware.Reading{}, err
		}
		return convert(a, b)
	}
}

func (l Loop) bind(d *devices) (read, error) {
	if l.Transducer == nil {
		return nil, errNoTransducer
	}
	if at := l.Transducer.FaultVolts(); at >= l.Range.FullScale() {
		return nil, fmt.Errorf("the shunt gives %.3f V at 21 mA, beyond ±%.3f V; use a wider range or a smaller shunt", at, l.Range.FullScale())
	}
	v, err := l.volts(d)
	if err != nil {
		return nil, err
	}
	return v.then(l.Transducer.Convert), nil
}

func (r Ratiometric) bind(d *devices) (read, error) {
	if r.Transducer == nil {
		return nil, errNoTransducer
	}
	signal, err := r.volts(d)
	if err != nil {
		return nil, err
	}
	if r.Supply == nil {
		supply, err := r.Transducer.Declared()
		if err != nil {
			return nil, err
		}
		return signal.then(func(v hardware.Reading) (hardware.Reading, error) { return r.Transducer.Convert(v, supply) }), nil
	}
	supply, err := r.Supply.volts(d)
	if err != nil {
		return nil, err
	}
	return signal.with(supply, r.Transducer.Convert), nil
}

func (v Voltage) bind(d *devices) (read, error) {
	if v.Transducer == nil {
		return nil, errNoTransducer
	}
	volts, err := v.volts(d)
	if err != nil {
		return nil, err
	}
	return volts.then(v.Transducer.Convert), nil
}

func (c Couple) bind(d *devices) (read, error) {
	if c.Transducer == nil {
		return nil, errNoTransducer
	}
	emf, err := c.volts(d)
	if err != nil {
		return nil, err
	}
	junction, err := c.Junction.bind(d)
	if err != nil {
		return nil, fmt.Errorf("junction: %w", err)
	}
	return emf.with(junction, c.Transducer.Convert), nil
}

// open makes the driver for the chip that the inputs of one address need.
func (p *Poller) open(addr uint16, inputs []Channel) (*devices, error) {
	var hot *Thermocouple
	mcp, ads := false, false
	for _, c := range inputs {
		switch in := c.Input.(type) {
		case Thermocouple:
			if hot != nil {
				return nil, fmt.Errorf("two channels want the thermocouple at 0x%02X; each chip has one", addr)
			}
			hot, mcp = &in, true
		case ColdJunction:
			mcp = true
		case nil:
			return nil, fmt.Errorf("channel %s has no input; bind it to one of a chip", c.ID)
		default:
			ads = true
		}
	}
	if mcp && ads {
		return nil, fmt.Errorf("channels at 0x%02X want an MCP9600 and an ADS1115; one address is one chip", addr)
	}
	if ads {
		dev, err := ads1115.New(p.bus, addr, ads1115.Settings{Rate: p.rate}, p.wait)
		return &devices{ads: dev}, err
	}
	settings := mcp9600.Settings{Couple: thermocouple.K}
	if hot != nil {
		settings = hot.Settings
	}
	dev, err := mcp9600.New(p.bus, addr, settings, p.wait)
	return &devices{mcp: dev}, err
}
