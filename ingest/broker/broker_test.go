package broker_test

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/ingest"
	"ashlamp/ingest/broker"
	"ashlamp/ingest/door"
	"ashlamp/ingest/door/doortest"
	"ashlamp/rules/telemetry"
)

const (
	samples = "sheds/fernhollow/engines/quillet/samples"
	step    = "sheds/fernhollow/engines/quillet/steps/plugs-out"
)

func open(t testing.TB, d *door.Door, edit func(*broker.Config)) (*broker.Broker, string, func()) {
	t.Helper()
	c := broker.Config{Address: "127.0.0.1:0", Door: d, Log: slog.New(slog.DiscardHandler)}
	if edit != nil {
		edit(&c)
	}
	b, err := broker.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return b, "mqtt://" + b.Addr().String(), doortest.Background(t, b.Run)
}

func pack(at time.Time, v float64) string {
	return fmt.Sprintf(`[{"n":"firebox","v":%g,"t":%d}]`, v, at.Unix())
}

func TestDoor(t *testing.T) {
	doortest.Run(t, func(t *testing.T, d *door.Door) string {
		_, url, _ := open(t, d, nil)
		return url
	})
}

func TestAcknowledgedOnlyOnceCommitted(t *testing.T) {
	r := doortest.NewRig(t)
	reached, release := make(chan struct{}), make(chan struct{})
	var once sync.Once
	r.Store.Before(func([]ingest.Batch) error {
		once.Do(func() { close(reached) })
		<-release
		return nil
	})
	_, url, _ := open(t, r.Door, nil)
	for _, version := range []uint{3, 4} {
		node := doortest.Node(t, url, fmt.Sprint("box-", version), func(o *paho.ClientOptions) { o.SetProtocolVersion(version) })
		held := node.Publish(samples, 1, false, pack(doortest.Now.Add(-time.Duration(version)*time.Second), 5))
		<-reached
		// The answer to what was sent later comes over the same connection.
		doortest.Send(t, node, "sheds/fernhollow/nodes/box-1/here", 1, false, `{"up":true}`)
		select {
		case <-held.Done():
			t.Fatal("acknowledged before the commit")
		default:
		}
		t.Cleanup(func() {
			if !held.WaitTimeout(10*time.Second) || held.Error() != nil {
				t.Errorf("not acknowledged after the commit: %v", held.Error())
			}
		})
	}
	close(release)
}

func TestAFailedCommitIsNotAcknowledgedAndComesAgain(t *testing.T) {
	r := doortest.NewRig(t)
	var mu sync.Mutex
	fails := 2
	r.Store.Before(func([]ingest.Batch) error {
		mu.Lock()
		defer mu.Unlock()
		if fails--; fails >= 0 {
			return doortest.ErrFull
		}
		return nil
	})
	_, url, _ := open(t, r.Door, nil)
	node := doortest.Node(t, url, "box-1", func(o *paho.ClientOptions) {
		o.SetAutoReconnect(true).SetCleanSession(false).SetMaxReconnectInterval(time.Second)
	})
	// The library's token is of no use here: it ends when the message is sent again.
	node.Publish(samples, 1, false, pack(doortest.Now, 5))
	doortest.Until(t, "the message to come again and be stored", func() bool {
		_, ok := r.Store.Get("quillet", telemetry.Firebox, doortest.Now)
		return ok
	})
	if n := r.Gate.Counters().Trouble(ingest.NotStored); n != 2 {
		t.Errorf("counted %d failures, want 2", n)
	}
}

func TestRetainedForWhoComesLater(t *testing.T) {
	r := doortest.NewRig(t)
	b, url, _ := open(t, r.Door, func(c *broker.Config) { c.Now = func() time.Time { return doortest.Now } })
	if err := b.Publish(step, []byte(`{"verdict":"not-yet"}`), true); err != nil {
		t.Fatal(err)
	}
	got := make(chan string, 100)
	reader := doortest.Node(t, url, "reader", nil)
	listen(t, reader, "#", got)
	want := map[string]bool{
		step + ` {"verdict":"not-yet"}`: true,
		`sheds/fernhollow/daemon/here {"up":true,"t":"2031-05-04T17:02:00Z","until":"2031-05-04T17:02:30Z"}`: true,
	}
	for range want {
		if m := next(t, got); !want[m] {
			t.Errorf("got %s, want one of %v", m, want)
		}
	}
}

