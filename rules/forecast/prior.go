package forecast

import (
	"fmt"
	"math"

	"ashlamp/rules/track"
)

// Learned is what is known of an engine before an evening: a mean and a covariance of
// what it is like. Make it with [Unseen]; [Estimator.Learned] gives that of after an
// evening. It can be kept as JSON.
type Learned struct {
	// Evenings is how many disposals it was learned from; Until when the newest of them
	// had ended.
	Evenings int           `json:"evenings"`
	Until    track.Instant `json:"until"`
	// Mean and Covariance are of the places from the first that is no temperature, the
	// latter by rows.
	Mean       []float64 `json:"mean"`
	Covariance []float64 `json:"covariance"`
	// Emptying is the natural logarithm of what the cocks pass over what is reckoned,
	// and its variance.
	Emptying         float64 `json:"emptying"`
	EmptyingVariance float64 `json:"emptying_variance"`
	// Amiss is by how much its forecasts came out amiss, by how it stood and target, as
	// "wet pressure-zero".
	Amiss map[string]*Amiss `json:"amiss,omitempty"`
}

func lessonKey(w way, t Target) string { return ways[w] + " " + string(t) }

// after returns what was learned with the errors of one evening more.
func (l Learned) after(key string, mean [buckets]float64) Learned {
	all := make(map[string]*Amiss, len(l.Amiss)+1)
	for k, a := range l.Amiss {
		c := *a
		all[k] = &c
	}
	if all[key] == nil {
		all[key] = &Amiss{}
	}
	all[key].add(mean)
	l.Amiss = all
	return l
}

// Check returns what is wrong with it, as after it was kept by another version.
func (l Learned) Check() error {
	n := size - temperatures
	if len(l.Mean) != n || len(l.Covariance) != n*n {
		return fmt.Errorf("what was learned of the engine has %d figures and %d of their spread, want %d and %d; it is learned anew", len(l.Mean), len(l.Covariance), n, n*n)
	}
	for i := range n {
		if v := l.Covariance[i*n+i]; !(v > 0) || math.IsInf(v, 0) || math.IsNaN(l.Mean[i]) || math.IsInf(l.Mean[i], 0) {
			return fmt.Errorf("figure %d of what was learned of the engine is %g with variance %g; it is learned anew", i, l.Mean[i], v)
		}
	}
	if !(l.EmptyingVariance > 0) || math.IsNaN(l.Emptying) {
		return fmt.Errorf("what was learned of its cocks is %g with variance %g; it is learned anew", l.Emptying, l.EmptyingVariance)
	}
	for key, a := range l.Amiss {
		if a == nil {
			return fmt.Errorf("what was learned of the forecasts %q is empty; it is learned anew", key)
		}
		for i := range a.Mean {
			if !(math.Abs(a.Mean[i]) < 3) || !(a.N[i] >= 0) || math.IsInf(a.N[i], 0) {
				return fmt.Errorf("what was learned of the forecasts %q is %g over %g evenings; it is learned anew", key, a.Mean[i], a.N[i])
			}
		}
	}
	return nil
}

// prior is one line of what is believed of an engine that nobody has seen cool: the
// mean and standard deviation in the units of the state, and the standard deviation by
// which one evening differs from the next.
type prior struct{ mean, sd, evening float64 }

// unseen is what an engine of a boiler volume in litres is taken for. The rates are
// those of simulated engines of 40 to 2,000 l (common practice, no source); surfaces go
// with the volume to 2/3 and heat capacities with the volume, so that rates go with its
// power -1/3.
func unseen(litres float64) [size]prior {
	rate := -math.Log(litres/400) / 3
	var p [size]prior
	p[iLnWet] = prior{math.Log(1.0e-5) + rate, 0.35, 0.03}
	p[iLnDry] = prior{math.Log(9.5e-5) + rate, 0.40, 0.05}
	p[iLnRadiate] = prior{math.Log(2.6e-4) + rate, 0.35, 0.05}
	p[iLnBrick] = prior{math.Log(0.028), 0.35, 0.06}
	p[iLnDraught] = prior{math.Log(6e-5) + rate, 0.60, 0.15}
	p[iSees] = prior{0.46, 0.05, 0.01}
	p[iLnSmoke] = prior{math.Log(420), 0.35, 0.05}
	p[iMixed] = prior{0.45, 0.10, 0.03}
	p[iAir] = prior{0, 0.7, 0.5}
	p[iLnAlong] = prior{math.Log(6e-4) + rate, 0.35, 0.05}
	p[iLnEmpty] = prior{math.Log(0.18), 0.15, 0.05}
	p[iCouple] = prior{0, 1.2, 0.3}
	return p
}

// Unseen returns what is believed of an engine of a boiler volume in litres of which no
// evening has been seen.
func Unseen(litres float64) Learned {
	n := size - temperatures
	l := Learned{Mean: make([]float64, n), Covariance: make([]float64, n*n), Emptying: 0.25, EmptyingVariance: 0.2 * 0.2}
	for i, p := range unseen(litres) {
		if i >= temperatures {
			k := i - temperatures
			l.Mean[k], l.Covariance[k*n+k] = p.mean, p.sd*p.sd
		}
	}
	return l
}
