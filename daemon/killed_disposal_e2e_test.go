package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/dashboard/message"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// blow is one kill.
type blow struct {
	// after is what it comes right after; from is the earliest moment for it.
	after string
	from  time.Duration
	// down is for how long there is no daemon; keeps is that the node sends later what
	// it measured meanwhile, else that is lost.
	down  time.Duration
	keeps bool
}

// What a kill can come right after.
const (
	anything    = "nothing in particular"
	aBurst      = "some of the packs of a burst"
	aWord       = "a word was accepted"
	anAlarm     = "an alarm was raised"
	anAck       = "an alarm was acknowledged"
	aShelf      = "an alarm was shelved"
	plugsProven = "plugs-out was proven"
	theHold     = "a minute of the hold of zero pressure"
)

// blows draws ten: those that an event brings, and those at moments spread over the
// disposal. Seconds are fewer than the node's interval, so that no sample is lost.
func blows(r *rand.Rand) []*blow {
	seconds := func() time.Duration { return time.Duration(2+r.IntN(7)) * time.Second }
	minutes := func() time.Duration {
		return time.Duration(180+r.IntN(400))*time.Second + time.Duration(r.IntN(1e6))*time.Microsecond
	}
	out := []*blow{
		{after: anAlarm, down: minutes()},
		{after: anAck, down: seconds(), keeps: true},
		{after: aShelf, down: minutes(), keeps: true},
		{after: plugsProven, down: minutes()},
		{after: theHold, down: seconds(), keeps: true},
	}
	drawn := []*blow{
		{after: aBurst, down: seconds(), keeps: true},
		{after: aBurst, down: minutes(), keeps: true},
		{after: aWord, down: minutes()},
		{after: aWord, down: seconds(), keeps: true},
		{after: anything, down: minutes()},
	}
	r.Shuffle(len(drawn), func(i, j int) { drawn[i], drawn[j] = drawn[j], drawn[i] })
	for i, b := range drawn {
		b.from = 8*time.Minute + time.Duration((float64(i)+r.Float64())*float64(40*time.Minute))
	}
	return append(out, drawn...)
}

// twins is one engine with its crew, heard by two daemons: one is killed, and its twin
// is not. Both are told the same: while the one is dead, the other hears nothing
// either, and nobody looks at its page. So all that they say must be the same, at
// every moment at which both are there.
type twins struct {
	t            *testing.T
	killed, twin *process
	node         *node.Node
	now          time.Time
	begun        time.Time
	zeroHold     time.Duration

	left []*blow
	is   *blow // the blow that it is dead by
	died time.Time
	up   time.Time

	state message.State // as last told, and the same by both
	// burst is how many packs are still to be collected before a burst; packs are what
	// the node keeps.
	burst int
	blow  *blow // that waits for the burst
	packs []node.Pack
	// heard is when the newest sample was measured that the daemon took.
	heard time.Time
	said  []telemetry.Event // while there was no daemon
	stamp []message.Stamp   // of every word that was accepted

	book []store.BookEntry // of the killed one, as last read
	// rest waits for the rest of a burst that a kill has cut off.
	rest func() error
	// lost is that the gap over plugs-out is over, held that the hold after it is too.
	lost, held bool
	// raised is when an alarm was first seen unacknowledged; acked and shelved are done.
	raised         map[string]time.Time
	acked, shelved bool
	hold           time.Time // first sample after the gap over plugs-out
	gaps           [][2]time.Time
	kills, looks   int
	// apart is since when an alarm differs from the twin's.
	apart map[string]time.Time
	// seen counts the alarms that stood over a kill, by their state.
	seen map[string]int
}

const putAway = "quillet"

