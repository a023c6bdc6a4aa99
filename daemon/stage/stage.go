// Package stage is what stands behind a demonstration or a test: simulated engines
// with their crews, each heard over MQTT or through the board's I2C bus, and the
// clock that they and the daemon share.
//
// The clock moves only when all stand still: the worlds, the chips' pollers, and the
// daemon with everything that it was told. So a machine under load slows the evening
// down instead of making samples stale, and the same seed gives the same evening.
package stage

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/dashboard/api"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/crew"
	"ashlamp/simulators/node"
	"ashlamp/simulators/rig"
	"ashlamp/simulators/world"
)

// Door is the way by which an engine is heard.
type Door string

// The doors.
const (
	// MQTT is a node that publishes to a broker.
	MQTT Door = "mqtt"
	// I2C is the board's own bus, with the wiring of the example configuration.
	I2C Door = "i2c"
)

const (
	// busName is the bus of the example configuration.
	busName = "board"
	// DefaultLinger is how long the engines are watched once they are housed.
	DefaultLinger = 14 * time.Hour
	// arrival is when the engines come to the ash pit, after midnight.
	arrival = 15*time.Hour + 30*time.Minute
	// between two evenings in one store.
	apart = 10 * time.Minute
	// A step of the world behind a bus goes to when the next poller reads, within
	// these: the crew looks up at least once in the longest, and no step is so short
	// that it only costs time.
	shortestStep = 10 * time.Millisecond
	longestStep  = time.Second
)

// Engine is one engine on the stage.
type Engine struct {
	// World is what the engine is. Its start and altitude are set by the stage.
	World world.Engine
	Door  Door
	Seed  uint64
	// Fault is the name of a fault to happen; empty for none.
	Fault string
	// Intervals are how often a node reads; the zero value means [node.Usual]. Those
	// on a bus are in the daemon's configuration.
	Intervals node.Intervals
	// Between, if not nil, is put between the node and the broker.
	Between func(node.Carrier) node.Carrier
}

// Example returns the engines of the example configuration: Quillet over MQTT and
// Marrow through the bus.
func Example(seed uint64, fault string) []Engine {
	return []Engine{
		{World: world.Quillet(), Door: MQTT, Seed: seed, Fault: fault},
		{World: world.Marrow(), Door: I2C, Seed: seed + 1, Fault: fault},
	}
}

// Options are what a stage is made of. Clock, Engines and Log are required.
type Options struct {
	Clock *clock.Stepped
	// Speed is how many seconds of the world pass in one; 0 for as fast as it goes.
	Speed float64
	// Engines are played together; the first one's world gives the shed's air, over
	// MQTT. At most one is heard through the bus.
	Engines []Engine
	// Broker is the URL of an outside broker; empty for the daemon's own.
	Broker string
	// Linger is how long the engines are watched once they are housed; 0 means
	// [DefaultLinger].
	Linger time.Duration
	// Before, if not nil, is called before each step of the clock, with the date to
	// come, while everything stands and all that came in is judged.
	Before func(ctx context.Context, date time.Time) error
	Log    *slog.Logger
}

// Stage is some engines, ready to go. Make it with [New].
type Stage struct {
	c       config.Config
	o       Options
	players []*player
	rig     *rig.Rig
	app     atomic.Pointer[app.App]
}

type player struct {
	Engine
	world *world.World
	air   bool // it gives the shed's air
}

// CheckFault reports a fault that there is not.
func CheckFault(name string) error {
	if name == "" || slices.Contains(world.Faults(), name) {
		return nil
	}
	return fmt.Errorf("fault %q is not known; use one of %s", name, strings.Join(world.Faults(), ", "))
}

// Start returns when the next evening begins for a data folder: this afternoon, or
// a later one where the folder holds that already of one of the engines.
func Start(ctx context.Context, data string, now time.Time, zone *time.Location, engines ...Engine) (time.Time, error) {
	day := now.In(zone)
	start := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, zone).Add(arrival)
	path := filepath.Join(data, "ashlamp.db")
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return start, nil
	}
	s, err := store.Open(ctx, path)
	if err != nil {
		return start, err
	}
	defer s.Close()
	ids := []string{""}
	for _, e := range engines {
		ids = append(ids, e.World.ID)
	}
	for _, engine := range ids {
		latest, err := s.Latest(ctx, engine)
		if err != nil {
			return start, err
		}
		for _, sample := range latest {
			for start.Before(sample.At.Add(apart)) {
				start = start.AddDate(0, 0, 1)
			}
		}
	}
	return start, nil
}

