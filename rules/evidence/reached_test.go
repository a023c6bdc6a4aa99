package evidence

import (
	"math"
	"testing"
	"time"

	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// TestWhatIsForetoldIsWhatIsProven: a reading at what forecasts tell the time of is just
// inside the limit that proves, and one a hair over it is not.
func TestWhatIsForetoldIsWhatIsProven(t *testing.T) {
	e := engine.Engine{
		ID: "quillet", WorkingPressure: 10, BoilerVolume: 400, BlowDownPipe: true, LayUp: telemetry.Dry,
		EmptiedBy: engine.Cold, Altitude: 180, Limits: limit.Defaults(10, 400), Channels: map[telemetry.Channel]engine.Channel{},
	}
	for _, c := range []telemetry.Channel{telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.Firebox, telemetry.Smokebox, telemetry.AmbientTemp, telemetry.AmbientPressure} {
		e.Channels[c] = engine.Channel{ID: c, Uncertainty: engine.DefaultUncertainty(c, 16e5), Low: math.NaN(), High: math.NaN()}
	}
	k, err := NewKnown(e)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2031, 5, 4, 18, 0, 0, 0, time.UTC)
	now := track.Of(at)
	for c, v := range map[telemetry.Channel]float64{telemetry.AmbientTemp: 11, telemetry.AmbientPressure: 99200} {
		k.Add(telemetry.Sample{Channel: c, At: at, Value: v, Quality: telemetry.Good})
	}
	l := k.ToReach(now)
	if !(l.FireboxC < 100) || !(l.ShellC < 96.5) || !(l.ZeroPa > 0 && l.ZeroPa <= 10000) {
		t.Fatalf("%+v: the uncertainties are not counted", l)
	}
	for _, tt := range []struct {
		name   string
		inside func(v float64) bool
		v      float64
	}{
		{"firebox", func(v float64) bool { return v+k.firebox.u(v) < k.fireboxToHouse() }, l.FireboxC},
		{"smokebox", func(v float64) bool { return v+k.smokebox.u(v) < k.smokeboxToHouse() }, l.SmokeboxC},
		{"shell", func(v float64) bool { return k.belowBoiling(k.shells[0].sensor, v, now) }, l.ShellC},
		{"pressure", func(v float64) bool { return k.insideZero(k.pressure, v, now) }, l.ZeroPa},
	} {
		if hair := 1e-3 * math.Max(1, tt.v/1000); !tt.inside(tt.v-hair) || tt.inside(tt.v+hair) {
			t.Errorf("%s: foretold to %g; a hair under it proves %v, a hair over it %v", tt.name, tt.v, tt.inside(tt.v-hair), tt.inside(tt.v+hair))
		}
	}
}