// TestKilledTenTimesThroughADisposal kills the daemon, a real process over a real
// store behind a real broker, ten times while an engine is put away, and holds it
// against one that heard the same and was never killed.
//
// The two must tell the same after every sample, word and moment: steps with every
// evidence, phase, words, alarms with their state, priority, since, by and until.
// What may differ while both live: an alarm that the process or time changes may do so
// by apartFor earlier or later. Their books must have the same words,
// lapses and passages, the same alarms within apartFor, and the same verdicts at the same moments outside of
// the gaps; a step's verdict is written anew at each start, and what it was within a
// gap is not found again.
func TestKilledTenTimesThroughADisposal(t *testing.T) {
	const seed = 11
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	w := newTwins(t, ctx, seed)
	// With its balance pipe blocked one tank never drains, and the engine is not housed.
	for w.is != nil || len(w.left) > 0 || w.now.Sub(w.up) < 45*time.Minute {
		if w.now.Sub(w.begun) > 8*time.Hour {
			t.Fatalf("after 8 h the kill after %s is still to come; the crew is at %s", w.left[0].after, w.node.World.Stage())
		}
		if err := w.node.Step(ctx); err != nil {
			t.Fatal(err)
		}
		w.look()
		if t.Failed() {
			t.FailNow()
		}
	}
	w.finish()
}

func newTwins(t *testing.T, ctx context.Context, seed uint64) *twins {
	t.Helper()
	w := &twins{
		t: t, killed: newProcess(t, "the killed one"), twin: newProcess(t, "its twin"),
		now: recordedAt, begun: recordedAt, left: blows(rand.New(rand.NewPCG(seed, 1))),
		raised: map[string]time.Time{}, seen: map[string]int{}, apart: map[string]time.Time{},
		zeroHold: time.Duration(exampleEngine(t, putAway).Limits.At(limit.ZeroHold) * float64(time.Second)),
	}
	props, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	m := world.Quillet()
	m.Start, m.Altitude = recordedAt, 120
	wd, err := world.New(m, props, seed, w, w)
	if err != nil {
		t.Fatal(err)
	}
	for fault, delay := range map[string]float64{"shell-top-open": 900, "balance-blocked": 100} {
		if err := wd.InjectAt(fault, "fill", delay); err != nil {
			t.Fatal(err)
		}
	}
	w.node = node.New(wd, w, node.Intervals{Pressure: 10 * time.Second, Temperature: 20 * time.Second, Tank: 30 * time.Second, Shed: time.Minute}, seed)
	w.node.Pace = w.pace
	for _, p := range []*process{w.killed, w.twin} {
		p.start(w.now)
		p.dial(ctx, putAway, func() time.Time { return w.now })
		p.to(w.now)
	}
	w.compare()
	return w
}

// pace moves both clocks on, and ends a gap whose time is over on the way.
func (w *twins) pace(ctx context.Context, date time.Time) error {
	if w.is != nil && !date.Before(w.up) {
		if err := w.restart(ctx); err != nil {
			return err
		}
	}
	w.now = date
	w.twin.to(date)
	if w.is == nil {
		w.killed.to(date)
	}
	return nil
}

// Verdict implements the crew's lamp.
func (w *twins) Verdict(step string) string {
	if w.is != nil {
		return verdict.CannotTell.String()
	}
	for _, s := range w.state.Steps {
		if s.ID == step {
			return s.Verdict.String()
		}
	}
	return verdict.CannotTell.String()
}

// Say implements the crew's voice. Who finds no daemon says it when there is one.
func (w *twins) Say(_ context.Context, ev telemetry.Event) error {
	if w.is != nil {
		w.said = append(w.said, ev)
		return nil
	}
	w.say(ev)
	w.strike(aWord)
	return nil
}

func (w *twins) say(ev telemetry.Event) {
	a, b := w.killed.say(putAway, ev), w.twin.say(putAway, ev)
	if a != b {
		w.t.Errorf("%s: the stamp of one word is %+v, that of the other %+v", clockTime(w.now), a, b)
	}
	w.stamp = append(w.stamp, a)
}