func listen(t *testing.T, c paho.Client, filter string, to chan<- string) {
	t.Helper()
	tok := c.Subscribe(filter, 1, func(_ paho.Client, m paho.Message) { to <- m.Topic() + " " + string(m.Payload()) })
	if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
}

func next(t *testing.T, from <-chan string) string {
	t.Helper()
	select {
	case m := <-from:
		return m
	case <-time.After(10 * time.Second):
		t.Fatal("nothing came")
		return ""
	}
}

func TestSamplesArePassedOnAfterTheCommitAndNotKept(t *testing.T) {
	r := doortest.NewRig(t)
	_, url, _ := open(t, r.Door, nil)
	got := make(chan string, 10)
	listen(t, doortest.Node(t, url, "reader", nil), samples, got)
	node := doortest.Node(t, url, "box-1", nil)
	for qos := range byte(3) {
		p := pack(doortest.Now.Add(-time.Duration(qos)*time.Second), 5)
		doortest.Send(t, node, samples, qos, true, p)
		if m := next(t, got); m != samples+" "+p {
			t.Errorf("QoS %d: got %s", qos, m)
		}
	}
	doortest.Send(t, node, samples, 1, false, `[{"n":"fire`)
	doortest.Send(t, node, samples, 1, false, pack(doortest.Now.Add(-time.Minute), 5))
	if m := next(t, got); !strings.Contains(m, fmt.Sprint(doortest.Now.Add(-time.Minute).Unix())) {
		t.Errorf("what was refused was passed on: %s", m)
	}
	late := make(chan string, 10)
	reader := doortest.Node(t, url, "late", nil)
	listen(t, reader, samples, late)
	doortest.Send(t, node, samples, 1, false, pack(doortest.Now.Add(-time.Hour), 5))
	if m := next(t, late); !strings.Contains(m, fmt.Sprint(doortest.Now.Add(-time.Hour).Unix())) {
		t.Errorf("an old sample was kept: %s", m)
	}
}

func TestNobodyElseSpeaksForTheDaemon(t *testing.T) {
	for _, version := range []uint{3, 4} {
		r := doortest.NewRig(t)
		_, url, _ := open(t, r.Door, nil)
		got := make(chan string, 10)
		listen(t, doortest.Node(t, url, "reader", nil), "sheds/fernhollow/engines/#", got)
		liar := doortest.Node(t, url, "liar", func(o *paho.ClientOptions) {
			o.SetProtocolVersion(version).SetBinaryWill(step, []byte(`{"verdict":"proven"}`), 1, true)
		})
		for qos := range byte(3) {
			doortest.Send(t, liar, step, qos, true, `{"verdict":"proven"}`)
		}
		doortest.Send(t, liar, "sheds/fernhollow/daemon/here", 1, true, `{"up":true}`)
		doortest.Send(t, liar, "elsewhere", 1, true, `x`)
		liar.Drop()
		doortest.Until(t, "its last will to be refused", func() bool { return r.Gate.Counters().Trouble(ingest.BadWill) == 1 })
		if n := r.Gate.Counters().Trouble(ingest.WrongTopic); n != 5 {
			t.Errorf("counted %d refused messages, want 5", n)
		}
		node := doortest.Node(t, url, "box-1", nil)
		doortest.Send(t, node, samples, 1, false, pack(doortest.Now, 5))
		if m := next(t, got); m != samples+" "+pack(doortest.Now, 5) {
			t.Errorf("got %s, which only the daemon may say", m)
		}
	}
}

func TestReadersGetNothingThatIsNotTheContracts(t *testing.T) {
	r := doortest.NewRig(t)
	_, url, _ := open(t, r.Door, nil)
	c := doortest.Node(t, url, "reader", nil)
	for filter, want := range map[string]byte{"#": 0, "sheds/fernhollow/#": 0, step: 0, "$SYS/#": 0x80, "elsewhere": 0x80, "sheds/other/samples": 0x80} {
		tok := c.Subscribe(filter, 0, nil)
		if !tok.WaitTimeout(10 * time.Second) {
			t.Fatal("no answer")
		}
		if got := tok.(*paho.SubscribeToken).Result()[filter]; got != want {
			t.Errorf("subscribe %s: got %#x, want %#x", filter, got, want)
		}
	}
}

