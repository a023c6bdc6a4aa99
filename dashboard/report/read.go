package report

import (
	"slices"
	"strings"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// span is a verdict and for how long it stood.
type span struct {
	from, to time.Time
	verdict  verdict.Verdict
	because  []verdict.Reason
}

// step is one thing that the crew does, and how it went that evening.
type step struct {
	rules.Step
	// ordered is that it belonged to that evening's work.
	ordered bool
	// spans are in order and follow one another; what was judged nowhere has none.
	spans []span
	// done is when it was done as far as it was said or seen; asOf is the moment whose
	// verdict counts for it: where it takes its time, as it was begun.
	done, asOf time.Time
}

// stepsOf returns the steps of the engine, in working order.
func stepsOf(e *Evening) []step {
	var out []step
	dry := e.layUp() == telemetry.Dry
	for _, s := range rules.Steps() {
		if s.Has != nil && !s.Has(e.Engine) {
			continue
		}
		st := step{Step: s, ordered: s.InOrder && (dry || !s.Emptying)}
		st.spans = spansOf(e, s.ID)
		st.done, st.asOf = doneOf(e, s)
		out = append(out, st)
	}
	return out
}

func (e *Evening) layUp() telemetry.LayUp {
	if e.Summary != nil && e.Summary.LayUp != "" {
		return e.Summary.LayUp
	}
	for _, s := range e.Said {
		if s.Kind == telemetry.DisposalBegun && s.LayUp != "" {
			return s.LayUp
		}
	}
	return e.Engine.LayUp
}

func spansOf(e *Evening, id string) []span {
	var out []span
	for _, c := range e.Verdicts {
		if c.Step != id || !c.At.Before(e.Until) {
			continue
		}
		s := span{from: c.At, verdict: c.Verdict, because: c.Because}
		if s.from.Before(e.Begun) {
			s.from = e.Begun
		}
		if n := len(out); n > 0 {
			if out[n-1].from.Equal(s.from) {
				out = out[:n-1] // what changed again at once stood for no time
			} else {
				out[n-1].to = s.from
			}
		}
		s.to = e.Until
		out = append(out, s)
	}
	// Reasons may have changed while the verdict did not: that is one span of it.
	var joined []span
	for _, s := range out {
		if n := len(joined); n > 0 && joined[n-1].verdict == s.verdict {
			joined[n-1].to = s.to
			if s.verdict != verdict.Proven {
				joined[n-1].because = s.because // why it is not proven: as it was last
			}
			continue
		}
		joined = append(joined, s)
	}
	return joined
}

// doneOf returns when a step was done, zero where nothing tells.
func doneOf(e *Evening, s rules.Step) (done, asOf time.Time) {
	passed := func(t *time.Time) time.Time {
		if t == nil {
			return time.Time{}
		}
		return *t
	}
	switch {
	case s.Deed != "":
		for _, w := range e.Said {
			switch {
			case w.Subject != s.Deed:
			case w.Kind == telemetry.Confirmed && done.IsZero():
				done = w.At
			case w.Kind == telemetry.Withdrawn:
				done = time.Time{}
			}
		}
	case s.ID == "house":
		for _, w := range e.Said {
			if w.Kind == telemetry.DisposalEnded && done.IsZero() {
				done = w.At
			}
		}
	case e.Summary == nil:
	case s.ID == "blow-down":
		return passed(e.Summary.Passed.BlowDownFinished), passed(e.Summary.Passed.BlowDownBegun)
	case s.ID == "drain-tanks":
		empty := passed(e.Summary.Passed.TanksEmpty)
		for _, w := range e.Said {
			if w.Kind == telemetry.Confirmed && w.Subject == "drain-clear" && !empty.IsZero() {
				if w.At.After(empty) {
					empty = w.At
				}
				return empty, w.At.Add(telemetry.Resolution) // as it stood once that was said
			}
		}
	}
	return done, done
}

// at returns the verdict that stood just before a moment; false where there was none.
func (s step) at(t time.Time) (span, bool) {
	for i := len(s.spans) - 1; i >= 0; i-- {
		if x := s.spans[i]; x.from.Before(t) && !x.to.Before(t) {
			return x, true
		}
	}
	return span{}, false
}

// first returns the first span in which the step was proven.
func (s step) first() (span, bool) {
	for _, x := range s.spans {
		if x.verdict == verdict.Proven {
			return x, true
		}
	}
	return span{}, false
}

// provenFor is for how long it stood proven altogether.
func (s step) provenFor() (d time.Duration) {
	for _, x := range s.spans {
		if x.verdict == verdict.Proven {
			d += x.to.Sub(x.from)
		}
	}
	return d
}

// wanting returns what of a span was not proven, a sentence each.
func (s span) wanting() []string {
	var out []string
	for _, r := range s.because {
		if r.Verdict != verdict.Proven && !slices.Contains(out, r.Text) {
			out = append(out, r.Text)
		}
	}
	return out
}

// stand is a person's word from when it was first given until it no longer stood.
type stand struct {
	no int
	id string
	// given are the moments at which it was given, the first and each renewal.
	given []time.Time
	by    []string
	ended time.Time
	why   string
	byEnd string
}

// standsOf gathers words that renew one another, numbered by when each was first given.
func standsOf(e *Evening) []stand {
	var out []stand
	for _, s := range e.Said {
		if s.Kind != telemetry.Confirmed {
			continue
		}
		i := slices.IndexFunc(out, func(x stand) bool { return x.id == s.Subject && x.ended.Equal(s.EndedAt) })
		if i < 0 {
			out = append(out, stand{no: len(out) + 1, id: s.Subject, ended: s.EndedAt, why: s.EndedWhy, byEnd: s.EndedBy})
			i = len(out) - 1
		}
		x := &out[i]
		x.given = append(x.given, s.At)
		if by := who(s.By); !slices.Contains(x.by, by) {
			x.by = append(x.by, by)
		}
	}
	return out
}

// lane returns which of the steps a word is drawn on: the first in order that asks for
// it, or whose deed it is, and is not done before; -1 for none.
func lane(steps []step, e engine.Engine, s stand) int {
	found := -1
	for i, st := range steps {
		if !st.asksFor(e, s.id) {
			continue
		}
		if found < 0 {
			found = i
		}
		if st.ordered && (st.done.IsZero() || !st.done.Before(s.given[0])) {
			return i
		}
	}
	return found
}

func (s step) asksFor(e engine.Engine, confirm string) bool {
	if s.Deed == confirm {
		return true
	}
	for _, d := range append(slices.Clone(s.Needs), s.AtRest...) {
		if d.Word == confirm || e.ByWord[d.ID] == confirm {
			return true
		}
	}
	return false
}

// course is one alarm that called for a person, from when it was raised on.
type course struct {
	watch string
	// changes begin with the one that raised it.
	changes []alarm.Change
}

// coursesOf returns the alarms that were raised, each with what became of it. One that
// stood as the disposal began counts as raised then.
func coursesOf(e *Evening) []course {
	var out []course
	open := map[string]int{}
	for _, c := range e.Alarms {
		if c.At.After(e.Until) {
			continue
		}
		calls := c.State == alarm.Unacknowledged || c.State == alarm.Acknowledged || c.State == alarm.ReturnedUnacknowledged || c.State == alarm.Shelved || c.State == alarm.OutOfService
		i, ok := open[c.Watch]
		switch {
		case ok:
			out[i].changes = append(out[i].changes, c)
		case calls:
			out = append(out, course{c.Watch, []alarm.Change{c}})
			i, open[c.Watch] = len(out)-1, len(out)-1
		default:
			continue
		}
		if c.State == alarm.Normal || c.State == alarm.Suppressed {
			delete(open, c.Watch)
		}
	}
	// Those that were over before the disposal began are another evening's.
	return slices.DeleteFunc(out, func(x course) bool {
		last := x.changes[len(x.changes)-1]
		return last.At.Before(e.Begun) && (last.State == alarm.Normal || last.State == alarm.Suppressed)
	})
}

// acknowledged returns who first said that they knew, and when; false where nobody did.
func (c course) acknowledged() (alarm.Change, bool) {
	for _, x := range c.changes {
		if x.By != "" && (x.State == alarm.Acknowledged || x.State == alarm.Normal) {
			return x, true
		}
	}
	return alarm.Change{}, false
}

// ofSensors are the watches that tell of the instruments, not of the engine.
var ofSensors = []string{"sensor-fault", "sensors-disagree", "node-lost", "clock-wrong", "store-trouble"}

func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") || strings.HasSuffix(s, "!") {
		return s
	}
	return s + "."
}
