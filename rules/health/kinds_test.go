package health

import (
	"testing"

	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
)

func TestEveryKindIsDeclaredOnce(t *testing.T) {
	seen := map[Kind]int{}
	for _, d := range Kinds() {
		seen[d.Kind]++
		if d.Title == "" || d.Means == "" || d.Effect == "" || d.Ends == "" {
			t.Errorf("%s: title, meaning, effect or end is missing: %+v", d.Kind, d)
		}
		if saysDoubt := d.Effect == doubtful || d.Kind == NodeFrozen; saysDoubt != d.Kind.doubts() {
			t.Errorf("%s: the effect says %q, and the judgement doubts every sample: %v", d.Kind, d.Effect, d.Kind.doubts())
		}
		for _, f := range d.Figures {
			if !(f.Value > 0) || f.Meaning == "" || f.Source == "" {
				t.Errorf("%s: figure %+v has no value, meaning or source", d.Kind, f)
			}
		}
	}
	for k := Sound + 1; k < kinds; k++ {
		if seen[k] != 1 {
			t.Errorf("%s is declared %d times, want once: add it to Kinds", k, seen[k])
		}
	}
	if seen[Sound] != 0 {
		t.Error("sound is declared, and it is no finding")
	}
}

func TestBoundsAreThoseTheJudgementUses(t *testing.T) {
	e := engine.Engine{Channels: map[telemetry.Channel]engine.Channel{
		telemetry.BoilerPressure: {ID: telemetry.BoilerPressure, Uncertainty: 4000, Low: 0, High: 1.6e6},
	}}
	for _, c := range []struct {
		id   telemetry.Channel
		want Bounds
	}{
		{telemetry.BoilerPressure, Bounds{-4000, 1.604e6, 0.3e5, 1.5e5}},
		{telemetry.BoilerLevel, Bounds{-0.2, 1.2, 0.08, 0.08}},
	} {
		if got := BoundsOf(e, c.id); got != c.want {
			t.Errorf("%s: got %+v, want %+v", c.id, got, c.want)
		}
	}
}
