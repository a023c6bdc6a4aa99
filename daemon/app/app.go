// Package app puts the daemon together from its parts: doors, store, judgement,
// pages. It holds no logic of its own beyond who is joined to whom.
package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"
	"periph.io/x/conn/v3/i2c"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/judge"
	"ashlamp/dashboard"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/live"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/heartbeat"
	"ashlamp/dashboard/rulebook"
	"ashlamp/hardware/calibration"
	"ashlamp/ingest"
	"ashlamp/ingest/broker"
	"ashlamp/ingest/door"
	"ashlamp/ingest/mapping"
	"ashlamp/ingest/mqtt"
	"ashlamp/ingest/store"
	"ashlamp/ingest/topic"
	"ashlamp/rules"
	"ashlamp/rules/caution"
	"ashlamp/rules/engine"
)

const (
	// silentAfter is how long a judging loop may give no sign of life, in real
	// time, before the pages are told that nothing is judged: it turns several
	// times a second.
	silentAfter = 2 * time.Second
	// closeWithin is how long open requests may take once the daemon stops.
	closeWithin = 3 * time.Second
	headerTime  = 10 * time.Second
)

// PollClock is what a poller goes by.
type PollClock interface {
	Now() time.Time
	Wait(ctx context.Context, until time.Time) error
	// Leave is called once the poller has ended.
	Leave()
}

// Bus is an I2C bus that is open already, and a clock for each poller on it.
type Bus struct {
	I2C   i2c.Bus
	Clock func() PollClock
}

// Options are what an [App] is made of. Page, Log and Clock are required.
type Options struct {
	Config config.Config
	// Data is the folder that holds the store.
	Data  string
	Page  fs.FS
	Clock clock.Clock
	Log   *slog.Logger
	// Buses are the open buses by their name in the configuration.
	Buses map[string]Bus
	// Random makes the first number of the live link unlike that of another run.
	Random uint32
	// First, if not 0, is that number: for whoever starts several within one process,
	// faster than the number's clock ticks.
	First uint64
	// InStep is true where whoever moves the clock calls [App.Settle] in between.
	InStep bool
	// Setup answers the calls of set-up; nil where there is none.
	Setup api.Setup
	// Heard, if not nil, is told of each MQTT message, taken or not. It must not block.
	Heard func(door.Heard)
	// Unserved is true where whoever runs the app serves its [App.Handler]: no address
	// is then opened for the page.
	Unserved bool
}

// App is the daemon, put together. Make it with [New].
type App struct {
	o         Options
	store     *store.Store
	gate      *ingest.Gate
	committer *ingest.Committer
	sink      ingest.Sink // the committer, or the tally before it
	tally     *tally      // nil unless in step
	mq        doorkeeper
	broker    *broker.Broker
	pollers   []poller
	forward   runner
	loops     map[string]*judge.Loop
	hub       *live.Hub
	handler   http.Handler
	listener  net.Listener // nil where unserved
	server    *http.Server
	nodes     *nodes
	years     *years
	trouble   atomic.Pointer[string]
	watch     *watch
	office    *notify.Office
	heartbeat *heartbeat.Heartbeat // nil where nobody outside watches
	unwatched error                // why not, where somebody should
	// rung is told when a notice was kept; nil for nobody.
	rung func()
}

// doorkeeper is either MQTT door.
type doorkeeper interface {
	Run(ctx context.Context) error
	Publish(topic string, payload []byte, retained bool) error
}

type runner interface {
	Run(ctx context.Context) error
}

// New opens the store, brings the judgement up to date from it and opens the
// addresses. Nothing moves before [App.Run]; an app that is never run must be
// closed with [App.Close].
func New(ctx context.Context, o Options) (_ *App, err error) {
	if err := os.MkdirAll(o.Data, 0o750); err != nil {
		return nil, fmt.Errorf("make the data folder %s: %w; name one in a place where the daemon may write", o.Data, err)
	}
	a := &App{o: o, loops: map[string]*judge.Loop{}, nodes: newNodes(o.Config)}
	defer func() {
		if err != nil {
			a.Close()
		}
	}()
	if a.store, err = store.Open(ctx, filepath.Join(o.Data, "ashlamp.db"), store.Logger(o.Log)); err != nil {
		return nil, err
	}
	if err := a.makeIngest(); err != nil {
		return nil, err
	}
	if err := a.makeJudges(ctx); err != nil {
		return nil, err
	}
	if err := a.makePollers(); err != nil {
		return nil, err
	}
	if err := a.makeForward(); err != nil {
		return nil, err
	}
	if err := a.makeWatch(ctx); err != nil {
		return nil, err
	}
	if err := a.makeOffice(ctx); err != nil {
		return nil, err
	}
	return a, a.makeServer()
}

