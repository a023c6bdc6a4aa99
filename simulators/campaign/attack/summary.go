package attack

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"
)

// Tally is what the disposals with one kind of fault came to.
type Tally struct {
	Runs, Housed int
	// WrongRuns is how many disposals had a step wrongly proven; Wrong counts them by
	// step.
	WrongRuns int
	Wrong     [steps]int
	// Struck is how many of them had a fault that began; Found those in which an alarm
	// was raised after it; FoundBy counts the disposals by watch.
	Struck, Found int
	FoundBy       map[string]int
	ToFind        []float64 // s
	// Needless is how many disposals had an alarm before any fault had begun, by watch
	// in NeedlessBy.
	Needless   int
	NeedlessBy map[string]int
	// Ready, Intime, Never and Lost count steps of disposals; Delays are s.
	Ready, InTime, Never, Lost [steps]int
	Delays                     [steps][]float64
	// NeverRuns is how many disposals had a step that was never proven.
	NeverRuns int
}

// Case is one step wrongly proven, or never, in one disposal.
type Case struct {
	K    int
	Kind string
	Wrong
}

// Summary is what a campaign came to.
type Summary struct {
	Options
	Took     time.Duration
	Played   int
	Packs    int
	Told     int
	Hours    float64
	None     *Tally
	Single   map[string]*Tally
	Pairs    map[string]*Tally
	AllPairs *Tally
	// Cases are the steps wrongly proven, Nevers those never proven without a fault or
	// with an intact step; in order of k.
	Cases, Nevers []Case
	// Lates are steps that were ready without a fault and not proven in time; Losses
	// those that lost it more than once, Wrong.At how often.
	Lates, Losses []Case
	// IntactRuns and IntactNever are steps of disposals with a fault that leaves
	// the step's evidence intact, and those of them never proven.
	IntactRuns, IntactNever int
	// GoodAlarms are the alarms of evenings without a fault, in order of k.
	GoodAlarms []Case
}

// NewSummary returns an empty one.
func NewSummary(o Options) *Summary {
	return &Summary{Options: o, None: newTally(), AllPairs: newTally(), Single: map[string]*Tally{}, Pairs: map[string]*Tally{}}
}

func newTally() *Tally { return &Tally{FoundBy: map[string]int{}, NeedlessBy: map[string]int{}} }

func of(m map[string]*Tally, kind string) *Tally {
	t, ok := m[kind]
	if !ok {
		t = newTally()
		m[kind] = t
	}
	return t
}

// Add takes up a disposal. The order in which they come makes no difference once
// the summary is settled.
func (s *Summary) Add(r *Result) {
	s.Played++
	s.Packs += r.Packs
	s.Told += r.Told
	s.Hours += r.Elapsed / 3600
	switch len(r.Faults) {
	case 0:
		s.None.add(r)
		for _, a := range r.Alarms {
			s.GoodAlarms = append(s.GoodAlarms, Case{K: r.K, Kind: a.Watch + ": " + a.Text, Wrong: Wrong{At: a.At}})
		}
		s.nevers(r)
		for i, t := range r.Steps {
			if t.Losses > 1 {
				s.Losses = append(s.Losses, Case{K: r.K, Kind: r.Kind, Wrong: Wrong{Step: step(i).String(), At: float64(t.Losses)}})
			}
			if t.Late {
				s.Lates = append(s.Lates, Case{K: r.K, Kind: r.Kind, Wrong: Wrong{Step: step(i).String(), At: t.Delay}})
			}
		}
	case 1:
		of(s.Single, r.Kind).add(r)
		if intact(r.Faults[0]) {
			s.nevers(r)
		}
	default:
		s.AllPairs.add(r)
		of(s.Pairs, r.Kind).add(r)
	}
	for _, w := range r.Wrong {
		s.Cases = append(s.Cases, Case{K: r.K, Kind: r.Kind, Wrong: w})
	}
}

// nevers notes which steps were never proven though nothing kept them from it.
func (s *Summary) nevers(r *Result) {
	for i, t := range r.Steps {
		st := step(i)
		if !t.Ready || len(r.Faults) > 0 && !spares(r.Faults[0], st, r.EmptiedBy) {
			continue
		}
		if len(r.Faults) > 0 {
			s.IntactRuns++
		}
		if t.Never {
			if len(r.Faults) > 0 {
				s.IntactNever++
			}
			s.Nevers = append(s.Nevers, Case{K: r.K, Kind: r.Kind, Wrong: Wrong{Step: st.String()}})
		}
	}
}

// intact reports whether a fault leaves some step's evidence intact.
func intact(fault string) bool { return spares(fault, dropFire, "empty") }

