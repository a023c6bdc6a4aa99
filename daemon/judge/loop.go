// Package judge runs the judgement of one engine live: it alone calls the rules,
// keeps what they find in the engine's book, and tells the pages and the broker.
package judge

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/engine"
	"ashlamp/rules/notice"
	"ashlamp/rules/telemetry"
)

// Kinds of entries in the book, beside those of [telemetry.Kind].
const (
	KindVerdict = "verdict"
	KindLapsed  = "lapsed"
	KindPassage = "passage"
	KindAlarm   = "alarm"
)

const (
	// PublishedFor is how long a step published to the broker may be believed.
	PublishedFor = 30 * time.Second
	// RenewEvery is how often it is published again.
	RenewEvery = 10 * time.Second
	// renderEvery is how often the sentences are formed anew for the pages where
	// no verdict changed, in real time: nobody reads faster.
	renderEvery = 200 * time.Millisecond
	// saveEvery is how often what only memory holds is put on disk where no alarm
	// changed: hours counted since then are counted again from the samples.
	saveEvery = 15 * time.Minute
	queue     = 256
)

// clock is what the loop needs of the time.
type clock interface {
	Now() time.Time
	After(until time.Time) (reached <-chan struct{}, stop func())
}

// book is what it needs of the store; see [Book.Write].
type book interface {
	Write(ctx context.Context, engine string, p Page) error
	PutSummary(ctx context.Context, engine string, d store.Summary) error
}

// Options are what a loop is made of. All but Found, History, Told, Noticed and Render are required.
type Options struct {
	Engine engine.Engine
	// Shed is the shed's id, for topics.
	Shed  string
	Clock clock
	Book  book
	// Publish tells the pages.
	Publish func(message.Change) error
	// Retain publishes to the broker, retained.
	Retain func(topic string, payload []byte) error
	Log    *slog.Logger
	// Found is what was found while the judge was brought up to date and is not in
	// the book yet; may be empty.
	Found []rules.Change
	// History draws up the disposals, brought up to date with the judge; nil for none.
	History *History
	// Told is what has been told of the engine that is worth a ring.
	Told notice.Ledger
	// Noticed is called once a notice is on disk; nil for nobody. It must not block.
	Noticed func()
	// Render ticks, in real time, when the pages may have new sentences; nil means
	// a ticker of 200 ms.
	Render <-chan time.Time
	// Lamp, if not nil, is turned at each of these ticks: lit while LampStep is proven
	// and judged up to now.
	Lamp     lamp
	LampStep string
}

// Loop is the judgement of one engine. Make it with [New].
type Loop struct {
	o     Options
	judge *rules.Judge
	in    chan command
	dirty bool
	renew time.Time
	saved time.Time
	told  told
	rings noticing
	// turned is the real time at which the loop last went round, Unix nanoseconds.
	turned atomic.Int64
	// current is that the last look at what is worth a ring is kept; see [Loop.Current].
	current atomic.Bool
	// unlit is what the lamp's pin last refused with, so that it is said once.
	unlit error
}

// Current reports whether the judgement has come to the present moment and goes on, and
// what it found worth a ring, or no longer so, is on disk. Before that what is on disk is
// of another time: it may call an engine ready that was relit since.
func (l *Loop) Current(within time.Duration) bool { return l.current.Load() && l.Silent() <= within }

// Silent returns for how long the loop has given no sign of life, in real time.
func (l *Loop) Silent() time.Duration { return time.Since(time.Unix(0, l.turned.Load())) }

type command struct {
	received time.Time
	samples  []telemetry.Sample
	say      *telemetry.Event
	node     *NodeStatus
	trouble  *string
	reply    chan error
	settle   bool
}

// New returns a loop whose judge the caller may have brought up to date first.
func New(j *rules.Judge, o Options) *Loop {
	l := &Loop{o: o, judge: j, in: make(chan command, queue), rings: noticing{told: &notice.Ledger{}, next: &notice.Ledger{}}}
	l.rings.told.Copy(&o.Told)
	l.turned.Store(time.Now().UnixNano())
	return l
}

// Samples hands over what was stored. It blocks while the loop is behind.
func (l *Loop) Samples(ctx context.Context, received time.Time, samples []telemetry.Sample) {
	l.hand(ctx, command{received: received, samples: samples})
}

// Say keeps what a person said and judges by it; it returns the event as kept.
// Errors that a caller can mend wrap those of the dashboard's api package.
func (l *Loop) Say(ctx context.Context, ev telemetry.Event) (telemetry.Event, error) {
	ev.At = l.o.Clock.Now().Truncate(telemetry.Resolution)
	reply := make(chan error, 1)
	select {
	case l.in <- command{say: &ev, reply: reply}:
	case <-ctx.Done():
		return ev, ctx.Err()
	}
	select {
	case err := <-reply:
		return ev, err
	case <-ctx.Done():
		return ev, ctx.Err()
	}
}

