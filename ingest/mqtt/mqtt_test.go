package mqtt_test

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/ingest"
	"ashlamp/ingest/door"
	"ashlamp/ingest/door/doortest"
	"ashlamp/ingest/mqtt"
	"ashlamp/rules/telemetry"
)

const samples = "sheds/fernhollow/engines/quillet/samples"

func pack(at time.Time, v float64) string {
	return fmt.Sprintf(`[{"n":"firebox","v":%g,"t":%d}]`, v, at.Unix())
}

func open(t testing.TB, d *door.Door, url string, edit func(*mqtt.Config)) (*mqtt.Client, func()) {
	t.Helper()
	c := mqtt.Config{Broker: url, Door: d, Log: slog.New(slog.DiscardHandler)}
	if edit != nil {
		edit(&c)
	}
	m, err := mqtt.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return m, doortest.Background(t, m.Run)
}

// connected waits until the door has said on the broker that it is here.
func connected(t testing.TB, m *doortest.Mosquitto) {
	t.Helper()
	c := doortest.Node(t, m.URL(), "watcher", nil)
	got := make(chan string, 10)
	c.Subscribe("sheds/fernhollow/daemon/here", 1, func(_ paho.Client, m paho.Message) { got <- string(m.Payload()) })
	for {
		select {
		case p := <-got:
			if strings.HasPrefix(p, `{"up":true,`) {
				c.Disconnect(0)
				return
			}
		case <-time.After(20 * time.Second):
			t.Fatal("the door never said that it is here")
		}
	}
}

func TestDoor(t *testing.T) {
	m := doortest.StartMosquitto(t, "")
	doortest.Run(t, func(t *testing.T, d *door.Door) string {
		open(t, d, m.URL(), nil)
		return m.URL()
	})
}

func TestNothingIsAcknowledgedBeforeTheCommit(t *testing.T) {
	// A message that was handed on and not committed when the daemon ends comes to
	// the next one: so it was not acknowledged.
	m := doortest.StartMosquitto(t, "")
	first := doortest.NewRig(t)
	reached, release := make(chan struct{}), make(chan struct{})
	var once sync.Once
	first.Store.Before(func([]ingest.Batch) error {
		once.Do(func() { close(reached) })
		<-release
		return doortest.ErrFull
	})
	_, stop := open(t, first.Door, m.URL(), nil)
	connected(t, m)
	node := doortest.Node(t, m.URL(), "box-1", nil)
	doortest.Send(t, node, samples, 1, false, pack(doortest.Now, 5))
	<-reached
	stop()
	close(release)
	second := doortest.NewRig(t)
	open(t, second.Door, m.URL(), nil)
	doortest.Until(t, "the message to come again", func() bool {
		_, ok := second.Store.Get("quillet", telemetry.Firebox, doortest.Now)
		return ok
	})
}

func TestWhatIsCommittedIsAcknowledged(t *testing.T) {
	m := doortest.StartMosquitto(t, "")
	first := doortest.NewRig(t)
	_, stop := open(t, first.Door, m.URL(), nil)
	connected(t, m)
	node := doortest.Node(t, m.URL(), "box-1", nil)
	// More than the broker leaves unacknowledged (20), some of it refused: had any
	// not been acknowledged, the rest would not come.
	for i := range 100 {
		doortest.Send(t, node, samples, 1, false, `[{"n":"fire`)
		doortest.Send(t, node, samples, 1, false, pack(doortest.Now.Add(-time.Duration(i)*time.Second), 5))
	}
	doortest.Until(t, "the last to be stored", func() bool {
		_, ok := first.Store.Get("quillet", telemetry.Firebox, doortest.Now.Add(-99*time.Second))
		return ok
	})
	stop()
	second := doortest.NewRig(t)
	open(t, second.Door, m.URL(), nil)
	mark := doortest.Now.Add(-time.Hour)
	doortest.Send(t, node, samples, 1, false, pack(mark, 6))
	doortest.Until(t, "the next to be stored", func() bool {
		_, ok := second.Store.Get("quillet", telemetry.Firebox, mark)
		return ok
	})
	// Acknowledgements of the last few may have been on their way when the first
	// daemon ended; of the first there is no such excuse.
	if s, ok := second.Store.Get("quillet", telemetry.Firebox, doortest.Now); ok {
		t.Errorf("an acknowledged message came again: %+v", s)
	}
}