func (a *App) makeIngest() (err error) {
	c := a.o.Config
	ids := make([]string, len(c.Engines))
	for i, e := range c.Engines {
		ids[i] = e.ID
	}
	a.gate, err = ingest.NewGate(ingest.GateConfig{
		Engines: ids, Skew: c.Shed.Skew, Counters: &ingest.Counters{}, Log: a.o.Log, Calibrations: sentCalibrations(c),
	})
	if err != nil {
		return err
	}
	a.committer, err = ingest.NewCommitter(ingest.CommitterConfig{
		Store: a.store, Gate: a.gate, Now: a.o.Clock.Now, Next: a.stored, Trouble: a.storeTrouble,
	})
	if err != nil {
		return err
	}
	a.sink = a.committer
	if a.o.InStep {
		a.tally = newTally(a.committer)
		a.sink = a.tally
	}
	m, err := mapping.New(c.Mapped)
	if err != nil {
		return err
	}
	d, err := door.New(door.Config{
		Shed: c.Shed.ID, Gate: a.gate, Sink: a.sink, Mapping: m, Now: a.o.Clock.Now, Heard: a.o.Heard,
		Here: func(h door.Here) {
			for _, id := range a.nodes.hear(h.Node) {
				if l, ok := a.loops[id]; ok {
					l.Node(judge.NodeStatus{Node: h.Node, Up: h.Up})
				}
			}
			if a.tally != nil {
				a.tally.look()
			}
			a.o.Log.Info("node status", "node", h.Node, "up", h.Up)
		},
	})
	if err != nil {
		return err
	}
	if c.Broker.URL != "" {
		password, err := secret(c.Broker.PasswordFile)
		if err != nil {
			return err
		}
		tls, err := trust(c.Broker.CAFile)
		if err != nil {
			return err
		}
		a.mq, err = mqtt.New(mqtt.Config{
			Broker: c.Broker.URL, ClientID: c.Broker.ClientID, User: c.Broker.User, Password: password,
			TLS: tls, Door: d, Log: a.o.Log, Now: a.o.Clock.Now,
		})
		return err
	}
	users := map[string]string{}
	if c.Broker.User != "" {
		password, err := secret(c.Broker.PasswordFile)
		if err != nil {
			return err
		}
		users[c.Broker.User] = password
	}
	a.broker, err = broker.New(broker.Config{Address: c.Broker.Listen, Users: users, Door: d, Log: a.o.Log, Now: a.o.Clock.Now})
	a.mq = a.broker
	return err
}

// sentCalibrations are those of what nodes send; a wired channel's belongs to its
// transducer.
func sentCalibrations(c config.Config) map[ingest.Place]calibration.Line {
	out := map[ingest.Place]calibration.Line{}
	for _, k := range c.Calibrations {
		out[ingest.Place{Engine: k.Engine, Channel: k.Channel}] = k.Line
	}
	for _, w := range c.Wired {
		delete(out, ingest.Place{Engine: w.Engine, Channel: w.Channel})
	}
	return out
}