// NodeStatus is what a node said of itself, or its last will.
type NodeStatus struct {
	Node string
	Up   bool
}

// Node hands over what a node said of itself. It never blocks: the loop publishes
// through the door that this comes from. A node that is lost shows in its channels too.
func (l *Loop) Node(n NodeStatus) { l.try(command{node: &n}) }

// Store hands over what is the matter with the store; empty for nothing. It never
// blocks: whoever writes to the store must not wait for one who does too.
func (l *Loop) Store(trouble string) { l.try(command{trouble: &trouble}) }

func (l *Loop) try(c command) {
	select {
	case l.in <- c:
	default:
		l.o.Log.Warn("the judgement is behind and was not told of a node or of the store", "engine", l.o.Engine.ID)
	}
}

func (l *Loop) hand(ctx context.Context, c command) {
	select {
	case l.in <- c:
	case <-ctx.Done():
	}
}

// Settle returns once all that was handed over before is judged, and time up to
// the clock's now: for one who moves the clock on.
func (l *Loop) Settle(ctx context.Context) error {
	reply := make(chan error, 1)
	select {
	case l.in <- command{settle: true, reply: reply}:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-reply:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Run judges until the context ends.
func (l *Loop) Run(ctx context.Context) error {
	render := l.o.Render
	if render == nil {
		t := time.NewTicker(renderEvery)
		defer t.Stop()
		render = t.C
	}
	l.keep(ctx, l.o.Found)
	changes := l.judge.Advance(l.o.Clock.Now())
	l.rings.live = true
	l.found(ctx, changes)
	l.keep(ctx, l.judge.Changes())
	l.summarise(ctx, false)
	l.publish()
	defer l.dark()
	for {
		l.turned.Store(time.Now().UnixNano())
		wake, stop := l.o.Clock.After(l.wake())
		select {
		case <-ctx.Done():
			stop()
			return nil
		case c := <-l.in:
			l.take(ctx, c)
		case <-wake:
			l.tick(ctx)
		case <-render:
			l.pulse(ctx)
			if l.dirty {
				l.publish()
			}
		}
		stop()
	}
}

// wake is when time alone next asks for something.
func (l *Loop) wake() time.Time {
	next := l.renew
	if t, ok := l.judge.Next(); ok && t.Before(next) {
		next = t
	}
	return next
}

// tick lets time pass. What was stored before this moment is judged first: else
// a loop that is a little behind would find fresh samples stale.
func (l *Loop) tick(ctx context.Context) {
	now := l.o.Clock.Now()
	for n := len(l.in); n > 0; n-- {
		l.take(ctx, <-l.in)
	}
	changes := l.judge.Advance(now)
	l.dirty = true
	l.found(ctx, changes)
	if len(changes) > 0 {
		l.publish()
	}
	if !now.Before(l.renew) {
		l.retain(now)
	}
	if now.Sub(l.saved) >= saveEvery {
		l.save(ctx)
	}
}

func (l *Loop) take(ctx context.Context, c command) {
	l.dirty = true
	switch {
	case c.settle:
		l.tick(ctx)
		c.reply <- nil
	case c.say != nil:
		c.reply <- l.hear(ctx, *c.say)
		l.publish()
	case c.node != nil:
		l.found(ctx, l.judge.Node(l.o.Clock.Now(), c.node.Node, c.node.Up))
	case c.trouble != nil:
		l.found(ctx, l.judge.Store(l.o.Clock.Now(), *c.trouble))
	default:
		changes := l.judge.Samples(c.received, c.samples)
		if l.o.History != nil {
			l.o.History.Samples(c.samples)
		}
		l.found(ctx, changes)
	}
}

func (l *Loop) hear(ctx context.Context, ev telemetry.Event) error {
	// A word whose time has just run out must not be found standing.
	l.found(ctx, l.judge.Advance(ev.At))
	if err := l.judge.Check(ev); err != nil {
		return refused(err)
	}
	switch {
	case ev.Kind == telemetry.Withdrawn && !l.judge.Stands(ev.Subject):
		return api.ErrNotGiven
	case ev.Kind == telemetry.DisposalEnded && !l.judge.Open():
		return fmt.Errorf("%w: no disposal is open", api.ErrNotNow)
	}
	body, err := json.Marshal(ev)
	if err != nil {
		return fmt.Errorf("write down what was said: %w", err)
	}
	// Kept before it counts: a word that a power cut could lose must not prove anything.
	entry := store.Entry{At: ev.At, Kind: ev.Kind.String(), By: ev.By, Body: body}
	if err := l.o.Book.Write(ctx, l.o.Engine.ID, Page{Entries: []store.Entry{entry}}); err != nil {
		return fmt.Errorf("keep what was said: %w", err)
	}
	changes, err := l.judge.Hear(ev)
	l.found(ctx, changes)
	if l.o.History != nil && err == nil {
		l.o.History.Hear(ev)
	}
	return err
}

// refused gives an error the kind by which the api tells it.
func refused(err error) error {
	var watch *alarm.UnknownError
	var alarmed *alarm.RefusedError
	switch {
	case errors.As(err, &watch):
		return fmt.Errorf("%w: %w", api.ErrUnknownAlarm, err)
	case errors.As(err, &alarmed):
		return fmt.Errorf("%w: %w", api.ErrNotNow, err)
	}
	return fmt.Errorf("%w: %w", api.ErrUnknownConfirmation, err)
}

// keep writes changes into the book, with what is worth a ring because of them, tells the
// broker, and the pages at once. Where nothing changed it looks now and then whether
// something is worth a ring all the same.
func (l *Loop) keep(ctx context.Context, changes []rules.Change) {
	if len(changes) == 0 && !l.rings.dueAt(l.judge.Now()) {
		return
	}
	alarmed := false
	entries := make([]store.Entry, 0, len(changes))
	for _, c := range changes {
		e, err := entryOf(c)
		if err != nil {
			l.o.Log.Error("a change cannot be written down", "engine", l.o.Engine.ID, "error", err)
			continue
		}
		entries = append(entries, e)
		switch {
		case c.Step != nil:
			l.retainStep(*c.Step)
		case c.Alarm != nil:
			alarmed = true
			l.retainAlarm(*c.Alarm)
		}
	}
	notices := l.rings.look(l.judge, changes)
	// What was judged is written down even while the daemon is asked to stop.
	if err := l.write(context.WithoutCancel(ctx), entries, notices, alarmed); err != nil {
		l.o.Log.Error("the book could not be written; verdicts go on, their record has a hole, and what is worth a ring waits", "engine", l.o.Engine.ID, "error", err)
	}
	if len(changes) > 0 {
		l.publish()
	}
}

// write puts entries into the book, and beside them what is worth a ring and, where it is
// asked to, what the judge must not forget: an alarm that the book has is one that a
// restart knows. What was looked at last is told then, or not.
func (l *Loop) write(ctx context.Context, entries []store.Entry, notices []notice.Notice, save bool) (err error) {
	defer func() {
		if l.rings.fresh {
			l.current.Store(err == nil)
		}
		l.rings.wrote(notices, err)
	}()
	p := Page{Entries: entries, Notices: notices}
	if save {
		if p.Saved, err = json.Marshal(l.judge.Saved()); err != nil {
			// The entries are kept all the same.
			l.o.Log.Error("how the alarms stand cannot be written down; a restart judges them anew", "engine", l.o.Engine.ID, "error", err)
			p.Saved = nil
		}
		l.saved = l.o.Clock.Now()
	}
	if save || len(notices) > 0 {
		if p.Ledger, err = l.rings.ledger(); err != nil {
			return err
		}
	}
	if len(p.Entries) == 0 && p.Saved == nil && p.Ledger == nil {
		return nil
	}
	if err := l.o.Book.Write(ctx, l.o.Engine.ID, p); err != nil {
		return err
	}
	if len(notices) > 0 && l.o.Noticed != nil {
		l.o.Noticed()
	}
	return nil
}

func (l *Loop) save(ctx context.Context) {
	notices := l.rings.look(l.judge, nil)
	if err := l.write(context.WithoutCancel(ctx), nil, notices, true); err != nil {
		l.o.Log.Error("what the judgement must not forget could not be kept", "engine", l.o.Engine.ID, "error", err)
	}
	l.summarise(ctx, true)
}

func entryOf(c rules.Change) (store.Entry, error) {
	var kind, by string
	var at time.Time
	var body any
	switch {
	case c.Step != nil:
		kind, at, body = KindVerdict, c.Step.At, c.Step
	case c.Lapse != nil:
		kind, at, by, body = KindLapsed, c.Lapse.At, c.Lapse.By, c.Lapse
	case c.Passage != nil:
		kind, at, body = KindPassage, c.Passage.At, c.Passage
	case c.Alarm != nil:
		kind, at, by, body = KindAlarm, c.Alarm.At, c.Alarm.By, c.Alarm
	default:
		return store.Entry{}, errors.New("a change that says nothing")
	}
	b, err := json.Marshal(body)
	return store.Entry{At: at, Kind: kind, By: by, Body: b}, err
}

func (l *Loop) publish() {
	l.dirty = false
	c := changeOf(l.o.Engine, l.judge.State())
	if l.o.History != nil && c.Forecasts != nil {
		l.o.History.foretold(c.At, *c.Forecasts)
	}
	if err := l.o.Publish(l.told.change(c)); err != nil {
		l.o.Log.Error("the pages could not be told", "engine", l.o.Engine.ID, "error", err)
	}
}
