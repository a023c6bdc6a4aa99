package main

import (
	"slices"
	"testing"
	"time"

	"ashlamp/daemon/stage"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/node"
)

// TestTheDemonstrationPlaysBothEngines: as the demonstration sets them, one over MQTT
// and one through the bus, on one clock, as fast as it goes: each step of both is
// proven, in working order, unattended.
func TestTheDemonstrationPlaysBothEngines(t *testing.T) {
	t.Parallel()
	engines := stage.Example(1, "")
	engines[0].Intervals = node.Intervals{Pressure: 5 * time.Second, Temperature: 10 * time.Second, Tank: 30 * time.Second, Shed: time.Minute}
	p := prepare(t, shed(t, "", true), stage.Options{Engines: engines, Linger: time.Minute})
	begun := time.Now()
	p.run(t)
	t.Logf("%s of the engines' time in %s", p.clock.Now().Sub(recordedAt).Round(time.Minute), time.Since(begun).Round(100*time.Millisecond))
	want := []string{"drop-fire", "move-under-steam", "blow-down", "plugs-out", "house"}
	for _, engine := range []string{"quillet", "marrow"} {
		var got []string
		first := map[string]verdict.Verdict{}
		for _, c := range verdicts(t, p.data, engine) {
			if _, ok := first[c.Step]; !ok {
				first[c.Step] = c.Verdict
			}
			if c.Verdict == verdict.Proven && slices.Contains(want, c.Step) && !slices.Contains(got, c.Step) {
				got = append(got, c.Step)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: steps were proven in the order %v, want %v", engine, got, want)
		}
		for _, step := range want {
			if v, ok := first[step]; !ok || v == verdict.Proven {
				t.Errorf("%s: %s began as %s", engine, step, v)
			}
		}
	}
}
