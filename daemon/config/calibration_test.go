package config

import (
	"math"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/telemetry"
)

const calibrated = `[shed]
id = "pit"
[[bus]]
name = "board"
[[engine]]
id = "quillet"
working_pressure_bar = 10
boiler_volume_l = 400
[[engine.channel]]
id = "boiler.pressure"
range = ["0 bar", "16 bar"]
[engine.channel.calibration]
at = 2031-05-04T11:00:00+01:00
by = "R. Penhalow"
reference = "test gauge 7"
points = [
  { reading = "0.04 bar", reference = "0 bar", uncertainty = "0.002 bar" },
  { reading = "12.08 bar", reference = 12e5, uncertainty = "0.1 bar", at = 2031-05-04T09:58:00Z },
]
`

func TestCalibrationIsFittedFromItsPoints(t *testing.T) {
	c, err := Parse("shed.toml", []byte(calibrated))
	if err != nil {
		t.Fatal(err)
	}
	k, ok := c.Calibration("quillet", telemetry.BoilerPressure)
	if !ok || k.By != "R. Penhalow" || k.Reference != "test gauge 7" || !k.At.Equal(time.Date(2031, 5, 4, 10, 0, 0, 0, time.UTC)) || len(k.Points) != 2 {
		t.Fatalf("calibration %+v", k)
	}
	if got := k.Line.Apply(0.04e5); math.Abs(got) > 1e-6 {
		t.Errorf("at the first point it gives %g Pa, want 0", got)
	}
	if got := k.Line.Apply(12.08e5); math.Abs(got-12e5) > 1e-6 {
		t.Errorf("at the second point it gives %g Pa, want 12 bar", got)
	}
	// At zero it is as good as zero was known, whatever the gauge is worth at 12 bar.
	if x, ok := k.Zero(); !ok || math.Abs(k.Expanded(x)-200) > 1 || math.Abs(k.Decides()-200) > 1 {
		t.Errorf("at zero: reading %g, uncertainty %g, want 200 Pa", x, k.Expanded(x))
	}
	if _, ok := c.Calibration("", telemetry.BoilerPressure); ok {
		t.Error("the shed has the engine's calibration")
	}
}

func TestCalibrationsThatCannotBe(t *testing.T) {
	for _, tt := range []struct{ name, from, to, want string }{
		{"no time", "at = 2031-05-04T11:00:00+01:00\n", "", "does not say when it was made"},
		{"nobody", `by = "R. Penhalow"`, `by = " "`, "does not say who made it"},
		{"no range", `range = ["0 bar", "16 bar"]`, "", "a calibration needs range"},
		{"a point without reading", `reading = "0.04 bar", `, "", "point 1 of the calibration has no reading"},
		{"another unit", `"12.08 bar"`, `"12.08 K"`, `unit "K" of "12.08 K" does not fit`},
		{"too close", `"12.08 bar", reference = 12e5`, `"2 bar", reference = 2e5`, "cover 12.2 % of the span"},
		{"far off", `reference = "0 bar"`, `reference = "2 bar"`, "more than 10 %"},
		{"nan", `reading = "0.04 bar"`, `reading = nan`, "is no finite number"},
		{"stated finer than it is", `range = ["0 bar", "16 bar"]`, "range = [0, 16e5]\nuncertainty = 100", "is less than its calibration's own"},
		{"unknown key", `by = "R`, "best = 1\nby = \"R", "is not known"},
		{"of a couple", `id = "boiler.pressure"`, "id = \"firebox\"\nwired = { bus = \"board\", chip = \"mcp9601\", address = 0x60 }", "neither zero nor span"},
	} {
		text := strings.Replace(calibrated, tt.from, tt.to, 1)
		if tt.name == "of a couple" {
			text = strings.NewReplacer(`["0 bar", "16 bar"]`, "[0, 16]", " bar\"", "\"", "12e5", "12").Replace(text)
		}
		c, err := Parse("shed.toml", []byte(text))
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "shed.toml:") {
			t.Errorf("%s: %v, want %q with its line (%+v)", tt.name, err, tt.want, c.Calibrations)
		}
	}
}

func TestUnfinishedIsNotWrong(t *testing.T) {
	for text, want := range map[string]bool{
		"": true, "[shed]\nid = \"pit\"\n": true, "[shed]\nid = \"The Pit\"\n": false, "[shed]\nidd = \"pit\"\n": false,
	} {
		_, err := Parse("shed.toml", []byte(text))
		faults, ok := err.(Faults)
		if !ok || faults.Unfinished() != want {
			t.Errorf("%q: %v, unfinished want %v", text, err, want)
		}
	}
}
