// Command skill tells how well the forecasts do: it plays disposals that nothing was
// fitted to, and prints for each target and remaining time the median error, the bias
// and how often the 80 % interval held, beside two plain rivals on the same data.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"sync"
	"syscall"

	"ashlamp/rules/forecast"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/skill/evening"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "skill:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, out, errs io.Writer) error {
	f := flag.NewFlagSet("skill", flag.ContinueOnError)
	n := f.Int("n", 2000, "how many engines to play one evening of")
	shut := f.Float64("shut", 0.35, "the share of them left shut until morning")
	seed := f.Uint64("seed", 77, "what they are drawn from")
	engines := f.Int("engines", 100, "how many engines to play six evenings of, each learning from those before")
	workers := f.Int("workers", runtime.NumCPU(), "how many to play at once")
	data := f.String("data", "testdata/published", "where the measured cooling data lie")
	fits := f.Bool("fit", false, "play evenings apart from all that are scored, and print the misfit that makes the intervals hold")
	if err := f.Parse(args); err != nil {
		return err
	}
	debug.SetGCPercent(400)
	props, err := boiler.NewProperties()
	if err != nil {
		return err
	}
	if *fits {
		return fit(ctx, *n, *workers, *seed, *shut, props, out)
	}
	scores, hours, left, err := apart(ctx, *n, *workers, *seed, *shut, props, errs)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "%d disposals, %d left shut, %.0f hours of data\n\n", *n, left, hours)
	table(out, scores)
	measured := map[key]map[string]*tally{}
	if err := real(*data, measured); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nMeasured: five vessels and a gun-metal cylinder, each to three temperatures\n")
	table(out, measured)
	if *engines > 0 {
		if err := learning(ctx, *engines, *workers, *seed, props, out); err != nil {
			return err
		}
	}
	lines(out, scores)
	return nil
}

// apart plays one evening each of n engines.
func apart(ctx context.Context, n, workers int, seed uint64, shut float64, props *boiler.Properties, errs io.Writer) (scores map[key]map[string]*tally, hours float64, left int, err error) {
	scores = map[key]map[string]*tally{}
	var mu sync.Mutex
	done := 0
	err = each(n, workers, func(k int) error {
		without := isShut(k, shut)
		p, err := evening.Draw(seed, k, 0, without)
		if err != nil {
			return err
		}
		r, err := evening.Play(ctx, p, props, forecast.Unseen(p.Engine.Boiler.Volume*1000))
		if err != nil {
			return fmt.Errorf("engine %d of seed %d: %w", k, seed, err)
		}
		mu.Lock()
		defer mu.Unlock()
		score(scores, &r)
		hours += r.Hours
		if without {
			left++
		}
		if done++; done%50 == 0 {
			fmt.Fprintf(errs, "\r%d of %d ", done, n)
		}
		return nil
	})
	fmt.Fprintln(errs)
	return scores, hours, left, err
}

// isShut spreads the engines that are left shut evenly among the others.
func isShut(k int, share float64) bool {
	return math.Floor(float64(k+1)*share) > math.Floor(float64(k)*share)
}

func each(n, workers int, do func(k int) error) error {
	next := make(chan int)
	failed := make(chan error, workers)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for k := range next {
				if err := do(k); err != nil {
					select {
					case failed <- err:
					default:
					}
				}
			}
		})
	}
	for k := range n {
		next <- k
	}
	close(next)
	wg.Wait()
	select {
	case err := <-failed:
		return err
	default:
		return nil
	}
}

// learning plays evenings of the same engines, each forecast by what those before
// taught, and prints the error on the first beside that on the sixth.
func learning(ctx context.Context, n, workers int, seed uint64, props *boiler.Properties, out io.Writer) error {
	const evenings = 6
	by := [evenings]map[key]map[string]*tally{}
	for i := range by {
		by[i] = map[key]map[string]*tally{}
	}
	var mu sync.Mutex
	err := each(n, workers, func(k int) error {
		var l forecast.Learned
		for i := range evenings {
			p, err := evening.Draw(seed+1, k, i, k%2 == 0)
			if err != nil {
				return err
			}
			if i == 0 {
				l = forecast.Unseen(p.Engine.Boiler.Volume * 1000)
			}
			r, err := evening.Play(ctx, p, props, l)
			if err != nil {
				return fmt.Errorf("engine %d of seed %d, evening %d: %w", k, seed+1, i, err)
			}
			l = r.Learned
			mu.Lock()
			score(by[i], &r)
			mu.Unlock()
		}
		return nil
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "\nThe same %d engines, first evening and sixth: median error as a part of the remaining time\n", n)
	for _, k := range keys() {
		for _, h := range horizons {
			a, b := by[0][k][h.name], by[evenings-1][k][h.name]
			if a == nil || b == nil || len(a.ours) < 10 || len(b.ours) < 10 {
				continue
			}
			fmt.Fprintf(out, "  %-22s %-8s %6.1f %% -> %6.1f %%  (%d, %d)\n", name(k), h.name, 100*median(a.ours), 100*median(b.ours), len(a.ours), len(b.ours))
		}
	}
	return nil
}

func keys() []key {
	var out []key
	for _, t := range forecast.Targets() {
		out = append(out, key{t, false})
		if t == forecast.PressureZero {
			out = append(out, key{t, true})
		}
	}
	return out
}

func name(k key) string {
	if k.running {
		return string(k.target) + "-running"
	}
	return string(k.target)
}

func table(out io.Writer, scores map[key]map[string]*tally) {
	fmt.Fprintf(out, "%-22s %-8s %6s %6s %9s %8s %8s %8s %8s %8s\n", "target", "left", "scored", "told", "error", "min", "bias", "held", "line", "exp")
	for _, k := range keys() {
		for _, h := range horizons {
			e := scores[k][h.name]
			if e == nil || e.told == 0 {
				continue
			}
			fmt.Fprintf(out, "%-22s %-8s %6d %5.0f%% %8.2f%% %8.1f %7.2f%% %7.1f%% %7.2f%% %7.2f%%\n", name(k), h.name, e.told,
				100*float64(e.told)/float64(e.asked), 100*median(e.ours), median(e.seconds)/60, 100*median(e.signed), 100*float64(e.inside)/float64(e.told), 100*median(e.line), 100*median(e.exp))
		}
	}
}

// lines prints the figures of each target at half of the remaining time.
func lines(out io.Writer, scores map[key]map[string]*tally) {
	fmt.Fprintln(out)
	for _, k := range keys() {
		e := scores[k]["half"]
		if e == nil || e.told == 0 {
			continue
		}
		fmt.Fprintf(out, "skill: target=%s horizon=half median_rel_error=%.4f coverage80=%.3f rival_line=%.4f rival_exp=%.4f\n", name(k),
			median(e.ours), float64(e.inside)/float64(e.told), median(e.line), median(e.exp))
	}
}