// Carry implements [node.Carrier].
func (w *twins) Carry(ctx context.Context, p node.Pack) error {
	p.Samples = slices.Clone(p.Samples)
	// In the order in which the store gives them back: within one moment no order is
	// the right one.
	slices.SortFunc(p.Samples, func(a, b telemetry.Sample) int { return strings.Compare(string(a.Channel), string(b.Channel)) })
	switch {
	case w.is != nil && w.is.keeps, w.burst > 0:
		w.packs = append(w.packs, p)
		w.burst = max(0, w.burst-1)
		if w.is == nil && w.burst == 0 {
			return w.flood(ctx)
		}
		return nil
	case w.is != nil:
		return nil
	}
	return w.carry(ctx, p)
}

func (w *twins) carry(ctx context.Context, p node.Pack) error {
	for _, d := range []*process{w.killed, w.twin} {
		if err := d.link.Carry(ctx, p); err != nil {
			return err
		}
		d.to(w.now)
	}
	w.took(p)
	return nil
}

func (w *twins) took(p node.Pack) {
	if p.Shed {
		return
	}
	w.heard = p.Samples[0].At
	if w.lost && w.hold.IsZero() {
		w.hold = w.heard
	}
}

// flood sends at once what the node has collected, and kills the daemon in the middle:
// what was acknowledged by then the twin has too, the rest both get after the restart.
func (w *twins) flood(ctx context.Context) error {
	packs := w.packs
	w.packs = nil
	acked, sent := make(chan int, len(packs)), make(chan error, 1)
	go func() {
		for i, p := range packs {
			if err := w.killed.link.Carry(ctx, p); err != nil {
				sent <- err
				return
			}
			acked <- i
		}
		sent <- nil
	}()
	// As the signal comes the next packs are on their way.
	stop := len(packs) / 3
	for i := range acked {
		if i == stop {
			break
		}
	}
	b := w.blow
	w.blow = nil
	w.die(b)
	for _, p := range packs[:stop+1] {
		if err := w.twin.link.Carry(ctx, p); err != nil {
			return err
		}
		w.took(p)
	}
	w.twin.to(w.now)
	// The node's link goes on trying, and comes through once there is a daemon again.
	w.rest = func() error {
		if err := <-sent; err != nil {
			return fmt.Errorf("the rest of a burst: %w", err)
		}
		for _, p := range packs[stop+1:] {
			if err := w.twin.link.Carry(ctx, p); err != nil {
				return err
			}
			w.took(p)
		}
		return nil
	}
	return nil
}

// strike kills the daemon now, if this is what a blow comes right after.
func (w *twins) strike(after string) {
	for _, b := range w.left {
		if b.after == after && w.is == nil && w.now.Sub(w.begun) >= b.from {
			w.die(b)
			return
		}
	}
}

func (w *twins) die(b *blow) {
	w.killed.kill()
	w.twin.to(w.now)
	w.state = w.twin.state(putAway)
	w.left = slices.DeleteFunc(w.left, func(o *blow) bool { return o == b })
	w.is, w.died, w.up = b, w.now, w.now.Add(b.down)
	w.kills++
	w.unchanged(w.killed.book(putAway))
	w.t.Logf("kill %2d at %s, after %s; away for %s, the node keeps: %v", w.kills, clockTime(w.now), b.after, b.down, b.keeps)
}

// unchanged holds a book against what it was before.
func (w *twins) unchanged(book []store.BookEntry) {
	if len(book) < len(w.book) {
		w.t.Fatalf("the book had %d entries and has %d", len(w.book), len(book))
	}
	for i, was := range w.book {
		is := book[i]
		if is.Seq != was.Seq || is.Kind != was.Kind || is.By != was.By || !is.At.Equal(was.At) || !bytes.Equal(is.Body, was.Body) || is.Hash != was.Hash {
			w.t.Errorf("entry %d of the book was %s %s %s and is %s %s %s", was.Seq, was.At, was.Kind, was.Body, is.At, is.Kind, is.Body)
		}
	}
	w.book = book
}

