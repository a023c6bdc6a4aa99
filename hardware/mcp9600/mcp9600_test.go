package mcp9600_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"ashlamp/hardware"
	"ashlamp/hardware/devicetest"
	"ashlamp/hardware/mcp9600"
	"ashlamp/hardware/thermocouple"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/bus"
	"ashlamp/simulators/chip"
)

const addr = 0x67

// rig is a type K couple at 412 °C, its terminals at 31 °C.
type rig struct {
	clock     *devicetest.Clock
	bus       *bus.Bus
	chip      *chip.MCP960x
	dev       *mcp9600.Dev
	hot, cold float64
}

type maker func(chip.Clock, chip.Wiring) *chip.MCP960x

func newRig(t *testing.T, mk maker, w chip.Wiring, s mcp9600.Settings) *rig {
	t.Helper()
	r := &rig{clock: devicetest.NewClock(), bus: bus.New("simulated"), hot: 412, cold: 31}
	w.Hot, w.Cold = func() float64 { return r.hot }, func() float64 { return r.cold }
	r.chip = mk(r.clock, w)
	if err := r.bus.Attach(addr, r.chip); err != nil {
		t.Fatal(err)
	}
	var err error
	if r.dev, err = mcp9600.New(r.bus, addr, s, r.clock.Wait); err != nil {
		t.Fatal(err)
	}
	return r
}

// common are the faults that both chips can have.
func common(r *rig) []devicetest.Injection {
	noise := func(f func([]byte)) func() func() {
		return func() func() {
			r.bus.Noise(func(_ uint16, b []byte) { f(b) })
			return func() { r.bus.Noise(nil) }
		}
	}
	toggle := func(f func(bool)) func() func() {
		return func() func() { f(true); return func() { f(false) } }
	}
	source := rand.New(rand.NewPCG(1, 2))
	return []devicetest.Injection{
		{Name: "no acknowledge", Want: hardware.BusError, Inject: toggle(func(on bool) { r.bus.Unplug(addr, on) })},
		{Name: "line held low", Want: hardware.BusError, Inject: toggle(r.bus.Stick)},
		// The flag of a conversion that ended since the last reading may still stand.
		{Name: "conversions stop", Want: hardware.NotReady, Inject: toggle(r.chip.Halt), Readings: 2},
		{Name: "register frozen while the fire dies", Want: hardware.ThermocoupleDisagrees, Inject: func() func() {
			r.chip.Freeze(true)
			r.hot = 380
			return func() { r.chip.Freeze(false); r.hot = 412 }
		}},
		{Name: "supply lost", Want: hardware.SettingsLost, Inject: func() func() { r.chip.PowerCycle(); return func() {} }},
		{Name: "cold junction too hot", Want: hardware.ColdJunctionRange, Inject: func() func() {
			r.cold = 126
			return func() { r.cold = 31 }
		}},
		{Name: "couple hotter than its type", Want: hardware.ThermocoupleRange, Inject: func() func() {
			r.hot = 1340 // a type N ends at 1300 °C
			return func() { r.hot = 412 }
		}},
		{Name: "random bytes on the wire", Want: hardware.SettingsLost, Inject: noise(func(b []byte) {
			if len(b) == 1 { // status and settings
				b[0] = 0x40 | byte(source.Uint32())
			}
		})},
		{Name: "all ones on the wire", Want: hardware.SettingsLost, Inject: noise(func(b []byte) {
			for i := range b {
				b[i] = 0xFF
			}
		})},
		{Name: "temperature differs in every read", Want: hardware.BusError, Inject: noise(func(b []byte) {
			if len(b) == 2 {
				b[1] = byte(source.Uint32())
			}
		})},
	}
}

