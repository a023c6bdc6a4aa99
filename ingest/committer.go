package ingest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"ashlamp/rules/telemetry"
)

// ErrClosed says that the sink takes no more batches.
var ErrClosed = errors.New("the way to the store is closed")

// appender is what the committer needs of a store: all batches in one transaction,
// one [Appended] for each, in order.
type appender interface {
	Append(ctx context.Context, batches []Batch) ([]Appended, error)
}

// Limits of the [Committer], chosen so that a full queue is a few megabytes and one
// transaction some tens of milliseconds. Common practice, no source.
const (
	maxQueuedBatches = 4096
	maxQueuedSamples = 65536
	maxTakenSamples  = 8192
	// pauseAfterFailure keeps a store in trouble from being hammered.
	pauseAfterFailure = 500 * time.Millisecond
	// drainTime is how long the last commits may take once the daemon stops.
	drainTime = 5 * time.Second
	// triesApart is how many batches of a failed transaction may fail one by one
	// before the rest is taken to fail as well.
	triesApart = 3
)

// Committer is the [Sink] before the store. It takes whatever waits into one
// transaction, so that a busy door gets large transactions and a quiet one is
// acknowledged at once. It keeps going when the store fails.
type Committer struct {
	config CommitterConfig

	mu      sync.Mutex
	queue   []Batch
	samples int
	closed  bool
	waiting int           // offers that wait for room
	room    chan struct{} // closed when there may be room again
	wake    chan struct{} // has one when the queue is not empty
}

// CommitterConfig is what a [Committer] needs.
type CommitterConfig struct {
	Store appender
	// Next, if not nil, gets what was stored, batch by batch, in order, after it was
	// acknowledged. While it blocks nothing is committed.
	Next func(context.Context, Appended)
	// Trouble, if not nil, hears of each failed commit, and of the next good one
	// after it with nil.
	Trouble func(error)
	// Gate counts and logs; must be given.
	Gate *Gate
	// Now is the clock that log lines go by; nil means time.Now.
	Now func() time.Time
}

// NewCommitter returns a committer; its Run must be running for samples to flow.
func NewCommitter(c CommitterConfig) (*Committer, error) {
	if c.Store == nil || c.Gate == nil {
		return nil, errors.New("committer needs a store and a gate")
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	return &Committer{config: c, room: make(chan struct{}), wake: make(chan struct{}, 1)}, nil
}

// Offer implements [Sink].
func (c *Committer) Offer(ctx context.Context, b Batch) error {
	c.mu.Lock()
	for !c.closed && c.full(len(b.Samples)) {
		room := c.room
		c.waiting++
		c.mu.Unlock()
		var err error
		select {
		case <-room:
		case <-ctx.Done():
			err = ctx.Err()
		}
		c.mu.Lock()
		c.waiting--
		if err != nil {
			c.mu.Unlock()
			return err
		}
	}
	defer c.mu.Unlock()
	if c.closed {
		return ErrClosed
	}
	c.queue = append(c.queue, b)
	c.samples += len(b.Samples)
	select {
	case c.wake <- struct{}{}:
	default:
	}
	return nil
}

// full reports whether n more samples have to wait. One batch always fits in an
// empty queue, however large.
func (c *Committer) full(n int) bool {
	return len(c.queue) >= maxQueuedBatches || len(c.queue) > 0 && c.samples+n > maxQueuedSamples
}

// take returns what waits, up to the size of one transaction.
func (c *Committer) take(into []Batch) []Batch {
	c.mu.Lock()
	defer c.mu.Unlock()
	n, samples := 0, 0
	for n < len(c.queue) && (n == 0 || samples+len(c.queue[n].Samples) <= maxTakenSamples) {
		samples += len(c.queue[n].Samples)
		n++
	}
	into = append(into[:0], c.queue[:n]...)
	rest := copy(c.queue, c.queue[n:])
	clear(c.queue[rest:])
	c.queue = c.queue[:rest]
	c.samples -= samples
	if c.waiting > 0 && n > 0 {
		close(c.room)
		c.room = make(chan struct{})
	}
	return into
}

// Run commits until ctx ends, then what still waits, and returns nil. Offers made
// after that fail with [ErrClosed].
func (c *Committer) Run(ctx context.Context) error {
	var taken []Batch
	failing := false
	for {
		select {
		case <-c.wake:
		case <-ctx.Done():
			c.close()
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainTime)
			defer cancel()
			for {
				if taken = c.take(taken); len(taken) == 0 {
					return nil
				}
				c.commit(last, last, taken, &failing)
			}
		}
		for ctx.Err() == nil {
			if taken = c.take(taken); len(taken) == 0 {
				break
			}
			// Half a transaction must not be lost because the daemon is asked to stop.
			if c.commit(ctx, context.WithoutCancel(ctx), taken, &failing) {
				continue
			}
			pause := time.NewTimer(pauseAfterFailure)
			select {
			case <-pause.C:
			case <-ctx.Done():
				pause.Stop()
			}
		}
		clear(taken) // let go of the samples while nothing comes
	}
}

