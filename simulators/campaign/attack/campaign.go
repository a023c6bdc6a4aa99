package attack

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"ashlamp/rules/engine"
	"ashlamp/simulators/boiler"
)

// Options says what a campaign plays.
type Options struct {
	// N disposals are drawn from Seed.
	N    int
	Seed uint64
	// Faults are those to draw from; none means all.
	Faults []string
	// Workers is how many disposals are played at once.
	Workers int
	// Judge makes what is attacked; nil means [Rules].
	Judge func(engine.Engine) (Judge, error)
	// Progress, if not nil, is called after each disposal, from one goroutine at a
	// time, with the number played.
	Progress func(played int, s *Summary)
}

// Run plays a campaign. It ends early with an error when ctx ends or a disposal
// cannot be simulated.
func Run(ctx context.Context, o Options) (*Summary, error) {
	known := Faults()
	if len(o.Faults) == 0 {
		o.Faults = known
	}
	for _, f := range o.Faults {
		if !slices.Contains(known, f) {
			return nil, fmt.Errorf("fault %q is not known; use some of %v", f, known)
		}
	}
	if o.N < 1 || o.Workers < 1 {
		return nil, fmt.Errorf("%d disposals by %d workers; give at least one of each", o.N, o.Workers)
	}
	if o.Judge == nil {
		o.Judge = Rules
	}
	props, err := boiler.NewProperties()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var (
		sum    = NewSummary(o)
		next   int
		mu     sync.Mutex
		wait   sync.WaitGroup
		played int
	)
	begun := time.Now()
	take := func() (int, bool) {
		mu.Lock()
		defer mu.Unlock()
		if next >= o.N || ctx.Err() != nil {
			return 0, false
		}
		next++
		return next - 1, true
	}
	for range o.Workers {
		wait.Go(func() {
			for k, ok := take(); ok; k, ok = take() {
				p, err := Draw(o.Seed, k, o.Faults)
				var r Result
				if err == nil {
					r, err = Play(ctx, p, props, o.Judge, nil)
				}
				if err != nil {
					cancel(err)
					return
				}
				mu.Lock()
				played++
				sum.Add(&r)
				if o.Progress != nil {
					sum.Took = time.Since(begun)
					o.Progress(played, sum)
				}
				mu.Unlock()
			}
		})
	}
	wait.Wait()
	if err := context.Cause(ctx); err != nil {
		return nil, err
	}
	sum.Took = time.Since(begun)
	sum.settle()
	return sum, nil
}
