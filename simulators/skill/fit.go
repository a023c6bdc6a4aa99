package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"sync"

	"gonum.org/v1/gonum/optimize"

	"ashlamp/rules/forecast"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/skill/evening"
)

// apartSeed keeps the evenings that intervals are fitted to from those that the skill is
// told by, whatever the seed.
const apartSeed = 1 << 40

// perStretch is how many forecasts of one target a stretch may give: those of one evening
// say nearly the same.
const perStretch = 12

// miss is by how much one forecast was out: in the logarithm of the remaining time, with
// the spread of the belief and the remaining time in s that it gave.
type miss struct{ off, spread, left float64 }

type place struct {
	way    string
	target forecast.Target
}

// fit plays evenings apart and prints what the model's own misfit must be for the
// intervals to hold four times in five: the least pinball loss of the 0.8 quantile of
// the absolute error (R. Koenker and G. Bassett, Regression quantiles, Econometrica 46
// (1978) 33-50).
func fit(ctx context.Context, n, workers int, seed uint64, shut float64, props *boiler.Properties, out io.Writer) error {
	all := map[place][]miss{}
	var mu sync.Mutex
	err := each(n, workers, func(k int) error {
		p, err := evening.Draw(seed+apartSeed, k, 0, isShut(k, shut))
		if err != nil {
			return err
		}
		r, err := evening.Play(ctx, p, props, forecast.Unseen(p.Engine.Boiler.Volume*1000))
		if err != nil {
			return fmt.Errorf("engine %d: %w", k, err)
		}
		mu.Lock()
		defer mu.Unlock()
		gather(all, &r)
		return nil
	})
	if err != nil {
		return err
	}
	for _, way := range []string{"wet", "runs", "dry"} {
		for _, t := range forecast.Targets() {
			m := all[place{way, t}]
			if len(m) < 50 {
				continue
			}
			x, held := least(m)
			fmt.Fprintf(out, "%-5s %-14s {%.2f, %.3f, %.0f}  %d forecasts, held %.1f %%\n", way, t, x[0], x[1], x[2], len(m), 100*held)
		}
	}
	return nil
}

func gather(to map[place][]miss, r *evening.Result) {
	for i := range r.Stretches {
		s := &r.Stretches[i]
		for target, at := range s.Reached {
			var told []evening.Made
			for _, m := range s.Made {
				if m.Target == target && m.Assuming == forecast.AsIs && m.Told && at-m.At > 20 && m.ETA > m.At {
					told = append(told, m)
				}
			}
			step := max(1, len(told)/perStretch)
			for k := 0; k < len(told); k += step {
				m := told[k]
				p := place{m.Way, target}
				to[p] = append(to[p], miss{math.Abs(math.Log((at - m.At) / (m.ETA - m.At))), m.Spread, m.ETA - m.At})
			}
		}
	}
}

// least returns the misfit of least loss, and how often the interval then holds.
func least(m []miss) (x [3]float64, held float64) {
	const tau = 0.8
	width := func(z []float64, k miss) float64 {
		return forecast.Q90 * math.Sqrt(math.Pow(math.Exp(z[0])*k.spread, 2)+math.Exp(2*z[1])+math.Pow(math.Exp(z[2])/k.left, 2))
	}
	loss := func(z []float64) float64 {
		sum := 0.0
		for _, k := range m {
			d := k.off - width(z, k)
			if d > 0 {
				sum += tau * d
			} else {
				sum -= (1 - tau) * d
			}
		}
		return sum / float64(len(m))
	}
	r, err := optimize.Minimize(optimize.Problem{Func: loss}, []float64{math.Log(0.7), math.Log(0.02), math.Log(20)}, nil, &optimize.NelderMead{})
	if err != nil && r == nil {
		return x, math.NaN()
	}
	for _, k := range m {
		if k.off <= width(r.X, k) {
			held++
		}
	}
	for i := range x {
		x[i] = math.Exp(r.X[i])
	}
	return x, held / float64(len(m))
}