// restart starts the daemon at the end of a gap and looks at what it knows, before it
// hears anything and after.
func (w *twins) restart(ctx context.Context) error {
	b := w.is
	before, had := w.state, len(w.book)
	w.now = w.up
	w.twin.to(w.now)
	w.killed.start(w.now)
	w.unchanged(w.killed.book(putAway))
	if w.rest == nil { // else the rest of a burst may be there already
		w.compare()
		w.remembers(before, w.book[had:])
		w.blind(before)
	}
	w.is = nil
	if w.rest != nil {
		if err := w.rest(); err != nil {
			return err
		}
		w.rest = nil
		w.settle()
		w.compare()
		w.remembers(before, w.killed.book(putAway)[had:])
	}
	w.gaps = append(w.gaps, [2]time.Time{w.died, w.now})
	if b.after == plugsProven {
		w.lost = true
	}
	for _, p := range w.packs {
		if err := w.carry(ctx, p); err != nil {
			return err
		}
	}
	w.packs = nil
	for _, ev := range w.said {
		w.say(ev)
	}
	w.said = nil
	w.settle()
	w.compare()
	return nil
}

// remembers checks that words and alarms are as people left them, unless the book
// says since what became of them.
func (w *twins) remembers(before message.State, since []store.BookEntry) {
	w.t.Helper()
	stands := map[string]message.Given{}
	for _, g := range w.state.Confirmations {
		stands[g.Confirm] = g
	}
	last := map[string]message.Stamp{}
	for _, s := range w.stamp {
		if s.Kind == telemetry.Confirmed.String() {
			last[s.Subject] = s
		}
	}
	for id, s := range last {
		if g, ok := stands[id]; ok && g.At.Equal(s.T) && g.By == s.By {
			continue
		}
		if !slices.ContainsFunc(w.book, func(e store.BookEntry) bool {
			var l rules.Lapse
			return e.Kind == judge.KindLapsed && !e.At.Before(s.T) && json.Unmarshal(e.Body, &l) == nil && l.Confirm == id && l.Why != ""
		}) {
			w.t.Errorf("%s: %s was accepted at %s; now %+v stands, and the book has no reason", clockTime(w.now), id, clockTime(s.T), stands[id])
		}
	}
	for _, s := range w.stamp {
		if !slices.ContainsFunc(w.book, func(e store.BookEntry) bool { return e.Kind == s.Kind && e.At.Equal(s.T) && e.By == s.By }) {
			w.t.Errorf("the book has no %+v, which was accepted", s)
		}
	}
	changed := map[string]bool{}
	for _, e := range since {
		var c alarm.Change
		if e.Kind == judge.KindAlarm && json.Unmarshal(e.Body, &c) == nil {
			changed[c.Watch] = true
		}
	}
	is := alarms(w.state)
	for watch, was := range alarms(before) {
		if _, apart := w.apart[watch]; apart || changed[watch] {
			continue
		}
		if !sameAlarm(is[watch], was) {
			w.t.Errorf("%s: alarm %s was %+v and is %+v", clockTime(w.now), watch, was, is[watch])
		}
		w.seen[was.state]++
	}
}

// alarmed is how an alarm stands.
type alarmed struct {
	state, priority, by, until string
	since                      time.Time
}

func alarms(s message.State) map[string]alarmed {
	out := map[string]alarmed{}
	for _, a := range s.Alarms {
		x := alarmed{state: a.State, priority: a.Priority, by: a.By, since: a.T}
		if a.Until != nil {
			x.until = a.Until.Format(time.RFC3339Nano)
		}
		out[a.Watch] = x
	}
	return out
}

// blind checks that nothing is told that no sample bears any more: by the limits and
// the node's own moments, not by what the twin thinks.
func (w *twins) blind(before message.State) {
	w.t.Helper()
	may, silent := limits(before), w.now.Sub(w.heard)
	each(w.state, func(st message.Step, r message.Reason) {
		if silent > may[r.Evidence] && r.Verdict != verdict.CannotTell {
			w.t.Errorf("%s: %s after the last sample %s of %s is %s (%s)", clockTime(w.now), silent, r.Evidence, st.ID, r.Verdict, r.Text)
		}
	})
	was := map[string]verdict.Verdict{}
	for _, st := range before.Steps {
		was[st.ID] = st.Verdict
	}
	for _, st := range w.state.Steps {
		if st.Verdict == verdict.Proven && was[st.ID] != verdict.Proven {
			w.t.Errorf("%s: %s is proven before anything was heard, and was %s before the gap", clockTime(w.now), st.ID, was[st.ID])
		}
	}
}

