// Package rules is the judgement: samples, people's words and a clock in,
// verdicts with their reasons out. It does no I/O and has no clock of its own,
// so that an evening can be judged again years later and come to the same.
package rules

import (
	"fmt"
	"slices"
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/blowdown"
	"ashlamp/rules/confirmation"
	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/evidence"
	"ashlamp/rules/fire"
	"ashlamp/rules/health"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/verdict"
)

// Change is one thing that became different. Exactly one of its pointers is set.
type Change struct {
	// Step is a verdict that changed.
	Step *verdict.Change
	// Lapse is a word that no longer stands.
	Lapse *Lapse
	// Passage is a disposal that began or ended, or a new phase.
	Passage *Passage
	// Alarm is an alarm in another state, or one that presses more.
	Alarm *alarm.Change
}

// Lapse is a word that ended by itself.
type Lapse struct {
	At      time.Time `json:"t"`
	Engine  string    `json:"engine"`
	Confirm string    `json:"confirm"`
	By      string    `json:"by"`
	Why     string    `json:"why"`
}

// Passage is a disposal that began or ended, or an engine that came into another
// phase. Why is empty for a new phase.
type Passage struct {
	At     time.Time      `json:"t"`
	Engine string         `json:"engine"`
	Phase  disposal.Phase `json:"phase"`
	Event  string         `json:"event,omitempty"`
	Why    disposal.Why   `json:"why,omitempty"`
}

// MaxAheadS is how far ahead of the clock a sample's time may be, in seconds, and
// still prove something: the widest that the configuration accepts. Whoever admits
// samples asks for less; this is for one who does not.
const MaxAheadS = 60

// UnknownError says that a confirmation is not one of this engine's.
type UnknownError struct{ Confirm string }

func (e *UnknownError) Error() string {
	return fmt.Sprintf("confirmation %q is not known; the known ones are in the documentation, under Confirmations", e.Confirm)
}

type need struct {
	decl    evidence.Declaration
	finding evidence.Finding
	byHand  bool
	// ifMeasured: needed only where it is measured.
	ifMeasured bool
}

type stepState struct {
	step    Step
	normal  []int // indices of needs
	atRest  []int
	verdict verdict.Verdict
	was     []verdict.Verdict
	wasFor  []int
	ids     []int // scratch
	since   track.Instant
	done    track.Instant
}

// Judge is the judgement of one engine. Make it with [New]. It is not safe for
// use by several goroutines at once.
type Judge struct {
	engine engine.Engine
	k      *evidence.Known
	w      *watching
	rest   resting
	f      *foretelling // nil where nothing is forecast
	d      disposal.Disposal
	needs  []need
	steps  []stepState

	now     track.Instant
	judged  track.Instant // when the findings were formed
	started bool
	next    track.Instant
	dropped track.Instant
	out     []Change
	sorted  []telemetry.Sample
	drained int // index of the need that the tanks be empty; -1 for none
}

// New returns a judge that knows nothing but what the engine is. It fails only
// where the engine itself cannot be, as at an altitude without an atmosphere.
func New(e engine.Engine) (*Judge, error) {
	k, err := evidence.NewKnown(e)
	if err != nil {
		return nil, err
	}
	w, err := newWatching(e)
	if err != nil {
		return nil, err
	}
	j := &Judge{engine: e, k: k, w: w, next: track.Never, drained: -1}
	j.restEnded()
	seen := map[string]int{}
	index := func(step string, ds []evidence.Declaration) []int {
		var out []int
		for _, d := range ds {
			key := d.ID
			if d.ID == "smokebox-cool" && step == "open-smokebox" || d.ID == "water-in-glass" {
				key += "@" + step // the same words, other limits
			}
			i, ok := seen[key]
			if !ok {
				i = len(j.needs)
				seen[key] = i
				j.needs = append(j.needs, need{decl: d, byHand: d.ByHand(), ifMeasured: d.ID == "air-clear"})
				if d.ID == "tanks-empty" {
					j.drained = i
				}
			}
			out = append(out, i)
		}
		return out
	}
	for _, s := range Steps() {
		if s.Has != nil && !s.Has(e) {
			continue
		}
		if e.Tanks == 0 {
			s.Needs = without(s.Needs, "tanks-empty")
		}
		j.steps = append(j.steps, stepState{
			step: s, normal: index(s.ID, s.Needs), atRest: index(s.ID, s.AtRest),
		})
	}
	return j, nil
}

