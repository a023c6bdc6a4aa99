// Package setup lets a shed be set up from its page, and takes a daemon from set-up to
// work within one process.
//
// What it writes is the TOML that a person edits ([ashlamp/daemon/config/edit]). A
// change goes one way only: the text is edited, judged as "ashlamp check" judges it,
// written beside the file, synced, put in its place, and only then run; the file before
// it is kept. Where it cannot be run after all – a port that is taken, a bus that is
// not there – the file before is put back and runs again. A file that a person has
// changed meanwhile is not overwritten.
//
// Until there is a configuration that can be run, what was said so far is kept in
// memory, and a broker listens so that nodes can be heard.
package setup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/config/edit"
	"ashlamp/daemon/supervise"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/live"
	"ashlamp/dashboard/problem"
)

// Options are what a [Setup] needs; Path to Machine but Listen are required.
type Options struct {
	// Path is the configuration file, which need not exist.
	Path string
	// Data is the folder that holds the store.
	Data string
	// Listen is where the page of set-up is while there is no configuration; empty
	// means [config.DefaultListen].
	Listen string
	Page   fs.FS
	Clock  clock.Clock
	Log    *slog.Logger
	// Random makes the first number of the live link unlike that of another run.
	Random func() uint32
	// OpenBuses opens the buses that channels are wired to; close frees them.
	OpenBuses func(config.Config) (buses map[string]app.Bus, close func(), err error)
	// Machine finds the I2C buses.
	Machine Machine
	// Announce, if not nil, is told each time that the daemon answers where the page and
	// the built-in broker are (nil for an outside one); c is nil for set-up alone.
	Announce func(page, broker net.Addr, c *config.Config)
	// InStep is true where whoever moves the clock calls [app.App.Settle] in between.
	InStep bool
	// Runs, if not nil, is told of each app just before it runs, with the context that
	// ends when it is to end. It must not block.
	Runs func(ctx context.Context, a *app.App, c config.Config)
}

// Setup is the set-up of a shed. It is an [api.Setup]. Make it with [Open].
type Setup struct {
	o     Options
	ear   *Ear
	super *supervise.Supervisor

	app  atomic.Pointer[app.App] // nil while none runs
	idle atomic.Pointer[idle]    // nil while the daemon runs

	writing sync.Mutex // held over a whole change
	mu      sync.Mutex // guards what follows
	text    []byte     // of what runs, or what was said so far
	config  *config.Config
	missing config.Faults
	trouble string
	number  uint64 // the live link's first one, of what runs

	rehearsing rehearsing
	scanning   scanning
}

var _ api.Setup = (*Setup)(nil)

// Open reads the configuration if there is one. What is wrong with it comes as
// [config.Faults], as from [config.Read].
func Open(o Options) (*Setup, error) {
	if o.Listen == "" {
		o.Listen = config.DefaultListen
	}
	s := &Setup{o: o, ear: NewEar()}
	s.super = supervise.New(http.HandlerFunc(s.between), o.Log)
	text, err := read(o.Path)
	if err != nil {
		return nil, err
	}
	if text == nil {
		s.text = begun(o.Path, o.Listen, config.DefaultListen)
		var faults config.Faults
		if _, err := config.Parse(s.name(), s.text); !errors.As(err, &faults) || !faults.Unfinished() {
			return nil, fmt.Errorf("begin a configuration: %w", err)
		}
		s.missing = faults
		return s, nil
	}
	c, err := config.Parse(o.Path, text)
	if err != nil {
		return nil, err
	}
	s.text, s.config = text, &c
	return s, nil
}

// name is the file as it is called in complaints.
func (s *Setup) name() string { return filepath.Base(s.o.Path) }

// Configured reports whether there is a configuration that can be run.
func (s *Setup) Configured() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.config != nil
}

// Run runs the daemon, or set-up alone while there is no configuration, until ctx ends.
func (s *Setup) Run(ctx context.Context) error {
	rehearsals, end := context.WithCancel(ctx)
	s.rehearsing.base = rehearsals
	defer s.rehearsing.stop()
	defer end()
	return s.super.Run(ctx, s.plan(s.config))
}

// between answers while one thing has ended and the next is not yet there: the page
// keeps what it has, shows it as no longer live, and asks again.
func (s *Setup) between(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Retry-After", "1")
	problem.Write(w, r, problem.Busy, "The daemon is being put together from its configuration.", "Ask again in a second.")
}

