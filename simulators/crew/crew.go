// Package crew is a crew that puts an engine away: what its hands do, what it
// sees, what it says, and in what order.
//
// It works with a lamp or without one. With one it waits for each step to be
// proven before doing it; without, it waits until what it sees, held a while, is
// what the step wants. A careless crew has a lamp and does not look.
package crew

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"ashlamp/rules/telemetry"
)

// Lamp is where the crew reads the verdict on a step: "proven", "not-yet" or
// "cannot-tell".
type Lamp interface {
	Verdict(step string) string
}

// Sayer takes what the crew says.
type Sayer interface {
	Say(ctx context.Context, e telemetry.Event) error
}

// Sight is what the crew sees, hears and feels, without any sensor of ours.
type Sight struct {
	// Gauge is the dial's pressure, Pa gauge.
	Gauge float64
	// Glass is what stands in the gauge glass, 0..1.
	Glass float64
	// Running is the flow out of the blow-down cocks, kg/s.
	Running float64
	// Pipe, Firebox, Smokebox and Shell (the hotter half) are °C.
	Pipe, Firebox, Smokebox, Shell float64
	// Boiling is the boiling point here, °C.
	Boiling float64
	// Tank is the fuller tank, 0..1.
	Tank float64
}

// Hands is what the crew has set. Openings 0..1.
type Hands struct {
	Fire                    float64 // what is left on the grate
	Pan, Smokebox           float64 // ash pan slide, smokebox door
	Blower                  float64
	Injector, Brake, Moving bool
	// LetDown lets steam away through the cylinder drains.
	LetDown     float64
	Cocks       [2]float64
	Vent, Plugs float64
	Drain       bool // of the tanks
	Housed      bool
}

// Plan is how this engine is put away.
type Plan struct {
	// LayUp, and how a boiler for a dry one is emptied: "empty" (blown down hot)
	// or "cold".
	LayUp     telemetry.LayUp
	EmptiedBy string
	// Working pressure, and the window in which it is blown down, Pa gauge.
	Working, BlowDownMin, BlowDownMax float64
	// Cocks and Tanks are how many there are.
	Cocks, Tanks int
}

// Manner is what kind of crew it is. The zero value is slow to a standstill: see
// [Careful].
type Manner struct {
	// Pace multiplies the time that work takes; 1 is usual.
	Pace float64
	// Careless acts on its own knowledge and does not look at the lamp.
	Careless bool
	// Hasty gives its word for vent, cocks and fire before it is so.
	Hasty bool
	// Patience is how long in s it waits for a step to be proven that by its own
	// senses is so, before it leaves that step undone and goes on with the next.
	Patience float64
	// GoesOn drops the fire when its patience ends, though the lamp stays dark.
	GoesOn bool
	// PipeFall is by how many K it lets the blow-down pipe fall before it says that
	// the cocks run dry; 0 is 36.
	PipeFall float64
	// Name is who speaks.
	Name string
}

// Careful is a crew that does everything in order and takes its time.
func Careful(name string) Manner { return Manner{Pace: 1, Patience: 5400, Name: name} }

// DrawManner draws a crew: one in four quick, one in four slow, one in six
// careless, one in eight hasty.
func DrawManner(rng *rand.Rand) Manner {
	return Manner{
		Pace:     0.6 * math.Pow(3.5, rng.Float64()),
		Careless: rng.Float64() < 1.0/6,
		Hasty:    rng.Float64() < 1.0/8,
		Patience: 3600 + 5400*rng.Float64(),
		Name:     "crew",
	}
}

// Crew is one crew at work on one engine. It is not safe for concurrent use.
type Crew struct {
	Plan
	Manner
	// Hands may be read at any time; only the crew and faults set them.
	Hands Hands

	lamp   Lamp
	sayer  Sayer
	orders Orders // nil for a crew that knows its work
	stages []stage
	at     int

	// of this stage and tick
	ctx     context.Context
	t, dt   float64
	now     time.Time
	since   float64
	ready   float64 // how long the own condition has held
	waiting float64
	see     *Sight

	said     map[string]float64
	marks    map[string]float64
	pipeHigh float64
	quiet    float64
	err      error
}

// stage is one piece of work; do returns true when it is done.
type stage struct {
	name string
	do   func(*Crew) bool
}

// New returns a crew about to arrive at the ash pit. A nil lamp means that it
// works by its own senses; a nil sayer that it keeps its mouth shut.
func New(p Plan, m Manner, lamp Lamp, sayer Sayer) (*Crew, error) {
	if !(m.Pace > 0) {
		return nil, fmt.Errorf("crew pace %v; give a number above 0, 1 for usual", m.Pace)
	}
	c := &Crew{Plan: p, Manner: m, lamp: lamp, sayer: sayer,
		said: map[string]float64{}, marks: map[string]float64{}}
	c.Hands = Hands{Fire: 0.45, Pan: 1, Blower: 0.1}
	var err error
	c.stages, err = stagesOf(p)
	return c, err
}

