package rerun

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/dashboard/message"
	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// within is how far apart two verdicts may lie and still be the same: what a daemon
// does not judge in the same moment in which it hears it. Common practice, no source.
const within = time.Second

// Evening says what is to be judged again.
type Evening struct {
	// Engine is as configured, with the limits in force.
	Engine engine.Engine
	// ID is the disposal's; Begun and To bound what is looked at, [Begun, To).
	ID        string
	Begun, To time.Time
	// Before is when the disposal before it began, whose words may still stand; zero for
	// the beginning of the book.
	Before time.Time
	// Limits are those that are moved, each within its range.
	Limits limit.Set
}

// Moved returns the engine with the limits moved.
func (e Evening) Moved() engine.Engine {
	out := e.Engine
	out.Limits = maps.Clone(e.Engine.Limits)
	if out.Limits == nil {
		out.Limits = limit.Set{}
	}
	maps.Copy(out.Limits, e.Limits)
	return out
}

// Run judges the evening twice from what is kept, by the limits in force and by the
// moved ones, and lays both beside what the book has of it. It reads only. progress is
// called after each stretch of data with how much is done, 0 to 1. It ends with ctx.
func Run(ctx context.Context, k Kept, e Evening, progress func(float64)) (message.Rerun, error) {
	r := &run{e: e, from: e.Begun.Add(-Lead), progress: progress}
	for i, eng := range []engine.Engine{inForce: e.Engine, moved: e.Moved()} {
		j, err := rules.New(eng)
		if err != nil {
			return message.Rerun{}, fmt.Errorf("engine %s: %w", eng.ID, err)
		}
		r.side[i] = side{judge: j, lanes: map[string][]onward{}, held: map[string]string{}}
	}
	was, err := recorded(ctx, k, e)
	if err != nil {
		return message.Rerun{}, err
	}
	if err := r.play(ctx, k); err != nil {
		return message.Rerun{}, err
	}
	return r.result(was), nil
}

// The two sides.
const (
	inForce = iota
	moved
)

// run is one evening under way.
type run struct {
	e        Evening
	from     time.Time
	side     [2]side
	begun    bool // the time has come to the evening's beginning
	progress func(float64)
}

type side struct {
	judge *rules.Judge
	lanes map[string][]onward
	// proven are the steps that were proven for the first time since the other side was
	// last looked at; held is, by step, what then held the other side back.
	proven []string
	held   map[string]string
}

// onward is a verdict from a moment on.
type onward struct {
	t time.Time
	v verdict.Verdict
}

// play hands both judges what came, in the order in which it came.
func (r *run) play(ctx context.Context, k Kept) error {
	said, err := Heard(ctx, k, r.e.Engine.ID, r.e.Before, r.from, r.e.To)
	if err != nil {
		return err
	}
	first := true
	next := 0
	until := func(t time.Time) {
		for ; next < len(said) && !said[next].At.After(t); next++ {
			// What was kept was judged once: it cannot be wrong now.
			r.each(said[next].At, func(j *rules.Judge) []rules.Change {
				changes, _ := j.Hear(said[next])
				return changes
			})
		}
	}
	start := func(t time.Time) {
		// A daemon that ran all the time knows from the beginning on what it cannot tell.
		until(t)
		r.each(t, func(j *rules.Judge) []rules.Change { return j.Advance(t) })
	}
	start(r.from)
	var pack []telemetry.Sample
	var at, began time.Time
	flush := func() {
		if len(pack) > 0 {
			until(at)
			r.each(at, func(j *rules.Judge) []rules.Change { return j.Samples(at, pack) })
			pack = pack[:0]
		}
	}
	for row, err := range Received(k.All(ctx, r.e.Engine.ID, r.from, r.e.To)) {
		if err != nil {
			return fmt.Errorf("read samples: %w", err)
		}
		if !row.Received.Before(r.e.To) {
			break
		}
		if first {
			first, began = false, row.Received
		}
		if !row.Received.Equal(at) {
			flush()
			if err := ctx.Err(); err != nil {
				return err
			}
			at = row.Received
			if whole := r.e.To.Sub(began); whole > 0 {
				r.progress(min(1, max(0, float64(at.Sub(began))/float64(whole))))
			}
		}
		pack = append(pack, row.Sample)
	}
	flush()
	if err := ctx.Err(); err != nil {
		return err
	}
	last := r.e.To.Add(-telemetry.Resolution)
	until(last)
	r.each(last, func(j *rules.Judge) []rules.Change { return j.Advance(last) })
	r.progress(1)
	return nil
}

