package app

import (
	"context"
	"errors"
	"sync"

	"ashlamp/ingest"
)

// tally counts what is on its way to the judgement, so that a clock which is moved
// by hand can wait for it.
type tally struct {
	next ingest.Sink

	mu     sync.Mutex
	open   int            // batches offered and neither handed to the judgement nor failed
	judged map[string]int // samples handed to the judgement, by engine
	change chan struct{}  // closed at the next change
}

func newTally(next ingest.Sink) *tally {
	return &tally{next: next, judged: map[string]int{}, change: make(chan struct{})}
}

// Offer implements [ingest.Sink].
func (t *tally) Offer(ctx context.Context, b ingest.Batch) error {
	t.add(1)
	done := b.Done
	b.Done = func(err error) {
		if err != nil {
			t.add(-1) // it never comes to the judgement
		}
		if done != nil {
			done(err)
		}
	}
	err := t.next.Offer(ctx, b)
	if err != nil {
		t.add(-1)
	}
	return err
}

func (t *tally) add(n int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.open += n
	t.tell()
}

// look lets those who wait look again.
func (t *tally) look() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.tell()
}

func (t *tally) stored(b ingest.Batch) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.open--
	t.judged[b.Engine] += len(b.Samples)
	t.tell()
}

// tell wakes whoever waits. The caller holds the lock.
func (t *tally) tell() {
	close(t.change)
	t.change = make(chan struct{})
}

func (t *tally) wait(ctx context.Context, so func() bool) error {
	for {
		t.mu.Lock()
		ok, change := so(), t.change
		t.mu.Unlock()
		if ok {
			return nil
		}
		select {
		case <-change:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

var errNotInStep = errors.New("the daemon was not made to go in step with its clock")

// Settle returns once everything that came in is judged, and every engine up to the
// clock's now. It needs [Options.InStep] and a daemon that runs.
func (a *App) Settle(ctx context.Context) error {
	if a.tally == nil {
		return errNotInStep
	}
	if err := a.tally.wait(ctx, func() bool { return a.tally.open == 0 }); err != nil {
		return err
	}
	for _, l := range a.loops {
		if err := l.Settle(ctx); err != nil {
			return err
		}
	}
	return nil
}

// Judged returns once n samples of an engine, or of the shed where engine is empty,
// have come to the judgement since the start. It needs [Options.InStep].
func (a *App) Judged(ctx context.Context, engine string, n int) error {
	if a.tally == nil {
		return errNotInStep
	}
	return a.tally.wait(ctx, func() bool { return a.tally.judged[engine] >= n })
}

// Heard returns once a node has been heard: through an outside broker, which keeps
// what a node says of itself, this is when the daemon has subscribed. It needs
// [Options.InStep].
func (a *App) Heard(ctx context.Context, node string) error {
	if a.tally == nil {
		return errNotInStep
	}
	return a.tally.wait(ctx, func() bool { return a.nodes.known(node) })
}
