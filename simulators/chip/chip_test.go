package chip_test

import (
	"bytes"
	"math"
	"testing"
	"time"

	"ashlamp/hardware/thermocouple"
	"ashlamp/simulators/chip"
)

type clock struct{ at time.Time }

func (c *clock) Now() time.Time { return c.at }

type txer interface{ Tx(w, r []byte) error }

func read(t *testing.T, c txer, reg byte, n int) []byte {
	t.Helper()
	r := make([]byte, n)
	if err := c.Tx([]byte{reg}, r); err != nil {
		t.Fatalf("read register 0x%02X: %v", reg, err)
	}
	return r
}

func write(t *testing.T, c txer, w ...byte) {
	t.Helper()
	if err := c.Tx(w, nil); err != nil {
		t.Fatalf("write % X: %v", w, err)
	}
}

func expect(t *testing.T, what string, got []byte, want ...byte) {
	t.Helper()
	if !bytes.Equal(got, want) {
		t.Errorf("%s: % X, want % X", what, got, want)
	}
}

// The codes are those of the data sheet SBAS444D, "Data Format": full scale is
// 7FFFh, one step is 0001h, 0 is 0000h, minus one step FFFFh, minus full scale 8000h.
func TestADS1115DataFormat(t *testing.T) {
	const fs, lsb = 2.048, 2.048 / 32768
	for _, c := range []struct {
		name  string
		volts float64
		want  [2]byte
	}{
		{"plus full scale", fs, [2]byte{0x7F, 0xFF}},
		{"one step less", fs - lsb, [2]byte{0x7F, 0xFF}},
		{"two steps less", fs - 2*lsb, [2]byte{0x7F, 0xFE}},
		{"one step", lsb, [2]byte{0x00, 0x01}},
		{"zero", 0, [2]byte{0x00, 0x00}},
		{"minus one step", -lsb, [2]byte{0xFF, 0xFF}},
		{"minus full scale", -fs, [2]byte{0x80, 0x00}},
		{"far beyond", 5, [2]byte{0x7F, 0xFF}},
		{"far below", -5, [2]byte{0x80, 0x00}},
		{"no number", math.NaN(), [2]byte{0x80, 0x00}},
	} {
		k := &clock{at: time.Unix(0, 0)}
		a := chip.NewADS1115(k, [4]func() float64{func() float64 { return c.volts }})
		write(t, a, 0x01, 0xC5, 0x83)
		k.at = k.at.Add(time.Second)
		expect(t, c.name, read(t, a, 0x00, 2), c.want[:]...)
	}
}

func TestADS1115Conversion(t *testing.T) {
	k := &clock{at: time.Unix(0, 0)}
	v := 1.0
	a := chip.NewADS1115(k, [4]func() float64{func() float64 { return v }})
	expect(t, "Config after power-up", read(t, a, 0x01, 2), 0x85, 0x83)
	expect(t, "Conversion after power-up", read(t, a, 0x00, 2), 0, 0)
	expect(t, "Lo_thresh after power-up", read(t, a, 0x02, 2), 0x80, 0x00)
	expect(t, "Hi_thresh after power-up", read(t, a, 0x03, 2), 0x7F, 0xFF)
	write(t, a, 0x01, 0xC5, 0x83) // pin 0, ±2.048 V, 128/s
	v = 1.5                       // too late: the conversion has begun
	k.at = k.at.Add(time.Second/128 - 1)
	expect(t, "Config while converting", read(t, a, 0x01, 2), 0x45, 0x83)
	expect(t, "Conversion while converting", read(t, a, 0x00, 2), 0, 0)
	k.at = k.at.Add(1)
	expect(t, "Config when done", read(t, a, 0x01, 2), 0xC5, 0x83)
	expect(t, "Conversion when done", read(t, a, 0x00, 2), 0x3E, 0x80)
	// The pointer stays where it was.
	r := make([]byte, 3)
	if err := a.Tx(nil, r); err != nil {
		t.Fatal(err)
	}
	expect(t, "read again without a pointer, one byte too many", r, 0x3E, 0x80, 0xFF)
	write(t, a, 0x01, 0x45, 0x83) // without the start bit
	k.at = k.at.Add(time.Second)
	expect(t, "no start bit, no conversion", read(t, a, 0x00, 2), 0x3E, 0x80)
	a.PowerCycle()
	expect(t, "Config after the supply was lost", read(t, a, 0x01, 2), 0x85, 0x83)
}

