package setup

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/stage"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/world"
)

const (
	// rehearsalID is the engine's id, and the shed's, in a rehearsal: none of the real
	// ones, whatever they are called, for nothing of it is ever in their store.
	rehearsalID = "rehearsal"
	// rehearsalStands is how long a rehearsal that is over may be looked at. Common
	// practice, no source.
	rehearsalStands = time.Hour
)

// rehearsing keeps the rehearsal that plays.
type rehearsing struct {
	base context.Context // ends with the daemon

	mu  sync.Mutex
	now *rehearsal
}

// rehearsal is a daemon of its own, with a store of its own in a passing folder, a
// broker of its own on a passing port, and a simulated engine behind it. It shares
// nothing with the real one but the machine.
type rehearsal struct {
	view  message.SetupRehearsal // but Date and Over
	clock *clock.Stepped
	stop  context.CancelFunc
	ended chan struct{}

	mu   sync.Mutex
	over bool
}

func (r *rehearsing) view() *message.SetupRehearsal {
	r.mu.Lock()
	now := r.now
	r.mu.Unlock()
	if now == nil {
		return nil
	}
	v := now.view
	v.Date = now.clock.Now().UTC()
	now.mu.Lock()
	defer now.mu.Unlock()
	v.Over = now.over
	return &v
}

// stop ends the one that plays, if any does, and waits until nothing of it is left.
func (r *rehearsing) stop() bool {
	r.mu.Lock()
	now := r.now
	r.mu.Unlock()
	if now == nil {
		return false
	}
	now.stop()
	<-now.ended
	return true
}

// rehearsed is the configuration of a rehearsal of an engine: the engine's own limits
// and channels, heard from a simulated node, under a name that nobody takes for it.
func rehearsed(c config.Config, e engine.Engine, listen string) config.Config {
	out := config.Config{
		Shed: c.Shed, Listen: listen,
		Broker: config.Broker{Listen: "127.0.0.1:0"}, // any free port: no node finds it by chance
	}
	out.Shed.ID, out.Shed.Name = rehearsalID, "Rehearsal – "+c.Shed.Name
	e.ID, e.Name = rehearsalID, "Rehearsal of "+e.Name
	channels := map[telemetry.Channel]engine.Channel{}
	for id, ch := range e.Channels {
		ch.Absolute = ch.Absolute && id == telemetry.AmbientPressure // the simulated transducer is gauge
		ch.Interval = 0
		channels[id] = ch
	}
	e.Channels = channels
	out.Engines = []engine.Engine{e}
	return out
}

// played is the engine as it is simulated.
func played(c config.Config, e engine.Engine) (world.Engine, error) {
	w, err := world.Like(rehearsalID, e.BoilerVolume, e.WorkingPressure, e.Tanks)
	if err != nil {
		return w, err
	}
	w.Plan = stage.PlanFor(e, w.Plan)
	if len(c.Shed.People) > 0 {
		w.Manner.Name = c.Shed.People[0]
	}
	return w, nil
}

// Rehearse implements [api.Setup].
func (s *Setup) Rehearse(_ context.Context, post message.SetupRehearsalPost) error {
	s.mu.Lock()
	c := s.config
	s.mu.Unlock()
	if c == nil {
		return no(problem.NotNow, "Name the shed and an engine first.", "there is no engine to be rehearsed yet")
	}
	if !(post.Speed >= 0.1 && post.Speed <= 3600) {
		return no(problem.BadRequest, "Send how many seconds of the evening pass in one.", "the speed %g is outside 0.1 to 3600", post.Speed)
	}
	if err := stage.CheckFault(post.Fault); err != nil {
		return no(problem.BadRequest, "See faults in GET /setup.", "%s", err)
	}
	var of *engine.Engine
	for i := range c.Engines {
		if c.Engines[i].ID == post.Engine {
			of = &c.Engines[i]
		}
	}
	if of == nil {
		return no(problem.UnknownEngine, "See engines in GET /setup for those that there are.", "no engine has the id %q", post.Engine)
	}
	w, err := played(*c, *of)
	if err != nil {
		return no(problem.CannotRun, "Rehearse another engine, or watch \"ashlamp demo\".", "engine %s: %s", of.ID, err)
	}
	s.rehearsing.mu.Lock()
	defer s.rehearsing.mu.Unlock()
	if s.rehearsing.now != nil {
		return no(problem.NotNow, "End it first.", "a rehearsal plays already, of %s", s.rehearsing.now.view.Engine)
	}
	host := "127.0.0.1"
	if a, ok := s.super.Addr().(*net.TCPAddr); ok {
		host = a.IP.String()
	}
	r, err := s.begin(rehearsed(*c, *of, net.JoinHostPort(host, "0")), w, post)
	if err != nil {
		return no(problem.CannotRun, "Look at the disk and the daemon's log; the real engines are not touched.", "the rehearsal cannot be played: %s", err)
	}
	r.view.Engine = of.ID
	s.rehearsing.now = r
	return nil
}

