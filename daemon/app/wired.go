package app

import (
	"context"
	"fmt"

	"ashlamp/daemon/config"
	"ashlamp/hardware/ads1115"
	"ashlamp/hardware/mcp9600"
	"ashlamp/hardware/thermocouple"
	"ashlamp/hardware/transducer"
	"ashlamp/ingest/poll"
)

// Tolerances that the configuration does not ask for. Common practice, no source.
const (
	shuntTolerance  = 0.001
	supplyTolerance = 0.02
)

// poller reads one chip: a chip that hangs holds up no other.
type poller struct {
	*poll.Poller
	clock PollClock
}

func (p poller) Run(ctx context.Context) error {
	defer p.clock.Leave()
	return p.Poller.Run(ctx)
}

// makePollers binds the wired channels to the buses that are open, a poller a chip.
func (a *App) makePollers() error {
	for _, b := range a.o.Config.Buses {
		chips := map[uint16][]poll.Channel{}
		var order []uint16
		for _, w := range a.o.Config.Wired {
			if w.Bus != b.Name {
				continue
			}
			in, err := input(w)
			if err != nil {
				return fmt.Errorf("channel %s: %w", w.Channel, err)
			}
			if _, ok := chips[w.Address]; !ok {
				order = append(order, w.Address)
			}
			chips[w.Address] = append(chips[w.Address], poll.Channel{Engine: w.Engine, ID: w.Channel, Address: w.Address, Every: w.Every, Input: in})
		}
		if len(order) == 0 {
			continue
		}
		bus, ok := a.o.Buses[b.Name]
		if !ok {
			return fmt.Errorf("bus %q is not open; is its device %q there?", b.Name, b.Device)
		}
		for _, address := range order {
			clock := bus.Clock()
			p, err := poll.New(poll.Config{Node: "i2c-" + b.Name, Channels: chips[address], Rate: ads1115.PerSecond128}, bus.I2C, clock, a.sink, a.o.Log)
			if err != nil {
				clock.Leave()
				return err
			}
			a.pollers = append(a.pollers, poller{p, clock})
		}
	}
	return nil
}

// input makes the poller's input of a wired channel.
func input(w config.Wired) (poll.Input, error) {
	switch w.Chip {
	case "mcp9600", "mcp9601":
		couple, err := thermocouple.ParseType(w.Couple)
		if err != nil {
			return nil, err
		}
		open := mcp9600.ByChip
		if w.Bias {
			open = mcp9600.ByBias
		}
		return poll.Thermocouple{Settings: mcp9600.Settings{Couple: couple, Open: open}}, nil
	}
	scale := transducer.Scale{
		Span:  transducer.Span{Low: w.Low, High: w.High},
		Error: w.Uncertainty / (w.High - w.Low), Calibration: w.Calibration,
	}
	pin := ads1115.Pin0 + ads1115.Input(w.Input)
	if w.Signal == "ratiometric" {
		t, err := transducer.NewRatiometric(transducer.RatiometricSettings{
			Scale: scale, SupplyVolts: w.SupplyV, SupplyTolerance: supplyTolerance, SignalDivider: 1, SupplyDivider: 1,
		})
		return poll.Ratiometric{Pin: poll.Pin{Input: pin, Range: ads1115.Volts6144}, Transducer: t}, err
	}
	t, err := transducer.NewLoop(transducer.LoopSettings{Scale: scale, ShuntOhms: w.ShuntOhm, ShuntTolerance: shuntTolerance})
	if err != nil {
		return nil, err
	}
	return poll.Loop{Pin: poll.Pin{Input: pin, Range: narrowest(t.FaultVolts())}, Transducer: t}, nil
}

// narrowest returns the finest range in which a loop fault can still be seen.
func narrowest(volts float64) ads1115.Range {
	for r := ads1115.Volts0256; r > ads1115.Volts6144; r-- {
		if r.FullScale() > volts {
			return r
		}
	}
	return ads1115.Volts6144
}
