package app

import (
	"context"
	"encoding/pem"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/fstest"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	example "ashlamp/testdata/config"
)

// ringing is an app of the example's shed that is rung as n says, and what its page is
// told of a person.
func ringing(t *testing.T, dir string, n config.Notify) (*App, string) {
	t.Helper()
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		t.Fatal(err)
	}
	c.Broker, c.Buses, c.Wired, c.Notify = config.Broker{Listen: "127.0.0.1:0"}, nil, nil, n
	a, err := New(t.Context(), Options{
		Config: c, Data: dir, Page: fstest.MapFS{"index.html": {Data: []byte("<!doctype html>")}}, Unserved: true, InStep: true,
		Clock: clock.NewStepped(time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)), Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	return a, alertsOf(t, a)
}

// alertsOf is what the page of an app is told of what rings a person.
func alertsOf(t *testing.T, a *App) string {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "/api/v1/people/R.%20Penhalow/alerts", nil)
	r.Host = "127.0.0.1"
	w := httptest.NewRecorder()
	a.Handler().ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	return w.Body.String()
}

func TestAWayThatCannotBeMadeKeepsNothingElseFromWorking(t *testing.T) {
	dir := t.TempDir()
	short := filepath.Join(dir, "secret")
	if err := os.WriteFile(short, []byte("whsec_c2hvcnQ="), 0o600); err != nil {
		t.Fatal(err)
	}
	a, told := ringing(t, dir, config.Notify{
		Mail:      config.Mail{Host: "mail.fernhollow.example", Port: 587, User: "shed", PasswordFile: filepath.Join(dir, "missing"), From: "shed@fernhollow.example", StartTLS: true},
		Webhook:   config.Webhook{URL: "https://gateway.example/", SecretFile: short},
		Heartbeat: config.Heartbeat{URL: "https://watch.example/", Every: time.Minute, CAFile: short},
	})
	defer a.Close()
	for _, want := range []string{`"id":"mail","open":false,"text":"It is set up, but cannot be used: read a password:`, `"id":"webhook","open":false,"text":"It is set up, but cannot be used: the secret has 5 bytes`} {
		if !strings.Contains(told, want) {
			t.Errorf("%s\nis told, without %s", told, want)
		}
	}
	if a.heartbeat != nil {
		t.Error("there is a heartbeat that trusts nobody knows whom")
	}
	if !strings.Contains(told, `"watcher":{"trouble":"It is set up, but cannot be told: `) {
		t.Errorf("%s\nis told, without that nobody outside watches", told)
	}
	if strings.Contains(told, "c2hvcnQ") {
		t.Errorf("the page is told the secret: %s", told)
	}
}

// The page is told how the watcher outside does: that there is none, that it takes
// heartbeats, and since when and why it does not.
func TestThePageIsToldOfTheWatcherOutside(t *testing.T) {
	if _, page := ringing(t, t.TempDir(), config.Notify{}); !strings.Contains(page, `"watcher":null`) {
		t.Errorf("%s\nis told, without that there is no watcher", page)
	}
	var refuses atomic.Bool
	far := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if refuses.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
	}))
	defer far.Close()
	dir := t.TempDir()
	ca := filepath.Join(dir, "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: far.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	a, page := ringing(t, dir, config.Notify{Heartbeat: config.Heartbeat{URL: far.URL, Every: time.Minute, CAFile: ca}})
	if !strings.Contains(page, `"watcher":{}`) {
		t.Errorf("%s\nis told before the first heartbeat", page)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var all sync.WaitGroup
	all.Go(func() { _ = a.heartbeat.Run(ctx) })
	defer all.Wait()
	defer cancel()
	comes := func(want string) {
		t.Helper()
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		deadline := time.After(20 * time.Second)
		for page = alertsOf(t, a); !strings.Contains(page, want); page = alertsOf(t, a) {
			select {
			case <-tick.C:
			case <-deadline:
				t.Fatalf("%s\nis told, want %s", page, want)
			}
		}
	}
	comes(`"watcher":{"taken":"2031-05-04T17:00:00Z"}`)
	refuses.Store(true)
	a.o.Clock.(*clock.Stepped).Set(time.Date(2031, 5, 4, 17, 1, 0, 0, time.UTC))
	comes(`"watcher":{"taken":"2031-05-04T17:00:00Z","failed":"2031-05-04T17:01:00Z","trouble":"`)
}

// The key by which browsers are subscribed outlives a restart: with another nobody would
// be rung any more.
func TestTheKeyForBrowsersIsKept(t *testing.T) {
	dir := t.TempDir()
	var keys []string
	for range 2 {
		a, told := ringing(t, dir, config.Notify{})
		a.Close()
		_, key, ok := strings.Cut(told, `"push_key":"`)
		key, _, _ = strings.Cut(key, `"`)
		if !ok || len(key) != 87 { // 65 bytes in base64url without padding
			t.Fatalf("key %q in %s", key, told)
		}
		keys = append(keys, key)
	}
	if keys[0] != keys[1] {
		t.Errorf("first %s, then %s", keys[0], keys[1])
	}
}

// What is on disk of an engine counts once its judgement has come to the present, and of
// one that is no longer configured never.
func TestAnEngineIsCurrentOnceItIsJudged(t *testing.T) {
	a, _ := ringing(t, t.TempDir(), config.Notify{})
	if a.current("quillet") {
		t.Error("an engine is current before anything was judged")
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	if err := a.Settle(ctx); err != nil {
		t.Fatal(err)
	}
	if !a.current("quillet") || !a.current("marrow") {
		t.Error("engines that are judged are not current")
	}
	if a.current("gone") {
		t.Error("an engine that nobody configured is current")
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