func TestMCP960xRegisters(t *testing.T) {
	k := &clock{at: time.Unix(0, 0)}
	hot := 100.0
	m := chip.NewMCP9600(k, chip.Wiring{
		Couple: thermocouple.K, Hot: func() float64 { return hot }, Cold: func() float64 { return 25 },
	})
	expect(t, "identity", read(t, m, 0x20, 2), 0x40, 0x10)
	expect(t, "status before the first conversion", read(t, m, 0x04, 1), 0x00)
	k.at = k.at.Add(320 * time.Millisecond)
	expect(t, "status after it", read(t, m, 0x04, 1), 0x40)
	expect(t, "hot junction 100 °C", read(t, m, 0x00, 2), 0x06, 0x40)
	expect(t, "difference 75 °C", read(t, m, 0x01, 2), 0x04, 0xB0)
	expect(t, "cold junction 25 °C", read(t, m, 0x02, 2), 0x01, 0x90)
	// ITS-90: 4.096 - 1.000 mV in codes of 2 µV.
	expect(t, "raw", read(t, m, 0x03, 3), 0x00, 0x06, 0x0C)
	write(t, m, 0x04, 0x00)
	expect(t, "status cleared", read(t, m, 0x04, 1), 0x00)
	hot = -50
	expect(t, "hot junction between conversions", read(t, m, 0x00, 2), 0x06, 0x40)
	k.at = k.at.Add(320 * time.Millisecond)
	expect(t, "hot junction -50 °C", read(t, m, 0x00, 2), 0xFC, 0xE0)
	// ITS-90: -1.889 - 1.000 mV, sign in all upper bits: -1444 or -1445 codes.
	if got := read(t, m, 0x03, 3); got[0] != 0xFF || got[1] != 0xFA {
		t.Errorf("raw of -50 °C: % X, want FF FA ..", got)
	}
	write(t, m, 0x05, 0xFF)
	expect(t, "sensor configuration keeps its writable bits", read(t, m, 0x05, 1), 0x77)
	if err := m.Tx([]byte{0x30}, make([]byte, 1)); err == nil {
		t.Error("a register that does not exist was read")
	}
}

func TestMCP960xFilter(t *testing.T) {
	k := &clock{at: time.Unix(0, 0)}
	hot := 100.0
	m := chip.NewMCP9601(k, chip.Wiring{
		Couple: thermocouple.K, Hot: func() float64 { return hot }, Cold: func() float64 { return 25 },
	})
	write(t, m, 0x05, 0x01) // n = 1: coefficient 2/3
	k.at = k.at.Add(320 * time.Millisecond)
	read(t, m, 0x00, 2)
	hot = 400
	k.at = k.at.Add(320 * time.Millisecond)
	got := read(t, m, 0x00, 2)
	if v := float64(int16(uint16(got[0])<<8|uint16(got[1]))) * 0.0625; math.Abs(v-300) > 0.2 {
		t.Errorf("one conversion after a step from 100 to 400 °C: %v, want 300", v)
	}
}

func TestMCP960xFaults(t *testing.T) {
	for _, c := range []struct {
		name   string
		make   func(chip.Clock, chip.Wiring) *chip.MCP960x
		wiring chip.Wiring
		wreck  func(*chip.MCP960x)
		status byte
		raw    []byte
	}{
		{"MCP9600 open floats to zero", chip.NewMCP9600, chip.Wiring{}, func(m *chip.MCP960x) { m.Open(true) }, 0x40, []byte{0, 0, 0}},
		{"MCP9600 open with a bias resistor", chip.NewMCP9600, chip.Wiring{Bias: true}, func(m *chip.MCP960x) { m.Open(true) }, 0x50, []byte{0x01, 0xFF, 0xFF}},
		{"MCP9601 open", chip.NewMCP9601, chip.Wiring{}, func(m *chip.MCP960x) { m.Open(true) }, 0x50, []byte{0, 0, 0}},
		{"MCP9601 open, VSENSE not wired", chip.NewMCP9601, chip.Wiring{NoSense: true}, func(m *chip.MCP960x) { m.Open(true) }, 0x40, []byte{0, 0, 0}},
		{"MCP9601 shorted", chip.NewMCP9601, chip.Wiring{}, func(m *chip.MCP960x) { m.Short(true) }, 0x60, []byte{0, 0, 0}},
		{"halted", chip.NewMCP9601, chip.Wiring{}, func(m *chip.MCP960x) { m.Halt(true) }, 0x00, []byte{0, 0, 0}},
	} {
		k := &clock{at: time.Unix(0, 0)}
		c.wiring.Couple = thermocouple.K
		c.wiring.Hot, c.wiring.Cold = func() float64 { return 300 }, func() float64 { return 25 }
		m := c.make(k, c.wiring)
		c.wreck(m)
		k.at = k.at.Add(time.Second)
		expect(t, c.name+", status", read(t, m, 0x04, 1), c.status)
		expect(t, c.name+", raw", read(t, m, 0x03, 3), c.raw...)
	}
}
