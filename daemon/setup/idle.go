package setup

import (
	"context"
	"errors"
	"net/http"

	"golang.org/x/sync/errgroup"

	"ashlamp/daemon/config"
	"ashlamp/daemon/supervise"
	"ashlamp/dashboard"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/live"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/rulebook"
	"ashlamp/ingest"
	"ashlamp/ingest/broker"
	"ashlamp/ingest/door"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"

	"github.com/pelletier/go-toml/v2"
)

// idle is set-up alone: a page without engines, and a broker by which nodes are heard.
type idle struct {
	setup   *Setup
	doors   doors
	handler http.Handler
	hub     *live.Hub
	broker  *broker.Broker // nil where it could not be opened
}

// doors are the addresses by a text that cannot be run yet.
type doors struct{ listen, broker, shed string }

func doorsOf(text []byte) doors {
	var f struct {
		Shed struct {
			ID string `toml:"id"`
		} `toml:"shed"`
		MQTT struct {
			Listen string `toml:"listen"`
			Broker string `toml:"broker"`
		} `toml:"mqtt"`
	}
	_ = toml.Unmarshal(text, &f) // it was read before
	d := doors{f.MQTT.Listen, f.MQTT.Broker, f.Shed.ID}
	if d.listen == "" && d.broker == "" {
		d.listen = config.DefaultBroker
	}
	return d
}

// unnamed is the shed's id while it has none.
const unnamed = "unnamed"

// noEngines is a shed without any, for the page of rules.
type noEngines struct{}

// Engines returns none.
func (noEngines) Engines() []engine.Engine { return nil }

func (s *Setup) makeIdle(context.Context) (supervise.Runner, error) {
	s.mu.Lock()
	i := &idle{setup: s, doors: doorsOf(s.text)}
	s.trouble = ""
	s.mu.Unlock()
	var err error
	first := message.Snapshot{At: s.o.Clock.Now()}
	i.hub, err = live.NewHub(first.Whole(), live.Options{First: s.firstNumber(), Now: s.o.Clock.Now, Log: s.o.Log})
	if err != nil {
		return nil, err
	}
	book, err := rulebook.New(noEngines{}, s.o.Page)
	if err != nil {
		return nil, err
	}
	i.handler, err = dashboard.New(dashboard.Parts{
		API: api.New(i.hub, nil, nil, s.o.Log).Administer(s), Live: i.hub, Rules: book, Page: s.o.Page,
		Health:  func(context.Context) error { return errors.New("nothing is judged: the shed is not set up yet") },
		Metrics: func() []dashboard.Family { return nil },
	})
	if err != nil {
		return nil, err
	}
	if i.doors.broker == "" {
		if i.broker, err = s.listenForNodes(i.doors); err != nil {
			// Set-up is where it is mended.
			s.mu.Lock()
			s.trouble = sentence(err.Error())
			s.mu.Unlock()
			s.o.Log.Warn("nodes cannot be heard", "error", err)
		}
	}
	s.idle.Store(i)
	return i, nil
}

// listenForNodes opens a broker that hears and keeps nothing.
func (s *Setup) listenForNodes(at doors) (*broker.Broker, error) {
	gate, err := ingest.NewGate(ingest.GateConfig{Counters: &ingest.Counters{}, Log: s.o.Log})
	if err != nil {
		return nil, err
	}
	shed := at.shed
	if shed == "" {
		shed = unnamed
	}
	d, err := door.New(door.Config{Shed: shed, Gate: gate, Sink: shedOnly{gate}, Now: s.o.Clock.Now, Heard: s.ear.Hear})
	if err != nil {
		return nil, err
	}
	return broker.New(broker.Config{Address: at.listen, Door: d, Log: s.o.Log, Now: s.o.Clock.Now})
}

// shedOnly takes the samples of the shed's air, which need no engine to be admitted, and
// lets them go: there is nobody yet to judge them and no store to keep them.
type shedOnly struct{ gate *ingest.Gate }

// Offer implements [ingest.Sink].
func (o shedOnly) Offer(_ context.Context, b ingest.Batch) error {
	o.gate.Trouble(b.Received, "", ingest.UnknownEngine, "samples of the shed's air let go, the shed is not set up yet; finish set-up")
	if b.Done != nil {
		b.Done(nil)
	}
	return nil
}

// Handler implements [supervise.Runner].
func (i *idle) Handler() http.Handler { return i.handler }

// Run implements [supervise.Runner].
func (i *idle) Run(ctx context.Context) error {
	defer i.setup.idle.Store(nil)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return i.hub.Run(ctx) })
	if i.broker != nil {
		g.Go(func() error { return i.broker.Run(ctx) })
	}
	return g.Wait()
}

// readingOf returns the newest sample of a channel as it is judged; nil where none runs
// or none came.
func (s *Setup) readingOf(engines []engine.Engine, engineID string, c telemetry.Channel) *message.Reading {
	a := s.app.Load()
	if a == nil {
		return nil
	}
	if engineID == "" && len(engines) > 0 {
		engineID = engines[0].ID // the shed's air serves every engine
	}
	state, ok := a.State(engineID)
	if !ok {
		return nil
	}
	if r, ok := state.Channels[c]; ok {
		return &r
	}
	return nil
}