func TestUsers(t *testing.T) {
	r := doortest.NewRig(t)
	_, url, _ := open(t, r.Door, func(c *broker.Config) { c.Users = map[string]string{"box": "coal"} })
	for _, c := range []struct {
		user, password string
		ok             bool
	}{{"box", "coal", true}, {"box", "ash", false}, {"other", "coal", false}, {"other", "", false}, {"", "", false}} {
		o := paho.NewClientOptions().AddBroker(url).SetClientID("x").SetUsername(c.user).SetPassword(c.password).SetConnectTimeout(10 * time.Second)
		client := paho.NewClient(o)
		tok := client.Connect()
		if !tok.WaitTimeout(10 * time.Second) {
			t.Fatal("no answer")
		}
		if (tok.Error() == nil) != c.ok {
			t.Errorf("user %q password %q: got %v, want ok %v", c.user, c.password, tok.Error(), c.ok)
		}
		client.Disconnect(0)
	}
	if n := r.Gate.Counters().Trouble(ingest.BadLogin); n == 0 {
		t.Error("wrong logins were not counted")
	}
}

func TestATakenOverConnectionIsNoLostNode(t *testing.T) {
	r := doortest.NewRig(t)
	_, url, _ := open(t, r.Door, nil)
	const here = "sheds/fernhollow/nodes/box-1/here"
	will := func(o *paho.ClientOptions) { o.SetBinaryWill(here, []byte(`{"up":false}`), 1, true) }
	for range 20 {
		node := doortest.Node(t, url, "box-1", will) // takes the one before over
		doortest.Send(t, node, here, 1, true, `{"up":true}`)
	}
	got := make(chan string, 10)
	listen(t, doortest.Node(t, url, "reader", nil), here, got)
	if m := next(t, got); m != here+` {"up":true}` {
		t.Errorf("got %s, want the node up", m)
	}
	for _, h := range r.Heres() {
		if !h.Up {
			t.Error("a node that only connected anew was said to be lost")
			break
		}
	}
}

func TestOneThatDoesNotReadHoldsNoOtherUp(t *testing.T) {
	r := doortest.NewRig(t)
	_, url, _ := open(t, r.Door, nil)
	// A client in bytes, so that it can stop reading: CONNECT, then many QoS 1
	// messages whose acknowledgements it never takes.
	stuck, err := net.Dial("tcp", strings.TrimPrefix(url, "mqtt://"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = stuck.Close() }()
	if err := stuck.(*net.TCPConn).SetReadBuffer(1); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	out.Write([]byte{0x10, 17, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 0, 0, 5, 's', 't', 'u', 'c', 'k'})
	payload := pack(doortest.Now, 5)
	for id := range 5000 {
		out.Write([]byte{0x32, byte(2 + len(samples) + 2 + len(payload)), 0, byte(len(samples))})
		out.WriteString(samples)
		out.Write([]byte{byte((id + 1) >> 8), byte(id + 1)})
		out.WriteString(payload)
	}
	go func() { _, _ = stuck.Write(out.Bytes()) }()
	node := doortest.Node(t, url, "box-1", nil)
	for i := range 200 {
		doortest.Send(t, node, samples, 1, false, pack(doortest.Now.Add(-time.Duration(i+1)*time.Second), 5))
	}
}

func TestAnOversizeMessageDoesNotMuteItsNode(t *testing.T) {
	r := doortest.NewRig(t)
	_, url, _ := open(t, r.Door, nil)
	node := doortest.Node(t, url, "box-1", nil)
	for qos := range byte(3) {
		doortest.Send(t, node, samples, qos, true, bytes.Repeat([]byte{' '}, 10<<20))
	}
	doortest.Send(t, node, samples, 1, false, pack(doortest.Now, 5))
	if _, ok := r.Store.Get("quillet", telemetry.Firebox, doortest.Now); !ok {
		t.Error("the same node's next sample was not stored")
	}
	if got := fmt.Sprint(r.Gate.Counters().Troubles()); got != "map[packet-too-large:3]" {
		t.Errorf("counted %s, want 3 packets too large", got)
	}
	if got := strings.Join(r.Log(), "\n"); !strings.Contains(got, "topic="+samples) {
		t.Errorf("logged without the topic: %s", got)
	}
}

func TestAnAddressInUse(t *testing.T) {
	r := doortest.NewRig(t)
	b, _, _ := open(t, r.Door, nil)
	_, err := broker.New(broker.Config{Address: b.Addr().String(), Door: r.Door, Log: slog.New(slog.DiscardHandler)})
	var op *net.OpError
	if !errors.As(err, &op) || !strings.Contains(err.Error(), "another address") {
		t.Errorf("got %v, want that the address is in use, and the mend", err)
	}
}
