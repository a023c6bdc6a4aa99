// Package trend looks over the cooldowns of one engine for what has become different:
// a step from one evening to the next, or a drift over years. It says in one sentence
// what changed, by which figures, and what is to be looked at; it proves nothing.
//
// Evenings differ by wind, rain and how full the boiler was, so a change is told only
// where it is larger than such a difference, and where chance alone would seldom make
// one: see [StepP] and [DriftP].
package trend

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"ashlamp/rules/cooldown"
)

// Figures of looking for changes. Chosen by simulation, see the test beside: an engine
// that never changes is looked at after each of its first sixty evenings, and in less
// than one of twenty is there ever anything told of one quantity (at most 4 of a hundred).
// That holds for evenings that are independent of each other; with a lag-1 correlation of
// 0.2, as weather may give, it is one of fifteen.
const (
	// StepP and DriftP are the probabilities under which a step and a drift are told.
	StepP  = 0.015
	DriftP = 0.005
	// Evenings is how many are needed in all, Side how many to either side of a step.
	Evenings = 10
	Side     = 4
	// Newest is how many evenings are looked at, the newest: four years of an engine
	// that runs every few weeks.
	Newest = 60
)

// Point is the figure of one evening.
type Point struct {
	At    time.Time
	Value float64
}

// Series is a quantity over the evenings on which it is known, in order of time.
type Series struct {
	Quantity
	Points []Point
}

// Kind is how something changed.
type Kind string

// The kinds of change.
const (
	Step  Kind = "step"
	Slope Kind = "drift"
)

// Finding is a change of one quantity.
type Finding struct {
	// Quantity is its id, Unit its unit.
	Quantity, Unit string
	Kind           Kind
	// Since is the first evening after a step, or the first of a drift; Until the newest.
	Since, Until time.Time
	// Before and After are the medians to either side of a step, or the ends of the line
	// of a drift.
	Before, After float64
	// Change is the step in Unit, or the drift in Unit a year, with its 95 % interval.
	Change Estimate
	// P is the probability of so much by chance.
	P float64
	// EveningsBefore and EveningsAfter are how many it rests on; of a drift all are
	// after.
	EveningsBefore, EveningsAfter int
	// Text says it in one sentence.
	Text string
}

// Find returns the series of every quantity and what changed, the newest change of each
// last. Summaries may come in any order; of those of one moment the last counts. Dates
// in sentences are in zone, UTC if nil.
func Find(summaries []cooldown.Summary, zone *time.Location) ([]Series, []Finding) {
	if zone == nil {
		zone = time.UTC
	}
	list := newest(summaries)
	var series []Series
	var found []Finding
	told := map[string]bool{}
	for _, q := range Quantities() {
		s := Series{Quantity: q}
		for _, x := range list {
			if v, ok := q.Of(x); ok && !math.IsNaN(v) && !math.IsInf(v, 0) {
				s.Points = append(s.Points, Point{x.Begun, v})
			}
		}
		series = append(series, s)
		changes := s.changes()
		for i := range changes {
			f := &changes[i]
			f.Text = q.sentence(*f, told, zone)
		}
		if q.ID == FallAt100K && told[HeatLoss] {
			continue // the same again by another figure
		}
		if n := len(changes); n > 0 && changes[n-1].After > changes[n-1].Before {
			told[q.ID] = true
		}
		found = append(found, changes...)
	}
	return series, found
}

// newest returns the newest summaries in order of time, one of each disposal.
func newest(summaries []cooldown.Summary) []cooldown.Summary {
	list := slices.Clone(summaries)
	slices.SortStableFunc(list, func(a, b cooldown.Summary) int { return a.Begun.Compare(b.Begun) })
	var out []cooldown.Summary
	for _, s := range list {
		if n := len(out); n > 0 && out[n-1].Begun.Equal(s.Begun) {
			out[n-1] = s
			continue
		}
		out = append(out, s)
	}
	return out[max(0, len(out)-Newest):]
}

// changes goes through the evenings as they came. Where those since the last change show
// a step, there is one, and the search begins anew after it: what was told once is not
// lost again because it was mended later. What is told of a step rests on all evenings up
// to the next. A drift is looked for in what follows the last.
func (s Series) changes() []Finding {
	bounds, ps := []int{0}, []float64{1}
	for n := Evenings; n <= len(s.Points); n++ {
		from := bounds[len(bounds)-1]
		if after, p, ok := stepIn(s.Points[from:n]); ok {
			bounds, ps = append(bounds, from+after), append(ps, p)
		}
	}
	var out []Finding
	for i := 1; i < len(bounds); {
		next := len(s.Points)
		if i+1 < len(bounds) {
			next = bounds[i+1]
		}
		f := s.stepAt(s.Points[bounds[i-1]:next], bounds[i]-bounds[i-1])
		f.P = ps[i]
		if !f.Change.clear() || !s.counts(f.After-f.Before, f.Before) {
			// Later evenings took it back, or it is too small to be told.
			bounds, ps = slices.Delete(bounds, i, i+1), slices.Delete(ps, i, i+1)
			continue
		}
		out = append(out, f)
		i++
	}
	if f, ok := s.drift(s.Points[bounds[len(bounds)-1]:]); ok {
		out = append(out, f)
	}
	return out
}

func values(points []Point) []float64 {
	x := make([]float64, len(points))
	for i, p := range points {
		x[i] = p.Value
	}
	return x
}

