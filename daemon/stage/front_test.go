package stage_test

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/stage"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/crew"
	"ashlamp/simulators/world"
)

// TestACrewWorksByTheConfiguration: and by its own plan where that says nothing, or
// nothing that can be worked by.
func TestACrewWorksByTheConfiguration(t *testing.T) {
	own := world.Osier().Plan
	for _, c := range []struct {
		name   string
		limits limit.Set
		low    float64 // Pa
		high   float64
	}{
		{name: "a window", limits: limit.Set{limit.BlowDownMin: 0.3, limit.BlowDownMax: 2}, low: 0.3e5, high: 2e5},
		{name: "no window", low: own.BlowDownMin, high: own.BlowDownMax},
		{name: "its lower end alone", limits: limit.Set{limit.BlowDownMin: 0.3}, low: 0.3e5, high: own.BlowDownMax},
		{name: "an upper end below the plan's lower one", limits: limit.Set{limit.BlowDownMax: 0.4}, low: own.BlowDownMin, high: own.BlowDownMax},
		{name: "upside down", limits: limit.Set{limit.BlowDownMin: 2, limit.BlowDownMax: 1}, low: own.BlowDownMin, high: own.BlowDownMax},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := stage.PlanFor(engine.Engine{LayUp: telemetry.Wet, EmptiedBy: engine.Cold, Limits: c.limits}, own)
			want := own
			want.LayUp, want.EmptiedBy, want.BlowDownMin, want.BlowDownMax = telemetry.Wet, "cold", c.low, c.high
			if got != want {
				t.Errorf("limits %v: got %+v, want %+v", c.limits, got, want)
			}
			if _, err := crew.New(got, crew.Careful("T. Oxley"), nil, nil); err != nil {
				t.Errorf("limits %v: no crew can work by %+v: %v", c.limits, got, err)
			}
		})
	}
}

// TestTheSimulatedBoardHasOneBus: set-up finds it, and is refused any other.
func TestTheSimulatedBoardHasOneBus(t *testing.T) {
	with := func(engines ...stage.Engine) *stage.Stage {
		t.Helper()
		s, err := stage.New(shed(t), stage.Options{
			Clock: clock.NewStepped(time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)), Log: slog.New(slog.DiscardHandler), Engines: engines,
		})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := with(stage.Demonstration(1, "")...)
	names, err := s.BusNames()
	if err != nil || len(names) != 1 {
		t.Fatalf("buses %v, %v; want one", names, err)
	}
	b, err := s.OpenBus(names[0])
	if err != nil {
		t.Fatal(err)
	}
	// Whoever looks at the chips closes what it opened; others go on reading.
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	if err := b.Tx(0x48, []byte{0}, make([]byte, 2)); err != nil {
		t.Errorf("the bus after somebody closed it: %v", err)
	}
	if _, err := s.OpenBus("7"); err == nil {
		t.Error("a bus that is not there was opened")
	}
	c := shed(t)
	open, closeAll, err := s.OpenBuses(c)
	if err != nil || len(open) != 1 || open["board"].I2C == nil {
		t.Fatalf("the example's buses: %v, %v", open, err)
	}
	closeAll()
	c.Buses = []config.Bus{{Name: "board", Device: "7"}}
	if _, _, err := s.OpenBuses(c); err == nil || !strings.Contains(err.Error(), `no bus "7", only "1"`) {
		t.Errorf("another device: %v, want that there is only one", err)
	}
	c.Wired = nil
	if open, _, err := s.OpenBuses(c); err != nil || len(open) != 0 {
		t.Errorf("a bus from which nothing is read: %v, %v; want none opened", open, err)
	}
	none := with(stage.Engine{World: world.Osier(), Door: stage.MQTT, Stands: true})
	if names, err := none.BusNames(); err != nil || len(names) != 0 {
		t.Errorf("without an engine on the bus: %v, %v", names, err)
	}
}