// plan is what to run by a configuration; by none, set-up alone.
func (s *Setup) plan(c *config.Config) supervise.Plan {
	if c == nil {
		return supervise.Plan{Listen: s.o.Listen, Make: s.makeIdle, Started: func() {
			var b net.Addr
			if i := s.idle.Load(); i != nil && i.broker != nil {
				b = i.broker.Addr()
			}
			s.announce(b, nil)
		}}
	}
	return supervise.Plan{
		Listen: c.Listen,
		Make:   func(ctx context.Context) (supervise.Runner, error) { return s.makeApp(ctx, *c) },
		Started: func() {
			var b net.Addr
			if a := s.app.Load(); a != nil {
				b = a.Broker()
			}
			s.announce(b, c)
		},
	}
}

func (s *Setup) announce(broker net.Addr, c *config.Config) {
	if s.o.Announce != nil {
		s.o.Announce(s.super.Addr(), broker, c)
	}
}

// daemon is an app with the buses that it reads.
type daemon struct {
	*app.App
	setup  *Setup
	config config.Config
	close  func()
}

// Run implements [supervise.Runner].
func (d *daemon) Run(ctx context.Context) error {
	defer d.close()
	defer d.setup.app.Store(nil)
	if d.setup.o.Runs != nil {
		d.setup.o.Runs(ctx, d.App, d.config)
	}
	return d.App.Run(ctx)
}

func (s *Setup) makeApp(ctx context.Context, c config.Config) (supervise.Runner, error) {
	buses, closeBuses, err := s.o.OpenBuses(c)
	if err != nil {
		return nil, err
	}
	a, err := app.New(ctx, app.Options{
		Config: c, Data: s.o.Data, Page: s.o.Page, Clock: s.o.Clock, Log: s.o.Log, Buses: buses, First: s.firstNumber(),
		Setup: s, Heard: s.ear.Hear, Unserved: true, InStep: s.o.InStep,
	})
	if err != nil {
		closeBuses()
		return nil, err
	}
	s.app.Store(a)
	return &daemon{a, s, c, closeBuses}, nil
}

// perRun is how many numbers of the live link one run has to itself, of those that are
// begun within one second: as many as [live.FirstNumber] gives to a second.
const perRun = 1 << 21

// firstNumber is above all numbers that a page can have been told by what ran before: a
// page that asks again with the last of those must not be given the changes of another.
func (s *Setup) firstNumber() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.number = max(live.FirstNumber(time.Now(), s.o.Random()), s.number+perRun)
	return s.number
}

func no(kind problem.Kind, mend, format string, args ...any) *api.Refusal {
	return &api.Refusal{Kind: kind, Detail: sentence(fmt.Sprintf(format, args...)), Mend: mend}
}

// fileWrong refuses what would make the file wrong.
func fileWrong(faults error) *api.Refusal {
	return no(problem.FileWrong, "Mend what is named and send it again; nothing was written.", "%s", strings.ReplaceAll(faults.Error(), "\n", "; "))
}

// changed is what a call asks of the file.
type changed struct {
	// hash is that of the text that the asker saw, by who it is.
	hash, by string
	// what says in a sentence what is changed; engine is whose book it goes into, empty
	// for every engine's.
	what, engine string
	// trial is that nothing is to be kept.
	trial bool
}

// change edits the file, and runs by it. c is the configuration that runs; nil while
// there is none.
func (s *Setup) change(ctx context.Context, ch changed, do func(d *edit.Document, c *config.Config) error) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	text, c := s.text, s.config
	s.mu.Unlock()
	if ch.hash != hashOf(text) {
		return no(problem.FileChanged, "Look at set-up as it is now, and make the change there again.", "the configuration was changed meanwhile, by another page or program")
	}
	if err := s.unaltered(text, c != nil); err != nil {
		return err
	}
	d, err := edit.Parse(text)
	if err != nil {
		return no(problem.FileWrong, "Mend the file by hand.", "%s", err)
	}
	if err := do(d, c); err != nil {
		var refusal *api.Refusal
		if errors.As(err, &refusal) {
			return refusal
		}
		return no(problem.FileWrong, "Edit "+s.o.Path+" by hand, then reload.", "%s", err)
	}
	next := d.Text()
	if string(next) == string(text) {
		return nil
	}
	made, err := config.Parse(s.name(), next)
	var faults config.Faults
	if errors.As(err, &faults) && c == nil && faults.Unfinished() {
		if !ch.trial {
			s.sayMore(ctx, next, faults)
		}
		return nil
	}
	if err != nil {
		return fileWrong(err)
	}
	if ch.trial {
		return nil
	}
	return s.apply(context.WithoutCancel(ctx), text, next, made, ch)
}