func TestAFailedCommitComesAgain(t *testing.T) {
	m := doortest.StartMosquitto(t, "")
	r := doortest.NewRig(t)
	var mu sync.Mutex
	fails := 1
	r.Store.Before(func([]ingest.Batch) error {
		mu.Lock()
		defer mu.Unlock()
		if fails--; fails >= 0 {
			return doortest.ErrFull
		}
		return nil
	})
	open(t, r.Door, m.URL(), nil)
	connected(t, m)
	node := doortest.Node(t, m.URL(), "box-1", nil)
	doortest.Send(t, node, samples, 1, false, pack(doortest.Now, 5))
	doortest.Until(t, "the message to come again and be stored", func() bool {
		_, ok := r.Store.Get("quillet", telemetry.Firebox, doortest.Now)
		return ok
	})
	if n := r.Gate.Counters().Trouble(ingest.NotStored); n != 1 {
		t.Errorf("counted %d failed commits, want 1", n)
	}
}

func TestABrokerKilledAndStartedAgain(t *testing.T) {
	m := doortest.StartMosquitto(t, "")
	r := doortest.NewRig(t)
	client, _ := open(t, r.Door, m.URL(), nil)
	connected(t, m)
	m.Kill()
	doortest.Until(t, "the loss to be noticed", func() bool {
		return errors.Is(client.Publish("sheds/fernhollow/daemon/here", nil, false), mqtt.ErrNotConnected)
	})
	m.Start()
	node := doortest.Node(t, m.URL(), "box-1", nil)
	// The session outlived the broker, so what is sent before the door is back waits.
	for i := range 50 {
		doortest.Send(t, node, samples, 1, false, pack(doortest.Now.Add(-time.Duration(i)*time.Second), 5))
	}
	doortest.Until(t, "all that waited to be stored", func() bool {
		for i := range 50 {
			if _, ok := r.Store.Get("quillet", telemetry.Firebox, doortest.Now.Add(-time.Duration(i)*time.Second)); !ok {
				return false
			}
		}
		return true
	})
	if r.Gate.Counters().Trouble(ingest.NoBroker) == 0 {
		t.Error("the loss was not counted")
	}
	doortest.Until(t, "the door to publish again", func() bool {
		return client.Publish("sheds/fernhollow/daemon/here", []byte(`{"up":true}`), true) == nil
	})
}

func TestWhatTheBrokerKeptIsNotFresh(t *testing.T) {
	m := doortest.StartMosquitto(t, "")
	node := doortest.Node(t, m.URL(), "box-1", nil)
	at := doortest.Now.Add(-time.Hour)
	doortest.Send(t, node, samples, 1, true, fmt.Sprintf(`[{"n":"firebox","v":5},{"n":"smokebox","v":6,"t":-1},{"n":"boiler.level","v":0.5,"t":%d}]`, at.Unix()))
	doortest.Send(t, node, "yard/7/temperature", 1, true, "212")
	r := doortest.NewRig(t)
	open(t, r.Door, m.URL(), nil)
	doortest.Until(t, "the sample with a time of its own", func() bool {
		s, ok := r.Store.Get("quillet", telemetry.BoilerLevel, at)
		return ok && s.Quality == telemetry.Good
	})
	doortest.Until(t, "the rest to be refused", func() bool {
		return r.Gate.Counters().Trouble("no-own-time") == 2 && r.Gate.Counters().Trouble(ingest.Untimed) == 1
	})
	if got := r.Store.At("quillet", doortest.Now); len(got) > 0 {
		t.Errorf("stored as fresh: %v", got)
	}
}

