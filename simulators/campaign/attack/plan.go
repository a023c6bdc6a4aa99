package attack

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// Shares of the disposals that are drawn without a fault and with one; the rest
// have two. Restful is the share of engines that keep their water.
const (
	shareSound  = 0.10
	shareSingle = 0.60
	restful     = 0.05
)

// Plan is one disposal before it is played.
type Plan struct {
	// Seed and K tell it from all others.
	Seed uint64
	K    int
	// Faults are sorted names; none, one or two.
	Faults []string
	Engine world.Engine
	// Intervals are how often instruments are read until the boiler is empty or left;
	// Quiet, from then on, and what the engine's declaration states.
	Intervals, Quiet node.Intervals
	// Patient is that the evening is watched to its end whatever fault there is, not
	// only until the engine could be housed.
	Patient bool
	// WorldSeed decides the noise, and the moments and sizes of faults.
	WorldSeed uint64
}

// Kind is the plan's faults in one word, "none" without.
func (p *Plan) Kind() string {
	if len(p.Faults) == 0 {
		return "none"
	}
	return strings.Join(p.Faults, " + ")
}

// Draw draws disposal k of a seed. Faults are drawn from those given. It fails only
// where the engine cannot be made.
func Draw(seed uint64, k int, faults []string) (Plan, error) {
	rng := rand.New(rand.NewPCG(seed, uint64(k)))
	p := Plan{Seed: seed, K: k, WorldSeed: rng.Uint64()}
	if u := rng.Float64(); u >= shareSound && len(faults) > 0 {
		p.Faults = append(p.Faults, faults[rng.IntN(len(faults))])
		if u >= shareSound+shareSingle && len(faults) > 1 {
			i := rng.IntN(len(faults) - 1)
			if faults[i] == p.Faults[0] {
				i = len(faults) - 1
			}
			p.Faults = append(p.Faults, faults[i])
		}
		slices.Sort(p.Faults)
	}
	e, err := world.Draw(rng)
	if err != nil {
		return Plan{}, fmt.Errorf("disposal %d of seed %d: %w", k, seed, err)
	}
	if rng.Float64() < restful {
		e.Plan.LayUp = telemetry.Short
	}
	// Where a step ought to be proven, long enough for it to count as never proven; else
	// a crew that stands before a lamp that stays dark goes on sooner.
	p.Patient = rng.Float64() < 0.25
	impatience := rng.Float64()
	e.Manner.Patience = 600 + 1200*impatience
	if len(p.Faults) == 0 || len(p.Faults) == 1 && intact(p.Faults[0]) {
		p.Patient = true
		e.Manner.Patience = holdMost + NeverS + 1800*impatience
	}
	e.Manner.GoesOn = true
	if !e.Manner.Careless && !e.Manner.Hasty {
		e.Manner.PipeFall = readyPipeK + 2
	}
	p.Engine = e
	// What nodes are set to: temperatures with every pressure or every second.
	pressure := []int{5, 10, 10, 10, 15, 15, 15, 15, 15, 15, 15, 15}[rng.IntN(12)]
	temperature := pressure * (1 + rng.IntN(2))
	// What runs out quickly is read often enough to be seen at it.
	switch s := emptiesS(&e); {
	case s < quickS/2:
		pressure, temperature = 2, 5
	case s < quickS:
		pressure, temperature = 5, 10
	default:
		temperature = max(temperature, 10)
	}
	p.Intervals = node.Intervals{
		Pressure: time.Duration(pressure) * time.Second, Temperature: time.Duration(temperature) * time.Second,
		Tank: time.Minute, Shed: 5 * time.Minute,
	}
	p.Quiet = p.Intervals
	p.Quiet.Pressure, p.Quiet.Temperature = 15*time.Second, 30*time.Second
	return p, nil
}

// quickS is the time to run empty in s under which a boiler is read more often.
const quickS = 240

// emptiesS is about how long a boiler two thirds full takes to run out of its cocks,
// s: by a flux of 4000 kg/(m2 s), that of water flashing from 2 to 3 bar.
func emptiesS(e *world.Engine) float64 {
	area := 0.0
	for _, bore := range e.Boiler.Cocks {
		area += math.Pi / 4 * bore * bore
	}
	return 620 * e.Boiler.Volume / (4000 * area * e.Boiler.CockFactor)
}

// Faults returns the faults that a campaign draws from, sorted.
func Faults() []string { return world.Faults() }