// New sets the stage.
func New(c config.Config, o Options) (*Stage, error) {
	if len(o.Engines) == 0 {
		return nil, errors.New("a stage needs an engine; give one")
	}
	if o.Linger == 0 {
		o.Linger = DefaultLinger
	}
	s := &Stage{c: c, o: o}
	props, err := boiler.NewProperties()
	if err != nil {
		return nil, err
	}
	for i, e := range o.Engines {
		if e.Intervals == (node.Intervals{}) {
			e.Intervals = node.Usual()
		}
		if i > 0 {
			e.Intervals.Shed = 0
		}
		p := &player{Engine: e, air: i == 0}
		id := e.World.ID
		e.World.Start, e.World.Altitude = o.Clock.Now(), c.Shed.AltitudeM
		if p.world, err = world.New(e.World, props, e.Seed, lamp{s, id}, sayer{s, id}); err != nil {
			return nil, err
		}
		if e.Fault != "" {
			if err := p.world.Inject(e.Fault); err != nil {
				return nil, err
			}
		}
		switch {
		case e.Door == MQTT:
		case e.Door == I2C && s.rig == nil:
			if s.rig, err = rig.New(busName, p.world, o.Clock); err != nil {
				return nil, err
			}
		case e.Door == I2C:
			return nil, fmt.Errorf("engine %s: the bus is taken; give it the door %q", id, MQTT)
		default:
			return nil, fmt.Errorf("engine %s: door %q is not known; use %q or %q", id, e.Door, MQTT, I2C)
		}
		s.players = append(s.players, p)
	}
	return s, nil
}

// Buses returns the bus for the daemon to poll; none where no engine is on it.
func (s *Stage) Buses() map[string]app.Bus {
	if s.rig == nil {
		return nil
	}
	return map[string]app.Bus{busName: {I2C: s.rig.Bus, Clock: func() app.PollClock { return s.o.Clock.Join() }}}
}

// Run plays the evening in front of a daemon that runs in step, until all engines
// have been housed for long enough, or the context ends.
func (s *Stage) Run(ctx context.Context, a *app.App) error {
	s.app.Store(a)
	// The clock must not move before every judgement has begun.
	if err := a.Settle(ctx); err != nil {
		return err
	}
	g, ctx := errgroup.WithContext(ctx)
	p := newPacer(s.o.Clock, s.o.Speed, len(s.players))
	if s.o.Before != nil {
		p.before = func(ctx context.Context, date time.Time) error {
			if err := a.Settle(ctx); err != nil {
				return err
			}
			return s.o.Before(ctx, date)
		}
	}
	p.after = func(ctx context.Context, _ time.Time) error { return a.Settle(ctx) }
	g.Go(func() error { return p.run(ctx) })
	for _, pl := range s.players {
		g.Go(func() error {
			defer p.leave(ctx)
			if pl.Door == I2C {
				return s.playI2C(ctx, p, pl)
			}
			return s.playMQTT(ctx, p, pl)
		})
	}
	return g.Wait()
}

// dial connects an engine's node; the carrier returns once the daemon has judged.
func (s *Stage) dial(ctx context.Context, pl *player) (_ node.Carrier, close func(), err error) {
	broker := s.o.Broker
	if broker == "" {
		broker = "tcp://" + s.app.Load().Broker().String()
	}
	id := pl.World.ID
	box := id + "-box"
	m, err := node.DialMQTT(ctx, node.MQTTConfig{
		Broker: broker, Shed: s.c.Shed.ID, Engine: id, Node: box, Now: s.o.Clock.Now,
	})
	if err != nil {
		return nil, nil, err
	}
	// A broker drops what comes before the daemon has subscribed.
	if err := s.app.Load().Heard(ctx, box); err != nil {
		return nil, nil, err
	}
	close = func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		if err := m.Close(closing); err != nil {
			s.o.Log.Debug("the node left without a word", "error", err)
		}
	}
	var c node.Carrier = m
	if s.o.Broker != "" {
		c = &through{Carrier: m, app: s.app.Load(), engine: id}
	}
	if pl.Between != nil {
		c = pl.Between(c)
	}
	return c, close, nil
}