// each does the same to both judges, and where one proves a step for the first time,
// asks the other what holds it back.
func (r *run) each(at time.Time, do func(*rules.Judge) []rules.Change) {
	for i := range r.side {
		s := &r.side[i]
		for _, c := range do(s.judge) {
			if c.Step != nil {
				s.take(*c.Step, r.e.Begun)
			}
		}
	}
	if at.Before(r.e.Begun) {
		return
	}
	if !r.begun {
		r.begun = true
		for i := range r.side {
			s := &r.side[i]
			for step, l := range s.lanes {
				if len(l) > 0 && l[0].v == verdict.Proven && !slices.Contains(s.proven, step) {
					s.proven = append(s.proven, step)
				}
			}
		}
	}
	for i := range r.side {
		s, other := &r.side[i], &r.side[1-i]
		for _, step := range s.proven {
			if !proven(other.lanes[step]) {
				s.held[step] = other.back(step)
			}
		}
		s.proven = s.proven[:0]
	}
}

// take adds a verdict; what stood before the evening stands at its beginning.
func (s *side) take(c verdict.Change, from time.Time) {
	was := proven(s.lanes[c.Step])
	s.lanes[c.Step] = extend(s.lanes[c.Step], onward{c.At, c.Verdict}, from)
	if !was && proven(s.lanes[c.Step]) && !c.At.Before(from) {
		s.proven = append(s.proven, c.Step)
	}
}

func proven(l []onward) bool {
	return slices.ContainsFunc(l, func(o onward) bool { return o.v == verdict.Proven })
}

func extend(l []onward, o onward, from time.Time) []onward {
	if o.t.Before(from) {
		o.t = from
	}
	if n := len(l); n > 0 {
		if !l[n-1].t.Before(o.t) { // the newer word for the same moment
			l = l[:n-1]
			if n--; n > 0 && l[n-1].v == o.v {
				return l
			}
		} else if l[n-1].v == o.v {
			return l
		}
	}
	return append(l, o)
}

// back says what holds a step back now, in the judge's own sentences.
func (s *side) back(step string) string {
	var said []string
	for _, x := range s.judge.State().Steps {
		if x.ID != step {
			continue
		}
		for _, b := range x.Because {
			if b.Verdict != verdict.Proven {
				said = append(said, b.Text)
			}
		}
	}
	return strings.Join(said, " ")
}

// recorded returns the lanes as the book has them.
func recorded(ctx context.Context, k Kept, e Evening) (map[string][]onward, error) {
	lanes := map[string][]onward{}
	for entry, err := range k.Book(ctx, e.Engine.ID, e.Before, e.To, judge.KindVerdict) {
		if err != nil {
			return nil, fmt.Errorf("read the book: %w", err)
		}
		var c verdict.Change
		if err := json.Unmarshal(entry.Body, &c); err != nil {
			return nil, fmt.Errorf("read entry %d of the book: %w", entry.Seq, err)
		}
		lanes[c.Step] = extend(lanes[c.Step], onward{entry.At, c.Verdict}, e.Begun)
	}
	return lanes, nil
}

func (r *run) result(was map[string][]onward) message.Rerun {
	out := message.Rerun{Engine: r.e.Engine.ID, ID: r.e.ID, From: r.e.Begun, To: r.e.To, Faithful: true}
	for _, l := range limit.Table() {
		now, ok := r.e.Limits[l.Key]
		if !ok {
			continue
		}
		m := message.RerunLimit{Key: string(l.Key), Unit: l.Unit, Now: now}
		if v := r.e.Engine.Limits.At(l.Key); !math.IsNaN(v) {
			m.Was = &v
		}
		out.Limits = append(out.Limits, m)
	}
	for _, s := range r.side[moved].judge.State().Steps {
		out.Steps = append(out.Steps, r.step(s.ID, s.Title, was[s.ID]))
		out.Faithful = out.Faithful && out.Steps[len(out.Steps)-1].Faithful
	}
	out.Text = summed(out.Steps)
	return out.Whole()
}

func (r *run) step(id, title string, was []onward) message.RerunStep {
	base, now := r.side[inForce].lanes[id], r.side[moved].lanes[id]
	out := message.RerunStep{
		Step: id, Title: title, Was: segments(was, r.e.To), Now: segments(now, r.e.To),
		FirstProvenWas: first(was), FirstProvenNow: first(now), Faithful: alike(was, base),
	}
	if out.FirstProvenWas != nil && out.FirstProvenNow != nil {
		s := out.FirstProvenNow.Sub(*out.FirstProvenWas).Seconds()
		out.MovedS = &s
	}
	out.Why = r.why(id, was, base, now)
	return out
}