// stagesOf is the work of an evening by a plan.
func stagesOf(p Plan) ([]stage, error) {
	begin := []stage{{"arrive", (*Crew).arrive}, {"fill", (*Crew).fill}, {"prove-glasses", (*Crew).proveGlasses},
		{"drop-fire", (*Crew).dropFire}, {"clear-ash", (*Crew).clearAsh}, {"try-brake", (*Crew).tryBrake}, {"move", (*Crew).move}}
	end := []stage{{"tanks", (*Crew).drainTanks}, {"smokebox", (*Crew).openSmokebox}, {"house", (*Crew).house}, {"home", func(*Crew) bool { return false }}}
	switch {
	case p.LayUp == telemetry.Short || p.LayUp == telemetry.Wet:
		return append(begin, end[2:]...), nil
	case p.LayUp == telemetry.Dry && p.EmptiedBy == "cold":
		return append(append(begin, stage{"let-down", (*Crew).letDownCold}, stage{"cool", (*Crew).cool},
			stage{"run-out", (*Crew).blowDown}, stage{"plugs", (*Crew).plugsOut}), end...), nil
	case p.LayUp == telemetry.Dry && p.EmptiedBy == "empty":
		if !(p.BlowDownMax > p.BlowDownMin && p.BlowDownMin > 0) {
			return nil, fmt.Errorf("blow-down window %v to %v Pa; give 0 < lowest < highest", p.BlowDownMin, p.BlowDownMax)
		}
		return append(append(begin, stage{"let-down", (*Crew).letDown}, stage{"blow-down", (*Crew).waitBlowDown},
			stage{"run-out", (*Crew).blowDown}, stage{"plugs", (*Crew).plugsOut}), end...), nil
	}
	return nil, fmt.Errorf("lay-up %q emptied by %q is no plan; use short, wet or dry, and empty or cold", p.LayUp, p.EmptiedBy)
}

// Orders say how an engine is to be put away, and whether that may begin.
type Orders func() (Plan, bool)

// Stand lets the crew keep the engine in steam where it stands until there are orders,
// and put it away by them. They are asked for at every look: where the window for blowing
// down is changed later on, the crew goes by the new one; the rest stays as it began. It
// must be called before the first Tick.
func (c *Crew) Stand(orders Orders) {
	c.orders = orders
	c.stages = append([]stage{{"stand", (*Crew).stand}}, c.stages...)
}

// Standing reports whether the crew still waits for orders.
func (c *Crew) Standing() bool { return c.Stage() == "stand" }

// Stage names what the crew is at.
func (c *Crew) Stage() string { return c.stages[c.at].name }

// Home reports whether the engine is housed and the crew gone.
func (c *Crew) Home() bool { return c.Hands.Housed }

// Began returns when a stage began in s of the world's time, and whether it has.
func (c *Crew) Began(stage string) (float64, bool) { t, ok := c.marks[stage]; return t, ok }

// Said returns when a confirmation was last given, s, and whether it was.
func (c *Crew) Said(id string) (float64, bool) { t, ok := c.said[id]; return t, ok }

// Tick lets the crew look and act; t is the world's time in s, now the same as a
// date, dt the time since the last tick.
func (c *Crew) Tick(ctx context.Context, t, dt float64, now time.Time, see *Sight) error {
	c.ctx, c.t, c.dt, c.now, c.see = ctx, t, dt, now, see
	c.heed()
	name := c.stages[c.at].name
	if _, ok := c.marks[name]; !ok {
		c.marks[name] = t
	}
	if c.stages[c.at].do(c) {
		c.at++
		c.since, c.ready, c.waiting = t, 0, 0
	}
	err := c.err
	c.err = nil
	return err
}

// heed takes a window for blowing down that was changed since the work began.
func (c *Crew) heed() {
	if c.orders == nil || c.Standing() {
		return
	}
	if p, ok := c.orders(); ok && p.BlowDownMin > 0 && p.BlowDownMax > p.BlowDownMin {
		c.BlowDownMin, c.BlowDownMax = p.BlowDownMin, p.BlowDownMax
	}
}

// worked reports whether the stage has had its seconds of work.
func (c *Crew) worked(s float64) bool { return c.t-c.since >= s*c.Pace }

func (c *Crew) event(e telemetry.Event) {
	if c.sayer == nil || c.err != nil {
		return
	}
	e.At, e.By = c.now, c.Name
	if err := c.sayer.Say(c.ctx, e); err != nil {
		c.err = fmt.Errorf("crew said %s %s: %w", e.Kind, e.Subject, err)
	}
}

// say gives a confirmation.
func (c *Crew) say(id string) {
	c.said[id] = c.t
	c.event(telemetry.Event{Kind: telemetry.Confirmed, Subject: id})
}

// keep gives a confirmation again before it lapses.
func (c *Crew) keep(id string, lapse float64) {
	if t, ok := c.said[id]; !ok || c.t-t > 0.85*lapse {
		c.say(id)
	}
}

// How long what the crew sees must have held where there is no lamp, s: longer
// than the rules' own hold times, so that what is recorded without a lamp can be
// judged by one.
const ownHold = 420

// proven reports whether the crew may go on: the lamp says so, or its own
// senses have for long enough, or (for a careless one) do at all.
func (c *Crew) proven(step string, own bool) bool {
	if own {
		c.ready += c.dt
	} else {
		c.ready = 0
	}
	switch {
	case c.Careless:
		return own
	case c.lamp == nil:
		return c.ready >= ownHold
	}
	// Patience runs out with a lamp that lags behind what the crew sees, not with
	// metal that takes its time to cool.
	if own {
		c.waiting += c.dt
	}
	return c.lamp.Verdict(step) == "proven"
}

// tired reports that the crew has waited as long as it will.
func (c *Crew) tired() bool { return c.waiting > c.Patience }

// Confirmations that lapse by time alone, s (the outside contract's table).
const (
	lapsePanBrake = 3600
	lapseGlasses  = 1800
	lapsePlace    = 600
)

const bar = 1e5