func without(ds []evidence.Declaration, id string) []evidence.Declaration {
	var out []evidence.Declaration
	for _, d := range ds {
		if d.ID != id {
			out = append(out, d)
		}
	}
	return out
}

// Now returns the latest time heard; it never runs back.
func (j *Judge) Now() time.Time { return j.now.Time() }

// Next returns the first moment at which time alone may change something, and
// false where only a sample or a word can.
func (j *Judge) Next() (time.Time, bool) {
	if j.next == track.Never {
		return time.Time{}, false
	}
	return j.next.Time(), true
}

// Advance moves the clock to now and returns what time alone changed on the way,
// each at its own moment. A now in the past changes nothing.
func (j *Judge) Advance(now time.Time) []Change {
	j.out = nil
	j.advance(track.Of(now))
	j.start()
	return j.out
}

// Samples takes what was received at a moment and returns what changed. A pack is
// judged in the order of its samples' own times, however it came: pressure and
// shell, pipe and glass are compared with each other.
func (j *Judge) Samples(received time.Time, samples []telemetry.Sample) []Change {
	j.out = nil
	j.advance(track.Of(received))
	if byTime := func(a, b telemetry.Sample) int { return a.At.Compare(b.At) }; !slices.IsSortedFunc(samples, byTime) {
		j.sorted = append(j.sorted[:0], samples...)
		samples = j.sorted
		slices.SortStableFunc(samples, byTime)
	}
	for i := range samples {
		j.add(samples[i])
	}
	j.evaluate()
	return j.out
}

func (j *Judge) add(s telemetry.Sample) {
	at := track.Of(s.At)
	if at.Sub(j.now) > MaxAheadS && s.Quality != telemetry.Bad {
		s.Quality, s.Reason = telemetry.Bad, "clock ahead"
	}
	came := s.Quality
	s = j.heard(s)
	seen := j.k.Add(s)
	if came == telemetry.Good && s.Quality == telemetry.Uncertain && s.Reason != health.Jumping {
		seen.Lapsed, seen.Run = j.k.Doubt(s)
	}
	j.marked(s, seen.Admission)
	if seen.Admission == track.Newest {
		j.foresee(s)
	}
	j.lapse(seen.Lapsed)
	switch seen.Fire {
	case fire.Fell:
		if _, open := j.d.Open(); !open {
			j.begin(at, disposal.Found, "")
		}
		j.fireDropped(at)
	case fire.Relit:
		j.dropped = 0
		j.w.known.Marks.Relit(s.Value)
	}
	if seen.Run == blowdown.Finished {
		j.done("blow-down", at)
		j.done("move-under-steam", at)
	}
}

func (j *Judge) fireDropped(at track.Instant) {
	if j.dropped == 0 {
		j.dropped = at
		j.k.Fire.Dropped()
		j.fireOut(at)
	}
}

func (j *Judge) begin(at track.Instant, why disposal.Why, l telemetry.LayUp) {
	if j.d.Begin(at) {
		j.passage(at, "ended", disposal.Superseded)
		j.lapse(j.k.Said.Seen(confirmation.Ended, at))
	}
	if why == disposal.Said {
		// What was seen before a begin that somebody said belongs to what it
		// supersedes; a begin that was found is part of what was seen.
		j.k.Renew()
		j.renewHealth()
	}
	if l == "" {
		l = j.engine.LayUp
	}
	j.restEnded()
	j.evening(at)
	j.k.SetLayUp(l)
	j.dropped = 0
	for i := range j.steps {
		j.steps[i].done = 0
	}
	j.passage(at, "begun", why)
}

func (j *Judge) passage(at track.Instant, event string, why disposal.Why) {
	j.out = append(j.out, Change{Passage: &Passage{At: max(at, j.now).Time(), Engine: j.engine.ID, Phase: j.d.Phase(), Event: event, Why: why}})
}

