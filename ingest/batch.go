// Package ingest is the way in for samples: whatever the door, they reach the
// store as one form, a [Batch], through one [Sink].
package ingest

import (
	"context"
	"time"

	"ashlamp/rules/telemetry"
)

// Batch is what one message, or one round of the poller, brought.
type Batch struct {
	// Engine is the engine's id; empty for a batch of the shed's own channels.
	Engine string
	// Node names where the samples came from, for counting and for telling a
	// person which box to look at.
	Node string
	// Received is when the daemon got it, by the daemon's clock.
	Received time.Time
	Samples  []telemetry.Sample
	// Done, if not nil, is called exactly once: with nil when the samples are on
	// disk, else with why they are not. It must not block.
	Done func(error)
}

// Sink takes batches towards the store. Offer blocks while the queue is full, so
// that a slow disk slows the doors down instead of filling the memory; it fails
// only when ctx ends or the sink is closed, and then Done is never called.
type Sink interface {
	Offer(ctx context.Context, b Batch) error
}
