package ads1115_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"ashlamp/hardware"
	"ashlamp/hardware/ads1115"
	"ashlamp/hardware/devicetest"
	"ashlamp/simulators/bus"
	"ashlamp/simulators/chip"
)

const addr = 0x48

// rig is a chip on a bus with 1.25 V on pin 1.
type rig struct {
	clock *devicetest.Clock
	bus   *bus.Bus
	chip  *chip.ADS1115
	dev   *ads1115.Dev
	volts float64
}

func newRig(t *testing.T, s ads1115.Settings) *rig {
	t.Helper()
	r := &rig{clock: devicetest.NewClock(), bus: bus.New("simulated"), volts: 1.25}
	r.chip = chip.NewADS1115(r.clock, [4]func() float64{1: func() float64 { return r.volts }})
	if err := r.bus.Attach(addr, r.chip); err != nil {
		t.Fatal(err)
	}
	var err error
	if r.dev, err = ads1115.New(r.bus, addr, s, r.clock.Wait); err != nil {
		t.Fatal(err)
	}
	return r
}

func TestEveryFaultIsItsReason(t *testing.T) {
	devicetest.Run(t, func(t *testing.T) (devicetest.Rig, []devicetest.Injection) {
		r := newRig(t, ads1115.Settings{Rate: ads1115.PerSecond128})
		volts := func(v float64) func() func() {
			return func() func() { r.volts = v; return func() { r.volts = 1.25 } }
		}
		noise := func(f func(uint16, []byte)) func() func() {
			return func() func() { r.bus.Noise(f); return func() { r.bus.Noise(nil) } }
		}
		flips := 0
		return devicetest.Rig{
				Read: func(ctx context.Context) (hardware.Reading, error) {
					return r.dev.Read(ctx, ads1115.Pin1, ads1115.Volts2048)
				},
				Want: 1.25, Within: 2.048 / 32768,
			}, []devicetest.Injection{
				{Name: "no acknowledge", Want: hardware.BusError, Inject: func() func() {
					r.bus.Unplug(addr, true)
					return func() { r.bus.Unplug(addr, false) }
				}},
				{Name: "line held low", Want: hardware.BusError, Inject: func() func() {
					r.bus.Stick(true)
					return func() { r.bus.Stick(false) }
				}},
				{Name: "conversion never ends", Want: hardware.NotReady, Inject: func() func() {
					r.chip.StickBusy(true)
					return func() { r.chip.StickBusy(false) }
				}},
				{Name: "above the range", Want: hardware.InputOverrange, Inject: volts(2.048)},
				{Name: "far above the range", Want: hardware.InputOverrange, Inject: volts(5)},
				{Name: "below the range", Want: hardware.InputOverrange, Inject: volts(-2.048)},
				{Name: "no number at the pin", Want: hardware.InputOverrange, Inject: volts(math.NaN())},
				{Name: "all ones on the wire", Want: hardware.SettingsLost, Inject: noise(func(_ uint16, b []byte) {
					for i := range b {
						b[i] = 0xFF
					}
				})},
				{Name: "all zeros on the wire", Want: hardware.SettingsLost, Inject: noise(func(_ uint16, b []byte) { clear(b) })},
				{Name: "one bit flipped in one of two reads", Want: hardware.BusError, Inject: noise(func(_ uint16, b []byte) {
					// Reads are Config, Conversion, Conversion: the second is hit.
					if flips++; flips == 2 {
						b[0] ^= 0x10
					}
				})},
				{Name: "supply lost between start and read", Want: hardware.SettingsLost, Inject: noise(func(_ uint16, b []byte) {
					r.chip.PowerCycle()
					b[0], b[1] = 0x85, 0x83
				})},
			}
	})
}

func TestRangesAndInputs(t *testing.T) {
	pins := [4]float64{0.21, 0.05, 0.1, 0.02}
	clock := devicetest.NewClock()
	b := bus.New("simulated")
	var f [4]func() float64
	for i := range pins {
		f[i] = func() float64 { return pins[i] }
	}
	if err := b.Attach(addr, chip.NewADS1115(clock, f)); err != nil {
		t.Fatal(err)
	}
	dev, err := ads1115.New(b, addr, ads1115.Settings{Rate: ads1115.PerSecond860}, clock.Wait)
	if err != nil {
		t.Fatal(err)
	}
	for in, want := range map[ads1115.Input]float64{
		ads1115.Diff01: 0.16, ads1115.Diff03: 0.19, ads1115.Diff13: 0.03, ads1115.Diff23: 0.08,
		ads1115.Pin0: 0.21, ads1115.Pin1: 0.05, ads1115.Pin2: 0.1, ads1115.Pin3: 0.02,
	} {
		for r := ads1115.Volts6144; r <= ads1115.Volts0256; r++ {
			got, err := dev.Read(t.Context(), in, r)
			if err != nil {
				t.Fatalf("%v at ±%v V: %v", in, r.FullScale(), err)
			}
			if step := r.FullScale() / 32768; math.Abs(got.Value-want) > step/2+1e-12 {
				t.Errorf("%v at ±%v V = %v V, want %v within half a code (%v)", in, r.FullScale(), got.Value, want, step/2)
			}
			if got.Standard < math.Abs(want)*0.0015/math.Sqrt(3) {
				t.Errorf("%v at ±%v V: uncertainty %v is below the gain limit alone", in, r.FullScale(), got.Standard)
			}
		}
	}
}

