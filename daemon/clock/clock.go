// Package clock gives the time by which the daemon lives: the board's own, or
// one that a simulation moves on.
package clock

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"
)

// Clock tells the time and wakes those who wait for it.
type Clock interface {
	// Now returns the time, UTC.
	Now() time.Time
	// After returns a channel that is closed once the time is reached, and a
	// function that gives the wait up.
	After(until time.Time) (reached <-chan struct{}, stop func())
}

// Wait blocks until the clock has reached a time, or the context ends.
func Wait(ctx context.Context, c Clock, until time.Time) error {
	reached, stop := c.After(until)
	defer stop()
	select {
	case <-reached:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Waiter is a clock for one who waits by itself, such as a poller.
type Waiter struct{ Clock }

// Wait blocks until the clock has reached a time, or the context ends.
func (w Waiter) Wait(ctx context.Context, until time.Time) error { return Wait(ctx, w.Clock, until) }

// Leave does nothing: the board's clock waits for nobody.
func (w Waiter) Leave() {}

// Board is the board's own clock.
type Board struct{}

// Now returns the time, UTC.
func (Board) Now() time.Time { return time.Now().UTC() }

// After closes the channel at the time by the board's clock. Should that be set
// back meanwhile, the channel closes after the span that was asked for.
func (Board) After(until time.Time) (<-chan struct{}, func()) {
	reached := make(chan struct{})
	t := time.AfterFunc(time.Until(until), func() { close(reached) })
	return reached, func() { t.Stop() }
}

// Stepped is a clock that moves only when told to. Its methods may be called
// from several goroutines.
type Stepped struct {
	mu      sync.Mutex
	now     time.Time
	waiting map[*wait]struct{}
	busy    int
	joins   int
	idle    *sync.Cond
}

type wait struct {
	until   time.Time
	reached chan struct{}
	joined  *Joined
}

// NewStepped returns a clock that stands at start.
func NewStepped(start time.Time) *Stepped {
	s := &Stepped{now: start.UTC(), waiting: map[*wait]struct{}{}}
	s.idle = sync.NewCond(&s.mu)
	return s
}

// Now returns the time, UTC.
func (s *Stepped) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// After closes the channel once the clock has been moved to the time or past it.
func (s *Stepped) After(until time.Time) (<-chan struct{}, func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w := &wait{until: until, reached: make(chan struct{})}
	if !until.After(s.now) {
		close(w.reached)
		return w.reached, func() {}
	}
	s.waiting[w] = struct{}{}
	return w.reached, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.waiting, w)
	}
}

// Set moves the clock on; a time before its own changes nothing. It first waits
// until all who joined have done what they were woken for, so that a machine under
// load slows the simulation down instead of falling behind it. Of those whose time
// has come it wakes one after another, each when the one before is done: what they
// do comes in the same order in every run.
func (s *Stepped) Set(now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.settle()
	if !now.After(s.now) {
		return
	}
	s.now = now.UTC()
	var due []*wait
	for w := range s.waiting {
		switch {
		case w.until.After(s.now):
		case w.joined != nil:
			due = append(due, w)
		default:
			delete(s.waiting, w)
			close(w.reached)
		}
	}
	slices.SortFunc(due, func(a, b *wait) int {
		return cmp.Or(a.until.Compare(b.until), cmp.Compare(a.joined.number, b.joined.number))
	})
	for _, w := range due {
		s.settle()
		if _, waits := s.waiting[w]; !waits {
			continue // its context ended meanwhile
		}
		delete(s.waiting, w)
		// Counted here, before the woken goroutine runs: else the clock could move on
		// in between.
		w.joined.busy = true
		s.busy++
		close(w.reached)
	}
}

// settle waits until nobody is at work. The caller holds the lock.
func (s *Stepped) settle() {
	for s.busy > 0 {
		s.idle.Wait()
	}
}

// Settle waits until all who joined have done what they were woken for: from then
// on, until the clock is moved or another joins, none of them is at work.
func (s *Stepped) Settle() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.settle()
}

// Next returns the earliest time that any of those who joined waits for, and false
// where none waits.
func (s *Stepped) Next() (time.Time, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var first time.Time
	for w := range s.waiting {
		if w.joined != nil && (first.IsZero() || w.until.Before(first)) {
			first = w.until
		}
	}
	return first, !first.IsZero()
}

// Joined is one who works in step with a [Stepped] clock: from the moment it joins,
// or its wait reaches its time, until it waits again or leaves, the clock stands. A
// wait that the context ends gives the clock free.
type Joined struct {
	s      *Stepped
	busy   bool
	number int // in the order of joining
}

// Join returns a waiter in whose steps the clock moves. It is for one goroutine,
// which must call Leave when it ends; whoever joins and never begins must leave too.
func (s *Stepped) Join() *Joined {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.busy++
	s.joins++
	return &Joined{s: s, busy: true, number: s.joins}
}

// Now returns the time, UTC.
func (j *Joined) Now() time.Time { return j.s.Now() }

// Wait blocks until the clock has reached a time, or the context ends.
func (j *Joined) Wait(ctx context.Context, until time.Time) error {
	j.s.mu.Lock()
	if !until.After(j.s.now) {
		j.s.mu.Unlock()
		return ctx.Err()
	}
	w := &wait{until: until, reached: make(chan struct{}), joined: j}
	j.s.waiting[w] = struct{}{}
	j.rest()
	j.s.mu.Unlock()
	select {
	case <-w.reached:
		return nil
	case <-ctx.Done():
		j.s.mu.Lock()
		defer j.s.mu.Unlock()
		delete(j.s.waiting, w)
		j.rest() // the time may have been reached at the same moment
		return ctx.Err()
	}
}

// Leave lets the clock go on without this one; a second time it does nothing.
func (j *Joined) Leave() {
	j.s.mu.Lock()
	defer j.s.mu.Unlock()
	j.rest()
}

func (j *Joined) rest() {
	if j.busy {
		j.busy = false
		j.s.busy--
		j.s.idle.Broadcast()
	}
}
