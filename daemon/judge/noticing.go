package judge

import (
	"encoding/json"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/notice"
)

const (
	// lookEvery is how often, in the time of the data, it is looked whether something is
	// worth a ring where no verdict, alarm or phase changed: a forecast that moved, or what
	// had to hold for a while.
	lookEvery = 10 * time.Second
	// restEvery is how often a resting engine is looked at: its air changes over hours.
	restEvery = 5 * time.Minute
)

// noticing is what a loop keeps to notice what is worth a ring.
type noticing struct {
	// told is what has been told and written, next what is about to be: they change
	// places once it is.
	told, next     *notice.Ledger
	standing       notice.Standing
	looked, rested time.Time
	// live is that the judge has come to the present moment: before that nothing is worth
	// a ring. fresh is that next is of a look whose telling is not written yet.
	live, fresh bool
}

// dueAt reports whether it is time to look where nothing changed.
func (n *noticing) dueAt(now time.Time) bool { return n.live && now.Sub(n.looked) >= lookEvery }

// look returns what is to be told of how the engine stands. It has not been told before
// [noticing.wrote].
func (n *noticing) look(j *rules.Judge, changes []rules.Change) []notice.Notice {
	if !n.live {
		return nil
	}
	now := j.Now()
	rest := now.Sub(n.rested) >= restEvery
	for _, c := range changes {
		rest = rest || c.Passage != nil
	}
	j.Standing(&n.standing, rest)
	n.looked = now
	if rest {
		n.rested = now
	}
	n.next.Copy(n.told)
	n.fresh = true
	return n.next.Follow(&n.standing)
}

// wrote says what became of what was looked at: it is told, or it is to be told again
// with what is written next.
func (n *noticing) wrote(ns []notice.Notice, err error) {
	if !n.fresh {
		return
	}
	n.fresh = false
	if err != nil {
		n.told.Failed(ns)
		n.rested = time.Time{}
		return
	}
	n.told, n.next = n.next, n.told
}

// ledger is what will have been told, to be kept; nil where nothing was looked at.
func (n *noticing) ledger() ([]byte, error) {
	if !n.fresh {
		return nil, nil
	}
	return json.Marshal(n.next)
}
