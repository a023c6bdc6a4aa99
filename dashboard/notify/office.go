package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"ashlamp/dashboard/message"
)

const (
	// SendTimeout is how long one attempt may take, in real time: a far end that says
	// nothing for so long says nothing. Common practice, no source.
	SendTimeout = 20 * time.Second
	// atOnce is how many attempts by one way out may go on at the same time.
	atOnce = 4
	// slice is how many notices are read at a time.
	slice = 100
	// judgedAgain is after how long it is looked again whether an engine is judged.
	judgedAgain = 10 * time.Second
	// storeAgain is after how long a store that failed is tried again.
	storeAgain = 5 * time.Second
	// forgetEvery is how often old letters are let go of, Kept how old they then are: as
	// long as somebody may ask whether he was told, over a year with its winter lay-up.
	// Common practice, no source.
	forgetEvery = 24 * time.Hour
	Kept        = 400 * 24 * time.Hour
	// closing is how long attempts that go on may take to end once the office closes.
	closing = 2 * time.Second
	// DefaultEscalate is after how long without an answer the next person is rung. Half
	// of the ten minutes in which the more pressing alarms want to be answered
	// (rules/watch). Common practice, no source.
	DefaultEscalate = 5 * time.Minute
)

// Clock tells the time by which letters are due, and wakes who waits for it.
type Clock interface {
	Now() time.Time
	After(until time.Time) (reached <-chan struct{}, stop func())
}

// Config is what an [Office] is made of. All but Why and PushKey are required.
type Config struct {
	Outbox Outbox
	// Shed is what people call the shed, Zone its time zone.
	Shed string
	Zone *time.Location
	// People are the names of those who can be told.
	People []string
	// Ways are the ways out by name: "push", "mail", "webhook". Why says in a sentence
	// for a way that is not there why, and how to mend it.
	Ways map[string]Way
	Why  map[string]string
	// PushKey is what a browser subscribes with.
	PushKey string
	// Escalate is after how long without an answer the next person is rung.
	Escalate time.Duration
	// Current reports whether what is told of an engine is judged up to now. Nobody is told
	// that one is cool enough or ready while it is not.
	Current func(engine string) bool
	// Watcher returns how the watcher outside does, nil where there is none.
	Watcher func() *message.AlertsWatcher
	Clock   Clock
	// Random returns a number from 0 to under 1, for the jitter.
	Random func() float64
	Log    *slog.Logger
}

// Office addresses notices to people and sees to it that they are told. Letters and how
// far the notices are addressed are written in one transaction; each attempt is written
// down before it is made and after, so that a restart loses nothing. What is told twice
// at worst has the same id, and a phone shows it once.
type Office struct {
	c      Config
	people *people
	wake   chan struct{}
	done   chan ended

	// What follows belongs to Run.
	mark     uint64
	busy     map[dest]bool
	going    map[string]int // attempts that go on, by way out
	forgotAt time.Time
	paused   bool // the store failed: nothing is begun before the next look
	sending  sync.WaitGroup
}

// ended is that an attempt is through; failed is that the store failed before it.
type ended struct {
	to     dest
	failed bool
}

// New returns an office that has read what people chose. It sends nothing before [Office.Run].
func New(ctx context.Context, c Config) (*Office, error) {
	if c.Outbox == nil || c.Zone == nil || c.Current == nil || c.Watcher == nil || c.Clock == nil || c.Random == nil || c.Log == nil {
		return nil, errors.New("make the office that rings: a part of it is missing; give it store, zone, who knows of the judging and of the watcher, clock, chance and log")
	}
	if c.Escalate <= 0 {
		return nil, fmt.Errorf("make the office that rings: the next person cannot be rung after %s; give a span above zero", c.Escalate)
	}
	p, err := readPeople(ctx, c.Outbox, c.People, c.Log)
	if err != nil {
		return nil, err
	}
	return &Office{
		c: c, people: p, wake: make(chan struct{}, 1), done: make(chan ended),
		busy: map[dest]bool{}, going: map[string]int{},
	}, nil
}

