package pulse_test

import (
	"errors"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"ashlamp/hardware/pulse"
	"ashlamp/simulators/chip"
)

type hand struct{ now time.Time }

func (h *hand) Now() time.Time { return h.now }

func (h *hand) pass(d time.Duration) { h.now = h.now.Add(d) }

func TestEachTurnIsHalfAPulse(t *testing.T) {
	pin := &gpiotest.Pin{N: "GPIO17", L: gpio.High}
	train, err := pulse.New(pin)
	if err != nil {
		t.Fatal(err)
	}
	if pin.L != gpio.Low {
		t.Fatal("a train at rest leaves the pin high")
	}
	for n, tt := range []struct {
		lit  bool
		want gpio.Level
	}{
		{false, gpio.Low}, {true, gpio.High}, {true, gpio.Low}, {true, gpio.High},
		{false, gpio.Low}, {false, gpio.Low}, {true, gpio.High},
	} {
		if err := train.Turn(tt.lit); err != nil {
			t.Fatal(err)
		}
		if pin.L != tt.want {
			t.Errorf("turn %d, lit %t: the pin is %s, want %s", n, tt.lit, pin.L, tt.want)
		}
	}
	if err := train.Rest(); err != nil || pin.L != gpio.Low {
		t.Errorf("at the end the pin is %s, %v", pin.L, err)
	}
}

func TestTheLampFollowsTheTurns(t *testing.T) {
	for _, part := range []struct {
		name string
		off  float64 // what resistor, capacitor and chip are off together
	}{{"nominal", 1}, {"short", 0.79}, {"long", 1.21}} {
		t.Run(part.name, func(t *testing.T) {
			clock := &hand{time.Date(2031, 5, 4, 20, 0, 0, 0, time.UTC)}
			hold := time.Duration(float64(pulse.Hold) * part.off)
			m := chip.NewMonostable(clock, "GPIO17", hold)
			train, err := pulse.New(m)
			if err != nil {
				t.Fatal(err)
			}
			if m.Lit() {
				t.Fatal("the lamp burns before anything was judged")
			}
			turn := func(lit bool) {
				clock.pass(pulse.Every)
				if err := train.Turn(lit); err != nil {
					t.Fatal(err)
				}
			}
			turn(true)
			for n := range 100 {
				// Now and then a turn comes late, by two.
				if n%7 == 0 {
					clock.pass(2 * pulse.Every)
				}
				if turn(true); !m.Lit() {
					t.Fatalf("the lamp flickers at turn %d", n)
				}
			}
			// The verdict is lost: turns go on.
			for range int(pulse.DarkWithin / pulse.Every) {
				turn(false)
			}
			if m.Lit() {
				t.Errorf("lit %s after the verdict was lost", pulse.DarkWithin)
			}
			// Dead with the level either way: no turns at all.
			for _, level := range []bool{true, false} {
				turn(true)
				turn(true) // one of the two is a rising edge
				if high, _ := m.Level(); high != level {
					turn(true)
				}
				if !m.Lit() {
					t.Fatal("the lamp does not burn again")
				}
				clock.pass(pulse.DarkWithin)
				if m.Lit() {
					t.Errorf("lit %s after the last turn, the level left %t", pulse.DarkWithin, level)
				}
			}
		})
	}
}

// TestAPinThatRefuses: no error may make an edge that a mended pin takes for a pulse.
func TestAPinThatRefuses(t *testing.T) {
	clock := &hand{time.Date(2031, 5, 4, 20, 0, 0, 0, time.UTC)}
	m := chip.NewMonostable(clock, "GPIO17", pulse.Hold)
	broken := errors.New("operation not permitted")
	m.Break(broken)
	if _, err := pulse.New(m); !errors.Is(err, broken) {
		t.Fatalf("a pin that cannot be driven is taken: %v", err)
	}
	m.Break(nil)
	train, err := pulse.New(m)
	if err != nil {
		t.Fatal(err)
	}
	if err := train.Turn(true); err != nil {
		t.Fatal(err)
	}
	m.Break(broken)
	for range 5 {
		if err := train.Turn(false); !errors.Is(err, broken) {
			t.Fatalf("the pin refuses and the train says %v", err)
		}
	}
	clock.pass(pulse.DarkWithin)
	if high, _ := m.Level(); !high || m.Lit() {
		t.Errorf("left high %t, lit %t; want a level that lights nothing", high, m.Lit())
	}
	m.Break(nil)
	edges := m.Edges()
	if err := train.Turn(false); err != nil || m.Edges() != edges {
		t.Errorf("mended, a dark turn made %d edges, %v", m.Edges()-edges, err)
	}
}