func secret(file string) (string, error) {
	if file == "" {
		return "", nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("read a password: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

// stored hands what is newly on disk to the judgement: an engine's to its own,
// the shed's air to all.
func (a *App) stored(ctx context.Context, s ingest.Appended) {
	if a.tally != nil {
		defer a.tally.stored(s.Batch)
	}
	a.nodes.heard(s.Batch.Node, s.Batch.Engine)
	if len(s.Fresh) == 0 {
		return
	}
	if s.Batch.Engine != "" {
		if l, ok := a.loops[s.Batch.Engine]; ok {
			l.Samples(ctx, s.Batch.Received, s.Fresh)
		}
		return
	}
	for _, l := range a.loops {
		l.Samples(ctx, s.Batch.Received, s.Fresh)
	}
}

func (a *App) storeTrouble(err error) {
	text := ""
	if err == nil {
		a.trouble.Store(nil)
		a.o.Log.Info("the store takes samples again")
	} else {
		text = "Samples are not stored: " + err.Error()
		a.trouble.Store(&text)
	}
	for _, l := range a.loops {
		l.Store(text)
	}
}

func (a *App) makeJudges(ctx context.Context) error {
	c := a.o.Config
	first := message.Snapshot{
		At: a.o.Clock.Now(),
		Shed: message.Shed{
			ID: c.Shed.ID, Name: c.Shed.Name, Timezone: c.Shed.Timezone, People: c.Shed.People,
			Cautions: caution.Steps(),
		},
	}
	judges, found, histories := map[string]*rules.Judge{}, map[string][]rules.Change{}, map[string]*judge.History{}
	for _, e := range c.Engines {
		j, err := rules.New(e)
		if err != nil {
			return fmt.Errorf("engine %s: %w", e.ID, err)
		}
		h, err := judge.NewHistory(e)
		if err != nil {
			return fmt.Errorf("engine %s: %w", e.ID, err)
		}
		if err := foretell(ctx, a.store, e.ID, j); err != nil {
			a.o.Log.Warn("the engine is forecast as one that nobody has seen", "engine", e.ID, "error", err)
		}
		if found[e.ID], err = restore(ctx, a.store, e.ID, j, h, a.o.Clock.Now(), a.o.Log); err != nil {
			return fmt.Errorf("engine %s: judge again what is stored: %w", e.ID, err)
		}
		judges[e.ID], histories[e.ID] = j, h
		state := j.State()
		first.Engines = append(first.Engines, judge.Engine(e, state.Marks))
		first.States = append(first.States, judge.StateOf(e, state))
	}
	number := a.o.First
	if number == 0 {
		number = live.FirstNumber(time.Now(), a.o.Random)
	}
	hub, err := live.NewHub(first.Whole(), live.Options{
		First: number, Now: a.o.Clock.Now, Log: a.o.Log, Judging: a.judging,
	})
	if err != nil {
		return err
	}
	a.hub = hub
	for _, e := range c.Engines {
		told, err := judge.Book{Store: a.store}.Told(ctx, e.ID)
		if err != nil {
			a.o.Log.Warn("what was told of the engine is not known; what stands is told again", "engine", e.ID, "error", err)
		}
		o := judge.Options{
			Engine: e, Shed: c.Shed.ID, Clock: a.o.Clock, Book: judge.Book{Store: a.store}, Publish: hub.Publish, Found: found[e.ID],
			History: histories[e.ID], Told: told, Noticed: a.noticed,
			Retain: func(t string, payload []byte) error { return a.mq.Publish(t, payload, true) },
			Log:    a.o.Log,
		}
		if err := a.light(e.ID, &o); err != nil {
			return err
		}
		a.loops[e.ID] = judge.New(judges[e.ID], o)
	}
	return nil
}

// judging reports a judging loop that has stopped turning.
func (a *App) judging() error {
	for id, l := range a.loops {
		if d := l.Silent(); d > silentAfter {
			return fmt.Errorf("engine %s has not been judged for %s", id, d.Round(time.Second))
		}
	}
	return nil
}

func (a *App) makeServer() error {
	c := a.o.Config
	book, err := rulebook.New(shed(c.Engines), a.o.Page)
	if err != nil {
		return err
	}
	zones := map[string]*time.Location{}
	for _, e := range c.Engines {
		zones[e.ID] = e.Zone
	}
	calls := api.New(a.hub, recordsOf(past{a.store, zones}, c), &speaker{loops: a.loops, people: c.Shed.People, nodes: a.nodes}, a.o.Log)
	a.years = newYears(a.store, c.Engines, a.o.Clock.Now, a.o.Log)
	calls.Recall(a.years)
	a.ring(calls)
	if a.o.Setup != nil {
		calls.Administer(a.o.Setup)
	}
	a.handler, err = dashboard.New(dashboard.Parts{
		API:  calls,
		Live: a.hub, Rules: book, Page: a.o.Page, Health: a.health, Metrics: a.metrics,
	})
	if err != nil {
		return err
	}
	if a.o.Unserved {
		return nil
	}
	if a.listener, err = net.Listen("tcp", c.Listen); err != nil {
		return fmt.Errorf("listen for the page on %s: %w; choose another address under [http] listen", c.Listen, err)
	}
	a.server = &http.Server{Handler: a.handler, ReadHeaderTimeout: headerTime, ErrorLog: slog.NewLogLogger(a.o.Log.Handler(), slog.LevelWarn)}
	a.server.RegisterOnShutdown(a.years.cancel) // else it would wait for a reckoning that nobody needs any more
	return nil
}

// shed lists the engines for the page of rules.
type shed []engine.Engine

// Engines returns them as configured.
func (s shed) Engines() []engine.Engine { return s }

// Handler answers all that people and programs ask over HTTP.
func (a *App) Handler() http.Handler { return a.handler }

// Addr returns where the page is served; nil where it is unserved.
func (a *App) Addr() net.Addr {
	if a.listener == nil {
		return nil
	}
	return a.listener.Addr()
}

// Broker returns where the built-in broker listens; nil where an outside one is used.
func (a *App) Broker() net.Addr {
	if a.broker == nil {
		return nil
	}
	return a.broker.Addr()
}

// Hub returns what the pages are told.
func (a *App) Hub() *live.Hub { return a.hub }

// Say takes a person's word for an engine.
func (a *App) Say() api.Speaker {
	return &speaker{loops: a.loops, people: nil, nodes: a.nodes}
}

// Run works until the context ends, then closes everything. It returns early
// with an error only where a part cannot go on.
func (a *App) Run(ctx context.Context) error {
	defer a.Close()
	g, ctx := errgroup.WithContext(ctx)
	part := func(name string, run func(context.Context) error) {
		g.Go(func() error {
			if err := run(ctx); err != nil && ctx.Err() == nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			return nil
		})
	}
	for id, l := range a.loops {
		part("judgement of "+id, l.Run)
	}
	part("way to the store", a.committer.Run)
	part("MQTT", a.mq.Run)
	part("live link", a.hub.Run)
	for _, p := range a.pollers {
		part("I2C", p.Run)
	}
	if a.forward != nil {
		part("forwarding", a.forward.Run)
	}
	part("status", a.here)
	part("daemons that are silent", a.watch.Run)
	part("who tells people", a.office.Run)
	if a.heartbeat != nil {
		part("heartbeat", a.heartbeat.Run)
	}
	for _, l := range a.watch.listeners {
		part("neighbours", l.Run)
	}
	if a.server == nil {
		return g.Wait()
	}
	g.Go(func() error {
		if err := a.server.Serve(a.listener); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serve the page: %w", err)
		}
		return nil
	})
	g.Go(func() error {
		<-ctx.Done()
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), closeWithin)
		defer cancel()
		if err := a.server.Shutdown(closing); err != nil {
			return a.server.Close()
		}
		return nil
	})
	return g.Wait()
}