func (j *Judge) lapse(ls []confirmation.Lapsed) {
	for _, l := range ls {
		j.out = append(j.out, Change{Lapse: &Lapse{
			At: max(l.When, j.now).Time(), Engine: j.engine.ID, Confirm: l.ID, By: l.By, Why: l.Cause.String(),
		}})
	}
}

func (j *Judge) done(step string, at track.Instant) {
	for i := range j.steps {
		if s := &j.steps[i]; s.step.ID == step && s.done == 0 {
			s.done = at
		}
	}
}

func (j *Judge) undone(deed string) {
	for i := range j.steps {
		if j.steps[i].step.Deed == deed {
			j.steps[i].done = 0
		}
	}
}

// Hear takes what a person said and returns what changed. An unknown
// confirmation is an [*UnknownError] and changes nothing but the clock.
func (j *Judge) Hear(ev telemetry.Event) ([]Change, error) {
	j.out = nil
	at := track.Of(ev.At)
	j.advance(at)
	err := j.hear(ev, at)
	j.evaluate()
	return j.out, err
}

func (j *Judge) hear(ev telemetry.Event, at track.Instant) error {
	switch ev.Kind {
	case telemetry.Confirmed:
		if !j.k.Said.Give(ev.Subject, ev.By, at) {
			return &UnknownError{ev.Subject}
		}
		if ev.Subject == "fire-dropped" {
			// The word may come after the fall was seen; the lowest is counted from
			// the earlier of the two.
			j.fireDropped(at)
		}
		for i := range j.steps {
			if s := &j.steps[i]; s.step.Deed == ev.Subject {
				s.done = at
			}
		}
		if ev.Subject == "plugs-removed" {
			j.rest.drying.PlugsOut(at)
		}
	case telemetry.Withdrawn:
		if _, known := j.k.Said.Declared(ev.Subject); !known {
			return &UnknownError{ev.Subject}
		}
		j.k.Said.Withdraw(ev.Subject, at)
		j.undone(ev.Subject)
		if ev.Subject == "fire-dropped" {
			j.dropped = 0
			j.k.Fire.Lit()
			j.fireIn()
		}
	case telemetry.DisposalBegun:
		if err := checkLayUp(ev.LayUp); err != nil {
			return err
		}
		j.begin(at, disposal.Said, ev.LayUp)
	case telemetry.DisposalEnded:
		if j.d.House(at) {
			j.done("house", at)
			j.restBegun(at)
			j.passage(at, "housed", disposal.Said)
		}
	case telemetry.FireLit:
		if j.d.Light(at) {
			j.passage(at, "ended", disposal.Lit)
			j.lapse(j.k.Said.Seen(confirmation.Ended, at))
		}
		j.lapse(j.k.Said.Seen(confirmation.Fire, at))
		j.k.Fire.Lit()
		j.k.Renew()
		j.dropped = 0
		j.fireIn()
		j.w.known.SaidLit = true
		j.renewHealth()
		j.restEnded()
	case telemetry.NodePutAway, telemetry.NodeBack:
		// No step is judged by nodes: their channels grow stale by themselves.
		j.hearNode(ev, at)
	case telemetry.AlarmAcknowledged, telemetry.AlarmShelved, telemetry.AlarmUnshelved:
		return j.hearAlarm(ev, at)
	case telemetry.RepairBooked, telemetry.RepairDone, telemetry.NextWanted, telemetry.LookedInto:
		j.hearRest(ev, at)
	default:
		return fmt.Errorf("event of kind %s is not known", ev.Kind)
	}
	return nil
}

// advance moves the clock to now and judges at each moment on the way at which
// time alone changes something.
func (j *Judge) advance(now track.Instant) {
	if !j.started {
		j.now = max(j.now, now)
		return
	}
	for j.next <= now {
		j.now = max(j.now, j.next)
		j.evaluate()
	}
	j.now = max(j.now, now)
}

func (j *Judge) start() {
	if !j.started {
		j.evaluate()
	}
}

