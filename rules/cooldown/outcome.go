package cooldown

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"
)

const (
	// keptForecasts is how many forecasts of one target are kept until it is reached.
	keptForecasts = 32
	// keptTargets is of how many targets, each with what people were taken to do.
	keptTargets = 16
	// forecastSpacing is the shortest time between two that are kept; it doubles as
	// often as memory asks for it. Common practice, no source.
	forecastSpacing = time.Minute
)

// leads are the parts of the whole lead at which an outcome is given: the first, and
// half, a quarter and an eighth of the way before it came.
var leads = [...]float64{1, 0.5, 0.25, 0.125}

// Forecast is what was foretold of one target, as it is told to a [Recorder].
type Forecast struct {
	// Target is the forecast's id, Assuming what people are taken to do.
	Target, Assuming string
	// MadeAt is when it was made, Eta the median; Lo and Hi the ends of the interval,
	// zero where there is none.
	MadeAt, Eta, Lo, Hi time.Time
}

// promises are the forecasts of one target that is not reached yet.
type promises struct {
	target, assuming string
	list             [keptForecasts]Forecast
	n                int
	spacing          time.Duration
}

func (p *promises) add(f Forecast) {
	if p.n > 0 && f.MadeAt.Sub(p.list[p.n-1].MadeAt) < p.spacing {
		return
	}
	if p.n == keptForecasts {
		// Every other one goes, and from now on they come half as often: the first stays.
		for i := range keptForecasts / 2 {
			p.list[i] = p.list[2*i]
		}
		p.n, p.spacing = keptForecasts/2, 2*p.spacing
	}
	p.list[p.n] = f
	p.n++
}

// outcomes returns what came of them, at most one for each of the leads.
func (p *promises) outcomes(reached time.Time) []Outcome {
	var out []Outcome
	taken := map[int]bool{}
	var whole float64
	for _, lead := range leads {
		best, by := -1, math.Inf(1)
		for i := range p.list[:p.n] {
			ahead := reached.Sub(p.list[i].MadeAt).Seconds()
			if ahead < 0 {
				continue // made after it came
			}
			if whole == 0 {
				whole = ahead
			}
			if d := math.Abs(ahead - lead*whole); d < by {
				best, by = i, d
			}
		}
		if best < 0 || taken[best] {
			continue
		}
		taken[best] = true
		out = append(out, p.list[best].came(reached))
	}
	return out
}

func (f Forecast) came(reached time.Time) Outcome {
	o := Outcome{
		Target: f.Target, Assuming: f.Assuming, MadeAt: f.MadeAt.UTC(), LeadS: reached.Sub(f.MadeAt).Seconds(),
		Eta: f.Eta.UTC(), Reached: reached.UTC(), ErrorS: reached.Sub(f.Eta).Seconds(),
	}
	if !f.Lo.IsZero() && !f.Hi.IsZero() {
		lo, hi := f.Lo.UTC(), f.Hi.UTC()
		within := !reached.Before(lo) && !reached.After(hi)
		o.Lo, o.Hi, o.Within = &lo, &hi, &within
	}
	return o
}

// Forecast takes what was foretold, in order of time. A forecast of what was reached
// already, or without a median, tells nothing and is left out. It fails where no
// disposal is recorded, or where more targets are foretold than there is room for.
func (r *Recorder) Forecast(f Forecast) error {
	if r.begun == 0 {
		return fmt.Errorf("a forecast of %q before any disposal began; tell the recorder of the disposal first", f.Target)
	}
	if f.Eta.IsZero() || r.reached[f.Target] != 0 {
		return nil
	}
	for i := range r.promised {
		if p := &r.promised[i]; p.target == f.Target && p.assuming == f.Assuming {
			p.add(f)
			return nil
		}
	}
	if len(r.promised) == keptTargets {
		return fmt.Errorf("forecasts of more than %d targets; %q is not kept", keptTargets, f.Target)
	}
	r.promised = append(r.promised, promises{target: f.Target, assuming: f.Assuming, spacing: forecastSpacing})
	r.promised[len(r.promised)-1].add(f)
	return nil
}

// Reached says that what was foretold under the id target has come. The recorder says so
// itself of the targets that it sees in the samples: [SteamToMove], [PressureZero],
// [BelowBoiling], [FireboxCool], [House] and [BarrelDry].
func (r *Recorder) Reached(target string, at time.Time) {
	if r.begun == 0 || r.reached[target] != 0 || len(r.reached) >= 2*keptTargets {
		return
	}
	r.reached[target] = instant(at)
	r.promised = slices.DeleteFunc(r.promised, func(p promises) bool {
		if p.target != target {
			return false
		}
		r.outcomes = append(r.outcomes, p.outcomes(at)...)
		return true
	})
	slices.SortStableFunc(r.outcomes, before)
}

// before orders outcomes by target, assumption and when they were foretold.
func before(a, b Outcome) int {
	return cmp.Or(cmp.Compare(a.Target, b.Target), cmp.Compare(a.Assuming, b.Assuming), a.MadeAt.Compare(b.MadeAt))
}
