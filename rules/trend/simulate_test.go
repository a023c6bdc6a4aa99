package trend_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ashlamp/rules/cooldown"
	"ashlamp/rules/trend"
)

var first = time.Date(2029, 3, 1, 18, 0, 0, 0, time.UTC)

// evenings makes summaries three weeks apart whose heat loss is as given.
func evenings(losses []float64) []cooldown.Summary {
	out := make([]cooldown.Summary, len(losses))
	for i, v := range losses {
		out[i] = cooldown.Summary{
			Engine: "quillet", Begun: first.AddDate(0, 0, 21*i), HeatLoss: &cooldown.Rate{Value: v},
		}
	}
	return out
}

// scattered are so many evenings about a level: scatter is the relative standard
// deviation from evening to evening, hangs their lag-1 correlation.
func scattered(rng *rand.Rand, n int, level, scatter, hangs float64) []float64 {
	out := make([]float64, n)
	e := rng.NormFloat64()
	for i := range out {
		out[i] = level * (1 + scatter*e)
		e = hangs*e + math.Sqrt(1-hangs*hangs)*rng.NormFloat64()
	}
	return out
}

// TestFalseAlarms: of engines that never change, each looked at after every evening for
// sixty evenings, in fewer than one in twenty is there ever anything told.
func TestFalseAlarms(t *testing.T) {
	const engines = 2000
	for _, tt := range []struct{ scatter, hangs, most float64 }{
		{0.05, 0, 0.05}, {0.10, 0, 0.05}, {0.20, 0, 0.05},
		// Evenings that hang together are not what the tests take them to be: this says how
		// much that costs.
		{0.10, 0.2, 0.10},
	} {
		rng := rand.New(rand.NewPCG(3, 9))
		ever := 0
		for range engines {
			// The search goes through the evenings as they came.
			if _, found := trend.Find(evenings(scattered(rng, trend.Newest, 0.04, tt.scatter, tt.hangs)), nil); len(found) > 0 {
				ever++
			}
		}
		share := float64(ever) / engines
		t.Logf("scatter %.0f %%, correlation %.1f: something is told of %.1f %% of engines", 100*tt.scatter, tt.hangs, 100*share)
		if share >= tt.most {
			t.Errorf("scatter %.0f %%, correlation %.1f: something is told of %.1f %% of engines that never changed, want under %.0f %%",
				100*tt.scatter, tt.hangs, 100*share, 100*tt.most)
		}
	}
}

// TestDetection: a step of a quarter between ten evenings and ten is found.
func TestDetection(t *testing.T) {
	const engines = 2000
	for _, tt := range []struct{ scatter, least float64 }{{0.05, 0.99}, {0.08, 0.90}, {0.10, 0.75}} {
		rng := rand.New(rand.NewPCG(5, 7))
		found, near := 0, 0
		for range engines {
			x := append(scattered(rng, 10, 0.040, tt.scatter, 0), scattered(rng, 10, 0.050, tt.scatter, 0)...)
			_, f := trend.Find(evenings(x), nil)
			if len(f) > 0 {
				found++
				if f[0].Kind == trend.Step && f[0].EveningsBefore >= 8 && f[0].EveningsBefore <= 12 {
					near++
				}
			}
		}
		share := float64(found) / engines
		t.Logf("scatter %.0f %%: found in %.1f %%, within two evenings of where it was in %.1f %%", 100*tt.scatter, 100*share, 100*float64(near)/engines)
		if share < tt.least {
			t.Errorf("scatter %.0f %%: a step of 25 %% over 10 and 10 evenings is found in %.1f %%, want %.0f %%", 100*tt.scatter, 100*share, 100*tt.least)
		}
	}
}