func TestOscillatorWithinItsToleranceIsReadInTime(t *testing.T) {
	for rate := ads1115.PerSecond8; rate <= ads1115.PerSecond860; rate++ {
		for _, off := range []float64{-0.1, 0, 0.1} {
			r := newRig(t, ads1115.Settings{Rate: rate})
			r.chip.Oscillator(off)
			if _, err := r.dev.Read(t.Context(), ads1115.Pin1, ads1115.Volts2048); err != nil {
				t.Errorf("rate %d with the oscillator off by %+.0f %%: %v", rate, 100*off, err)
			}
		}
	}
}

func TestDeadlineOfTheContextIsNotReady(t *testing.T) {
	r := newRig(t, ads1115.Settings{})
	dev, err := ads1115.New(r.bus, addr, ads1115.Settings{}, func(context.Context, time.Duration) error {
		return context.DeadlineExceeded
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := dev.Read(t.Context(), ads1115.Pin1, ads1115.Volts2048); hardware.ReasonOf(err) != hardware.NotReady {
		t.Fatalf("read past the deadline: %v, want %v", err, hardware.NotReady)
	}
}

// The exchange is worked out by hand from SBAS444D: 0xD583 is start, pin 1 against
// ground (101), ±2.048 V (010), single-shot, 128/s (100), comparator off;
// 0x4E20 is 20000 codes of 62.5 µV.
func TestRecordedExchange(t *testing.T) {
	p := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		{Addr: addr, W: []byte{0x01, 0xD5, 0x83}},
		{Addr: addr, W: []byte{0x01}, R: []byte{0x55, 0x83}},
		{Addr: addr, W: []byte{0x01}, R: []byte{0xD5, 0x83}},
		{Addr: addr, W: []byte{0x00}, R: []byte{0x4E, 0x20}},
		{Addr: addr, W: []byte{0x00}, R: []byte{0x4E, 0x20}},
	}}
	var waits []time.Duration
	dev, err := ads1115.New(p, addr, ads1115.Settings{Rate: ads1115.PerSecond128}, func(_ context.Context, d time.Duration) error {
		waits = append(waits, d)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	got, err := dev.Read(t.Context(), ads1115.Pin1, ads1115.Volts2048)
	if err != nil || got.Value != 1.25 {
		t.Fatalf("read %+v, %v; want 1.25 V", got, err)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	if len(waits) != 2 || waits[0] < time.Second/128 {
		t.Errorf("waited %v; want a conversion time, then a little more", waits)
	}
}

func TestNewRefuses(t *testing.T) {
	wait := devicetest.NewClock().Wait
	for _, c := range []struct {
		name string
		addr uint16
		rate ads1115.Rate
		ok   bool
	}{
		{"first address", 0x48, 0, true},
		{"last address", 0x4B, 0, true},
		{"below", 0x47, 0, false},
		{"above", 0x4C, 0, false},
		{"no such rate", 0x48, 8, false},
	} {
		if _, err := ads1115.New(bus.New("b"), c.addr, ads1115.Settings{Rate: c.rate}, wait); (err == nil) != c.ok {
			t.Errorf("%s: New(0x%02X, rate %d) = %v, want ok %v", c.name, c.addr, c.rate, err, c.ok)
		}
	}
	r := newRig(t, ads1115.Settings{})
	if _, err := r.dev.Read(t.Context(), 8, 0); err == nil {
		t.Error("an input beyond Pin3 was read")
	}
	if n := r.bus.Transactions(addr); n != 0 {
		t.Errorf("a refused read made %d transactions, want 0", n)
	}
}

func TestResembles(t *testing.T) {
	r := newRig(t, ads1115.Settings{})
	if ok, err := ads1115.Resembles(r.bus, addr); !ok || err != nil {
		t.Errorf("a fresh chip: %v, %v; want true", ok, err)
	}
	if _, err := r.dev.Read(t.Context(), ads1115.Pin1, ads1115.Volts2048); err != nil {
		t.Fatal(err)
	}
	if ok, err := ads1115.Resembles(r.bus, addr); !ok || err != nil {
		t.Errorf("a chip in use: %v, %v; want true", ok, err)
	}
	if _, err := ads1115.Resembles(r.bus, 0x49); !errors.Is(err, bus.ErrNoAck) {
		t.Errorf("an empty address: %v, want no acknowledge", err)
	}
}

func ExampleDev_Read() {
	clock := devicetest.NewClock()
	wires := bus.New("simulated")
	twoVolts := func() float64 { return 2 }
	if err := wires.Attach(0x48, chip.NewADS1115(clock, [4]func() float64{twoVolts})); err != nil {
		fmt.Println(err)
	}
	dev, err := ads1115.New(wires, 0x48, ads1115.Settings{Rate: ads1115.PerSecond16}, clock.Wait)
	if err != nil {
		fmt.Println(err)
		return
	}
	r, err := dev.Read(context.Background(), ads1115.Pin0, ads1115.Volts4096)
	fmt.Printf("%.4f V, u = %.1f mV, %v, %v\n", r.Value, 1000*r.Standard, r.Quality, err)
	// Output: 2.0000 V, u = 3.4 mV, good, <nil>
}
