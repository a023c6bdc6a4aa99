package engine

import (
	"math"
	"strings"
	"testing"

	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

func quillet() Engine {
	return Engine{
		ID: "quillet", WorkingPressure: 10, BoilerVolume: 400, Tanks: 2, BlowDownPipe: true,
		LayUp: telemetry.Dry, EmptiedBy: Empty, Limits: limit.Defaults(10, 400),
		Channels: map[telemetry.Channel]Channel{
			telemetry.BoilerPressure: {ID: telemetry.BoilerPressure, Uncertainty: 4000, Low: 0, High: 16e5},
			telemetry.Firebox:        {ID: telemetry.Firebox, Uncertainty: 2.5, Low: math.NaN(), High: math.NaN()},
		},
	}
}

func TestCheck(t *testing.T) {
	channel := func(id telemetry.Channel, edit func(c *Channel)) func(e *Engine) {
		return func(e *Engine) {
			c := e.Channels[id]
			c.ID = id
			edit(&c)
			e.Channels[id] = c
		}
	}
	for _, tt := range []struct {
		name string
		edit func(e *Engine)
		key  string // of the fault; empty for none
	}{
		{"as it should be", func(*Engine) {}, ""},
		{"no working pressure", func(e *Engine) { e.WorkingPressure = 0 }, "working_pressure_bar"},
		{"working pressure not a number", func(e *Engine) { e.WorkingPressure = math.NaN() }, "working_pressure_bar"},
		{"working pressure in kilopascal", func(e *Engine) { e.WorkingPressure = 1000 }, "working_pressure_bar"},
		{"no boiler", func(e *Engine) { e.BoilerVolume = 0 }, "boiler_volume_l"},
		{"volume not a number", func(e *Engine) { e.BoilerVolume = math.NaN() }, "boiler_volume_l"},
		{"three tanks", func(e *Engine) { e.Tanks = 3 }, "tanks"},
		{"no tanks", func(e *Engine) { e.Tanks = 0 }, ""},
		{"fewer than none", func(e *Engine) { e.Tanks = -1 }, "tanks"},
		{"no lay-up", func(e *Engine) { e.LayUp = "" }, "lay_up"},
		{"not said how it is emptied", func(e *Engine) { e.EmptiedBy = "" }, "emptied_by"},
		{"emptied through cocks that it has not", func(e *Engine) { e.BlowDownPipe = false }, "emptied_by"},
		{"no cocks, and cold", func(e *Engine) { e.BlowDownPipe, e.EmptiedBy = false, Cold }, ""},
		{"a limit out of its span", func(e *Engine) { e.Limits[limit.Touch] = 60 }, "limits.touch_c"},
		{"a limit that is not known", func(e *Engine) { e.Limits["hope"] = 1 }, "limits.hope"},
		{"a limit that is not a number", func(e *Engine) { e.Limits[limit.Hold] = math.NaN() }, "limits.hold_s"},
		{"nothing between two limits", func(e *Engine) { e.Limits[limit.DropMin] = 10 }, "limits.drop_min_bar"},
		{"blow-down limits the wrong way round", func(e *Engine) { e.Limits[limit.BlowDownMin], e.Limits[limit.BlowDownMax] = 3, 1 }, "limits.blow_down_min_bar"},
		{"a zero band finer than the transducer", func(e *Engine) { e.Limits[limit.ZeroBand] = 0.01 }, "limits.zero_band_bar"},
		{"a zero band as wide as it", func(e *Engine) { e.Limits[limit.ZeroBand] = 0.04 }, ""},
		{"uncertainty of nothing", channel(telemetry.Firebox, func(c *Channel) { c.Uncertainty = 0 }), "channel.firebox.uncertainty"},
		{"uncertainty not a number", channel(telemetry.Firebox, func(c *Channel) { c.Uncertainty = math.NaN() }), "channel.firebox.uncertainty"},
		{"uncertainty without end", channel(telemetry.Firebox, func(c *Channel) { c.Uncertainty = math.Inf(1) }), "channel.firebox.uncertainty"},
		{"uncertainty in bar", channel(telemetry.BoilerPressure, func(c *Channel) { c.Uncertainty = 0.04 }), "channel.boiler.pressure.uncertainty"},
		{"an empty range", channel(telemetry.Firebox, func(c *Channel) { c.Low, c.High = 100, 100 }), "channel.firebox.range"},
		{"an absolute thermocouple", channel(telemetry.Firebox, func(c *Channel) { c.Absolute = true }), "channel.firebox.reference"},
		{"samples before they are asked for", channel(telemetry.Firebox, func(c *Channel) { c.Interval = -1 }), "channel.firebox.interval_s"},
		{"a channel of its own name is not judged", channel("cab.radio", func(c *Channel) {}), ""},
		{"both ways of knowing by word", func(e *Engine) {
			e.ByWord = map[string]string{"pressure-zero": "gauge-tried", "nothing-left-to-boil": "looked-in"}
		}, "by_word"},
		{"one of them", func(e *Engine) { e.ByWord = map[string]string{"pressure-zero": "gauge-tried"} }, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := quillet()
			tt.edit(&e)
			var keys []string
			for _, f := range e.Check() {
				keys = append(keys, f.Key)
				if f.Error() == "" {
					t.Errorf("fault of %s says nothing", f.Key)
				}
			}
			if got := strings.Join(keys, " "); tt.key == "" && got != "" || tt.key != "" && !strings.Contains(" "+got+" ", " "+tt.key+" ") {
				t.Errorf("faults %q, want %q", got, tt.key)
			}
		})
	}
}

