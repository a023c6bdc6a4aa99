package app

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/judge"
	"ashlamp/hardware/board"
	"ashlamp/hardware/pulse"
	"ashlamp/ingest/neighbour"
	"ashlamp/ingest/store"
	"ashlamp/rules/notice"
	"ashlamp/rules/silence"
)

// Keys of the state under which stands what has been told of neighbours, and when this
// daemon last judged.
const (
	toldKey = "silence/told"
	markKey = "silence/mark"
)

// markApart is how far two marks are apart in real time, whatever the clock says: each is
// a write to the disk.
const markApart = 5 * time.Second

// light puts the lamp on the board before the loop of its engine.
func (a *App) light(engine string, o *judge.Options) error {
	l := a.o.Config.Lamp
	if l == nil || l.Engine != engine {
		return nil
	}
	pin, err := board.Pin(l.GPIO)
	if err != nil {
		return fmt.Errorf("the lamp: %w", err)
	}
	train, err := pulse.New(pin)
	if err != nil {
		return fmt.Errorf("the lamp: %w", err)
	}
	o.Lamp, o.LampStep = train, l.Step
	return nil
}

// watch looks for daemons that were not there to judge: the neighbours', and this one
// before it was started.
type watch struct {
	a *App
	// tell wakes whoever brings notices to people.
	tell func()

	mu         sync.Mutex
	neighbours map[string]*silence.Neighbour
	told       map[string]silence.Told
	listeners  []*neighbour.Listener

	own     *silence.Own // nil by a clock that is not the board's
	started time.Time
	wrote   time.Time // the newest mark, in real time
}

// noticed wakes whoever brings notices to people, if anybody does.
func (a *App) noticed() {
	if a.rung != nil {
		a.rung()
	}
}

func (a *App) makeWatch(ctx context.Context) error {
	c := a.o.Config
	w := &watch{a: a, tell: a.noticed, neighbours: map[string]*silence.Neighbour{}, told: map[string]silence.Told{}, started: time.Now()}
	a.watch = w
	if err := read(ctx, a.store, toldKey, &w.told); err != nil {
		return err
	}
	now := a.o.Clock.Now()
	for _, n := range c.Neighbours {
		w.neighbours[n.Shed] = silence.Follow(n.Shed, n.Name, c.Shed.Zone, w.told[n.Shed], now)
		l, err := w.listener(n)
		if err != nil {
			return err
		}
		w.listeners = append(w.listeners, l)
	}
	// By a clock that somebody moves nothing can be said of how long this was away.
	if _, real := a.o.Clock.(clock.Board); real {
		var before silence.Mark
		if err := read(ctx, a.store, markKey, &before); err != nil {
			return err
		}
		w.own = silence.Start(c.Shed.ID, c.Shed.Name, c.Shed.Zone, before)
	}
	return nil
}

func (w *watch) listener(n config.Neighbour) (*neighbour.Listener, error) {
	password, err := secret(n.Broker.PasswordFile)
	if err != nil {
		return nil, err
	}
	tls, err := trust(n.Broker.CAFile)
	if err != nil {
		return nil, err
	}
	follow := func(do func(*silence.Neighbour)) {
		w.mu.Lock()
		defer w.mu.Unlock()
		do(w.neighbours[n.Shed])
	}
	return neighbour.New(neighbour.Config{
		Shed: n.Shed, Broker: n.Broker.URL, ClientID: "ashlamp-" + w.a.o.Config.Shed.ID + "-hears-" + n.Shed,
		User: n.Broker.User, Password: password, TLS: tls, Log: w.a.o.Log,
		Heard: func(x silence.Word) {
			now := w.a.o.Clock.Now()
			follow(func(f *silence.Neighbour) { f.Hear(x, now) })
		},
		Link: func(up bool) { follow(func(f *silence.Neighbour) { f.Link(up) }) },
	})
}

func read(ctx context.Context, s *store.Store, key string, into any) error {
	b, ok, err := s.Get(ctx, key)
	if err != nil || !ok {
		return err
	}
	if err := json.Unmarshal(b, into); err != nil {
		return fmt.Errorf("read %s from the store: %w", key, err)
	}
	return nil
}

// Run looks until the context ends, and leaves a mark that it was asked to end.
func (w *watch) Run(ctx context.Context) error {
	for {
		now := w.a.o.Clock.Now()
		w.lookAround(ctx, now)
		w.lookBack(ctx, now)
		if err := clock.Wait(ctx, w.a.o.Clock, now.Add(silence.LookEvery)); err != nil {
			break
		}
	}
	if w.own == nil {
		return nil
	}
	if m, ok := w.own.Part(w.a.o.Clock.Now()); ok {
		if err := w.keep(context.WithoutCancel(ctx), nil, markKey, m); err != nil {
			w.a.o.Log.Warn("that the daemon was asked to end could not be kept", "error", err)
		}
	}
	return nil
}

// keep writes notices, and what they leave told, in one transaction.
func (w *watch) keep(ctx context.Context, ns []notice.Notice, key string, told any) error {
	b, err := json.Marshal(told)
	if err != nil {
		return err
	}
	err = w.a.store.Update(ctx, func(tx *store.Tx) error {
		for _, n := range ns {
			if err := tx.PutNotice(n); err != nil {
				return err
			}
		}
		return tx.Put(key, b)
	})
	if err == nil && len(ns) > 0 {
		w.tell()
	}
	return err
}

// lookAround looks for neighbours that fell silent, and for those that are back.
func (w *watch) lookAround(ctx context.Context, now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var ns []notice.Notice
	next := map[string]silence.Told{}
	for shed, told := range w.told {
		if w.neighbours[shed] != nil {
			continue
		}
		if n, ok := silence.Dropped(shed, told, now); ok {
			ns = append(ns, n)
		}
	}
	for shed, f := range w.neighbours {
		n, told, ok := f.Look(now)
		if ok {
			ns = append(ns, n)
		}
		if told.Cause != "" {
			next[shed] = told
		}
	}
	if len(ns) == 0 {
		return
	}
	if err := w.keep(ctx, ns, toldKey, next); err != nil {
		if ctx.Err() == nil {
			w.a.o.Log.Error("what was found of neighbours could not be kept; it is tried again", "error", err)
		}
		return
	}
	w.told = next
	for shed, f := range w.neighbours {
		f.Tell(next[shed])
	}
	for _, n := range ns {
		w.a.o.Log.Warn("a neighbour", "subject", n.Subject, "turn", n.Turn, "title", n.Facts.Title, "text", n.Facts.Text)
	}
}

// lookBack marks that this daemon judges, and tells for how long it did not.
func (w *watch) lookBack(ctx context.Context, now time.Time) {
	if w.own == nil {
		return
	}
	running := time.Since(w.started)
	m, mark, n, tell := w.own.Look(now, running, w.a.judging() == nil)
	if !mark || !tell && !w.wrote.IsZero() && time.Since(w.wrote) < markApart {
		return
	}
	var ns []notice.Notice
	if tell {
		ns = append(ns, n)
	}
	w.wrote = time.Now()
	if err := w.keep(ctx, ns, markKey, m); err != nil {
		if ctx.Err() == nil {
			w.a.o.Log.Error("that the daemon judges could not be marked", "error", err)
		}
		return
	}
	w.own.Marked(m, tell, running)
	if tell {
		w.a.o.Log.Warn(n.Facts.Title, "why", n.Facts.Text)
	}
}
