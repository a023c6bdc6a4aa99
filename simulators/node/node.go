// Package node is a box with sensors on a simulated engine: it reads the world's
// instruments at their intervals, makes packs of them and hands each to a carrier
// before the world's clock goes on. So a world at any speed never runs ahead of
// what the far end has taken.
package node

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/simulators/world"
)

// Pack is one message's worth of samples.
type Pack struct {
	// Shed says that the samples are the shed's, not the engine's.
	Shed bool
	// Samples are valid only until Carry returns.
	Samples []telemetry.Sample
	// Sent is the true time at which the pack leaves; the samples' own times
	// differ from it where the node's clock is wrong or the pack was held up.
	Sent time.Time
}

// Carrier takes packs towards the daemon. Carry returns once the far end has
// acknowledged the pack.
type Carrier interface {
	Carry(ctx context.Context, p Pack) error
}

// Intervals are how often a node reads; 0 never.
type Intervals struct {
	Pressure, Temperature, Tank, Shed time.Duration
}

// Usual are the intervals of a node with mains or a large battery.
func Usual() Intervals {
	return Intervals{Pressure: 2 * time.Second, Temperature: 5 * time.Second, Tank: 10 * time.Second, Shed: time.Minute}
}

// Node carries one world's samples. It is not safe for concurrent use.
type Node struct {
	World     *world.World
	Carrier   Carrier
	Intervals Intervals
	// Pace, if not nil, is called before each step of the world with the date it
	// will have; it returns when that may come. It may step the world up to that
	// date itself.
	Pace func(ctx context.Context, date time.Time) error
	// Linger is how long it goes on after the engine is housed.
	Linger time.Duration

	rng     *rand.Rand
	groups  [4]group
	buf     []telemetry.Sample
	frozen  map[telemetry.Channel]telemetry.Sample
	held    []heldPack
	kept    []Pack // while the broker is gone
	started bool
}

type group struct {
	every, next float64
	places      []int
	shed        bool
}

type heldPack struct {
	p    Pack
	left int
}

// New returns a node on a world; seed decides what a faulty link does to which
// pack.
func New(w *world.World, c Carrier, i Intervals, seed uint64) *Node {
	return &Node{World: w, Carrier: c, Intervals: i, rng: rand.New(rand.NewPCG(seed, 0x6e6f6465))}
}

// Run reads and carries until the engine has been housed for Linger, ctx ends or
// something fails. It returns nil in the first case.
func (n *Node) Run(ctx context.Context) error {
	if err := n.start(ctx); err != nil {
		return err
	}
	var home time.Time
	for {
		if err := n.Step(ctx); err != nil {
			return err
		}
		if n.World.Home() {
			now := n.World.Now()
			if home.IsZero() {
				home = now
			}
			if now.Sub(home) >= n.Linger {
				return nil
			}
		}
	}
}

func (n *Node) start(ctx context.Context) error {
	if n.started {
		return nil
	}
	n.started = true
	pressure, temperature, tank, shed := world.Groups()
	for k, g := range []struct {
		every  time.Duration
		places []int
		shed   bool
	}{
		{n.Intervals.Pressure, pressure, false}, {n.Intervals.Temperature, temperature, false},
		{n.Intervals.Tank, tank, false}, {n.Intervals.Shed, shed, true},
	} {
		n.groups[k] = group{every: g.every.Seconds(), next: n.World.Elapsed(), places: g.places, shed: g.shed}
	}
	return n.send(ctx)
}

// Read sets the intervals anew: a node may read seldom while little happens. Each is
// counted from the start, so that what falls together is read together.
func (n *Node) Read(i Intervals) {
	n.Intervals = i
	if n.started {
		for k, every := range []time.Duration{i.Pressure, i.Temperature, i.Tank, i.Shed} {
			g := &n.groups[k]
			if g.every = every.Seconds(); g.every > 0 {
				g.next = math.Ceil((n.World.Elapsed()+1e-3)/g.every) * g.every
			}
		}
	}
}

