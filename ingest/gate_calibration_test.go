package ingest_test

import (
	"log/slog"
	"math"
	"testing"

	"ashlamp/hardware/calibration"
	"ashlamp/ingest"
	"ashlamp/rules/telemetry"
)

// TestTheGateCorrects: by the line of that engine's channel and of no other, before the
// absurd is looked for, and never what has no number.
func TestTheGateCorrects(t *testing.T) {
	g, err := ingest.NewGate(ingest.GateConfig{
		Engines: []string{"quillet", "marrow"}, Counters: &ingest.Counters{}, Log: slog.New(slog.DiscardHandler),
		Calibrations: map[ingest.Place]calibration.Line{
			{Engine: "quillet", Channel: telemetry.BoilerPressure}: {Zero: -4000, Gain: 1.01},
			{Engine: "quillet", Channel: telemetry.BoilerLevel}:    {Zero: 10, Gain: 1},
			{Channel: telemetry.AmbientPressure}:                   {Zero: 100, Gain: 1},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	bad := telemetry.Lost(telemetry.BoilerPressure, now, "open")
	for _, c := range []struct {
		name, engine string
		in           telemetry.Sample
		want         float64 // NaN for bad
	}{
		{"its own", "quillet", sample(telemetry.BoilerPressure, 1e5), 97000},
		{"of another engine", "marrow", sample(telemetry.BoilerPressure, 1e5), 1e5},
		{"another channel", "quillet", sample(telemetry.Firebox, 300), 300},
		{"of the shed", "", sample(telemetry.AmbientPressure, 99000), 99100},
		{"made absurd", "quillet", sample(telemetry.BoilerLevel, 0.5), math.NaN()},
		{"bad", "quillet", bad, math.NaN()},
	} {
		got := g.Admit(now, "t", c.engine, []telemetry.Sample{c.in})
		if len(got) != 1 {
			t.Fatalf("%s: %d samples", c.name, len(got))
		}
		if isBad := got[0].Quality == telemetry.Bad; isBad != math.IsNaN(c.want) || !isBad && math.Abs(got[0].Value-c.want) > 1e-9 {
			t.Errorf("%s: %+v, want %g", c.name, got[0], c.want)
		}
	}
}
