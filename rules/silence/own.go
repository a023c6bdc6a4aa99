package silence

import (
	"fmt"
	"time"

	"ashlamp/rules/notice"
)

// Limits of what is told of this daemon's own silence. Each is common practice, no source.
const (
	// MarkEvery is how often the daemon marks that it judges: by so much the beginning of
	// its silence is told too early at most.
	MarkEvery = 30 * time.Second
	// DeadAfter is how long nothing may have been judged before people are told: longer
	// than a restart or an update.
	DeadAfter = 2 * time.Minute
	// Settles is for how long after the start the clock may still be put right, on a board
	// that keeps no time while it is without power.
	Settles = 10 * time.Minute
)

// Mark is that the daemon judged at a moment.
type Mark struct {
	At time.Time `json:"t"`
	// Parted is that it then ended as it was asked to.
	Parted bool `json:"parted,omitempty"`
}

// Own follows whether this daemon was there. Make it with [Start].
type Own struct {
	shed, name string
	zone       *time.Location
	before     Mark // of the run before; zero when it was told, or is of no more use
	marked     Mark // the newest of this run
	stood      bool // the judgement was found standing still since
}

// Start begins a run; before is the last mark of the run before, zero where there is none.
// The name is what people call the shed.
func Start(shed, name string, zone *time.Location, before Mark) *Own {
	return &Own{shed: shed, name: name, zone: zone, before: before}
}

// Look takes the time, for how long this run has been going by a clock that nobody sets,
// and whether the judging loops turn. It returns the mark that is to be kept, if one is,
// and the notice to be kept with it; hand the mark to [Own.Marked] once both are.
func (o *Own) Look(now time.Time, running time.Duration, judging bool) (m Mark, mark bool, n notice.Notice, tell bool) {
	if !judging {
		o.stood = true
		return
	}
	// The run before: as the clock is put right, a gap that was not seen comes to light.
	if !o.before.At.IsZero() && now.Add(-running).Sub(o.before.At) > DeadAfter {
		why := "The daemon did not run, and was not stopped by anybody: look at its power and its board."
		if o.before.Parted {
			why = "The daemon had been stopped."
		}
		return Mark{At: now}, true, o.gap(o.before.At, now.Add(-running), now, why), true
	}
	if o.stood && !o.marked.At.IsZero() && now.Sub(o.marked.At) > DeadAfter {
		return Mark{At: now}, true, o.gap(o.marked.At, now, now, "The daemon ran and its judgement stood still: look at its log."), true
	}
	last := o.marked.At
	if last.Before(o.before.At) && running < Settles {
		// With a clock that is behind, a mark would hide how long nothing was judged.
		last = o.before.At
	}
	return Mark{At: now}, now.Sub(last) >= MarkEvery || last.IsZero() || running >= Settles && now.Before(last), n, false
}

// Marked says that a mark is kept, and whether the notice that came with it.
func (o *Own) Marked(m Mark, told bool, running time.Duration) {
	o.marked, o.stood = m, false
	if told || running >= Settles {
		o.before = Mark{}
	}
}

// Part returns the mark of one that ends as it was asked to; false where it has judged
// nothing, or by a clock that is behind.
func (o *Own) Part(now time.Time) (Mark, bool) {
	return Mark{At: now, Parted: true}, !o.marked.At.IsZero() && !now.Before(o.marked.At)
}

func (o *Own) gap(from, to, now time.Time, why string) notice.Notice {
	n := named(Subject+o.shed, o.name, from, now)
	n.Facts = notice.Facts{
		Title:  fmt.Sprintf("Nothing was judged from %s to %s", timeOfDay(from, now, o.zone), timeOfDay(to, now, o.zone)),
		Text:   why,
		Action: "Look at each engine again.",
	}
	return n
}
