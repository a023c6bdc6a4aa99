package track_test

import (
	"testing"
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// TestOnlyAGoodSampleCounts: one that is doubted or bad is no value, and holds nothing,
// whatever its number.
func TestOnlyAGoodSampleCounts(t *testing.T) {
	for _, tt := range []struct {
		quality telemetry.Quality
		want    bool
	}{{telemetry.Good, true}, {telemetry.Uncertain, false}, {telemetry.Bad, false}} {
		tr := track.New(telemetry.BoilerPressure, 15)
		h := tr.Hold(func(track.Instant, float64) bool { return true })
		at := time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)
		for range 3 {
			at = at.Add(5 * time.Second)
			tr.Add(telemetry.Sample{Channel: telemetry.BoilerPressure, At: at, Value: 0, Quality: tt.quality})
		}
		_, fresh := tr.Fresh(track.Of(at))
		_, held := h.Held(track.Of(at))
		if fresh != tt.want || held != tt.want {
			t.Errorf("three %s samples: fresh %v, held %v; want %v", tt.quality, fresh, held, tt.want)
		}
	}
}