func TestFresh(t *testing.T) {
	for _, tt := range []struct {
		id       telemetry.Channel
		interval float64
		want     float64
	}{
		{telemetry.BoilerPressure, 0, 15}, {"boiler.pressure.dome", 0, 15}, {telemetry.BoilerPressure, 5, 15}, {telemetry.BoilerPressure, 6, 18},
		{telemetry.Firebox, 0, 60}, {telemetry.ShellTop, 0, 60}, {telemetry.BoilerLevel, 0, 60}, {telemetry.BoilerLevel, 30, 90},
		{telemetry.TankLeft, 0, 120}, {telemetry.TankRight, 50, 150},
		{telemetry.AmbientPressure, 0, 900}, {telemetry.AmbientCO, 0, 900}, {telemetry.BoilerHumidity, 0, 900},
		{"cab.radio", 0, 60},
	} {
		e := quillet()
		e.Channels[tt.id] = Channel{ID: tt.id, Interval: tt.interval}
		if got := e.Fresh(tt.id); got != tt.want {
			t.Errorf("%s every %g s: fresh for %g s, want %g", tt.id, tt.interval, got, tt.want)
		}
	}
}

func TestUncertainty(t *testing.T) {
	for _, tt := range []struct {
		c     Channel
		value float64
		want  float64
	}{
		{Channel{ID: telemetry.Firebox, Uncertainty: 2.5}, 300, 2.5},
		{Channel{ID: telemetry.Firebox, Uncertainty: 2.5}, 333, 2.5},
		{Channel{ID: telemetry.Firebox, Uncertainty: 2.5}, 900, 6.75},
		{Channel{ID: telemetry.Firebox, Uncertainty: 9}, 900, 9},
		{Channel{ID: telemetry.BoilerPressure, Uncertainty: 4000}, 9e5, 4000},
	} {
		if got := tt.c.U(tt.value); math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("%s ± %g at %g: ± %g, want %g", tt.c.ID, tt.c.Uncertainty, tt.value, got, tt.want)
		}
	}
	if got := (Channel{ID: telemetry.Firebox, Uncertainty: math.NaN()}).U(900); !math.IsNaN(got) {
		t.Errorf("an uncertainty that is not known is %g at 900 °C, want NaN", got)
	}
	for _, tt := range []struct {
		id   telemetry.Channel
		high float64
		want float64
	}{
		{telemetry.BoilerPressure, 16e5, 8000}, {telemetry.BoilerPressure, math.NaN(), 8000}, {telemetry.BoilerPressure, 10e5, 5000},
		{telemetry.AmbientPressure, math.NaN(), 300}, {telemetry.AmbientTemp, math.NaN(), 1}, {telemetry.Firebox, math.NaN(), 2.5},
		{telemetry.BoilerLevel, math.NaN(), 0.03}, {telemetry.TankLeft, math.NaN(), 0.015}, {telemetry.AmbientCO, math.NaN(), 3e-6},
		{telemetry.BoilerHumidity, math.NaN(), 3}, {"cab.radio", math.NaN(), math.NaN()},
	} {
		got := DefaultUncertainty(tt.id, tt.high)
		if got != tt.want && !(math.IsNaN(got) && math.IsNaN(tt.want)) {
			t.Errorf("%s to %g: ± %g, want %g", tt.id, tt.high, got, tt.want)
		}
		if c := (Engine{}).Channel(tt.id); math.IsNaN(tt.high) && c.Uncertainty != tt.want && !math.IsNaN(tt.want) {
			t.Errorf("%s not declared: ± %g, want %g", tt.id, c.Uncertainty, tt.want)
		}
	}
}

func TestShellIsInOrderOfName(t *testing.T) {
	e := quillet()
	for _, id := range []telemetry.Channel{telemetry.ShellTop, "boiler.shell.middle", telemetry.ShellBottom} {
		e.Channels[id] = Channel{ID: id, Uncertainty: 2.5}
	}
	got := e.Shell()
	want := []telemetry.Channel{telemetry.ShellBottom, "boiler.shell.middle", telemetry.ShellTop}
	for i := range want {
		if len(got) != len(want) || got[i] != want[i] {
			t.Fatalf("shell channels %v, want %v", got, want)
		}
	}
	if !e.Declared(telemetry.ShellTop) || e.Declared(telemetry.Smokebox) {
		t.Error("declared: want the top of the shell to be, the smokebox not")
	}
}