func TestEveryFaultIsItsReason(t *testing.T) {
	for _, c := range []struct {
		name string
		make maker
		wire chip.Wiring
		set  mcp9600.Settings
		more func(*rig) []devicetest.Injection
	}{
		{"MCP9601", chip.NewMCP9601, chip.Wiring{Couple: thermocouple.N}, mcp9600.Settings{Couple: thermocouple.N},
			func(r *rig) []devicetest.Injection {
				return []devicetest.Injection{
					{Name: "open couple", Want: hardware.OpenThermocouple, Inject: func() func() {
						r.chip.Open(true)
						return func() { r.chip.Open(false) }
					}},
					{Name: "shorted wire", Want: hardware.ShortedThermocouple, Inject: func() func() {
						r.chip.Short(true)
						return func() { r.chip.Short(false) }
					}},
				}
			}},
		{"MCP9600 with a bias resistor", chip.NewMCP9600, chip.Wiring{Couple: thermocouple.N, Bias: true},
			mcp9600.Settings{Couple: thermocouple.N, Open: mcp9600.ByBias},
			func(r *rig) []devicetest.Injection {
				return []devicetest.Injection{{Name: "open couple", Want: hardware.OpenThermocouple, Inject: func() func() {
					r.chip.Open(true)
					return func() { r.chip.Open(false) }
				}}}
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			devicetest.Run(t, func(t *testing.T) (devicetest.Rig, []devicetest.Injection) {
				r := newRig(t, c.make, c.wire, c.set)
				read := func(ctx context.Context) (hardware.Reading, error) {
					// A poller's round: conversions end between two readings.
					if err := r.clock.Wait(ctx, 5*time.Second); err != nil {
						return hardware.Reading{}, err
					}
					return r.dev.Read(ctx)
				}
				return devicetest.Rig{Read: read, Want: 412, Within: 0.2}, append(common(r), c.more(r)...)
			})
		})
	}
}

func TestColdJunctionNeedsNoCouple(t *testing.T) {
	r := newRig(t, chip.NewMCP9601, chip.Wiring{Couple: thermocouple.K}, mcp9600.Settings{Couple: thermocouple.K})
	r.chip.Open(true)
	got, err := r.dev.ReadCold(t.Context())
	if err != nil || got.Value != 31 || got.Quality != telemetry.Good {
		t.Fatalf("cold junction %+v, %v; want 31 °C, good", got, err)
	}
}

// An MCP9600 without a resistor cannot tell an open couple from a cold one, and so
// must never give a good reading, least of all then.
func TestMCP9600WithoutBiasProvesNothing(t *testing.T) {
	r := newRig(t, chip.NewMCP9600, chip.Wiring{Couple: thermocouple.K}, mcp9600.Settings{Couple: thermocouple.K})
	for _, open := range []bool{false, true} {
		r.chip.Open(open)
		r.clock.Wait(t.Context(), 5*time.Second)
		got, err := r.dev.Read(t.Context())
		if err != nil {
			t.Fatalf("open %v: %v", open, err)
		}
		if got.Quality != telemetry.Uncertain || got.Doubt != hardware.OpenUndetectable {
			t.Errorf("open %v: %+v, want uncertain because an open couple would not be noticed", open, got)
		}
	}
}

func TestWrongChipAtTheAddress(t *testing.T) {
	clock, b := devicetest.NewClock(), bus.New("simulated")
	if err := b.Attach(addr, chip.NewADS1115(clock, [4]func() float64{})); err != nil {
		t.Fatal(err)
	}
	dev, err := mcp9600.New(b, addr, mcp9600.Settings{Couple: thermocouple.K}, clock.Wait)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := dev.Read(t.Context()); hardware.ReasonOf(err) != hardware.WrongDevice {
		t.Fatalf("read %v, want %v", err, hardware.WrongDevice)
	}
}

// The number must be right over the whole range of each type and for each filter
// once it has settled.
func TestTemperaturesOverTheRange(t *testing.T) {
	for _, c := range []struct {
		couple    thermocouple.Type
		low, high float64
	}{{thermocouple.K, -195, 1370}, {thermocouple.J, -195, 1190}, {thermocouple.T, -195, 398}, {thermocouple.N, -195, 1298}} {
		for filter := uint8(0); filter <= 7; filter += 7 {
			r := newRig(t, chip.NewMCP9601, chip.Wiring{Couple: c.couple}, mcp9600.Settings{Couple: c.couple, Filter: filter})
			for want := c.low; want <= c.high; want += 31.7 {
				r.hot = want
				r.clock.Wait(t.Context(), 10*time.Minute)
				got, err := r.dev.Read(t.Context())
				if err != nil {
					t.Fatalf("type %v, filter %d, %v °C: %v", c.couple, filter, want, err)
				}
				// Half a code of hot, half of cold, half of 2 µV against 10 µV/K of type N at -195 °C.
				if math.Abs(got.Value-want) > 0.2 {
					t.Errorf("type %v, filter %d: read %v °C, want %v within 0.2", c.couple, filter, got.Value, want)
				}
			}
		}
	}
}