// through carries by way of an outside broker, whose acknowledgement says nothing of
// the daemon: it waits until what was carried is judged.
type through struct {
	node.Carrier
	app    *app.App
	engine string
	// of the engine and of the shed.
	carried, air int
}

func (t *through) Carry(ctx context.Context, p node.Pack) error {
	if err := t.Carrier.Carry(ctx, p); err != nil {
		return err
	}
	if p.Shed {
		t.air += len(p.Samples)
		return t.app.Judged(ctx, "", t.air)
	}
	t.carried += len(p.Samples)
	return t.app.Judged(ctx, t.engine, t.carried)
}

func (s *Stage) playMQTT(ctx context.Context, p *pacer, pl *player) error {
	c, hangUp, err := s.dial(ctx, pl)
	if err != nil {
		return err
	}
	defer hangUp()
	n := node.New(pl.world, c, pl.Intervals, pl.Seed)
	n.Pace = p.until
	n.Linger = s.o.Linger
	return n.Run(ctx)
}

// playI2C moves the world behind the bus ahead of the clock, so that pollers which
// the clock wakes read it as it is then; while it moves none of them is at work.
func (s *Stage) playI2C(ctx context.Context, p *pacer, pl *player) error {
	air := func() error { return nil }
	if pl.air {
		c, hangUp, err := s.dial(ctx, pl)
		if err != nil {
			return err
		}
		defer hangUp()
		air = s.airOf(ctx, pl, c)
	}
	s.o.Clock.Settle()
	var home time.Time
	date := s.o.Clock.Now()
	for {
		if err := air(); err != nil {
			return err
		}
		step := longestStep
		if next, ok := s.o.Clock.Next(); ok {
			step = min(step, max(shortestStep, next.Sub(date)))
		}
		if err := pl.world.Step(ctx, step.Seconds()); err != nil {
			return err
		}
		s.rig.Update()
		date = date.Add(step)
		if err := p.until(ctx, date); err != nil {
			return err
		}
		if pl.world.Home() {
			if home.IsZero() {
				home = date
			}
			if date.Sub(home) >= s.o.Linger {
				return nil
			}
		}
	}
}

// airOf returns a function that carries the shed's air when it is due.
func (s *Stage) airOf(ctx context.Context, pl *player, c node.Carrier) func() error {
	_, _, _, places := world.Groups()
	due := s.o.Clock.Now()
	return func() error {
		now := s.o.Clock.Now()
		if now.Before(due) || pl.Intervals.Shed == 0 {
			return nil
		}
		due = due.Add(pl.Intervals.Shed)
		return c.Carry(ctx, node.Pack{Shed: true, Samples: pl.world.Read(nil, now, places...), Sent: now})
	}
}

// lamp is what the crew sees on the page.
type lamp struct {
	s      *Stage
	engine string
}

var _ crew.Lamp = lamp{}

// Verdict returns the word of a step; "cannot-tell" where nothing is shown yet.
func (l lamp) Verdict(step string) string {
	if a := l.s.app.Load(); a != nil {
		if state, ok := a.Hub().State(l.engine); ok {
			for _, st := range state.Steps {
				if st.ID == step {
					return st.Verdict.String()
				}
			}
		}
	}
	return "cannot-tell"
}

// sayer takes the crew's words to the daemon as the page does.
type sayer struct {
	s      *Stage
	engine string
}

// Say tells the daemon; that a word no longer stood when it was taken back, or
// that a disposal is over, is no reason to stop.
func (t sayer) Say(ctx context.Context, e telemetry.Event) error {
	a := t.s.app.Load()
	if a == nil {
		return errors.New("the crew spoke before the daemon ran")
	}
	_, err := a.Say().Say(ctx, t.engine, e)
	if errors.Is(err, api.ErrNotGiven) || errors.Is(err, api.ErrNotNow) {
		t.s.o.Log.Warn("a word of the crew did not fit", "engine", t.engine, "said", e.Kind, "subject", e.Subject, "error", err)
		return nil
	}
	return err
}
