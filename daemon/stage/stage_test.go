package stage_test

import (
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/stage"
	"ashlamp/ingest"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/world"
	example "ashlamp/testdata/config"
)

func shed(t *testing.T) config.Config {
	t.Helper()
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestNewRefusesWhatCannotBePlayed(t *testing.T) {
	for _, c := range []struct {
		name    string
		engines []stage.Engine
		want    string // empty for none
	}{
		{name: "the example", engines: stage.Example(1, "")},
		{name: "the example with a fault", engines: stage.Example(1, "pressure-stuck")},
		{name: "nobody", want: "needs an engine"},
		{name: "an unknown fault", engines: stage.Example(1, "gremlins"), want: `fault "gremlins" is not known; use one of`},
		{name: "an unknown door", engines: []stage.Engine{{World: world.Marrow(), Door: "pigeon"}}, want: `door "pigeon" is not known; use "mqtt" or "i2c"`},
		{name: "no door", engines: []stage.Engine{{World: world.Marrow()}}, want: `door "" is not known`},
		{name: "two on one bus", engines: []stage.Engine{{World: world.Marrow(), Door: stage.I2C}, {World: world.Quillet(), Door: stage.I2C}}, want: "the bus is taken"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := stage.New(shed(t), stage.Options{Clock: clock.NewStepped(time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)), Engines: c.engines, Log: slog.New(slog.DiscardHandler)})
			switch {
			case c.want == "" && err != nil:
				t.Errorf("got %v, want no error", err)
			case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
				t.Errorf("got %v, want one with %q", err, c.want)
			}
		})
	}
}

func TestOnlyAnEngineOnTheBusBringsABus(t *testing.T) {
	for _, c := range []struct {
		door stage.Door
		want int
	}{{stage.MQTT, 0}, {stage.I2C, 1}} {
		s, err := stage.New(shed(t), stage.Options{
			Clock: clock.NewStepped(time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)), Log: slog.New(slog.DiscardHandler),
			Engines: []stage.Engine{{World: world.Marrow(), Door: c.door}},
		})
		if err != nil {
			t.Fatal(err)
		}
		if got := len(s.Buses()); got != c.want {
			t.Errorf("an engine over %s brings %d buses, want %d", c.door, got, c.want)
		}
	}
}

// TestStartComesAfterWhatIsStored: a second evening in one folder must not lie over
// the first.
func TestStartComesAfterWhatIsStored(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2031, 5, 4, 9, 0, 0, 0, zone)
	first := time.Date(2031, 5, 4, 15, 30, 0, 0, zone)
	for _, c := range []struct {
		name   string
		engine string
		stored time.Time // zero for an empty folder
		want   time.Time
	}{
		{name: "an empty folder", want: first},
		{name: "an older evening", engine: "quillet", stored: first.AddDate(0, 0, -3), want: first},
		{name: "just before it", engine: "quillet", stored: first.Add(-5 * time.Minute), want: first.AddDate(0, 0, 1)},
		{name: "this evening", engine: "marrow", stored: first.Add(6 * time.Hour), want: first.AddDate(0, 0, 1)},
		{name: "two evenings ahead", engine: "quillet", stored: first.AddDate(0, 0, 2).Add(time.Hour), want: first.AddDate(0, 0, 3)},
		{name: "the shed's air alone", engine: "", stored: first.Add(time.Hour), want: first.AddDate(0, 0, 1)},
		{name: "an engine that is not played", engine: "thirlow", stored: first.Add(time.Hour), want: first},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := t.TempDir()
			if !c.stored.IsZero() {
				s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"))
				if err != nil {
					t.Fatal(err)
				}
				ch := telemetry.Firebox
				if c.engine == "" {
					ch = telemetry.AmbientTemp
				}
				b := ingest.Batch{Engine: c.engine, Received: c.stored, Samples: []telemetry.Sample{{Channel: ch, At: c.stored, Value: 20, Quality: telemetry.Good}}}
				if _, err := s.Append(t.Context(), []ingest.Batch{b}); err != nil {
					t.Fatal(err)
				}
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
			}
			got, err := stage.Start(t.Context(), data, now, zone, stage.Example(1, "")...)
			if err != nil {
				t.Fatal(err)
			}
			if !got.Equal(c.want) {
				t.Errorf("stored %s of %q: begins at %s, want %s", c.stored, c.engine, got, c.want)
			}
		})
	}
}
