// Command campaign attacks the rules: it plays disposals of engines, crews and
// faults drawn at random, and holds each verdict against what is so
// ([ashlamp/simulators/campaign/attack]). It shows its progress on standard error,
// writes a report, and ends with one line of figures on standard output.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"runtime/pprof"
	"strings"
	"syscall"
	"time"

	"ashlamp/simulators/boiler"
	"ashlamp/simulators/campaign/attack"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

func run(ctx context.Context, args []string, out, errs io.Writer) int {
	f := flag.NewFlagSet("campaign", flag.ContinueOnError)
	f.SetOutput(errs)
	n := f.Int("n", 2000, "how many disposals to play")
	seed := f.Uint64("seed", 1, "what they are drawn from")
	faults := f.String("faults", "", "draw from these faults only, with commas between")
	one := f.Int("one", -1, "play only this disposal, and tell each change of verdict with the truth beside it")
	report := f.String("report", "campaign.md", "the file to write the report to")
	workers := f.Int("workers", runtime.NumCPU(), "how many to play at once")
	profile := f.String("cpuprofile", "", "a file to write a profile to")
	if err := f.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return 0
		}
		return 2
	}
	o := attack.Options{N: *n, Seed: *seed, Workers: *workers}
	if *faults != "" {
		o.Faults = strings.Split(*faults, ",")
	}
	if *profile != "" {
		file, err := os.Create(*profile)
		if err != nil {
			fmt.Fprintln(errs, err)
			return 1
		}
		defer file.Close()
		if err := pprof.StartCPUProfile(file); err != nil {
			fmt.Fprintln(errs, err)
			return 1
		}
		defer pprof.StopCPUProfile()
	}
	// Little of what is made outlives a disposal: collecting seldom is cheap.
	debug.SetGCPercent(400)
	var err error
	if *one >= 0 {
		err = tell(ctx, o, *one, out)
	} else {
		err = campaign(ctx, o, *report, out, errs)
	}
	if err != nil {
		fmt.Fprintln(errs, "campaign:", err)
		return 1
	}
	return 0
}

func campaign(ctx context.Context, o attack.Options, report string, out, errs io.Writer) error {
	last := time.Now()
	o.Progress = func(played int, s *attack.Summary) {
		if now := time.Now(); played == o.N || now.Sub(last) > 500*time.Millisecond {
			last = now
			fmt.Fprintf(errs, "\r%s ", bar(played, o.N, s))
		}
	}
	s, err := attack.Run(ctx, o)
	fmt.Fprintln(errs)
	if err != nil {
		return err
	}
	file, err := os.Create(report)
	if err != nil {
		return fmt.Errorf("report: %w; give another place with -report", err)
	}
	if err := errors.Join(s.Report(file), file.Close()); err != nil {
		return fmt.Errorf("report %s: %w", report, err)
	}
	_, err = fmt.Fprintln(out, s.Line())
	return err
}

// bar draws how far it has come.
func bar(played, n int, s *attack.Summary) string {
	const width = 30
	full := width * played / n
	rate := float64(played) / s.Took.Seconds()
	left := time.Duration(float64(n-played) / rate * float64(time.Second)).Round(time.Second)
	none, single, pairs := s.WronglyProven()
	return fmt.Sprintf("[%s%s] %d of %d, %.1f/s, %s left; wrongly proven %d, %d, %d",
		strings.Repeat("#", full), strings.Repeat(".", width-full), played, n, rate, left, none, single, pairs)
}

// tell plays one disposal aloud.
func tell(ctx context.Context, o attack.Options, k int, out io.Writer) error {
	faults := o.Faults
	if len(faults) == 0 {
		faults = attack.Faults()
	}
	p, err := attack.Draw(o.Seed, k, faults)
	if err != nil {
		return err
	}
	props, err := boiler.NewProperties()
	if err != nil {
		return err
	}
	e := p.Engine
	fmt.Fprintf(out, "disposal %d of seed %d: %s; %.0f l, %.1f bar, %d cocks, %d tanks, emptied %s, lay-up %s, altitude %.0f m; crew %+v; read every %v and %v\n",
		k, o.Seed, p.Kind(), e.Boiler.Volume*1000, e.Plan.Working/1e5, len(e.Boiler.Cocks), e.Tanks.Count, e.Plan.EmptiedBy, e.Plan.LayUp,
		e.Altitude, e.Manner, p.Intervals.Pressure, p.Intervals.Temperature)
	r, err := attack.Play(ctx, p, props, attack.Rules, out)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "%d packs in %.1f h, housed %v, fault began after %.0f s, %d alarms, %d steps wrongly proven\n", r.Packs, r.Elapsed/3600, r.Housed, r.Struck, len(r.Alarms), len(r.Wrong))
	for _, w := range r.Wrong {
		fmt.Fprintf(out, "wrongly proven: %s at %.0f s, proven since %.0f s: %+v\n", w.Step, w.At, w.Proven, w.Truth)
	}
	for i, t := range r.Steps {
		if t.Ready || t.Losses > 0 {
			fmt.Fprintf(out, "%s: %.1f min from ready to proven, late %v, never %v, lost %d times\n", attack.StepName(i), t.Delay/60, t.Late, t.Never, t.Losses)
		}
	}
	return nil
}
