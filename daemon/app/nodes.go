package app

import (
	"slices"
	"sync"

	"ashlamp/daemon/config"
)

// nodes are the boxes that were heard, and which engines they speak of.
type nodes struct {
	all []string // the engines of the shed

	mu sync.Mutex
	of map[string][]string // by node; one that was only heard to be here speaks of none
}

func newNodes(c config.Config) *nodes {
	n := &nodes{of: map[string][]string{}}
	for _, e := range c.Engines {
		n.all = append(n.all, e.ID)
	}
	return n
}

// hear takes what a node said of itself and returns the engines that it matters to:
// those that it has spoken of, or all where it has spoken of none.
func (n *nodes) hear(node string) []string {
	n.mu.Lock()
	defer n.mu.Unlock()
	of, known := n.of[node]
	if !known {
		n.of[node] = nil
	}
	if len(of) == 0 {
		return n.all
	}
	return slices.Clone(of)
}

// heard takes that samples came from a node, of an engine or of the shed's air where
// engine is empty.
func (n *nodes) heard(node, engine string) {
	if node == "" {
		return
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	of := n.of[node]
	if engine != "" && !slices.Contains(of, engine) {
		of = append(of, engine)
	}
	n.of[node] = of
}

func (n *nodes) known(node string) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	_, ok := n.of[node]
	return ok
}