// Step moves the world on to the next moment at which something is read, and
// carries what was read. Run does nothing else.
func (n *Node) Step(ctx context.Context) error {
	if err := n.start(ctx); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	now := n.World.Elapsed()
	next := now + 3600
	for i := range n.groups {
		if g := &n.groups[i]; g.every > 0 && g.next < next {
			next = g.next
		}
	}
	if n.Pace != nil {
		date := n.World.Now().Add(time.Duration((next - now) * float64(time.Second)))
		if err := n.Pace(ctx, date); err != nil {
			return err
		}
	}
	if d := next - n.World.Elapsed(); d > 0 {
		if err := n.World.Step(ctx, d); err != nil {
			return err
		}
	}
	return n.send(ctx)
}

// send reads every group that is due and carries the packs.
func (n *Node) send(ctx context.Context) error {
	link := n.World.Link()
	sent := n.World.Now()
	if len(n.kept) > 0 && n.World.Elapsed() >= link.AwayUntil {
		kept := n.kept
		n.kept = nil
		for _, p := range kept {
			p.Sent = sent
			if err := n.Carrier.Carry(ctx, p); err != nil {
				return fmt.Errorf("pack kept until %s: %w", sent.Format(time.RFC3339), err)
			}
		}
	}
	stamp := sent.Add(time.Duration(link.Clock * float64(time.Second)))
	now := n.World.Elapsed() + 1e-6
	for _, shed := range []bool{false, true} {
		n.buf = n.buf[:0]
		for i := range n.groups {
			g := &n.groups[i]
			if g.shed != shed || g.every == 0 || g.next > now {
				continue
			}
			for g.next <= now {
				g.next += g.every
			}
			n.buf = n.World.Read(n.buf, stamp, g.places...)
		}
		if len(n.buf) == 0 {
			continue
		}
		if err := n.through(ctx, link, Pack{Shed: shed, Samples: n.buf, Sent: sent}); err != nil {
			return fmt.Errorf("pack of %s: %w", sent.Format(time.RFC3339), err)
		}
	}
	return nil
}

// through sends a pack over the link, such as it is.
func (n *Node) through(ctx context.Context, link world.Link, p Pack) error {
	if link.Silent {
		return nil
	}
	if link.Frozen {
		if n.frozen == nil {
			n.frozen = map[telemetry.Channel]telemetry.Sample{}
		}
		for i, s := range p.Samples {
			f, ok := n.frozen[s.Channel]
			if !ok {
				n.frozen[s.Channel] = s
				continue
			}
			f.At = s.At
			p.Samples[i] = f
		}
	}
	if n.World.Elapsed() < link.AwayUntil {
		if link.Keeps {
			p.Samples = append([]telemetry.Sample(nil), p.Samples...)
			n.kept = append(n.kept, p)
		}
		return nil
	}
	if link.Lost > 0 && n.rng.Float64() < link.Lost {
		return nil
	}
	if link.Shuffled > 0 && n.rng.Float64() < link.Shuffled {
		p.Samples = append([]telemetry.Sample(nil), p.Samples...)
		n.held = append(n.held, heldPack{p, 1 + n.rng.IntN(4)})
		return nil
	}
	if err := n.Carrier.Carry(ctx, p); err != nil {
		return err
	}
	if link.Doubled > 0 && n.rng.Float64() < link.Doubled {
		if err := n.Carrier.Carry(ctx, p); err != nil {
			return err
		}
	}
	for i := 0; i < len(n.held); {
		h := &n.held[i]
		if h.left--; h.left > 0 {
			i++
			continue
		}
		late := h.p
		late.Sent = p.Sent
		n.held = append(n.held[:i], n.held[i+1:]...)
		if err := n.Carrier.Carry(ctx, late); err != nil {
			return err
		}
	}
	return nil
}
