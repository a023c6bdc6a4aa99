package health_test

import (
	"testing"

	"ashlamp/rules/health"
	"ashlamp/rules/telemetry"
)

// TestANodeThatRepeatsItselfProvesNothing: what all its channels say again and again,
// with something hot among them, is doubted, each of them, until one moves.
func TestANodeThatRepeatsItselfProvesNothing(t *testing.T) {
	ids := []telemetry.Channel{telemetry.BlowdownPipe, telemetry.TankLeft, telemetry.TankRight}
	m := monitor(t, ids...)
	pack := func(s, moved float64) (doubted int) {
		for i, id := range ids {
			if add(m, id, s, []float64{90 + moved, 0.4, 0.5}[i]).Quality != telemetry.Good {
				doubted++
			}
		}
		return doubted
	}
	for s := 0.0; s < health.NodeSameS; s += 10 {
		if n := pack(s, 0); n != 0 {
			t.Fatalf("after %.0f s %d channels are doubted, want none before %d s", s, n, health.NodeSameS)
		}
	}
	pack(health.NodeSameS, 0)
	if n := pack(health.NodeSameS+10, 0); n != len(ids) {
		t.Errorf("after %d s %d channels are doubted, want all %d; %s", health.NodeSameS+10, n, len(ids), kinds(m, health.NodeSameS+10))
	}
	pack(health.NodeSameS+20, 1)
	if n := pack(health.NodeSameS+30, 1); n != 0 {
		t.Errorf("after one moved %d channels are doubted, want none", n)
	}
}

// TestACoupleOffTheShellProvesNoColdShell: one that falls towards the air while its
// neighbour does not is doubted before it is below boiling.
func TestACoupleOffTheShellProvesNoColdShell(t *testing.T) {
	m := monitor(t, telemetry.ShellTop, telemetry.ShellBottom, telemetry.AmbientTemp)
	for s := 0.0; s <= 900; s += 5 {
		top := 130.0
		if s > 600 {
			top = 130 - (s-600)/5 // 60 K in 5 min
		}
		add(m, telemetry.AmbientTemp, s, 15)
		add(m, telemetry.ShellBottom, s, 130-s/600)
		if got := add(m, telemetry.ShellTop, s, top); top < 97 && got.Quality == telemetry.Good {
			t.Fatalf("a couple that fell from 130 to %.0f °C in %.0f s is good, its neighbour at %.0f; %s", top, s-600, 130-s/600, kinds(m, s))
		}
	}
}

// TestAReadingNoisierThanItIsStatedProvesNothing: its uncertainty is not what it says.
func TestAReadingNoisierThanItIsStatedProvesNothing(t *testing.T) {
	m := monitor(t, telemetry.TankLeft) // ±0.015
	var last telemetry.Sample
	for i := range 200 {
		last = add(m, telemetry.TankLeft, float64(5*i), 0.4+[]float64{0.03, -0.02, -0.03, 0.025, 0}[i%5])
	}
	if last.Quality != telemetry.Uncertain {
		t.Errorf("scattered by ±0.03 of a tank stated to ±0.015: %s, want uncertain; %s", last.Quality, kinds(m, 1000))
	}
}

// TestATransducerThatReadsZeroOverSteamProvesNothing: shells that agree outvote it.
func TestATransducerThatReadsZeroOverSteamProvesNothing(t *testing.T) {
	m := monitor(t, telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.BoilerLevel, telemetry.AmbientTemp)
	var last telemetry.Sample
	for s := 0.0; s <= 600; s += 5 {
		shell := 150 - s/200 // about 3.7 bar
		add(m, telemetry.AmbientTemp, s, 15)
		add(m, telemetry.BoilerLevel, s, 0.7+s*1e-6)
		add(m, telemetry.ShellTop, s, shell)
		add(m, telemetry.ShellBottom, s, shell-0.5)
		last = add(m, telemetry.BoilerPressure, s, s/10)
	}
	if last.Quality != telemetry.Uncertain {
		t.Errorf("%.0f Pa over a shell of 147 °C: %s, want uncertain; %s", last.Value, last.Quality, kinds(m, 600))
	}
}
