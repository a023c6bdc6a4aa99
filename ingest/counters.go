package ingest

import (
	"maps"
	"sync"
	"sync/atomic"
)

// Counters counts what came in. It is safe for use by several goroutines; the zero
// value is ready.
type Counters struct {
	// Messages is how many packs, readings and status messages came in.
	Messages atomic.Uint64
	// Offered is how many samples were admitted towards the store, bad ones included.
	Offered atomic.Uint64
	// Stored is how many samples the store did not hold before.
	Stored atomic.Uint64
	// Duplicates is how many samples the store held already, equal in everything.
	Duplicates atomic.Uint64
	// Conflicts is how many samples had the channel and time of another that was
	// stored first with another value.
	Conflicts atomic.Uint64
	// Commits and FailedCommits count transactions.
	Commits, FailedCommits atomic.Uint64

	mu       sync.Mutex
	troubles map[string]uint64
}

// trouble counts one trouble of a kind.
func (c *Counters) trouble(kind string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.troubles == nil {
		c.troubles = make(map[string]uint64)
	}
	c.troubles[kind]++
}

// Troubles returns, for each kind of trouble seen, how often it was.
func (c *Counters) Troubles() map[string]uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return maps.Clone(c.troubles)
}

// Trouble returns how often one kind of trouble was.
func (c *Counters) Trouble(kind string) uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.troubles[kind]
}