// spares reports whether a fault leaves the evidence of a step intact: packs that
// come twice or late, isolated bad readings, a cock that passes, one of two shell
// couples gone where the shell need not be known to be cold.
func spares(fault string, s step, emptiedBy string) bool {
	switch fault {
	case "packs-doubled", "packs-shuffled", "pressure-spikes", "cock-passing":
		return true
	case "shell-top-open", "shell-bottom-open":
		return emptiedBy == "empty" || s != plugsOut && s != house
	}
	return false
}

func (t *Tally) add(r *Result) {
	t.Runs++
	if r.Housed {
		t.Housed++
	}
	if len(r.Wrong) > 0 {
		t.WrongRuns++
	}
	for _, w := range r.Wrong {
		if s, ok := stepOf(w.Step); ok {
			t.Wrong[s]++
		}
	}
	never := false
	for i, m := range r.Steps {
		if !m.Ready {
			continue
		}
		t.Ready[i]++
		if !m.Late {
			t.InTime[i]++
		}
		if m.Never {
			t.Never[i]++
			never = true
		}
		if m.Losses > 1 {
			t.Lost[i]++
		}
		if !math.IsNaN(m.Delay) {
			t.Delays[i] = append(t.Delays[i], m.Delay)
		}
	}
	if never {
		t.NeverRuns++
	}
	found, needless := math.NaN(), false
	seen := map[string]bool{}
	for _, a := range r.Alarms {
		if a.Before {
			needless = true
			if !seen["-"+a.Watch] {
				seen["-"+a.Watch] = true
				t.NeedlessBy[a.Watch]++
			}
			continue
		}
		if math.IsNaN(found) || a.At-r.Struck < found {
			found = a.At - r.Struck
		}
		if !seen[a.Watch] {
			seen[a.Watch] = true
			t.FoundBy[a.Watch]++
		}
	}
	if needless {
		t.Needless++
	}
	if !math.IsNaN(r.Struck) {
		t.Struck++
		if !math.IsNaN(found) {
			t.Found++
			t.ToFind = append(t.ToFind, found)
		}
	}
}

func (s *Summary) settle() {
	byK := func(c []Case) {
		sort.SliceStable(c, func(a, b int) bool { return c[a].K < c[b].K })
	}
	byK(s.Cases)
	byK(s.Nevers)
	byK(s.Lates)
	byK(s.Losses)
	byK(s.GoodAlarms)
}

// all returns the delays of every step together, sorted.
func (t *Tally) all() []float64 {
	var out []float64
	for i := range t.Delays {
		out = append(out, t.Delays[i]...)
	}
	slices.Sort(out)
	return out
}

// quantile returns the value of a sorted list below which the share q lies; NaN for
// an empty one.
func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[min(len(sorted)-1, int(q*float64(len(sorted))))]
}

func sorted(xs []float64) []float64 {
	xs = slices.Clone(xs)
	slices.Sort(xs)
	return xs
}

func total(m [steps]int) int {
	n := 0
	for _, v := range m {
		n += v
	}
	return n
}

// WronglyProven returns the number of steps wrongly proven in disposals without a
// fault, with one and with two.
func (s *Summary) WronglyProven() (none, single, pairs int) {
	for _, t := range s.Single {
		single += total(t.Wrong)
	}
	return total(s.None.Wrong), single, total(s.AllPairs.Wrong)
}

// AlarmsGoodEvening is the share of evenings without a fault on which an alarm was
// raised; NaN where there was no such evening.
func (s *Summary) AlarmsGoodEvening() float64 {
	return float64(s.None.Needless) / float64(s.None.Runs)
}

// Line is the campaign in one line.
func (s *Summary) Line() string {
	none, single, pairs := s.WronglyProven()
	d := s.None.all()
	return fmt.Sprintf("campaign: disposals=%d faults=%d wrongly_proven_none=%d wrongly_proven_single=%d wrongly_proven_pairs=%d never_none=%d never_intact=%d alarms_good_evening=%.4f delay_p50_min=%.1f delay_p95_min=%.1f per_second=%.1f",
		s.Played, len(s.Faults), none, single, pairs, total(s.None.Never), s.IntactNever, s.AlarmsGoodEvening(),
		quantile(d, 0.5)/60, quantile(d, 0.95)/60, float64(s.Played)/s.Took.Seconds())
}

// counts writes a map of counts, the largest first.
func counts(m map[string]int) string {
	type kv struct {
		k string
		n int
	}
	var all []kv
	for k, n := range m {
		all = append(all, kv{k, n})
	}
	sort.Slice(all, func(a, b int) bool { return all[a].n > all[b].n || all[a].n == all[b].n && all[a].k < all[b].k })
	var out []string
	for _, e := range all {
		out = append(out, fmt.Sprintf("%s %d", e.k, e.n))
	}
	return strings.Join(out, ", ")
}

func wrongSteps(m [steps]int) string {
	by := map[string]int{}
	for s, n := range m {
		if n > 0 {
			by[step(s).String()] = n
		}
	}
	return counts(by)
}