// Wake says that there may be something new. It never blocks.
func (o *Office) Wake() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// Browser returns a subscription by its id; false where there is none any more.
func (o *Office) Browser(id string) (Browser, bool) { return o.people.browser(id) }

// Run addresses and sends until the context ends; it returns nil. A store that fails is
// tried again.
func (o *Office) Run(ctx context.Context) error {
	// An attempt is not broken off at once where the office closes: it may be through in a
	// moment, and is then not made twice.
	sendCtx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer o.close(cancel)
	for marked := false; ; {
		err := error(nil)
		if !marked {
			o.mark, err = o.c.Outbox.Addressed(ctx)
			marked = err == nil
		}
		if err == nil {
			err = o.work(ctx, sendCtx)
		}
		if ctx.Err() != nil {
			return nil
		}
		var next time.Time
		if err != nil || o.paused {
			if err != nil {
				o.c.Log.Error("people cannot be told; it is tried again", "error", err, "in", storeAgain)
			}
			next = o.c.Clock.Now().Add(storeAgain)
		} else if at, ok, err := o.c.Outbox.NextDue(ctx, o.c.Clock.Now()); err != nil {
			o.c.Log.Error("when people are next to be told cannot be read", "error", err)
			next = o.c.Clock.Now().Add(storeAgain)
		} else if ok {
			next = at
		}
		if !o.wait(ctx, next) {
			return nil
		}
	}
}

// wait returns once there is something to do, or false where the context ended.
func (o *Office) wait(ctx context.Context, next time.Time) bool {
	var reached <-chan struct{}
	if !next.IsZero() {
		var stop func()
		reached, stop = o.c.Clock.After(next)
		defer stop()
	}
	select {
	case <-ctx.Done():
		return false
	case <-reached:
		o.paused = false
	case <-o.wake:
	case e := <-o.done:
		o.free(e)
	}
	return true
}

func (o *Office) free(e ended) {
	delete(o.busy, e.to)
	o.going[kindOf(e.to.way)]--
	o.paused = o.paused || e.failed
}

// close waits for the attempts that go on, and breaks them off where they take long.
func (o *Office) close(cancel context.CancelFunc) {
	defer cancel()
	through := make(chan struct{})
	go func() {
		defer close(through)
		o.sending.Wait()
	}()
	stop := time.AfterFunc(closing, cancel)
	defer stop.Stop()
	for {
		select {
		case e := <-o.done:
			o.free(e)
		case <-through:
			return
		}
	}
}

// work addresses what is new and begins the attempts that are due.
func (o *Office) work(ctx, sendCtx context.Context) error {
	for {
		ns, err := o.c.Outbox.Notices(ctx, o.mark, slice)
		if err != nil {
			return err
		}
		for _, n := range ns {
			if err := o.address(ctx, n); err != nil {
				return err
			}
			o.mark = n.Seq
		}
		if len(ns) < slice {
			break
		}
	}
	if o.paused {
		return nil
	}
	now := o.c.Clock.Now()
	due, err := o.c.Outbox.DueLetters(ctx, now)
	if err != nil {
		return err
	}
	for _, l := range due {
		to := dest{l.Person, l.Way}
		if o.busy[to] || o.going[kindOf(l.Way)] >= atOnce {
			continue // it is looked at again when an attempt ends
		}
		o.busy[to] = true
		o.going[kindOf(l.Way)]++
		o.sending.Add(1)
		go func() {
			defer o.sending.Done()
			o.done <- ended{to, !o.deliver(sendCtx, l)}
		}()
	}
	if now.Sub(o.forgotAt) >= forgetEvery {
		if err := o.c.Outbox.Forget(ctx, now.Add(-Kept)); err != nil {
			return err
		}
		o.forgotAt = now
	}
	return nil
}