// compare holds what the two tell against each other.
func (w *twins) compare() {
	w.t.Helper()
	a, b := w.killed.state(putAway), w.twin.state(putAway)
	x, y := essence(a), essence(b)
	for k := range x {
		if x[k] != y[k] {
			w.t.Errorf("%s, %d kills: %s\nkilled %s\ntwin   %s", clockTime(w.now), w.kills, k, x[k], y[k])
		}
	}
	if len(x) != len(y) {
		w.t.Errorf("%s: the one tells %d things, the other %d", clockTime(w.now), len(x), len(y))
	}
	for i, st := range a.Steps {
		if since := b.Steps[i].Since; !st.Since.Equal(since) {
			w.t.Errorf("%s, %d kills: %s is %s since %s, by the twin since %s", clockTime(w.now), w.kills, st.ID, st.Verdict, clockTime(st.Since), clockTime(since))
		}
	}
	w.state = a
	w.looks++
	p, q := alarms(a), alarms(b)
	for watch := range p {
		if _, ok := q[watch]; !ok {
			q[watch] = alarmed{state: "normal"}
		}
	}
	for watch, is := range q {
		if sameAlarm(p[watch], is) {
			delete(w.apart, watch)
			continue
		}
		if _, ok := w.apart[watch]; !ok {
			w.apart[watch] = w.now
		}
		if d := w.now.Sub(w.apart[watch]); d > apartFor {
			w.t.Errorf("%s, %d kills: alarm %s differs for %s: killed %+v, twin %+v", clockTime(w.now), w.kills, watch, d, p[watch], is)
		}
	}
}

// apartFor is by how much an alarm that the process or time changes may come earlier or
// later than the twin's: the findings on sensors are drawn up anew at most every 5 s,
// counted from the start, and looked at when the node has read, every 10 s.
const apartFor = 20 * time.Second

// sameAlarm compares how an alarm stands with how the twin's does.
func sameAlarm(a, b alarmed) bool {
	d := a.since.Sub(b.since).Abs()
	a.since, b.since = time.Time{}, time.Time{}
	if a.state == "suppressed" {
		// What it would call for is told only when the page is next drawn.
		a.priority, b.priority = "", ""
	}
	return a == b && d <= apartFor
}

// essence is what a state says, without sentences and readings, which are told only
// when they are next drawn.
func essence(s message.State) map[string]string {
	out := map[string]string{
		"phase": s.Phase, "lay-up": string(s.LayUp), "front": s.Front,
		"words": "", "asks": "",
	}
	if s.Disposal != nil {
		out["disposal"] = fmt.Sprint(s.Disposal.ID, s.Disposal.Begun, s.Disposal.Ended != nil)
	}
	for _, st := range s.Steps {
		line := fmt.Sprintf("%s done %v:", st.Verdict, st.Done)
		for _, r := range st.Because {
			line += fmt.Sprintf(" %s %s", r.Evidence, r.Verdict)
		}
		out["step "+st.ID] = line
	}
	for _, g := range s.Confirmations {
		out["words"] += fmt.Sprintf("%s by %s at %s; ", g.Confirm, g.By, clockTime(g.At))
	}
	for _, a := range s.Asks {
		out["asks"] += fmt.Sprintf("%s%s %v; ", a.Confirm, a.Say, a.Now)
	}
	return out
}

func clockTime(t time.Time) string { return t.Format("15:04:05.000") }

