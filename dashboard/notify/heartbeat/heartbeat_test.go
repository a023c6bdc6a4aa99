package heartbeat_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"ashlamp/dashboard/notify/heartbeat"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/dashboard/notify/posted"
)

var (
	t0     = time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)
	secret = []byte("thirty-two bytes of a test's own")
)

const every = time.Minute

// stepped is a clock that moves when the test says so. waiting tells it that somebody
// waits, and until when.
type stepped struct {
	mu      sync.Mutex
	now     time.Time
	reached chan struct{}
	waiting chan time.Time
}

func newStepped() *stepped { return &stepped{now: t0, waiting: make(chan time.Time, 1)} }

func (c *stepped) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *stepped) After(until time.Time) (<-chan struct{}, func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.reached = make(chan struct{})
	c.waiting <- until
	return c.reached, func() {}
}

// step lets the time come for which somebody waits.
func (c *stepped) step(until time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = until
	close(c.reached)
}

// beating is a heartbeat on its way, and the watcher that hears it.
type beating struct {
	*heartbeat.Heartbeat
	*notifytest.Receiver
	*stepped
	log bytes.Buffer

	mu  sync.Mutex
	sad error
}

func (b *beating) judging() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.sad
}

func (b *beating) hang(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.sad = err
}

func begin(t *testing.T, signed []byte) *beating {
	t.Helper()
	b := &beating{stepped: newStepped()}
	ca := notifytest.NewAuthority(t)
	b.Receiver = notifytest.NewReceiver(t, ca, signed, b.Now)
	var err error
	b.Heartbeat, err = heartbeat.New(heartbeat.Config{
		URL: b.URL(), Secret: signed, Every: every, Shed: "fernhollow", HTTP: posted.Client(ca.Pool()),
		Judging: b.judging, Clock: b.stepped, Log: slog.New(slog.NewTextHandler(&b.log, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v", err)
		}
	})
	return b
}

func TestAWatcherHearsInIntervals(t *testing.T) {
	for name, key := range map[string][]byte{"signed": secret, "without a secret": nil} {
		t.Run(name, func(t *testing.T) {
			b := begin(t, key)
			for i := range 3 {
				next := <-b.waiting
				at := t0.Add(time.Duration(i) * every)
				if !next.Equal(at.Add(every)) {
					t.Errorf("the next is due %s, want %s", next, at.Add(every))
				}
				got := b.Received()
				if len(got) != i+1 {
					t.Fatalf("%d heartbeats at %s, want %d", len(got), at, i+1)
				}
				e := got[i]
				var d heartbeat.Data
				if err := json.Unmarshal(e.Data, &d); err != nil {
					t.Fatal(err)
				}
				want := heartbeat.Data{Shed: "fernhollow", At: at, EveryS: 60, Until: at.Add(3 * every)}
				if d != want || e.Type != "ashlamp.heartbeat" || e.Source != "sheds/fernhollow" || !e.Time.Equal(at) {
					t.Errorf("heartbeat %s", e.Body)
				}
				if i > 0 && e.ID == got[i-1].ID {
					t.Errorf("two heartbeats have the id %q", e.ID)
				}
				if signed := e.Header.Get("Webhook-Signature") != ""; signed != (key != nil) {
					t.Errorf("signed %t", signed)
				}
				if s := b.Standing(); s != (heartbeat.Standing{Taken: at}) {
					t.Errorf("standing %+v", s)
				}
				b.step(next)
			}
			<-b.waiting
		})
	}
}

func TestALoopThatHangsIsNotCoveredUp(t *testing.T) {
	b := begin(t, secret)
	next := <-b.waiting
	b.hang(errors.New("engine quillet has not been judged for 11s"))
	b.step(next)
	for i := range 3 {
		next = <-b.waiting
		if got := len(b.Received()); got != 1 {
			t.Fatalf("%d heartbeats while nothing is judged, want the 1 from before", got)
		}
		s := b.Standing()
		if !s.Taken.Equal(t0) || !s.Failed.Equal(t0.Add(every)) || !strings.Contains(s.Trouble, "quillet") {
			t.Errorf("after %d: standing %+v", i, s)
		}
		if i == 2 {
			b.hang(nil)
		}
		b.step(next)
	}
	<-b.waiting
	if got := len(b.Received()); got != 2 {
		t.Errorf("%d heartbeats once it is judged again, want 2", got)
	}
	if n := strings.Count(b.log.String(), "level=WARN"); n != 1 {
		t.Errorf("the log warns %d times of one thing:\n%s", n, &b.log)
	}
	if !strings.Contains(b.log.String(), "again") {
		t.Errorf("the log does not say that it is over:\n%s", &b.log)
	}
}

func TestAWatcherThatIsAwayIsToldAgainLater(t *testing.T) {
	b := begin(t, secret)
	next := <-b.waiting
	b.Kill()
	b.step(next)
	next = <-b.waiting
	if s := b.Standing(); !s.Failed.Equal(t0.Add(every)) || !s.Taken.Equal(t0) || !strings.Contains(s.Trouble, "not reached") {
		t.Errorf("standing %+v, want taken at %s, failed from %s", s, t0, t0.Add(every))
	}
	b.Start()
	b.Answer(notifytest.Busy)
	b.step(next)
	next = <-b.waiting
	if s := b.Standing(); !s.Failed.Equal(t0.Add(every)) || !strings.Contains(s.Trouble, "429") {
		t.Errorf("standing %+v", s)
	}
	b.Answer(notifytest.Takes)
	b.step(next)
	<-b.waiting
	if s, want := b.Standing(), (heartbeat.Standing{Taken: t0.Add(3 * every)}); s != want {
		t.Errorf("standing %+v, want %+v", s, want)
	}
	if got := len(b.Received()); got != 2 {
		t.Errorf("%d heartbeats, want 2: what was missed is not made up for", got)
	}
}

func TestRunEndsWhileTheWatcherSaysNothing(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var log bytes.Buffer
	h, err := heartbeat.New(heartbeat.Config{
		URL: fmt.Sprintf("http://%s/", l.Addr()), Every: time.Hour, Shed: "fernhollow", Judging: func() error { return nil },
		Clock: newStepped(), Log: slog.New(slog.NewTextHandler(&log, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- h.Run(ctx) }()
	c, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Errorf("Run = %v", err)
		}
	case <-time.After(15 * time.Second):
		t.Fatal("Run goes on after its context ended")
	}
	if s := h.Standing(); s != (heartbeat.Standing{}) || log.Len() > 0 {
		t.Errorf("that the daemon goes is told as the watcher's trouble: %+v, %s", s, &log)
	}
}

func TestNewRefusesWhatCannotWork(t *testing.T) {
	good := heartbeat.Config{
		URL: "https://watcher.example/x", Every: time.Minute, Shed: "fernhollow", HTTP: http.DefaultClient,
		Judging: func() error { return nil }, Clock: newStepped(), Log: slog.Default(),
	}
	if _, err := heartbeat.New(good); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*heartbeat.Config){
		"no address":          func(c *heartbeat.Config) { c.URL = "watcher" },
		"no interval":         func(c *heartbeat.Config) { c.Every = 0 },
		"a short secret":      func(c *heartbeat.Config) { c.Secret = []byte("short") },
		"nobody who knows":    func(c *heartbeat.Config) { c.Judging = nil },
		"no clock":            func(c *heartbeat.Config) { c.Clock = nil },
		"no shed":             func(c *heartbeat.Config) { c.Shed = "" },
		"an interval below 0": func(c *heartbeat.Config) { c.Every = -time.Second },
	} {
		c := good
		change(&c)
		if h, err := heartbeat.New(c); err == nil {
			t.Errorf("%s: New = %v, want an error", name, h)
		}
	}
}