// begin starts a rehearsal; it ends by itself some time after its evening.
func (s *Setup) begin(c config.Config, w world.Engine, post message.SetupRehearsalPost) (_ *rehearsal, err error) {
	data, err := os.MkdirTemp("", "ashlamp-rehearsal-")
	if err != nil {
		return nil, fmt.Errorf("make a passing data folder: %w", err)
	}
	defer func() {
		if err != nil {
			_ = os.RemoveAll(data) // a passing folder
		}
	}()
	ctx, stop := context.WithCancel(s.rehearsing.base)
	defer func() {
		if err != nil {
			stop()
		}
	}()
	engines := []stage.Engine{{World: w, Door: stage.MQTT, Seed: uint64(s.o.Random()), Fault: post.Fault}}
	start, err := stage.Start(ctx, data, s.o.Clock.Now(), c.Shed.Zone, engines...)
	if err != nil {
		return nil, err
	}
	log := s.o.Log.With("rehearsal", true)
	step := clock.NewStepped(start)
	play, err := stage.New(c, stage.Options{Clock: step, Speed: post.Speed, Engines: engines, Log: log})
	if err != nil {
		return nil, err
	}
	a, err := app.New(ctx, app.Options{
		Config: c, Data: data, Page: s.o.Page, Clock: step, Log: log, Random: s.o.Random(), InStep: true,
	})
	if err != nil {
		return nil, err
	}
	port := 0
	if t, ok := a.Addr().(*net.TCPAddr); ok {
		port = t.Port
	}
	r := &rehearsal{
		view: message.SetupRehearsal{
			Name: c.Engines[0].Name, Port: port, Speed: post.Speed, Fault: post.Fault, Began: s.o.Clock.Now().UTC(),
		},
		clock: step, stop: stop, ended: make(chan struct{}),
	}
	go s.play(ctx, r, play, a, data)
	return r, nil
}

// play plays a rehearsal to its end, and clears up after it.
func (s *Setup) play(ctx context.Context, r *rehearsal, play *stage.Stage, a *app.App, data string) {
	defer close(r.ended)
	defer func() {
		s.rehearsing.mu.Lock()
		defer s.rehearsing.mu.Unlock()
		s.rehearsing.now = nil
	}()
	defer r.stop()
	ended := make(chan error, 1)
	go func() {
		defer r.stop()
		ended <- a.Run(ctx)
	}()
	err := play.Run(ctx, a)
	if err == nil {
		r.mu.Lock()
		r.over = true
		r.mu.Unlock()
		t := time.NewTimer(rehearsalStands)
		defer t.Stop()
		select {
		case <-t.C:
		case <-ctx.Done():
		}
	}
	r.stop()
	if stopped := <-ended; err == nil || errors.Is(err, context.Canceled) {
		err = stopped
	}
	if err != nil && !errors.Is(err, context.Canceled) {
		s.o.Log.Error("the rehearsal broke off; the real engines are not touched", "error", err)
	}
	if err := os.RemoveAll(data); err != nil {
		s.o.Log.Warn("the rehearsal's passing folder is left over", "error", err)
	}
}

// EndRehearsal implements [api.Setup].
func (s *Setup) EndRehearsal(context.Context) error {
	if !s.rehearsing.stop() {
		return no(problem.NotNow, "There is nothing to end.", "no rehearsal plays")
	}
	return nil
}