// look does, between two readings of the node, what people and kills do.
func (w *twins) look() {
	if w.is != nil {
		return
	}
	w.compare()
	if w.burst > 0 {
		return
	}
	w.attend()
	if proven(w.state, "plugs-out") {
		w.strike(plugsProven)
	}
	if w.lost {
		w.holding()
	}
	w.strike(anything)
	for _, b := range w.left {
		if b.after == aBurst && w.is == nil && w.burst == 0 && w.now.Sub(w.begun) >= b.from {
			w.blow, w.burst = b, 15
		}
	}
}

// attend looks after the alarms as a crew does that has other things to do: three
// minutes after it was raised, the one is acknowledged and the other shelved.
func (w *twins) attend() {
	for watch, a := range alarms(w.state) {
		if a.state != "unacknowledged" {
			continue
		}
		if _, ok := w.raised[watch]; !ok {
			w.raised[watch] = w.now
			w.strike(anAlarm)
			if w.is != nil {
				return
			}
		}
		if w.now.Sub(w.raised[watch]) < 3*time.Minute {
			continue
		}
		id := "/alarms/" + putAway + "." + watch
		switch {
		case watch == "sensor-fault" && !w.acked:
			w.acked = true
			w.deed(anAck, id+"/acknowledge", message.Acknowledgement{By: "T. Oxley"})
		case watch == "tanks-unbalanced" && !w.shelved:
			w.shelved = true
			minutes := 47.5
			w.deed(aShelf, id+"/shelve", message.Shelf{By: "R. Penhalow", Why: "the balance pipe is to be rodded", Minutes: &minutes})
		default:
			continue
		}
		return
	}
}

func (w *twins) deed(what, path string, body any) {
	a, b := w.killed.post(path, body, http.StatusOK), w.twin.post(path, body, http.StatusOK)
	if a != b {
		w.t.Errorf("the stamp of one is %+v, that of the other %+v", a, b)
	}
	w.stamp = append(w.stamp, a)
	w.strike(what)
}

// settle waits until both have judged what they were told, and told it to their pages.
func (w *twins) settle() {
	w.killed.to(w.now)
	w.twin.to(w.now)
}

// holding watches the hold of zero pressure begin anew after the gap over plugs-out.
func (w *twins) holding() {
	var r message.Reason
	each(w.state, func(st message.Step, x message.Reason) {
		if st.ID == "plugs-out" && x.Evidence == "pressure-zero" {
			r = x
		}
	})
	d := w.now.Sub(w.hold)
	switch {
	case w.held:
	case r.Verdict == verdict.Proven:
		w.held = true
		if d < w.zeroHold || d > w.zeroHold+25*time.Second {
			w.t.Errorf("pressure-zero was proven %s after the first sample after a gap, want its hold of %s", d, w.zeroHold)
		}
	case d >= time.Minute:
		w.strike(theHold)
	}
}

// finish ends both and holds their books against each other.
func (w *twins) finish() {
	t := w.t
	w.killed.end()
	w.twin.end()
	if len(w.left) > 0 || w.is != nil {
		for _, b := range w.left {
			t.Errorf("no kill came after %s", b.after)
		}
	}
	if !w.held || !w.acked || !w.shelved {
		t.Errorf("held %v, acknowledged %v, shelved %v; want all three", w.held, w.acked, w.shelved)
	}
	for _, s := range []string{"unacknowledged", "acknowledged", "shelved"} {
		if w.seen[s] == 0 {
			t.Errorf("no alarm was %s over a kill", s)
		}
	}
	w.unchanged(w.killed.book(putAway))
	a, b := w.book, w.twin.book(putAway)
	doubled(t, a)
	w.sameAlarms(a, b)
	for _, kind := range []string{"words", judge.KindLapsed, judge.KindPassage, judge.KindVerdict} {
		x, y := w.entries(a, kind), w.entries(b, kind)
		for _, l := range missing(x, y) {
			t.Errorf("%s: only in the twin's book: %s", kind, l)
		}
		for _, l := range missing(y, x) {
			t.Errorf("%s: only in the killed one's book: %s", kind, l)
		}
		t.Logf("%s: %d equal", kind, len(x))
	}
	t.Logf("%d kills, %d words and deeds accepted, %d entries (twin %d), %d times the two told the same, until %s; alarms over a kill: %v",
		w.kills, len(w.stamp), len(a), len(b), w.looks, clockTime(w.now), w.seen)
}

