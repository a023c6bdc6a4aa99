package app

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"ashlamp/daemon/judge"
	"ashlamp/dashboard/api"
	"ashlamp/rules/telemetry"
)

// speaker takes what people say to the judgement of their engine.
type speaker struct {
	loops  map[string]*judge.Loop
	people []string
	nodes  *nodes
}

// Say implements [api.Speaker]. Where the shed names its people, a name that is
// given must be one of them.
func (s *speaker) Say(ctx context.Context, engine string, ev telemetry.Event) (telemetry.Event, error) {
	l, ok := s.loops[engine]
	if !ok {
		return ev, fmt.Errorf("engine %q is not in this shed", engine)
	}
	if ev.By != "" && ev.By != api.Somebody && len(s.people) > 0 && !slices.Contains(s.people, ev.By) {
		return ev, fmt.Errorf("%w: %q is not among %s", api.ErrNobodyNamed, ev.By, strings.Join(s.people, ", "))
	}
	switch ev.Kind {
	case telemetry.NodePutAway, telemetry.NodeBack:
		if !s.nodes.known(ev.Subject) {
			return ev, api.ErrUnknownNode
		}
	}
	return l.Say(ctx, ev)
}
