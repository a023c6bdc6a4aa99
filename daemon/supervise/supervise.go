// Package supervise runs one thing at a time behind one address: set-up while there is
// no configuration, then the daemon, then the daemon by the next configuration. The
// address stays open between them, so that a page's link comes back by itself, and the
// call that changed the configuration is answered by what it brought about.
//
// What runs is replaced in one order only: the new address is opened, the old runs out,
// the new is made. Where it cannot be made, the old one is made again from what it was
// made of: a change that cannot be run leaves nobody without judgement for longer than
// it took to find out.
package supervise

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"
)

const (
	headerTime = 10 * time.Second
	// closeWithin is how long open requests may take once all ends.
	closeWithin = 3 * time.Second
)

// Runner is what runs.
type Runner interface {
	// Handler answers what is asked over HTTP while it runs.
	Handler() http.Handler
	// Run works until ctx ends, frees everything and returns nil. An error is that it
	// cannot go on.
	Run(ctx context.Context) error
}

// Plan is from what a [Runner] is made.
type Plan struct {
	// Listen is the address for the page.
	Listen string
	// Make makes the runner; it opens what it needs and must free it where it fails.
	Make func(ctx context.Context) (Runner, error)
	// Started, if not nil, is called each time that the runner answers: not before, so
	// that who is told of the address is not turned away at it.
	Started func()
}

// Supervisor is the one that runs things. Make it with [New].
type Supervisor struct {
	log     *slog.Logger
	between http.Handler
	handler atomic.Pointer[http.Handler]
	server  *http.Server
	swaps   chan swap
	ended   chan struct{} // closed when Run returns

	mu       sync.Mutex
	listener net.Listener
	listen   string
	starting bool
}

type swap struct {
	plan Plan
	done chan error
}

// New returns a supervisor; between answers while nothing runs.
func New(between http.Handler, log *slog.Logger) *Supervisor {
	s := &Supervisor{log: log, between: between, swaps: make(chan swap), ended: make(chan struct{})}
	s.handler.Store(&between)
	s.server = &http.Server{
		Handler:           http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { (*s.handler.Load()).ServeHTTP(w, r) }),
		ReadHeaderTimeout: headerTime, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
	return s
}

// Addr returns where the page is served; nil before that.
func (s *Supervisor) Addr() net.Addr {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.listener == nil {
		return nil
	}
	return s.listener.Addr()
}

// Starting reports whether something is being put together and nothing runs.
func (s *Supervisor) Starting() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.starting
}

func (s *Supervisor) setStarting(yes bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.starting = yes
}

// ErrEnded says that the supervisor has ended, or ends.
var ErrEnded = errors.New("the daemon ends")

// Replace runs a plan in place of what runs, and returns once it does. Where the plan
// cannot be run, what ran before runs again, and the error says why. It works on where
// ctx ends meanwhile: half a replacement is worse than one that nobody waited for.
func (s *Supervisor) Replace(ctx context.Context, p Plan) error {
	done := make(chan error, 1)
	select {
	case s.swaps <- swap{p, done}:
	case <-ctx.Done():
		return ctx.Err()
	case <-s.ended:
		return ErrEnded
	}
	select {
	case err := <-done:
		return err
	case <-s.ended:
		return ErrEnded
	}
}

// running is a runner at work.
type running struct {
	plan Plan
	stop context.CancelFunc
	end  chan error
}

// Run runs the first plan and what replaces it until ctx ends. An error is that the
// first could not be run, or that something cannot go on.
func (s *Supervisor) Run(ctx context.Context, first Plan) error {
	defer s.close()
	defer close(s.ended) // before it: a call that waits for a replacement is answered
	if err := s.open(first.Listen); err != nil {
		return err
	}
	now, err := s.start(ctx, first)
	if err != nil {
		return err
	}
	defer func() { now.stop() }()
	for {
		select {
		case <-ctx.Done():
			// Links are cut by what runs, then the rest is answered.
			err := s.runOut(now)
			return err
		case err := <-now.end:
			if ctx.Err() != nil {
				return err
			}
			if err == nil {
				err = errors.New("it ended by itself")
			}
			return err
		case w := <-s.swaps:
			next, err := s.replace(ctx, now, w.plan)
			w.done <- err
			if next == nil {
				return err
			}
			now = next
		}
	}
}

// replace returns what runs afterwards; nil where nothing could be run again.
func (s *Supervisor) replace(ctx context.Context, now *running, p Plan) (*running, error) {
	if err := s.open(p.Listen); err != nil {
		return now, err
	}
	if err := s.runOut(now); err != nil {
		s.log.Error("what ran did not end well", "error", err)
	}
	next, failed := s.start(ctx, p)
	if failed == nil {
		return next, nil
	}
	s.log.Error("it cannot be run so; it runs as before", "error", failed)
	if err := s.open(now.plan.Listen); err != nil {
		s.log.Error("the page stays at the new address", "error", err)
	}
	back, err := s.start(ctx, now.plan)
	if err != nil {
		return nil, errors.Join(failed, fmt.Errorf("nor as before: %w", err))
	}
	return back, failed
}

func (s *Supervisor) start(ctx context.Context, p Plan) (*running, error) {
	s.setStarting(true)
	r, err := p.Make(ctx)
	if err != nil {
		s.setStarting(false)
		return nil, err
	}
	inner, stop := context.WithCancel(ctx)
	now := &running{plan: p, stop: stop, end: make(chan error, 1)}
	go func() { now.end <- r.Run(inner) }()
	h := r.Handler()
	s.handler.Store(&h)
	s.setStarting(false)
	if p.Started != nil {
		p.Started()
	}
	return now, nil
}

// runOut ends a runner and waits until it has freed everything.
func (s *Supervisor) runOut(now *running) error {
	s.setStarting(true)
	s.handler.Store(&s.between)
	now.stop()
	return <-now.end
}

// open opens an address for the page in place of the one that is open. What is being
// answered over that goes on.
func (s *Supervisor) open(listen string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.listener != nil && listen == s.listen {
		return nil
	}
	l, err := net.Listen("tcp", listen)
	if err != nil && s.listener != nil && port(listen) == port(s.listen) {
		// The same port at more or fewer of this machine's addresses: ours is in the way.
		_ = s.listener.Close()
		if l, err = net.Listen("tcp", listen); err != nil {
			if back, again := net.Listen("tcp", s.listen); again == nil {
				s.serve(back, s.listen)
			}
		}
	}
	if err != nil {
		return fmt.Errorf("listen for the page on %s: %w; choose another address under [http] listen", listen, err)
	}
	if s.listener != nil {
		_ = s.listener.Close() // closed already where it was in the way
	}
	s.serve(l, listen)
	return nil
}

func port(address string) string {
	_, p, err := net.SplitHostPort(address)
	if err != nil {
		return ""
	}
	return p
}

func (s *Supervisor) serve(l net.Listener, listen string) {
	s.listener, s.listen = l, listen
	go func() {
		// It ends when the listener is closed, by us.
		if err := s.server.Serve(l); !errors.Is(err, http.ErrServerClosed) && !errors.Is(err, net.ErrClosed) {
			s.log.Error("the page is no longer served", "address", listen, "error", err)
		}
	}()
}

// close answers what is open, then closes.
func (s *Supervisor) close() {
	closing, cancel := context.WithTimeout(context.Background(), closeWithin)
	defer cancel()
	if err := s.server.Shutdown(closing); err != nil {
		_ = s.server.Close()
	}
}