// doubled checks that no change is in the book twice.
func doubled(t *testing.T, book []store.BookEntry) {
	t.Helper()
	had := map[string]uint64{}
	for _, e := range book {
		key := fmt.Sprint(e.Kind, e.By, e.At, string(e.Body))
		if n, ok := had[key]; ok {
			t.Errorf("entry %d is entry %d again: %s %s", e.Seq, n, e.Kind, e.Body)
		}
		had[key] = e.Seq
	}
}

// entries tells the entries of a kind. Of the verdicts only those are told by which
// something became different, and those within a gap, or at its end, are left out.
func (w *twins) entries(book []store.BookEntry, kind string) []string {
	var out []string
	now := map[string]string{}
	for _, e := range book {
		switch e.Kind {
		case judge.KindVerdict:
			var c verdict.Change
			if kind != e.Kind {
				continue
			}
			if err := json.Unmarshal(e.Body, &c); err != nil {
				w.t.Fatal(err)
			}
			line := c.Verdict.String()
			for _, r := range c.Because {
				line += " " + r.Evidence + " " + r.Verdict.String()
			}
			if now[c.Step] == line {
				continue
			}
			now[c.Step] = line
			if slices.ContainsFunc(w.gaps, func(g [2]time.Time) bool { return !c.At.Before(g[0]) && !c.At.After(g[1]) }) {
				continue
			}
			out = append(out, fmt.Sprintf("%s %s %s", clockTime(c.At), c.Step, line))
		case judge.KindAlarm: // see sameAlarms
		case judge.KindLapsed, judge.KindPassage:
			if e.Kind == kind {
				out = append(out, fmt.Sprintf("%s %s", clockTime(e.At), e.Body))
			}
		default:
			if kind == "words" {
				out = append(out, fmt.Sprintf("%s %s %s", clockTime(e.At), e.Kind, e.Body))
			}
		}
	}
	return out
}

// sameAlarms holds the alarms in two books against each other: each alarm's changes
// are the same in the same order, within apartFor.
func (w *twins) sameAlarms(a, b []store.BookEntry) {
	changes := func(book []store.BookEntry) (map[string][]alarm.Change, int) {
		out, n := map[string][]alarm.Change{}, 0
		for _, e := range book {
			var c alarm.Change
			if e.Kind != judge.KindAlarm {
				continue
			}
			if err := json.Unmarshal(e.Body, &c); err != nil {
				w.t.Fatal(err)
			}
			out[c.Watch] = append(out[c.Watch], c)
			n++
		}
		return out, n
	}
	list := func(cs []alarm.Change) string {
		var out []string
		for _, c := range cs {
			out = append(out, fmt.Sprintf("%s %s %s %s", clockTime(c.At), c.State, c.Priority, c.By))
		}
		return strings.Join(out, ", ")
	}
	x, n := changes(a)
	y, m := changes(b)
	for watch := range y {
		if _, ok := x[watch]; !ok {
			x[watch] = nil
		}
	}
	later := time.Duration(0)
	for watch := range x {
		p, q := x[watch], y[watch]
		if !slices.EqualFunc(p, q, func(c, d alarm.Change) bool {
			apart := c.At.Sub(d.At).Abs()
			later = max(later, apart)
			return c.State == d.State && c.Priority == d.Priority && c.By == d.By && apart <= apartFor
		}) {
			w.t.Errorf("alarm %s differs in the books:\nkilled %s\ntwin   %s", watch, list(p), list(q))
		}
	}
	w.t.Logf("alarms: %d changes of %d alarms, the twin has %d; furthest apart %s", n, len(x), m, later)
}

// missing returns what is in want and not in have.
func missing(have, want []string) []string {
	return slices.DeleteFunc(slices.Clone(want), func(s string) bool { return slices.Contains(have, s) })
}
