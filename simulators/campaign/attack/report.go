package attack

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"sort"
	"strings"
)

// mostLates is how many late steps are listed.
const mostLates = 200

// Report writes the campaign as Markdown.
func (s *Summary) Report(to io.Writer) error {
	w := bufio.NewWriter(to)
	p := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	none, single, pairs := s.WronglyProven()
	p("# Fault campaign\n")
	p("%d disposals of seed %d, %d kinds of fault: %d without a fault, %d with one, %d with two; %.0f h of engines' time, %d packs and %d moments between, %.1f s, %.1f disposals a second with %d workers.\n",
		s.Played, s.Seed, len(s.Faults), s.None.Runs, s.Played-s.None.Runs-s.AllPairs.Runs, s.AllPairs.Runs,
		s.Hours, s.Packs, s.Told, s.Took.Seconds(), float64(s.Played)/s.Took.Seconds(), s.Workers)
	p("Steps wrongly proven: **%d** without a fault, **%d** with a single one, **%d** with pairs (in %d disposals).", none, single, pairs, s.AllPairs.WrongRuns)
	p("Evenings without a fault on which an alarm was raised: %.2f %%.", 100*s.AlarmsGoodEvening())
	p("Steps with a fault that leaves their evidence intact: %d ready, %d never proven.\n", s.IntactRuns, s.IntactNever)
	p("## What the truth is held against\n")
	p("Truth is the simulated engine's own state. The bounds are the campaign's, not the rules':\n")
	for _, b := range Bounds() {
		p("- %s", b)
	}
	p("\nA number k in this report is played again, with each change of verdict and the truth beside it, by `go run ./simulators/campaign -seed %d%s -one k`.\n", s.Seed, s.focus())

	p("## Without a fault, by step\n")
	p("| step | ready | within hold + 5 min | median min | 95 %% min | never | lost more than once |\n| --- | --- | --- | --- | --- | --- | --- |")
	for i := range steps {
		t := s.None
		if t.Ready[i] == 0 {
			continue
		}
		d := sorted(t.Delays[i])
		p("| %s | %d | %.1f %% | %.1f | %.1f | %d | %d |", i, t.Ready[i], 100*float64(t.InTime[i])/float64(t.Ready[i]),
			quantile(d, 0.5)/60, quantile(d, 0.95)/60, t.Never[i], t.Lost[i])
	}

	p("\n## By fault\n")
	p("Delay is over all steps, from being ready. Found is by any alarm raised after the fault began; needless alarms came before.\n")
	p("| fault | runs | wrongly proven | delay median / 95 %% min | never (runs) | found | median min to find | found by | needless |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
	s.row(p, "none", s.None)
	for _, kind := range kinds(s.Single) {
		s.row(p, kind, s.Single[kind])
	}

	p("\n## Pairs with a step wrongly proven\n")
	p("| pair | runs | wrongly proven |\n| --- | --- | --- |")
	for _, kind := range kinds(s.Pairs) {
		if t := s.Pairs[kind]; t.WrongRuns > 0 {
			p("| %s | %d | %s |", kind, t.Runs, wrongSteps(t.Wrong))
		}
	}

	p("\n## Every step wrongly proven\n")
	for _, c := range s.Cases {
		x := c.Truth
		p("- k %d, %s: %s at %.0f s (proven since %.0f): %.3f bar, %.1f kg left of which %.1f stay, fluid %.1f and boiling %.1f °C, glass %.2f, fire %.2f, firebox %.0f, smokebox %.0f, tanks %.2f %.2f; crew at %s. Proven by: %s",
			c.K, c.Kind, c.Step, c.At, c.Proven, x.Pressure/bar, x.Liquid, min(x.Residue, x.Liquid), x.Fluid, x.Boiling, x.Glass, x.Fire, x.Firebox, x.Smokebox, x.Tanks[0], x.Tanks[1], x.Stage, c.Because)
	}
	p("\n## Never proven, without a fault or with an intact step\n")
	for _, c := range s.Nevers {
		p("- k %d, %s: %s", c.K, c.Kind, c.Step)
	}
	p("\n## Late, without a fault\n")
	for i, c := range s.Lates {
		if i == mostLates {
			p("- and %d more", len(s.Lates)-i)
			break
		}
		p("- k %d: %s, %.1f min", c.K, c.Step, c.At/60)
	}
	p("\n## Lost more than once while ready, without a fault\n")
	for i, c := range s.Losses {
		if i == mostLates {
			p("- and %d more", len(s.Losses)-i)
			break
		}
		p("- k %d: %s, %.0f times", c.K, c.Step, c.At)
	}
	p("\n## Alarms on good evenings\n")
	for _, c := range s.GoodAlarms {
		p("- k %d at %.0f s, %s", c.K, c.At, c.Kind)
	}
	return w.Flush()
}

// focus is what a command line needs besides to draw the same disposals.
func (s *Summary) focus() string {
	if slices.Equal(s.Faults, Faults()) {
		return ""
	}
	return " -faults " + strings.Join(s.Faults, ",")
}

func kinds(m map[string]*Tally) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

func (s *Summary) row(p func(string, ...any), kind string, t *Tally) {
	d := t.all()
	found := "-"
	if t.Struck > 0 {
		found = fmt.Sprintf("%.0f %%", 100*float64(t.Found)/float64(t.Struck))
	}
	wrong := "0"
	if t.WrongRuns > 0 {
		wrong = wrongSteps(t.Wrong)
	}
	p("| %s | %d | %s | %.1f / %.1f | %d | %s | %.1f | %s | %s |", kind, t.Runs, wrong, quantile(d, 0.5)/60, quantile(d, 0.95)/60,
		t.NeverRuns, found, quantile(sorted(t.ToFind), 0.5)/60, counts(t.FoundBy), counts(t.NeedlessBy))
}