// evaluate judges everything at the present moment and sets the next one.
func (j *Judge) evaluate() {
	if j.d.Expire(j.now) {
		j.passage(j.now, "ended", disposal.Said)
		j.lapse(j.k.Said.Seen(confirmation.Ended, j.now))
	}
	j.lapse(j.k.Said.Expire(j.now))
	facts := j.facts()
	if j.d.Judge(j.now, facts) {
		j.passage(j.now, "", "")
	}

	next := min(j.d.Next(j.now, facts), j.k.Said.Next(), j.k.StaleNext(j.now))
	for i := range j.needs {
		n := &j.needs[i]
		n.finding = n.decl.Judge(j.k, j.now)
		if n.finding.Until > j.now {
			next = min(next, n.finding.Until)
		}
	}
	j.judged = j.now
	if j.drained >= 0 && j.needs[j.drained].finding.Verdict == verdict.Proven {
		if _, said := j.k.Said.Get("drain-clear"); said {
			j.done("drain-tanks", j.now)
		}
	}
	for i := range j.steps {
		j.compare(&j.steps[i])
	}
	j.next = min(next, j.watch())
	j.rested()
	j.stand()
	j.started = true
}

func (j *Judge) facts() disposal.Facts {
	_, fell := j.k.Run.Fell()
	_, gone := j.k.Run.Gone()
	_, plugs := j.k.Said.Get("plugs-removed")
	f := disposal.Facts{
		FireOut: j.dropped != 0 && j.k.Fire.Out(), DroppedAt: j.dropped,
		Running: j.k.Run.Running(), Fell: fell, Gone: gone, PlugsRemoved: plugs,
	}
	p, _, _ := j.k.Gauge(j.now)
	f.GaugeBar = p / 1e5
	f.FireboxC, _ = j.k.Track(telemetry.Firebox).Fresh(j.now)
	return f
}

// active returns the evidence that a step rests on now, good until it is asked
// again for that step.
func (j *Judge) active(s *stepState) []int {
	ids := s.normal
	if j.k.LayUp != telemetry.Dry && len(s.atRest) > 0 {
		ids = s.atRest
	}
	s.ids = s.ids[:0]
	for _, i := range ids {
		if n := &j.needs[i]; !n.ifMeasured || n.decl.Measured(j.k) {
			s.ids = append(s.ids, i)
		}
	}
	return s.ids
}

// verdictOf joins the findings of a step: proven only if all are, cannot-tell if
// any that samples bear is, else not yet.
func (j *Judge) verdictOf(ids []int) verdict.Verdict {
	v := verdict.Proven
	for _, i := range ids {
		n := &j.needs[i]
		switch {
		case n.finding.Verdict == verdict.Proven:
		case n.finding.Verdict == verdict.CannotTell && !n.byHand:
			return verdict.CannotTell
		default:
			v = verdict.NotYet
		}
	}
	if len(ids) == 0 {
		return verdict.CannotTell
	}
	return v
}

func (j *Judge) compare(s *stepState) {
	ids := j.active(s)
	v := j.verdictOf(ids)
	same := j.started && v == s.verdict && len(ids) == len(s.wasFor)
	for n := 0; same && n < len(ids); n++ {
		same = ids[n] == s.wasFor[n] && j.needs[ids[n]].finding.Verdict == s.was[n]
	}
	if same {
		return
	}
	if v != s.verdict || !j.started {
		s.since = j.now
	}
	s.verdict, s.wasFor, s.was = v, append(s.wasFor[:0], ids...), s.was[:0]
	for _, i := range ids {
		s.was = append(s.was, j.needs[i].finding.Verdict)
	}
	j.out = append(j.out, Change{Step: j.change(s)})
}

func (j *Judge) change(s *stepState) *verdict.Change {
	return &verdict.Change{
		At: j.now.Time(), Engine: j.engine.ID, Step: s.step.ID, Verdict: s.verdict, Because: j.reasons(s.wasFor),
	}
}

func (j *Judge) reasons(ids []int) []verdict.Reason {
	out := make([]verdict.Reason, len(ids))
	for n, i := range ids {
		d := &j.needs[i].decl
		out[n] = verdict.Reason{Evidence: d.ID, Verdict: j.needs[i].finding.Verdict, Text: d.Say(j.k, j.judged)}
	}
	return out
}
