package report

import (
	"slices"
	"strconv"
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
	// told is when the reasons were: a reason tells how things were then.
	told time.Time
}

// step is one thing that the crew does, and how it went that evening.
type step struct {
	rules.Step
	// ordered is that it belonged to that evening's work.
	ordered bool
	// spans are in order and follow one another; what was judged nowhere has none.
	spans []span
	// done is when it was done as far as it was said or seen; zero where nothing tells.
	done time.Time
	// stood is the verdict that counts for it, with the reasons of that moment: the one
	// that stood as the word was given or, of what takes its time, as it was begun.
	// judged is false where there was none.
	stood  span
	judged bool
}

// stepsOf returns the steps of the engine, in working order.
func stepsOf(e *Evening) []step {
	var out []step
	dry := e.layUp() == telemetry.Dry
	for _, s := range rules.Steps() {
		if s.Has != nil && !s.Has(e.Engine) {
			continue
		}
		st := step{Step: s, ordered: s.InOrder && (dry || !s.Emptying), spans: joined(changesOf(e, s.ID))}
		st.deed(e)
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

// changesOf returns the changes of a step as spans, each with the reasons of its moment.
func changesOf(e *Evening, id string) []span {
	var out []span
	for _, c := range e.Verdicts {
		if c.Step != id || c.At.After(e.Until) {
			continue
		}
		s := span{from: c.At, to: e.Until, verdict: c.Verdict, because: c.Because, told: c.At}
		if s.from.Before(e.Begun) {
			s.from = e.Begun
		}
		if n := len(out); n > 0 {
			out[n-1].to = s.from
		}
		out = append(out, s)
	}
	return out
}

// joined makes one span of those that follow one another with the same verdict, with the
// reasons that it was proven by as it became so or, of one that is not proven, the last.
// What changed again at the same moment stood for no time and is left out.
func joined(spans []span) []span {
	var out []span
	for _, s := range spans {
		if !s.from.Before(s.to) {
			continue
		}
		if n := len(out); n > 0 && out[n-1].verdict == s.verdict {
			out[n-1].to = s.to
			if s.verdict != verdict.Proven {
				out[n-1].because, out[n-1].told = s.because, s.told
			}
			continue
		}
		out = append(out, s)
	}
	return out
}

// deed finds when the step was done, and what stood then.
func (s *step) deed(e *Evening) {
	all := changesOf(e, s.ID)
	switch {
	case s.Deed != "" || s.ID == "house":
		w, ok := e.wordOf(s.Step)
		if !ok {
			return
		}
		s.done = w.At
		// In the order of the book: several things may have been at one moment.
		for _, c := range e.Verdicts[:min(w.After, len(e.Verdicts))] {
			if c.Step == s.ID {
				s.stood, s.judged = span{from: c.At, verdict: c.Verdict, because: c.Because, told: c.At}, true
			}
		}
		if s.ID == "move-under-steam" {
			s.setOff(e, all)
		}
	case e.Summary == nil:
	case s.ID == "blow-down":
		p := e.Summary.Passed
		if p.BlowDownBegun != nil && p.BlowDownFinished != nil {
			s.done = *p.BlowDownFinished
			s.stood, s.judged = at(all, *p.BlowDownBegun)
			s.opened(all, *p.BlowDownBegun)
		}
	case s.ID == "drain-tanks":
		for _, w := range e.Said {
			if empty := e.Summary.Passed.TanksEmpty; empty != nil && w.Kind == telemetry.Confirmed && w.Subject == "drain-clear" {
				s.done = *empty
				if w.At.After(s.done) {
					s.done = w.At
				}
				s.stood, s.judged = at(all, w.At) // with that word in it
				return
			}
		}
	}
}

// wordOf returns the word by which a step was done; false where it was not given, or was
// taken back.
func (e *Evening) wordOf(s rules.Step) (w Said, ok bool) {
	for _, x := range e.Said {
		switch {
		case s.ID == "house" && x.Kind == telemetry.DisposalEnded, x.Kind == telemetry.Confirmed && x.Subject == s.Deed && s.Deed != "":
			if !ok {
				w, ok = x, true
			}
		case x.Kind == telemetry.Withdrawn && x.Subject == s.Deed:
			ok = false
		}
	}
	return w, ok
}

// setOff puts what stood as the engine set off in place of what stood as it was there:
// by then the steam that brought it is used. It set off once the words that moving asks
// for were given; the first moment after them at which it was proven is taken for that.
func (s *step) setOff(e *Evening, all []span) {
	var ready time.Time
	for _, w := range e.Said {
		if w.Kind == telemetry.Confirmed && w.Subject != s.Deed && !w.At.After(s.done) && s.asksFor(e.Engine, w.Subject) && w.At.After(ready) {
			ready = w.At
		}
	}
	for _, x := range all {
		if x.verdict == verdict.Proven && x.to.After(ready) && !x.from.After(s.done) && !ready.IsZero() {
			s.stood, s.judged = x, true
			return
		}
	}
}

// runsLate is how long after its cocks are opened a pipe may first be seen to run: its
// couple has to warm. Common practice, no source.
const runsLate = 3 * time.Minute

// opened puts what stood as the cocks were opened in place of what stood as the pipe was
// seen to run: a small boiler may be empty by then.
func (s *step) opened(all []span, seen time.Time) {
	for _, x := range all {
		if x.verdict == verdict.Proven && !x.from.After(seen) && x.to.After(seen.Add(-runsLate)) {
			s.stood, s.judged = x, true
			return
		}
	}
}

// before returns the last span before a moment in which the step was proven.
func (s step) before(t time.Time) (x span, ok bool) {
	for _, y := range s.spans {
		if y.verdict == verdict.Proven && y.from.Before(t) {
			x, ok = y, true
		}
	}
	return x, ok
}

// at returns the span at a moment, the later of two that meet there.
func at(spans []span, t time.Time) (span, bool) {
	for i := len(spans) - 1; i >= 0; i-- {
		if !spans[i].from.After(t) {
			return spans[i], true
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
			open[c.Watch] = len(out) - 1
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

// raised is from when on it stood during the disposal, over is until when.
func (c course) raised(e *Evening) time.Time {
	if t := c.changes[0].At; t.After(e.Begun) {
		return t
	}
	return e.Begun
}

func (c course) over(e *Evening) time.Time {
	if last := c.changes[len(c.changes)-1]; last.State == alarm.Normal || last.State == alarm.Suppressed {
		return last.At
	}
	return e.Until
}

// letter names the n-th alarm on the sheet and in its table: A to Z, then A2 and on.
func letter(n int) string {
	s := string(rune('A' + n%26))
	if n >= 26 {
		s += strconv.Itoa(n/26 + 1)
	}
	return s
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
