package message

import (
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// Overlay is one channel over several disposals, each in seconds from a mark of its
// own, so that they can be laid over each other.
type Overlay struct {
	Channel telemetry.Channel `json:"channel"`
	Unit    telemetry.Unit    `json:"unit"`
	// Align is the mark that the times count from.
	Align string `json:"align" enum:"fire-out,blow-down,pressure-zero"`
	// Disposals are in the order in which they were asked for.
	Disposals []OverlayDisposal `json:"disposals"`
}

// Whole is as [Engine.Whole].
func (o Overlay) Whole() Overlay {
	o.Disposals = each(o.Disposals, OverlayDisposal.Whole)
	return o
}

// OverlayDisposal is the curve of one disposal from its beginning to its end. Both lists
// are of equal length.
type OverlayDisposal struct {
	ID    string    `json:"id"`
	Begun time.Time `json:"begun"`
	// Ended is absent while it is open.
	Ended *time.Time `json:"ended,omitempty"`
	// At is the instant that the times count from; null where the mark was never passed.
	// They then count from Begun, and the curve must not be laid over others.
	At *time.Time `json:"at"`
	// Why says in a sentence why there is no At; empty where there is one.
	Why string `json:"why"`
	// S are seconds from At, rising; negative before it.
	S []float64 `json:"s"`
	// Mean is in the channel's unit, rounded to a power of ten that is at most a twentieth
	// of the sensor's expanded uncertainty. It is null where nothing is known: the line
	// breaks there, and must not be drawn across. The range about it is in the series.
	Mean []*float64 `json:"mean"`
}

// Whole is as [Engine.Whole].
func (d OverlayDisposal) Whole() OverlayDisposal {
	d.S, d.Mean = filled(d.S), filled(d.Mean)
	return d
}

// BookChain is whether the engine's book is as it was written, entry after entry.
type BookChain struct {
	// State is "not-known" until the book was gone through for the first time since the
	// daemon started, then what was found the last time.
	State string `json:"state" enum:"not-known,whole,broken"`
	// Progress is how far the going through that runs now has come, 0 to 1; null where
	// none runs. Ask again in a second while it is a number.
	Progress *float64 `json:"progress"`
	// ProvedAt is when the book was last gone through to its end or to what is broken;
	// null where it never was. All that follows is of that moment.
	ProvedAt *time.Time `json:"proved_at"`
	// Entries is how many entries, from the first on, are as they were written; First and
	// Last are the times of the first and the last of them.
	Entries uint64     `json:"entries"`
	First   *time.Time `json:"first"`
	Last    *time.Time `json:"last"`
	// Hash is that of the last of them, 64 hexadecimal digits; empty where there is none.
	// Mark is its number, a colon and the hash, as a printed report has it.
	Hash string `json:"hash"`
	Mark string `json:"mark"`
	// Broken is the first entry that is not as it was written; null where none is.
	Broken *BrokenEntry `json:"broken"`
	// Text says it in a sentence or two, with what remains to be done.
	Text string `json:"text"`
}

// BrokenEntry is an entry of a book that is not as it was written.
type BrokenEntry struct {
	// Seq is its number; 0 for one that stands before the first.
	Seq uint64 `json:"seq"`
	// At and Kind are as they stand in it; absent where the entry is missing.
	At   *time.Time `json:"at,omitempty"`
	Kind string     `json:"kind,omitempty"`
	// Fault is what is wrong: it was changed, is missing, was written as another number,
	// was put in later, or is not the end that was noted.
	Fault string `json:"fault" enum:"changed,missing,out of order,put in,chain head"`
	// Why says it in words.
	Why string `json:"why"`
}

// Limit is one limit of an engine: what the judgement compares with.
type Limit struct {
	Key string `json:"key"`
	// Title says in a few words what it is; it begins with a small letter.
	Title string `json:"title"`
	Unit  string `json:"unit"`
	// Value is in force now; null where the limit has none, so that what rests on it
	// cannot be told or is never raised.
	Value *float64 `json:"value"`
	// Default is what is in force where the owner sets nothing; null where only the owner
	// can set it.
	Default *float64 `json:"default"`
	// Min and Max are the least and the greatest value that is taken.
	Min float64 `json:"min"`
	Max float64 `json:"max"`
	// Source is where the default comes from, or that it is common practice.
	Source string `json:"source"`
	// Steps are the ids of the steps that compare with it; of none where only alarms do.
	Steps []string `json:"steps"`
}

// Whole is as [Engine.Whole].
func (l Limit) Whole() Limit {
	l.Steps = filled(l.Steps)
	return l
}

// RerunPost is what a person sends to see a past disposal judged by other limits.
type RerunPost struct {
	// Limits are by key, each in the limit's own unit; what is not named stays as it is
	// in force.
	Limits map[string]float64 `json:"limits"`
}

// RerunLine is one line of the answer: a progress, or at last the result, or what went
// wrong on the way. Exactly one is there.
type RerunLine struct {
	// Progress is how much of the disposal is judged, 0 to 1.
	Progress *float64 `json:"progress,omitempty"`
	Result   *Rerun   `json:"result,omitempty"`
	Problem  *Problem `json:"problem,omitempty"`
}

// Rerun is a past disposal judged once more from its samples and words, by other
// limits. It is a reckoning: nothing of it was ever shown to a crew.
type Rerun struct {
	Engine string `json:"engine"`
	// ID is the disposal's.
	ID string `json:"id"`
	// From and To bound what was judged again: from the beginning of the disposal to its
	// end, or to now.
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Limits are those that were moved, as they are in force and as they were put.
	Limits []RerunLimit `json:"limits"`
	// Steps are all steps of the engine, in their order.
	Steps []RerunStep `json:"steps"`
	// Faithful is that the same reckoning by the limits in force gives what was written in
	// the book that evening, within a second. Where it is false, the limits, the sensors or the
	// rules were others then, and what is different is not by the moved limits alone.
	Faithful bool `json:"faithful"`
	// Text says in a sentence or two what came of it.
	Text string `json:"text"`
}

// Whole is as [Engine.Whole].
func (r Rerun) Whole() Rerun {
	r.Limits = filled(r.Limits)
	r.Steps = each(r.Steps, RerunStep.Whole)
	return r
}

// RerunLimit is a limit that was moved.
type RerunLimit struct {
	Key  string `json:"key"`
	Unit string `json:"unit"`
	// Was is in force, null where it has no value; Now was put in its place.
	Was *float64 `json:"was"`
	Now float64  `json:"now"`
}

// RerunStep is one step as it was judged that evening, and by the moved limits.
type RerunStep struct {
	Step  string `json:"step"`
	Title string `json:"title"`
	// Was is as the book has it, Now as it would have been.
	Was []RerunSegment `json:"was"`
	Now []RerunSegment `json:"now"`
	// FirstProvenWas and FirstProvenNow are when it was first proven; null where it never was.
	FirstProvenWas *time.Time `json:"first_proven_was"`
	FirstProvenNow *time.Time `json:"first_proven_now"`
	// MovedS is FirstProvenNow less FirstProvenWas in seconds, positive where it would have
	// been proven later; null where either is.
	MovedS *float64 `json:"moved_s"`
	// Faithful is as [Rerun.Faithful], of this step.
	Faithful bool `json:"faithful"`
	// Why says in a sentence what holds it back or lets it go earlier; empty where nothing
	// is different.
	Why string `json:"why"`
}

// Whole is as [Engine.Whole].
func (s RerunStep) Whole() RerunStep {
	s.Was, s.Now = filled(s.Was), filled(s.Now)
	return s
}

// RerunSegment is a stretch of one verdict, [From, To).
type RerunSegment struct {
	From    time.Time       `json:"from"`
	To      time.Time       `json:"to"`
	Verdict verdict.Verdict `json:"verdict"`
}
