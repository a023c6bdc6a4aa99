// Package stage is what stands behind a demonstration or a test: simulated engines
// with their crews, each heard over MQTT or through the board's I2C bus, and the
// clock that they and the daemon share.
//
// The clock moves only when all stand still: the worlds, the chips' pollers, and the
// daemon with everything that it was told. So a machine under load slows the evening
// down instead of making samples stale, and the same seed gives the same evening.
//
// The daemon may be replaced by another while the evening is played, as set-up does when
// the configuration is edited ([Stage.Face]). Until the next one answers the clock
// stands; then nodes dial anew and say again what was not acknowledged.
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
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"periph.io/x/conn/v3/i2c"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/ingest/store"
	"ashlamp/simulators/boiler"
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
	// busDevice is what the simulated board calls it.
	busDevice = "1"
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
	// Stands is true for an engine that its crew keeps in steam until it has been set up:
	// until the daemon has it in its configuration and has heard a channel of it. Then it
	// is put away as the configuration says.
	Stands bool
}

// standing is how often a node reads an engine that stands: seldom, and at moments at
// which the usual ones read too, so that the clock stops no more often for it.
var standing = node.Intervals{Pressure: 10 * time.Second, Temperature: 10 * time.Second, Tank: time.Minute}

// Example returns the engines of the example configuration: Quillet over MQTT and
// Marrow through the bus.
func Example(seed uint64, fault string) []Engine {
	return []Engine{
		{World: world.Quillet(), Door: MQTT, Seed: seed, Fault: fault},
		{World: world.Marrow(), Door: I2C, Seed: seed + 1, Fault: fault},
	}
}

// Demonstration returns those of [Example] and a third that the example configuration
// does not have: Osier stands at the pit in steam until somebody sets it up. It has no
// fault.
func Demonstration(seed uint64, fault string) []Engine {
	return append(Example(seed, fault), Engine{World: world.Osier(), Door: MQTT, Seed: seed + 2, Stands: true})
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

	mu     sync.Mutex
	faced  *facing       // nil before the first
	change chan struct{} // closed when another is faced
	worked int           // players of engines that the daemon knew
	left   int           // of those, the ones that have left
}

type player struct {
	Engine
	world *world.World
	air   bool // it gives the shed's air
	// counted is that it is among those whom the end of the evening waits for.
	counted bool
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
	s := &Stage{c: c, o: o, change: make(chan struct{})}
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
		if e.Stands {
			p.world.Stand(s.orders(p))
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

// OpenBuses opens the buses that a configuration reads, as set-up wants it: the
// simulated board has one.
func (s *Stage) OpenBuses(c config.Config) (map[string]app.Bus, func(), error) {
	open := map[string]app.Bus{}
	for _, b := range c.Buses {
		used := slices.ContainsFunc(c.Wired, func(w config.Wired) bool { return w.Bus == b.Name })
		switch {
		case !used:
		case s.rig == nil || b.Device != busDevice:
			return nil, nil, fmt.Errorf("bus %q: the simulated board has no bus %q, only %q", b.Name, b.Device, busDevice)
		default:
			open[b.Name] = app.Bus{I2C: s.rig.Bus, Clock: func() app.PollClock { return s.o.Clock.Join() }}
		}
	}
	return open, func() {}, nil
}

// BusNames returns the buses of the simulated board.
func (s *Stage) BusNames() ([]string, error) {
	if s.rig == nil {
		return nil, nil
	}
	return []string{busDevice}, nil
}

// OpenBus opens one of [Stage.BusNames], for a look at its chips.
func (s *Stage) OpenBus(device string) (i2c.BusCloser, error) {
	if s.rig == nil || device != busDevice {
		return nil, fmt.Errorf("the simulated board has no bus %q", device)
	}
	return open{s.rig.Bus}, nil
}

// open is a bus that stays open when one of those who read it closes it.
type open struct{ i2c.Bus }

// Close does nothing.
func (open) Close() error { return nil }

// Run plays the evening in front of a daemon that runs in step, until all engines
// have been housed for long enough, or the context ends.
func (s *Stage) Run(ctx context.Context, a *app.App) error {
	s.Face(ctx, a, s.c)
	return s.Play(ctx)
}

// Play plays the evening in front of the daemons that [Stage.Face] brings, one after the
// other, until all engines that they know have been housed for long enough, or the
// context ends.
func (s *Stage) Play(ctx context.Context) error {
	settle := func(ctx context.Context) error {
		return s.with(ctx, func(ctx context.Context, f *facing) error { return f.app.Settle(ctx) })
	}
	// The clock must not move before every judgement has begun.
	if err := settle(ctx); err != nil {
		return err
	}
	s.count()
	all := ctx
	g, ctx := errgroup.WithContext(ctx)
	p := newPacer(s.o.Clock, s.o.Speed, len(s.players))
	if s.o.Before != nil {
		p.before = func(ctx context.Context, date time.Time) error {
			if err := settle(ctx); err != nil {
				return err
			}
			return s.o.Before(ctx, date)
		}
	}
	p.ready = func(ctx context.Context) error {
		_, err := s.await(ctx)
		return err
	}
	p.after = func(ctx context.Context, _ time.Time) error { return settle(ctx) }
	g.Go(func() error { return p.run(ctx) })
	for _, pl := range s.players {
		g.Go(func() error {
			defer p.leave(ctx)
			if pl.Door == I2C {
				return s.playI2C(ctx, p, pl)
			}
			return s.playMQTT(all, ctx, p, pl)
		})
	}
	return g.Wait()
}

// playMQTT plays until the engine is home; all is the context of the whole evening.
func (s *Stage) playMQTT(all, ctx context.Context, p *pacer, pl *player) error {
	l := &line{stage: s, player: pl}
	if err := s.with(ctx, l.dial); err != nil {
		return err
	}
	defer func() {
		if s.counts(pl) {
			l.hangUp()
			return
		}
		// Nothing is judged by it; that it goes would be told to every engine.
		context.AfterFunc(all, l.hangUp)
	}()
	var c node.Carrier = l
	if pl.Between != nil {
		c = pl.Between(c)
	}
	every := pl.Intervals
	if pl.world.Standing() {
		every = standing
	}
	n := node.New(pl.world, c, every, pl.Seed)
	n.Pace = p.until
	var home time.Time
	for {
		if err := n.Step(ctx); err != nil {
			return err
		}
		if n.Intervals != pl.Intervals && !pl.world.Standing() {
			n.Read(pl.Intervals)
		}
		if s.over(pl, pl.world.Now(), &home) {
			return nil
		}
	}
}

// playI2C moves the world behind the bus ahead of the clock, so that pollers which
// the clock wakes read it as it is then; while it moves none of them is at work.
func (s *Stage) playI2C(ctx context.Context, p *pacer, pl *player) error {
	air := func() error { return nil }
	if pl.air {
		l := &line{stage: s, player: pl}
		if err := s.with(ctx, l.dial); err != nil {
			return err
		}
		defer l.hangUp()
		var c node.Carrier = l
		if pl.Between != nil {
			c = pl.Between(c)
		}
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
		if s.over(pl, date, &home) {
			return nil
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