func (c *Committer) close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.closed = true
	close(c.room)
	c.room = make(chan struct{})
}

// commit stores the batches and reports whether all of them are.
func (c *Committer) commit(ctx, storing context.Context, batches []Batch, failing *bool) bool {
	err := c.append(ctx, storing, batches)
	if err == nil {
		c.recovered(failing)
		return true
	}
	if len(batches) == 1 {
		c.failed(batches, err, failing)
		return false
	}
	// One batch that the store cannot take must not keep the others out for ever.
	whole, inRow := true, 0
	for i := range batches {
		if inRow == triesApart {
			c.failed(batches[i:], err, failing)
			return false
		}
		if one := c.append(ctx, storing, batches[i:i+1]); one != nil {
			err, whole = one, false
			inRow++
			c.failed(batches[i:i+1], one, failing)
			continue
		}
		inRow = 0
		c.recovered(failing)
	}
	return whole
}

// append makes one transaction of the batches, acknowledges and hands on.
func (c *Committer) append(ctx, storing context.Context, batches []Batch) error {
	stored, err := c.config.Store.Append(storing, batches)
	if err == nil && len(stored) != len(batches) {
		err = fmt.Errorf("the store answered for %d batches of %d", len(stored), len(batches))
	}
	counters := c.config.Gate.Counters()
	if err != nil {
		counters.FailedCommits.Add(1)
		return err
	}
	counters.Commits.Add(1)
	for i := range batches {
		if batches[i].Done != nil {
			batches[i].Done(nil)
		}
	}
	for i := range stored {
		a := &stored[i]
		counters.Stored.Add(uint64(len(a.Fresh)))
		counters.Duplicates.Add(uint64(a.Duplicates))
		counters.Conflicts.Add(uint64(len(a.Conflicts)))
		for _, s := range a.Conflicts {
			c.conflict(a.Batch, s)
		}
		if c.config.Next != nil {
			c.config.Next(ctx, *a)
		}
	}
	return nil
}

func (c *Committer) conflict(b Batch, s telemetry.Sample) {
	where := b.Engine
	if where == "" {
		where = "the shed"
	}
	c.config.Gate.Trouble(c.config.Now(), where, SameTimeOtherValue,
		fmt.Sprintf("%s of %s at %s came again with another value, the first was kept; look at the clock of node %q", s.Channel, where, s.At.Format(time.RFC3339Nano), b.Node))
}

func (c *Committer) failed(batches []Batch, err error, failing *bool) {
	*failing = true
	for i := range batches {
		if batches[i].Done != nil {
			batches[i].Done(err)
		}
	}
	if c.config.Trouble != nil {
		c.config.Trouble(err)
	}
	c.config.Gate.Trouble(c.config.Now(), "", NotStored, fmt.Sprintf("samples are not stored and not acknowledged: %v; look at the disk", err))
}

func (c *Committer) recovered(failing *bool) {
	if *failing && c.config.Trouble != nil {
		c.config.Trouble(nil)
	}
	*failing = false
}
