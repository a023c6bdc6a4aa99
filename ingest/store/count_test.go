package store_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ashlamp/ingest"
	"ashlamp/rules/telemetry"
)

type fataler interface {
	Helper()
	Fatal(...any)
}

// TestCountIsWhatAllHandsOut: over any span, with minutes that are sealed and minutes
// that are not.
func TestCountIsWhatAllHandsOut(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "ashlamp.db"))
	start := time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)
	add := func(engine string, ch telemetry.Channel, from time.Duration, n int, every time.Duration) {
		t.Helper()
		b := ingest.Batch{Engine: engine, Node: "box", Received: start.Add(from + time.Duration(n)*every)}
		for i := range n {
			b.Samples = append(b.Samples, telemetry.Sample{Channel: ch, At: start.Add(from + time.Duration(i)*every), Value: float64(i), Quality: telemetry.Good})
		}
		if _, err := s.Append(t.Context(), []ingest.Batch{b}); err != nil {
			t.Fatal(err)
		}
	}
	add("quillet", "firebox", 0, 4000, time.Second)
	add("quillet", "boiler.pressure", 7*time.Minute, 900, 700*time.Millisecond)
	add("", "ambient.temperature", 0, 70, time.Minute)
	add("marrow", "firebox", 0, 100, time.Second)
	// The newest minutes are not sealed yet: settling takes longer than what was received.
	count := func(t fataler, engine string, from, to time.Time) (counted, handed int64) {
		t.Helper()
		counted, err := s.Count(context.Background(), engine, from, to)
		if err != nil {
			t.Fatal(err)
		}
		for _, err := range s.All(context.Background(), engine, from, to) {
			if err != nil {
				t.Fatal(err)
			}
			handed++
		}
		return counted, handed
	}
	if n, m := count(t, "quillet", time.Time{}, time.Time{}); n != 4970 || m != 4970 {
		t.Errorf("without an end %d are counted and %d handed out, want 4970", n, m)
	}
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Int64Range(-100e6, 4200e6)
		from := start.Add(time.Duration(at.Draw(t, "from µs")) * time.Microsecond)
		to := start.Add(time.Duration(at.Draw(t, "to µs")) * time.Microsecond)
		engine := rapid.SampledFrom([]string{"quillet", "marrow", "", "penny"}).Draw(t, "engine")
		if n, m := count(t, engine, from, to); n != m {
			t.Fatalf("%q from %s to %s: %d are counted and %d handed out", engine, from, to, n, m)
		}
	})
}