// years are the points' times, in years since the first.
func years(points []Point) []float64 {
	t := make([]float64, len(points))
	for i, p := range points {
		t[i] = p.At.Sub(points[0].At).Hours() / (24 * 365.25)
	}
	return t
}

// steps is what is left unexplained, as a sum of distances, by a step after so many.
func steps(points []Point, after int) float64 {
	sum := 0.0
	for _, side := range [][]Point{points[:after], points[after:]} {
		m := median(values(side))
		for _, p := range side {
			sum += math.Abs(p.Value - m)
		}
	}
	return sum
}

// drifts is the same of a line of that slope a year.
func drifts(points []Point, slope float64) float64 {
	t, x := years(points), values(points)
	for i := range x {
		x[i] -= slope * t[i]
	}
	sum, m := 0.0, median(slices.Clone(x))
	for _, v := range x {
		sum += math.Abs(v - m)
	}
	return sum
}

// counts reports whether a change from before is large enough to be told.
func (q Quantity) counts(change, before float64) bool {
	if q.Absolute {
		return math.Abs(change) >= q.Least
	}
	return before > 0 && math.Abs(change) >= q.Least*before
}

// clear reports whether the interval leaves zero out.
func (e Estimate) clear() bool { return e.Lo > 0 || e.Hi < 0 }

// stepIn reports whether there is a step, after how many evenings, and by what
// probability. That there is one is told by Pettitt's test; where it was, by the least sum
// of distances from the medians of both sides, since the test draws it to the middle. A
// line that explains more than the step does is no step.
func stepIn(points []Point) (after int, p float64, ok bool) {
	if len(points) < Evenings {
		return 0, 1, false
	}
	x := values(points)
	c, ok := Pettitt(x)
	if !ok || !(c.P < StepP) {
		return 0, 1, false
	}
	after, left := best(points)
	return after, c.P, left <= drifts(points, TheilSen(years(points), x, 0).Value)
}

// best returns where a step explains most, and what it leaves unexplained.
func best(points []Point) (after int, left float64) {
	left = math.Inf(1)
	for i := Side; i <= len(points)-Side; i++ {
		if d := steps(points, i); d < left {
			after, left = i, d
		}
	}
	return after, left
}

func (s Series) stepAt(points []Point, after int) Finding {
	x, n := values(points), len(points)
	return Finding{
		Quantity: s.ID, Unit: s.Unit, Kind: Step, Since: points[after].At, Until: points[n-1].At,
		EveningsBefore: after, EveningsAfter: n - after, Change: Shift(x[:after], x[after:]),
		Before: median(slices.Clone(x[:after])), After: median(slices.Clone(x[after:])),
	}
}

func (s Series) drift(points []Point) (Finding, bool) {
	n := len(points)
	if n < Evenings {
		return Finding{}, false
	}
	t, x := years(points), values(points)
	d, ok := MannKendall(x)
	if !ok || !(d.P < DriftP) {
		return Finding{}, false
	}
	slope := TheilSen(t, x, d.Variance)
	if _, left := best(points); left < drifts(points, slope.Value) {
		return Finding{}, false // a step that is not told yet, or too small
	}
	level := median(slices.Clone(x)) - slope.Value*median(slices.Clone(t))
	f := Finding{
		Quantity: s.ID, Unit: s.Unit, Kind: Slope, Since: points[0].At, Until: points[n-1].At, P: d.P,
		EveningsAfter: n, Change: slope, Before: level, After: level + slope.Value*t[n-1],
	}
	return f, slope.clear() && s.counts(f.After-f.Before, f.Before)
}

// sentence says a finding. told are the quantities that were found to have risen already.
func (q Quantity) sentence(f Finding, told map[string]bool, zone *time.Location) string {
	up := f.After > f.Before
	says, ask := q.less, q.askLess
	if f.Kind == Slope {
		says = q.lessEach
	}
	if up {
		says, ask = q.more, q.askMore
		if f.Kind == Slope {
			says = q.moreEach
		}
	}
	if q.ID == HeatLoss && up && told[WithPressure] {
		ask = "it falls faster the higher the pressure, so look at cocks and the safety valve before the lagging"
	}
	change := math.Abs(f.After - f.Before)
	if f.Kind == Slope {
		change = math.Abs(f.Change.Value)
	}
	much := figure(change, q.digits) + " " + q.Unit
	if !q.Absolute {
		much = figure(100*change/f.Before, 0) + " %"
	}
	now, was := figure(f.After, q.digits), figure(f.Before, q.digits)
	if q.Unit != "" {
		now += " " + q.Unit
	}
	if f.Kind == Slope {
		return fmt.Sprintf("From %s to %s "+says+" (%s, at first %s; %d evenings): %s",
			f.Since.In(zone).Format(withYear), f.Until.In(zone).Format(withYear), much, now, was, f.EveningsAfter, asking(ask))
	}
	return fmt.Sprintf("Since %s "+says+" (%s, before %s; %d and %d evenings): %s",
		day(f.Since, f.Until, zone), much, now, was, f.EveningsAfter, f.EveningsBefore, asking(ask))
}

// asking ends a sentence.
func asking(text string) string {
	if text[len(text)-1] == '?' {
		return text
	}
	return text + "."
}

func figure(v float64, digits int) string { return strconv.FormatFloat(v, 'f', digits, 64) }

const withYear = "2 January 2006"

// day is a date in words, with its year where that is not the newest evening's.
func day(t, newest time.Time, zone *time.Location) string {
	t, newest = t.In(zone), newest.In(zone)
	if t.Year() == newest.Year() {
		return t.Format("2 January")
	}
	return t.Format(withYear)
}
