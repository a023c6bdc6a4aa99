// Package stage is what stands behind a demonstration: two simulated engines with
// their crews, one heard over MQTT, one through the board's I2C bus, and the clock
// that they and the daemon share.
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

const (
	// overMQTT and overI2C are the engines of the example by the way they are heard.
	overMQTT = "quillet"
	overI2C  = "marrow"
	// busName is the bus of the example that overI2C is wired to.
	busName = "board"
	// grain is the step of the world behind the bus: a conversion that a driver
	// waits for ends within it.
	grain = 100 * time.Millisecond
	// linger is how long the engines are watched once they are housed.
	linger = 14 * time.Hour
	// arrival is when the engines come to the ash pit, after midnight.
	arrival = 15*time.Hour + 30*time.Minute
	// between two evenings in one store.
	apart = 10 * time.Minute
)

// Options are what a stage is made of; all but Fault are required.
type Options struct {
	Clock *clock.Stepped
	// Speed is how many seconds of the world pass in one.
	Speed float64
	Seed  uint64
	// Fault is the name of a fault to happen on both engines; empty for none.
	Fault string
	Log   *slog.Logger
}

// Stage is two engines, ready to go. Make it with [New].
type Stage struct {
	c     config.Config
	o     Options
	rig   *rig.Rig
	mqtt  *world.World
	wired *world.World
	app   atomic.Pointer[app.App]
}

// CheckFault reports a fault that there is not.
func CheckFault(name string) error {
	if name == "" || slices.Contains(world.Faults(), name) {
		return nil
	}
	return fmt.Errorf("fault %q is not known; use one of %s", name, strings.Join(world.Faults(), ", "))
}

// Start returns when the next evening begins for a data folder: this afternoon, or
// a later one where the folder holds that already.
func Start(ctx context.Context, data string, now time.Time, zone *time.Location) (time.Time, error) {
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
	for _, engine := range []string{"", overMQTT, overI2C} {
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
	s := &Stage{c: c, o: o}
	props, err := boiler.NewProperties()
	if err != nil {
		return nil, err
	}
	engine := func(e world.Engine, id string, seed uint64) (*world.World, error) {
		e.ID, e.Start, e.Altitude = id, o.Clock.Now(), c.Shed.AltitudeM
		w, err := world.New(e, props, seed, lamp{s, id}, sayer{s, id})
		if err != nil {
			return nil, err
		}
		if o.Fault != "" {
			if err := w.Inject(o.Fault); err != nil {
				return nil, err
			}
		}
		return w, nil
	}
	if s.mqtt, err = engine(world.Quillet(), overMQTT, o.Seed); err != nil {
		return nil, err
	}
	if s.wired, err = engine(world.Marrow(), overI2C, o.Seed+1); err != nil {
		return nil, err
	}
	s.rig, err = rig.New(busName, s.wired, o.Clock)
	return s, err
}

// Buses returns the bus for the daemon to poll.
func (s *Stage) Buses() map[string]app.Bus {
	return map[string]app.Bus{busName: {I2C: s.rig.Bus, Clock: func() app.PollClock { return s.o.Clock.Join() }}}
}

// Run plays the evening in front of a daemon that runs, until both engines have
// been housed for long enough, or the context ends.
func (s *Stage) Run(ctx context.Context, a *app.App) error {
	s.app.Store(a)
	g, ctx := errgroup.WithContext(ctx)
	p := newPacer(s.o.Clock, s.o.Speed, 2)
	g.Go(func() error { return p.run(ctx) })
	g.Go(func() error {
		defer p.leave(ctx)
		return s.playMQTT(ctx, p, a.Broker().String())
	})
	g.Go(func() error {
		defer p.leave(ctx)
		return s.playI2C(ctx, p)
	})
	return g.Wait()
}

func (s *Stage) playMQTT(ctx context.Context, p *pacer, broker string) error {
	m, err := node.DialMQTT(ctx, node.MQTTConfig{
		Broker: "tcp://" + broker, Shed: s.c.Shed.ID, Engine: overMQTT, Node: overMQTT + "-box", Now: s.o.Clock.Now,
	})
	if err != nil {
		return err
	}
	defer func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		if err := m.Close(closing); err != nil {
			s.o.Log.Debug("the node left without a word", "error", err)
		}
	}()
	n := node.New(s.mqtt, m, node.Usual(), s.o.Seed)
	n.Pace = p.until
	n.Linger = linger
	return n.Run(ctx)
}

func (s *Stage) playI2C(ctx context.Context, p *pacer) error {
	var home time.Time
	date := s.o.Clock.Now()
	for {
		date = date.Add(grain)
		if err := p.until(ctx, date); err != nil {
			return err
		}
		if err := s.wired.Step(ctx, grain.Seconds()); err != nil {
			return err
		}
		s.rig.Update()
		if s.wired.Home() {
			if home.IsZero() {
				home = date
			}
			if date.Sub(home) >= linger {
				return nil
			}
		}
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
