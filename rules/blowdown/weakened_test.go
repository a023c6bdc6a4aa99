package blowdown_test

import (
	"testing"

	"ashlamp/rules/blowdown"
	"ashlamp/rules/track"
)

// TestOnlyAGlassSeenToFallIsWaterThatLeaves: beside a hot pipe a glass that trembles,
// or shrinks as its water cools, has not begun to run out.
func TestOnlyAGlassSeenToFallIsWaterThatLeaves(t *testing.T) {
	const u = 0.02
	for _, tt := range []struct {
		fall float64
		want bool
	}{{0.05, false}, {blowdown.SeenFall, false}, {blowdown.SeenFall + u - 0.001, false}, {blowdown.SeenFall + u + 0.001, true}} {
		r := blowdown.New(blowdown.Boiler{VolumeL: 400, BoreMM: 18, UPipe: 2.5, ULevel: u, PipeFreshS: 60, LevelFreshS: 60})
		at := track.Instant(1e15)
		level := 0.8
		for i := range 25 {
			if i == 10 {
				level -= tt.fall
			}
			at = at.Add(5)
			r.Pipe(at, 101, 99.9, 3e5, 101325)
			r.Level(at, level)
		}
		if _, began := r.Began(); began != tt.want {
			t.Errorf("a glass of ±%.2f that fell by %.3f beside a hot pipe: begun to run out %v, want %v", u, tt.fall, began, tt.want)
		}
	}
}