func TestWhatMayHaveWaitedIsUncertain(t *testing.T) {
	m := doortest.StartMosquitto(t, "")
	r := doortest.NewRig(t)
	var mu sync.Mutex
	clock := doortest.Now
	now := func() time.Time { mu.Lock(); defer mu.Unlock(); return clock }
	open(t, r.Door, m.URL(), func(c *mqtt.Config) { c.Now = now })
	connected(t, m)
	node := doortest.Node(t, m.URL(), "box-1", nil)
	get := func(ch telemetry.Channel) telemetry.Sample {
		var s telemetry.Sample
		doortest.Until(t, "the sample", func() bool {
			var ok bool
			s, ok = r.Store.Get("quillet", ch, doortest.Now)
			return ok
		})
		return s
	}
	doortest.Send(t, node, samples, 1, false, `[{"n":"firebox","v":5}]`)
	doortest.Send(t, node, "yard/7/temperature", 1, false, "212")
	for _, ch := range []telemetry.Channel{telemetry.Firebox, telemetry.Smokebox} {
		if s := get(ch); s.Quality != telemetry.Uncertain || s.Reason == "" {
			t.Errorf("just after the connection: got %+v, want it uncertain", s)
		}
	}
	mu.Lock()
	clock = clock.Add(mqtt.DefaultSettle)
	mu.Unlock()
	doortest.Send(t, node, samples, 1, false, `[{"n":"boiler.shell.top","v":5}]`)
	if s := get(telemetry.ShellTop); s.Quality != telemetry.Good {
		t.Errorf("later: got %+v, want it good", s)
	}
}

func TestLastWill(t *testing.T) {
	m := doortest.StartMosquitto(t, "")
	r := doortest.NewRig(t)
	client, stop := open(t, r.Door, m.URL(), func(c *mqtt.Config) { c.Now = func() time.Time { return doortest.Now } })
	connected(t, m)
	got := make(chan string, 10)
	watch := doortest.Node(t, m.URL(), "reader", nil)
	watch.Subscribe("sheds/fernhollow/daemon/here", 1, func(_ paho.Client, m paho.Message) { got <- string(m.Payload()) })
	expect := func(want string) {
		t.Helper()
		select {
		case p := <-got:
			if p != want {
				t.Errorf("got %s, want %s", p, want)
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("nothing came, want %s", want)
		}
	}
	expect(`{"up":true,"t":"2031-05-04T17:02:00Z","until":"2031-05-04T17:02:30Z"}`)
	client.Cut()
	expect(`{"up":false}`)
	expect(`{"up":true,"t":"2031-05-04T17:02:00Z","until":"2031-05-04T17:02:30Z"}`)
	stop()
	expect(`{"up":false,"t":"2031-05-04T17:02:00Z"}`)
}

func TestUserAndPassword(t *testing.T) {
	dir := t.TempDir()
	passwords := filepath.Join(dir, "passwords")
	// Made with mosquitto_passwd: user ashlamp, password coal.
	if err := os.WriteFile(passwords, []byte(passwordLine), 0o600); err != nil {
		t.Fatal(err)
	}
	m := doortest.StartMosquitto(t, "allow_anonymous false\npassword_file "+passwords)
	r := doortest.NewRig(t)
	wrong, stop := open(t, r.Door, m.URL(), func(c *mqtt.Config) { c.User, c.Password = "ashlamp", "ash" })
	doortest.Until(t, "the refusal to be counted", func() bool { return r.Gate.Counters().Trouble(ingest.NoBroker) > 0 })
	if err := wrong.Publish("a", nil, false); !errors.Is(err, mqtt.ErrNotConnected) {
		t.Errorf("with the wrong password Publish gives %v, want ErrNotConnected", err)
	}
	stop()
	right, _ := open(t, r.Door, m.URL(), func(c *mqtt.Config) { c.User, c.Password = "ashlamp", "coal" })
	doortest.Until(t, "the connection", func() bool { return right.Publish("a", nil, false) == nil })
}

func TestConfigurationRefused(t *testing.T) {
	r := doortest.NewRig(t)
	for _, c := range []struct{ url, want string }{
		{"", "scheme"}, {"127.0.0.1:1883", "mqtt://host"}, {"http://host", "scheme"}, {"mqtt://", "no host"},
		{"mqtt://a:b@host", "by themselves"}, {"mqtt://ho st", "mqtt://host"},
	} {
		_, err := mqtt.New(mqtt.Config{Broker: c.url, Door: r.Door, Log: slog.New(slog.DiscardHandler)})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("in %q\ngot %v, want an error with %q", c.url, err, c.want)
		}
		if err != nil && strings.Contains(err.Error(), "a:b") {
			t.Errorf("the password stands in the error: %v", err)
		}
	}
}

// passwordLine is of user ashlamp with the password coal.
const passwordLine = "ashlamp:$7$101$G6KuOs0Fa55dAC+d$pWDEhirXenGIo9Ge7Ds1gRjg41jJYxskEONIo9KG0RbXUnCfX5VoLbNE3txpy3NhPOSXoWkgUUJF02dbX++XFw==\n"