func TestCoupleOfAnotherTypeBeyondItsRangeIsAFault(t *testing.T) {
	// A type K couple on a chip set to type T: 1000 °C is 41 mV, beyond type T's 20.9 mV.
	r := newRig(t, chip.NewMCP9601, chip.Wiring{Couple: thermocouple.K}, mcp9600.Settings{Couple: thermocouple.T})
	r.hot = 1000
	if _, err := r.dev.Read(t.Context()); hardware.ReasonOf(err) != hardware.ThermocoupleRange {
		t.Fatalf("read %v, want %v", err, hardware.ThermocoupleRange)
	}
}

// Worked out by hand: type K at 100 °C against 25 °C is 4.096 - 1.000 = 3.096 mV
// (ITS-90 table), 1548 codes of 2 µV (0x00060C); 100 °C is 0x0640, 25 °C 0x0190.
func TestRecordedExchange(t *testing.T) {
	op := func(w []byte, r ...byte) i2ctest.IO { return i2ctest.IO{Addr: addr, W: w, R: r} }
	p := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		op([]byte{0x20}, 0x41, 0x10),
		op([]byte{0x05, 0x02}), // type K, filter 2
		op([]byte{0x06, 0x00}),
		op([]byte{0x05}, 0x02),
		op([]byte{0x06}, 0x00),
		op([]byte{0x04, 0x00}),
		op([]byte{0x04}, 0x00),
		op([]byte{0x04}, 0x40),
		op([]byte{0x00}, 0x06, 0x40),
		op([]byte{0x00}, 0x06, 0x40),
		op([]byte{0x02}, 0x01, 0x90),
		op([]byte{0x02}, 0x01, 0x90),
		op([]byte{0x03}, 0x00, 0x06, 0x0C),
		op([]byte{0x05}, 0x02),
		op([]byte{0x06}, 0x00),
		op([]byte{0x04, 0x00}),
	}}
	dev, err := mcp9600.New(p, addr, mcp9600.Settings{Couple: thermocouple.K, Filter: 2}, devicetest.NewClock().Wait)
	if err != nil {
		t.Fatal(err)
	}
	got, err := dev.Read(t.Context())
	if err != nil || got.Value != 100 || got.Quality != telemetry.Good {
		t.Fatalf("read %+v, %v; want 100 °C, good", got, err)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
}

func TestNewRefuses(t *testing.T) {
	wait := devicetest.NewClock().Wait
	for _, c := range []struct {
		name string
		addr uint16
		set  mcp9600.Settings
		ok   bool
	}{
		{"first address", 0x60, mcp9600.Settings{Couple: thermocouple.K}, true},
		{"last address", 0x67, mcp9600.Settings{Couple: thermocouple.T, Filter: 7, Open: mcp9600.ByBias}, true},
		{"below", 0x5F, mcp9600.Settings{Couple: thermocouple.K}, false},
		{"above", 0x68, mcp9600.Settings{Couple: thermocouple.K}, false},
		{"filter 8", 0x60, mcp9600.Settings{Couple: thermocouple.K, Filter: 8}, false},
		{"detection unknown", 0x60, mcp9600.Settings{Couple: thermocouple.K, Open: 2}, false},
		{"no such type", 0x60, mcp9600.Settings{Couple: 'S'}, false},
	} {
		if _, err := mcp9600.New(bus.New("b"), c.addr, c.set, wait); (err == nil) != c.ok {
			t.Errorf("%s: New(0x%02X, %+v) = %v, want ok %v", c.name, c.addr, c.set, err, c.ok)
		}
	}
}

func ExampleDev_Read() {
	clock, wires := devicetest.NewClock(), bus.New("simulated")
	converter := chip.NewMCP9601(clock, chip.Wiring{
		Couple: thermocouple.K,
		Hot:    func() float64 { return 655 },
		Cold:   func() float64 { return 28 },
	})
	if err := wires.Attach(0x60, converter); err != nil {
		fmt.Println(err)
	}
	dev, err := mcp9600.New(wires, 0x60, mcp9600.Settings{Couple: thermocouple.K}, clock.Wait)
	if err != nil {
		fmt.Println(err)
		return
	}
	r, err := dev.Read(context.Background())
	fmt.Printf("%.0f °C, u = %.1f °C, %v, %v\n", r.Value, r.Standard, r.Quality, err)

	converter.Open(true)
	clock.Wait(context.Background(), time.Second)
	_, err = dev.Read(context.Background())
	fmt.Println(err)
	// Output:
	// 655 °C, u = 3.0 °C, good, <nil>
	// thermocouple open (MCP9600 at 0x60, status 0x50); check the couple, its connector and both wires
}