// unaltered refuses where the file on disk is not the text that runs.
func (s *Setup) unaltered(text []byte, exists bool) error {
	disk, err := read(s.o.Path)
	switch {
	case err != nil:
		return no(problem.FileChanged, "Look at the disk and at who may read the file.", "%s", err)
	case exists && disk == nil:
		return no(problem.FileChanged, "Put it back, or write it anew and reload.", "%s is no longer there", s.o.Path)
	case exists && string(disk) != string(text), !exists && disk != nil:
		return no(problem.FileChanged, "Reload, so that the page shows what they wrote; then make the change there.", "%s was edited by a person meanwhile", s.o.Path)
	}
	return nil
}

// sayMore keeps what is not enough yet to be run.
func (s *Setup) sayMore(ctx context.Context, text []byte, missing config.Faults) {
	s.mu.Lock()
	s.text, s.missing = text, missing
	s.mu.Unlock()
	s.ear.Forget()
	if i := s.idle.Load(); i != nil && i.doors != doorsOf(text) {
		// Where nodes are heard was chosen otherwise.
		if err := s.super.Replace(ctx, s.plan(nil)); err != nil {
			s.o.Log.Error("set-up could not move its doors", "error", err)
		}
	}
}

// apply writes a text and runs by it; where it cannot be run, all is as before.
func (s *Setup) apply(ctx context.Context, before, text []byte, c config.Config, ch changed) error {
	s.mu.Lock()
	had := s.config != nil
	s.mu.Unlock()
	older, err := read(s.o.Path + Old)
	if err == nil && had {
		err = write(s.o.Path+Old, before)
	}
	if err == nil {
		err = write(s.o.Path, text)
	}
	if err != nil {
		return no(problem.CannotRun, "Look at the disk and at who may write there; nothing has changed.", "%s", err)
	}
	if err := s.run(ctx, text, c, ch); err != nil {
		back := errors.Join(err, s.putBack(had, before, older))
		return no(problem.CannotRun, "The configuration before it is in force again. Mend what is named and send it again.", "the daemon cannot run so: %s", strings.ReplaceAll(back.Error(), "\n", "; "))
	}
	return nil
}

func (s *Setup) putBack(had bool, before, older []byte) error {
	if !had {
		return remove(s.o.Path)
	}
	err := write(s.o.Path, before)
	if older == nil {
		return errors.Join(err, remove(s.o.Path+Old))
	}
	return errors.Join(err, write(s.o.Path+Old, older))
}

// run runs by a configuration whose text is on disk. Where it cannot, what ran before
// runs again.
func (s *Setup) run(ctx context.Context, text []byte, c config.Config, ch changed) error {
	if err := s.super.Replace(ctx, s.plan(&c)); err != nil {
		return err
	}
	s.mu.Lock()
	s.text, s.config, s.missing, s.trouble = text, &c, nil, ""
	s.mu.Unlock()
	s.ear.Forget()
	s.o.Log.Info("the configuration was changed", "what", ch.what, "by", ch.by)
	a := s.app.Load()
	if a == nil {
		return nil
	}
	for _, e := range c.Engines {
		if ch.engine != "" && ch.engine != e.ID {
			continue
		}
		if err := a.Configured(ctx, e.ID, ch.by, ch.what); err != nil {
			s.o.Log.Error("the change of the configuration is not in the book", "engine", e.ID, "error", err)
		}
	}
	return nil
}

// Reload implements [api.Setup].
func (s *Setup) Reload(ctx context.Context, by string) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	text, err := read(s.o.Path)
	if err != nil {
		return no(problem.FileChanged, "Look at the disk and at who may read the file.", "%s", err)
	}
	if text == nil {
		return no(problem.NotNow, "Write it, or go on here.", "there is no file %s", s.o.Path)
	}
	c, err := config.Parse(s.name(), text)
	if err != nil {
		return no(problem.FileWrong, "Mend the file and reload; until then the daemon runs as before.", "%s", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	s.mu.Lock()
	same := string(text) == string(s.text) && s.config != nil
	s.mu.Unlock()
	if same {
		return nil
	}
	ch := changed{by: by, what: "The configuration was edited by hand and taken up."}
	if err := s.run(context.WithoutCancel(ctx), text, c, ch); err != nil {
		return no(problem.CannotRun, "The daemon runs as before; the file is as you wrote it. Mend it and reload.", "the daemon cannot run so: %s", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return nil
}
