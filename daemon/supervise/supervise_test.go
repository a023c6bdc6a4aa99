package supervise_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"

	"ashlamp/daemon/supervise"
)

// thing is a runner that answers with its name and counts how many run.
type thing struct {
	name    string
	running *atomic.Int32
	fail    chan error
}

func (r *thing) Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, r.name) })
}

func (r *thing) Run(ctx context.Context) error {
	defer r.running.Add(-1)
	select {
	case <-ctx.Done():
		return nil
	case err := <-r.fail:
		return err
	}
}

type shop struct {
	t       *testing.T
	running atomic.Int32
	fail    chan error
}

// plan makes a thing, or fails with err. No two ever run at once.
func (s *shop) plan(name, listen string, err error) supervise.Plan {
	return supervise.Plan{Listen: listen, Make: func(context.Context) (supervise.Runner, error) {
		if n := s.running.Load(); n != 0 {
			s.t.Errorf("%s is made while %d run", name, n)
		}
		if err != nil {
			return nil, err
		}
		s.running.Add(1)
		return &thing{name, &s.running, s.fail}, nil
	}}
}

func start(t *testing.T, s *shop, first supervise.Plan) (*supervise.Supervisor, context.CancelFunc, chan error) {
	t.Helper()
	between := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusServiceUnavailable) })
	v := supervise.New(between, slog.New(slog.DiscardHandler))
	ctx, stop := context.WithCancel(context.Background())
	ended, begun := make(chan error, 1), make(chan struct{}, 8)
	first.Started = func() {
		// Who is told of the address now is answered.
		if a := v.Addr().String(); ask(t, a) == "" {
			t.Error("it is said to have started, and turns away")
		}
		begun <- struct{}{}
	}
	go func() { ended <- v.Run(ctx, first) }()
	t.Cleanup(stop)
	select {
	case <-begun:
	case err := <-ended:
		ended <- err
	}
	return v, stop, ended
}

func ask(t *testing.T, address string) string {
	t.Helper()
	resp, err := http.Get("http://" + address + "/")
	if err != nil {
		return "nobody"
	}
	defer func() { _ = resp.Body.Close() }()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestOneAfterTheOtherBehindOneAddress(t *testing.T) {
	s := &shop{t: t, fail: make(chan error)}
	v, stop, ended := start(t, s, s.plan("first", "127.0.0.1:0", nil))
	address := v.Addr().String()
	if got := ask(t, address); got != "first" {
		t.Errorf("it answers %q", got)
	}
	for i := range 5 {
		name := fmt.Sprint("next", i)
		if err := v.Replace(t.Context(), s.plan(name, "127.0.0.1:0", nil)); err != nil {
			t.Fatal(err)
		}
		if got := ask(t, address); got != name {
			t.Errorf("after the replacement %q answers, want %q", got, name)
		}
	}
	if v.Starting() {
		t.Error("it is still starting")
	}
	stop()
	if err := <-ended; err != nil {
		t.Errorf("it ended with %v", err)
	}
	if n := s.running.Load(); n != 0 {
		t.Errorf("%d still run", n)
	}
	if err := v.Replace(t.Context(), s.plan("late", "127.0.0.1:0", nil)); !errors.Is(err, supervise.ErrEnded) {
		t.Errorf("a replacement after the end: %v", err)
	}
}

func TestWhatCannotBeMadeIsAsBefore(t *testing.T) {
	s := &shop{t: t, fail: make(chan error)}
	v, _, _ := start(t, s, s.plan("first", "127.0.0.1:0", nil))
	address := v.Addr().String()
	wrong := errors.New("the port is taken")
	if err := v.Replace(t.Context(), s.plan("second", "127.0.0.1:0", wrong)); !errors.Is(err, wrong) {
		t.Errorf("got %v, want %v", err, wrong)
	}
	if got := ask(t, address); got != "first" {
		t.Errorf("it answers %q, want the first again", got)
	}
	// The page's own address is taken: what runs is not even ended.
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }()
	if err := v.Replace(t.Context(), s.plan("third", taken.Addr().String(), nil)); err == nil || !strings.Contains(err.Error(), "choose another address") {
		t.Errorf("a taken address: %v", err)
	}
	if got := ask(t, address); got != "first" {
		t.Errorf("it answers %q, want the first still", got)
	}
}

func TestTheFirstThatCannotBeMadeEndsIt(t *testing.T) {
	s := &shop{t: t, fail: make(chan error)}
	wrong := errors.New("no store")
	_, _, ended := start(t, s, s.plan("first", "127.0.0.1:0", wrong))
	if err := <-ended; !errors.Is(err, wrong) {
		t.Errorf("got %v, want %v", err, wrong)
	}
}

func TestWhatCannotGoOnEndsIt(t *testing.T) {
	s := &shop{t: t, fail: make(chan error)}
	_, _, ended := start(t, s, s.plan("first", "127.0.0.1:0", nil))
	wrong := errors.New("the disk is gone")
	s.fail <- wrong
	if err := <-ended; !errors.Is(err, wrong) {
		t.Errorf("got %v, want %v", err, wrong)
	}
}
