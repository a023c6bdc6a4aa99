package silence

import (
	"fmt"
	"time"

	"ashlamp/rules/notice"
)

// Word is what a daemon said of itself, or its last will.
type Word struct {
	Up bool
	// At and Until are by the other's clock; zero where it did not say.
	At, Until time.Time
	// Kept is that the broker had kept it: nobody knows how old it is.
	Kept bool
}

// Told is what has been told of a neighbour, for a restart to go on from. The zero value
// is nothing.
type Told struct {
	// Cause is that of the silence that has been told and is not over; empty for none.
	Cause string    `json:"cause,omitempty"`
	N     int       `json:"n,omitempty"`
	Began time.Time `json:"began,omitzero"`
}

// Neighbour follows one other shed's daemon. Make it with [Follow]. The zero value has
// heard nothing.
type Neighbour struct {
	shed, name string
	zone       *time.Location
	told       Told

	heard  time.Time // by this clock, when it last said that it is up
	until  time.Time // how long that may be believed
	looked time.Time
	linked bool
	parted bool      // it, or the broker for it, said that it goes
	left   time.Time // when it said so, by its clock; zero where the broker did
	ever   bool      // anything was heard, ever
	spoke  bool      // it said so itself, and has not fallen silent since
}

// Follow returns a follower that begins to listen now. The name is what people call the
// other shed; told is what was told before.
func Follow(shed, name string, zone *time.Location, told Told, now time.Time) *Neighbour {
	return &Neighbour{shed: shed, name: name, zone: zone, told: told, until: now.Add(Grace), looked: now}
}

// Link takes whether there is a connection to the broker at which it is listened for.
func (n *Neighbour) Link(up bool) { n.linked = up }

// Hear takes a word. By the other's clock only a span is told: the two clocks need not
// agree. A word that the broker had kept does not show that the daemon is there now.
func (n *Neighbour) Hear(w Word, now time.Time) {
	n.ever = true
	if n.parted = !w.Up; n.parted {
		n.left = w.At
		return // it may be back at once, as after an update
	}
	if w.Kept {
		if !w.At.IsZero() && w.At.Before(now) && w.At.After(n.heard) {
			n.heard = w.At
		}
		return
	}
	grace := Grace
	if span := w.Until.Sub(w.At); !w.At.IsZero() && span > 0 && span <= mostGrace {
		grace = span
	}
	n.heard, n.until, n.spoke = now, now.Add(grace), true
}

// Look returns the turn that is to be told, if there is one, and what has been told once
// it is; hand that to [Neighbour.Tell] when it is kept. Looking again before gives the
// same again.
func (n *Neighbour) Look(now time.Time) (notice.Notice, Told, bool) {
	if since := now.Sub(n.looked); since < 0 || since > away {
		// Who did not look, or by another clock, cannot say that nothing came.
		n.until, n.spoke = now.Add(Grace), false
	}
	n.looked = now
	silent := !now.Before(n.until)
	n.spoke = n.spoke && !silent
	switch {
	case silent && n.told.Cause == "":
		t := named(Subject+n.shed, n.name, n.until, now)
		t.Facts = notice.Facts{Title: "Its daemon is heard no longer", Text: n.why(now), Action: n.action()}
		return t, Told{Cause: t.Cause, N: 1, Began: t.Began}, true
	case n.spoke && !n.parted && n.told.Cause != "":
		t := named(Subject+n.shed, n.name, n.told.Began, now)
		t.Cause, t.N, t.Turn = n.told.Cause, n.told.N+1, notice.Over
		t.Facts = notice.Facts{Title: "Its daemon's silence", Text: fmt.Sprintf("Heard again at %s.", timeOfDay(n.heard, now, n.zone))}
		return t, Told{}, true
	}
	return notice.Notice{}, n.told, false
}

// Tell says that what [Neighbour.Look] gave is kept.
func (n *Neighbour) Tell(t Told) { n.told = t }

// Dropped is the last turn of a neighbour that is listened for no longer; false where
// nothing of it was open.
func Dropped(shed string, told Told, now time.Time) (notice.Notice, bool) {
	if told.Cause == "" {
		return notice.Notice{}, false
	}
	t := named(Subject+shed, shed, told.Began, now)
	t.Cause, t.N, t.Turn = told.Cause, told.N+1, notice.Over
	t.Facts = notice.Facts{Title: "Its daemon's silence", Text: "It is listened for no longer."}
	return t, true
}

func (n *Neighbour) why(now time.Time) string {
	last := "It has never been heard."
	switch {
	case !n.heard.IsZero():
		last = fmt.Sprintf("Last heard %s.", timeOfDay(n.heard, now, n.zone))
	case n.ever:
		last = "It has not been heard for a while."
	}
	switch {
	case !n.linked:
		return last + " Its broker does not answer."
	case n.parted && !n.left.IsZero():
		return fmt.Sprintf("Stopped %s. It has not come back.", timeOfDay(n.left, now, n.zone))
	case n.parted:
		return last + " It ended without a goodbye."
	}
	return last
}

func (n *Neighbour) action() string {
	switch {
	case !n.linked:
		return "Nobody judges there, or the way there is cut: look at network and board."
	case !n.ever:
		return "Look at its board, and at the neighbour's id in the configuration."
	}
	return "Nobody judges there: look at its board."
}
