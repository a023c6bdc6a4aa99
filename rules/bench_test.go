package rules_test

import (
	"testing"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/telemetry"
)

// BenchmarkJudge is one pack of twelve channels judged, all steps and evidence.
func BenchmarkJudge(b *testing.B) {
	j, err := rules.New(quillet())
	if err != nil {
		b.Fatal(err)
	}
	now := start
	pack := make([]telemetry.Sample, 0, 12)
	b.ReportAllocs()
	for b.Loop() {
		now = now.Add(5 * time.Second)
		pack = pack[:0]
		for _, r := range []struct {
			c telemetry.Channel
			v float64
		}{
			{telemetry.BoilerPressure, 5.5e5}, {telemetry.ShellTop, 162}, {telemetry.ShellBottom, 161},
			{telemetry.BoilerLevel, 0.7}, {telemetry.Firebox, 900}, {telemetry.Smokebox, 290},
			{telemetry.BlowdownPipe, 30}, {telemetry.TankLeft, 0.4}, {telemetry.TankRight, 0.4},
			{telemetry.AmbientTemp, 15}, {telemetry.AmbientPressure, 101325}, {telemetry.AmbientCO, 2e-6},
		} {
			// A real instrument trembles.
			tremble := 1 + 1e-6*float64(now.Unix()%7)
			pack = append(pack, telemetry.Sample{Channel: r.c, At: now, Value: r.v * tremble, Quality: telemetry.Good})
		}
		j.Samples(now, pack)
	}
	b.ReportMetric(float64(12*b.N)/b.Elapsed().Seconds(), "samples/s")
}

// BenchmarkState is every sentence of every step formed once, as for a page.
func BenchmarkState(b *testing.B) {
	j, err := rules.New(quillet())
	if err != nil {
		b.Fatal(err)
	}
	j.Samples(start, []telemetry.Sample{{Channel: telemetry.BoilerPressure, At: start, Value: 5.5e5, Quality: telemetry.Good}})
	b.ReportAllocs()
	for b.Loop() {
		j.State()
	}
}
