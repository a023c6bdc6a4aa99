package setup

import (
	"fmt"
	"slices"
	"strings"

	"periph.io/x/conn/v3/i2c"

	"ashlamp/daemon/config"
	"ashlamp/dashboard/message"
	"ashlamp/hardware/board"
)

// Machine is how the I2C buses of this machine are found and opened.
type Machine struct {
	Buses func() ([]string, error)
	Open  func(name string) (i2c.BusCloser, error)
}

// Board is this machine.
func Board() Machine { return Machine{board.Buses, board.Open} }

// Scan looks through every bus of the machine for chips; c names the buses and what is
// read from them, nil where nothing is configured. What hinders it comes in words.
func Scan(m Machine, c *config.Config) (buses []message.SetupBus, troubles []string) {
	names, err := m.Buses()
	if err != nil {
		return nil, []string{sentence(err.Error())}
	}
	if len(names) == 0 {
		return nil, []string{"This machine shows no I2C bus. Enable I2C on the board, or let nodes send over MQTT."}
	}
	for _, name := range names {
		buses = append(buses, scan(m, name, c))
	}
	return buses, nil
}

func scan(m Machine, device string, c *config.Config) message.SetupBus {
	out := message.SetupBus{Name: device, Device: device}
	bus, err := m.Open(device)
	if err != nil {
		out.Trouble = sentence(err.Error())
		return out
	}
	defer func() { _ = bus.Close() }() // nothing is written: a bus has nothing to lose
	if c != nil {
		for _, b := range c.Buses {
			if sameBus(b.Device, device) {
				out.Name = b.Name
			}
		}
	}
	found, err := board.Scan(bus)
	if err != nil {
		out.Trouble = sentence(strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	for _, f := range found {
		d := message.SetupDevice{Address: int(f.Addr), Kind: f.Kind, Name: f.Name, Certainty: f.Certainty.String()}
		for _, k := range board.Known() {
			if k.Kind == f.Kind {
				d.Serves = k.Serves
			}
		}
		if c != nil {
			for _, w := range c.Wired {
				if w.Bus == out.Name && w.Address == f.Addr {
					d.Used = append(d.Used, strings.TrimPrefix(w.Engine+"/"+string(w.Channel), "/"))
				}
			}
			slices.Sort(d.Used)
		}
		out.Devices = append(out.Devices, d)
	}
	return out
}

// sameBus reports whether two names are of one bus: "1", "I2C1" and "/dev/i2c-1" are.
func sameBus(a, b string) bool { return a == b || number(a) != "" && number(a) == number(b) }

func number(name string) string {
	n := strings.TrimLeft(name, "/abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ-")
	if strings.HasPrefix(name, "/dev/i2c-") {
		n = strings.TrimPrefix(name, "/dev/i2c-")
	} else if rest, ok := strings.CutPrefix(strings.ToUpper(name), "I2C"); ok {
		n = rest
	}
	for _, c := range n {
		if c < '0' || c > '9' {
			return ""
		}
	}
	return n
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

// Line says what a device is, for a person at a terminal.
func Line(b message.SetupBus, d message.SetupDevice) string {
	what := "something that no driver knows"
	switch {
	case d.Kind != "" && d.Name != "":
		what = fmt.Sprintf("%s (%s, %s)", d.Kind, d.Name, d.Certainty)
	case d.Kind != "":
		what = fmt.Sprintf("%s (%s)", d.Kind, d.Certainty)
	}
	line := fmt.Sprintf("%s 0x%02x  %s", b.Name, d.Address, what)
	if d.Serves != "" {
		line += ": " + d.Serves
	}
	if len(d.Used) > 0 {
		line += "; read as " + strings.Join(d.Used, ", ")
	}
	return line
}