// here keeps the daemon's own status at the broker fresh, as long as it judges: one whose
// judgement hangs is no longer there, and its last word runs out.
func (a *App) here(ctx context.Context) error {
	name := topic.Topic{Kind: topic.DaemonHere, Shed: a.o.Config.Shed.ID}.String()
	for {
		now := a.o.Clock.Now()
		if err := a.judging(); err != nil {
			a.o.Log.Error("the daemon no longer says that it is up", "error", err)
		} else if err := a.mq.Publish(name, door.Status(true, now), true); err != nil {
			a.o.Log.Debug("the daemon's status was not published", "error", err)
		}
		if err := clock.Wait(ctx, a.o.Clock, now.Add(judge.RenewEvery)); err != nil {
			return nil
		}
	}
}

// Close frees what New opened; Run calls it.
func (a *App) Close() {
	for _, p := range a.pollers {
		p.clock.Leave() // those that ran have left already
	}
	if a.listener != nil {
		_ = a.listener.Close() // closed already where the server ran
	}
	if a.broker != nil {
		if err := a.broker.Close(); err != nil {
			a.o.Log.Warn("close the broker", "error", err)
		}
	}
	if a.years != nil {
		a.years.close()
	}
	if a.store != nil {
		if err := a.store.Close(); err != nil {
			a.o.Log.Error("close the store", "error", err)
		}
	}
}