// why tells what is different by the moved limits, and by what it is.
func (r *run) why(id string, was, base, now []onward) string {
	var said []string
	a, b := first(base), first(now)
	switch {
	case a == nil && b == nil:
		if !alike(base, now) {
			said = append(said, "Not proven either way; it reads otherwise for "+spell(apart(base, now, r.e.To))+" in all.")
		}
	case a != nil && b == nil:
		said = append(said, fmt.Sprintf("Proven %s by the limits in force, by the moved ones not on this evening.", r.clock(*a)), r.side[inForce].because("Held back then by the moved ones", id))
	case a == nil:
		said = append(said, fmt.Sprintf("Not proven on this evening by the limits in force, by the moved ones %s.", r.clock(*b)), r.side[moved].because("Held back then by those in force", id))
	case b.After(*a):
		said = append(said, fmt.Sprintf("Proven %s by the limits in force, by the moved ones %s later.", r.clock(*a), spell(b.Sub(*a))), r.side[inForce].because("Held back then by the moved ones", id))
	case a.After(*b):
		said = append(said, fmt.Sprintf("Proven %s by the moved limits, %s earlier than by those in force.", r.clock(*b), spell(a.Sub(*b))), r.side[moved].because("Held back then by those in force", id))
	case !alike(base, now):
		said = append(said, "First proven at the same moment; before or after it reads otherwise for "+spell(apart(base, now, r.e.To))+" in all.")
	}
	if !alike(was, base) {
		said = append(said, "The book has this evening otherwise than the limits in force give it: limits, sensors or rules were others then, or the daemon did not run.")
	}
	return strings.Join(slices.DeleteFunc(said, func(s string) bool { return s == "" }), " ")
}

func (s *side) because(intro, step string) string {
	if s.held[step] == "" {
		return ""
	}
	return intro + ": " + s.held[step]
}

func (r *run) clock(t time.Time) string {
	zone := r.e.Engine.Zone
	if zone == nil {
		zone = time.UTC
	}
	return "at " + t.In(zone).Format("15:04:05")
}

// spell writes a length of time as people say it.
func spell(d time.Duration) string {
	d = d.Round(time.Second)
	h, m, s := int(d.Hours()), int(d.Minutes())%60, int(d.Seconds())%60
	switch {
	case h > 0:
		return fmt.Sprintf("%d h %d min", h, m)
	case m > 0 && s > 0:
		return fmt.Sprintf("%d min %d s", m, s)
	case m > 0:
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d s", s)
}

// summed tells what came of it in one sentence a direction.
func summed(steps []message.RerunStep) string {
	var later, earlier, lost, won []string
	for _, s := range steps {
		switch {
		case s.FirstProvenWas != nil && s.FirstProvenNow == nil:
			lost = append(lost, s.Title)
		case s.FirstProvenWas == nil && s.FirstProvenNow != nil:
			won = append(won, s.Title)
		case s.MovedS == nil:
		case *s.MovedS > within.Seconds():
			later = append(later, s.Title+" by "+spell(time.Duration(*s.MovedS*float64(time.Second))))
		case *s.MovedS < -within.Seconds():
			earlier = append(earlier, s.Title+" by "+spell(time.Duration(-*s.MovedS*float64(time.Second))))
		}
	}
	var said []string
	for _, x := range []struct {
		intro string
		list  []string
	}{
		{"Proven later: ", later}, {"Proven earlier: ", earlier},
		{"No longer proven on this evening: ", lost}, {"Proven where it was not: ", won},
	} {
		if len(x.list) > 0 {
			said = append(said, x.intro+strings.Join(x.list, ", ")+".")
		}
	}
	if len(said) == 0 {
		return "No step would have been first proven at another time."
	}
	return strings.Join(said, " ")
}

func first(l []onward) *time.Time {
	for _, o := range l {
		if o.v == verdict.Proven {
			t := o.t
			return &t
		}
	}
	return nil
}

func segments(l []onward, to time.Time) []message.RerunSegment {
	out := make([]message.RerunSegment, 0, len(l))
	for i, o := range l {
		end := to
		if i+1 < len(l) {
			end = l[i+1].t
		}
		if o.t.Before(end) {
			out = append(out, message.RerunSegment{From: o.t, To: end, Verdict: o.v})
		}
	}
	return out
}

// alike reports whether two lanes have the same verdicts at the same times, but for
// those that stood no longer than within.
func alike(a, b []onward) bool {
	a, b = lasting(a), lasting(b)
	return slices.EqualFunc(a, b, func(x, y onward) bool { return x.v == y.v && x.t.Sub(y.t).Abs() <= within })
}

// lasting leaves out what stood for no longer than within.
func lasting(l []onward) []onward {
	var out []onward
	for i, o := range l {
		if i+1 < len(l) && l[i+1].t.Sub(o.t) <= within {
			continue
		}
		if n := len(out); n > 0 && out[n-1].v == o.v {
			continue
		}
		out = append(out, o)
	}
	return out
}

// apart is for how long two lanes have different verdicts.
func apart(a, b []onward, to time.Time) time.Duration {
	var marks []time.Time
	for _, l := range [][]onward{a, b} {
		for _, o := range l {
			marks = append(marks, o.t)
		}
	}
	marks = append(marks, to)
	slices.SortFunc(marks, time.Time.Compare)
	var sum time.Duration
	for i := range len(marks) - 1 {
		x, okA := at(a, marks[i])
		y, okB := at(b, marks[i])
		if x != y || okA != okB {
			sum += marks[i+1].Sub(marks[i])
		}
	}
	return sum
}

func at(l []onward, t time.Time) (v verdict.Verdict, ok bool) {
	for _, o := range l {
		if o.t.After(t) {
			break
		}
		v, ok = o.v, true
	}
	return v, ok
}
