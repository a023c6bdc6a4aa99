package main

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"periph.io/x/conn/v3/i2c"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/setup"
	"ashlamp/simulators/bus"
	"ashlamp/simulators/chip"
)

type closing struct{ *bus.Bus }

// Close does nothing: a simulated bus has no file.
func (closing) Close() error { return nil }

// TestScanListsWhatAnswers: on a bus of simulated registers, as on a board.
func TestScanListsWhatAnswers(t *testing.T) {
	b := bus.New("I2C1")
	volt := func() float64 { return 1 }
	if err := b.Attach(0x48, chip.NewADS1115(clock.Board{}, [4]func() float64{volt, volt, volt, volt})); err != nil {
		t.Fatal(err)
	}
	machine := func(names []string, err error) setup.Machine {
		return setup.Machine{
			Buses: func() ([]string, error) { return names, err },
			Open:  func(string) (i2c.BusCloser, error) { return closing{b}, nil },
		}
	}
	for _, c := range []struct {
		name        string
		m           setup.Machine
		args        []string
		out, errOut string
		err         error
	}{
		{"text", machine([]string{"I2C1"}, nil), nil, "I2C1 0x48  ads1115 (ADS1115, likely): four voltages", "", nil},
		{"lines", machine([]string{"I2C1"}, nil), []string{"--json"}, `{"bus":"I2C1","device":"I2C1","address":72,"kind":"ads1115","name":"ADS1115","certainty":"likely"}`, "", nil},
		{"no bus", machine(nil, nil), nil, "", "This machine shows no I2C bus. Enable I2C on the board", errTold},
		{"not to be looked for", machine(nil, errors.New("look for I2C buses: no driver")), nil, "", "Look for I2C buses: no driver.", errTold},
	} {
		var out, errOut bytes.Buffer
		err := scanOn(c.m, c.args, &out, &errOut)
		if !errors.Is(err, c.err) || !strings.Contains(out.String(), c.out) || !strings.Contains(errOut.String(), c.errOut) {
			t.Errorf("%s: %v, out %q, err %q; want %v, %q, %q", c.name, err, out.String(), errOut.String(), c.err, c.out, c.errOut)
		}
	}
	b.Unplug(0x48, true)
	var out, errOut bytes.Buffer
	if err := scanOn(machine([]string{"I2C1"}, nil), nil, &out, &errOut); err != nil || !strings.Contains(out.String(), "nothing answers; look at the wiring") {
		t.Errorf("an empty bus: %v, %q", err, out.String())
	}
}
