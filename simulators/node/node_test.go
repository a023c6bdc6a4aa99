package node_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"ashlamp/ingest/senml"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

func marrow(t testing.TB, seed uint64) *world.World {
	t.Helper()
	p, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	w, err := world.New(world.Marrow(), p, seed, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// ledger is a carrier that keeps what it was given.
type ledger struct {
	packs []node.Pack
	stop  int
}

var errFull = errors.New("ledger is full")

func (l *ledger) Carry(_ context.Context, p node.Pack) error {
	if len(l.packs) == l.stop {
		return errFull
	}
	p.Samples = slices.Clone(p.Samples)
	l.packs = append(l.packs, p)
	return nil
}

func run(t *testing.T, w *world.World, packs int) []node.Pack {
	t.Helper()
	l := &ledger{stop: packs}
	if err := node.New(w, l, node.Usual(), 1).Run(context.Background()); !errors.Is(err, errFull) {
		t.Fatalf("the node ended with %v", err)
	}
	return l.packs
}

func TestIntervals(t *testing.T) {
	seen := map[telemetry.Channel][]time.Time{}
	for _, p := range run(t, marrow(t, 1), 500) {
		for _, s := range p.Samples {
			if s.Channel.OfShed() != p.Shed {
				t.Fatalf("%s in a pack of the shed %v", s.Channel, p.Shed)
			}
			if !s.At.Equal(p.Sent) {
				t.Fatalf("%s at %v in a pack of %v", s.Channel, s.At, p.Sent)
			}
			seen[s.Channel] = append(seen[s.Channel], s.At)
		}
	}
	for c, every := range map[telemetry.Channel]time.Duration{
		telemetry.BoilerPressure: 2 * time.Second, telemetry.BoilerLevel: 2 * time.Second,
		telemetry.ShellTop: 5 * time.Second, telemetry.Firebox: 5 * time.Second, telemetry.BlowdownPipe: 5 * time.Second,
		telemetry.TankLeft: 10 * time.Second, telemetry.AmbientPressure: time.Minute, telemetry.AmbientCO: time.Minute,
	} {
		at := seen[c]
		if len(at) < 10 {
			t.Errorf("%s: %d samples", c, len(at))
		}
		for i := 1; i < len(at); i++ {
			if at[i].Sub(at[i-1]) != every {
				t.Fatalf("%s: %v after %v, want every %v", c, at[i], at[i-1], every)
			}
		}
	}
	for _, c := range []telemetry.Channel{telemetry.TankRight, telemetry.BoilerHumidity} {
		if len(seen[c]) > 0 {
			t.Errorf("%s was sent: this engine has one tank, and its plugs are in", c)
		}
	}
}

func TestIntervalsSetAnew(t *testing.T) {
	w := marrow(t, 1)
	l := &ledger{stop: 1 << 30}
	n := node.New(w, l, node.Intervals{Pressure: 5 * time.Second, Temperature: 10 * time.Second, Tank: time.Minute}, 1)
	changed := 0
	for w.Elapsed() < 1200 {
		if w.Elapsed() >= 600 && changed == 0 {
			n.Read(node.Intervals{Pressure: 15 * time.Second, Temperature: 30 * time.Second, Tank: time.Minute})
			changed = len(l.packs)
		}
		if err := n.Step(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	if before, after := changed, len(l.packs)-changed; before != 121 || after != 40 && after != 41 {
		t.Errorf("%d packs in ten minutes of 5 s, %d in ten of 15 s; want 121 and 40", before, after)
	}
}

func TestFaultyLinks(t *testing.T) {
	base := run(t, marrow(t, 1), 400)
	last := base[len(base)-1].Sent
	faulty := func(name string) []node.Pack {
		w := marrow(t, 1)
		if err := w.InjectAt(name, "", 0); err != nil {
			t.Fatal(err)
		}
		l := &ledger{stop: 1 << 30}
		n := node.New(w, l, node.Usual(), 1)
		n.Pace = func(_ context.Context, date time.Time) error {
			if date.After(last) {
				return errFull
			}
			return nil
		}
		if err := n.Run(context.Background()); !errors.Is(err, errFull) {
			t.Fatal(err)
		}
		return l.packs
	}
	if got := len(faulty("node-silent")); got != 0 {
		t.Errorf("a silent node sent %d packs", got)
	}
	if got := len(faulty("packs-lost")); got >= len(base)-2 || got < len(base)/2 {
		t.Errorf("a lossy link carried %d of %d", got, len(base))
	}
	if got := len(faulty("packs-doubled")); got <= len(base)+5 {
		t.Errorf("a doubling link carried %d of %d", got, len(base))
	}
	frozen := map[telemetry.Channel]float64{}
	for _, p := range faulty("node-frozen") {
		for _, s := range p.Samples {
			if v, ok := frozen[s.Channel]; ok && v != s.Value {
				t.Fatalf("a frozen node sent %v after %v of %s", s.Value, v, s.Channel)
			}
			frozen[s.Channel] = s.Value
			if !s.At.Equal(p.Sent) {
				t.Fatal("a frozen node's times stand still")
			}
		}
	}
	for _, p := range faulty("node-clock-ahead") {
		if d := p.Samples[0].At.Sub(p.Sent); d < 8*time.Second {
			t.Fatalf("clock ahead by %v", d)
		}
	}
	late := 0
	shuffled := faulty("packs-shuffled")
	for i := 1; i < len(shuffled); i++ {
		if shuffled[i].Samples[0].At.Before(shuffled[i-1].Samples[0].At) {
			late++
		}
	}
	if late < 5 || len(shuffled) < len(base)-5 {
		t.Errorf("a shuffling link carried %d of %d, %d out of order", len(shuffled), len(base), late)
	}
}

// While the broker is gone nothing arrives; what was kept then comes in one go, with
// its own times, and what was not never does.
func TestBrokerGone(t *testing.T) {
	for _, name := range []string{"broker-gone", "broker-gone-late", "daemon-restarted"} {
		for seed := range uint64(4) {
			w := marrow(t, seed)
			if err := w.InjectAt(name, "", 100); err != nil {
				t.Fatal(err)
			}
			begun := w.Now().Add(100 * time.Second)
			l := &ledger{stop: 1 << 30}
			n := node.New(w, l, node.Usual(), 1)
			n.Pace = func(context.Context, time.Time) error {
				if w.Elapsed() > 4200 {
					return errFull
				}
				return nil
			}
			if err := n.Run(context.Background()); !errors.Is(err, errFull) {
				t.Fatal(err)
			}
			link := w.Link()
			back := w.Now().Add(time.Duration((link.AwayUntil - w.Elapsed()) * float64(time.Second)))
			late := 0
			for _, p := range l.packs {
				if p.Sent.After(begun.Add(5*time.Second)) && p.Sent.Before(back.Add(-time.Millisecond)) {
					t.Errorf("%s, seed %d: a pack sent at %v, within %v to %v", name, seed, p.Sent, begun, back)
				}
				if p.Samples[0].At.Before(p.Sent) {
					late++
					if p.Samples[0].At.Before(begun) || !p.Sent.Before(back.Add(3*time.Second)) {
						t.Errorf("%s, seed %d: a sample of %v came at %v; gone from %v to %v", name, seed, p.Samples[0].At, p.Sent, begun, back)
					}
				}
			}
			if gone := link.AwayUntil - 100; !(gone > 4) || link.Keeps != (late > 0) || name == "broker-gone" && late > 0 || name == "broker-gone-late" && late < 10 {
				t.Errorf("%s, seed %d: gone for %.0f s, kept %v, %d packs late", name, seed, gone, link.Keeps, late)
			}
			if restarts := link.Restarts; restarts > 0 != (name == "daemon-restarted") {
				t.Errorf("%s: the daemon was killed %d times", name, restarts)
			}
		}
	}
}

func TestSenMLReadsBack(t *testing.T) {
	at := time.Date(2031, 5, 4, 17, 2, 0, 250000000, time.UTC)
	in := []telemetry.Sample{
		{Channel: telemetry.BoilerPressure, At: at, Value: 812300, Quality: telemetry.Good},
		{Channel: telemetry.ShellTop, At: at, Value: 170.0625, Quality: telemetry.Good},
		{Channel: telemetry.AmbientCO, At: at.Add(-1500 * time.Millisecond), Value: 2e-6, Quality: telemetry.Good},
		{Channel: telemetry.Firebox, At: at.Add(30 * time.Microsecond), Value: -0.5, Quality: telemetry.Good},
		telemetry.Lost(telemetry.Smokebox, at, "open circuit"),
	}
	body := node.AppendSenML(nil, in)
	pack, err := senml.DecodeJSON(body, at.Add(time.Hour))
	if err != nil || len(pack.Problems) > 0 {
		t.Fatalf("%s: %v %v", body, err, pack.Problems)
	}
	if len(pack.Samples) != len(in) {
		t.Fatalf("%s: %d samples, want %d", body, len(pack.Samples), len(in))
	}
	for _, want := range in {
		i := slices.IndexFunc(pack.Samples, func(s telemetry.Sample) bool { return s.Channel == want.Channel })
		if i < 0 {
			t.Errorf("%s is missing", want.Channel)
			continue
		}
		got := pack.Samples[i]
		same := got.Value == want.Value || math.IsNaN(got.Value) && math.IsNaN(want.Value)
		if !got.At.Equal(want.At) || got.Quality != want.Quality || !same || got.Reason != want.Reason {
			t.Errorf("got %+v, want %+v", got, want)
		}
	}
}

func record(t *testing.T, o node.Recording) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := node.Record(context.Background(), &b, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestRecordIsRepeatableAndReadable(t *testing.T) {
	o := node.Recording{Engine: world.Marrow(), Seed: 4, Intervals: node.Intervals{
		Pressure: 5 * time.Second, Temperature: 20 * time.Second, Tank: 30 * time.Second, Shed: 5 * time.Minute}}
	a, b := record(t, o), record(t, o)
	if !bytes.Equal(a, b) {
		t.Error("the same recording gave other bytes")
	}
	o.Seed = 5
	if bytes.Equal(a, record(t, o)) {
		t.Error("another seed gave the same bytes")
	}
	var packs, confirms int
	var now time.Time
	begin, end := false, false
	lines := bufio.NewScanner(bytes.NewReader(a))
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		line := lines.Bytes()
		if line[0] == '[' {
			p, err := senml.Options{Times: senml.AbsoluteTimes}.DecodeJSON(line, now)
			if err != nil || len(p.Problems) > 0 {
				t.Fatalf("line %d: %v %v", n, err, p.Problems)
			}
			for _, s := range p.Samples {
				if s.At.Before(now) {
					t.Fatalf("line %d: time runs back from %v to %v", n, now, s.At)
				}
				now = s.At
			}
			packs++
			continue
		}
		var e struct{ T, Confirm, Disposal, By, Lay_up string }
		d := json.NewDecoder(bytes.NewReader(line))
		d.DisallowUnknownFields()
		if err := d.Decode(&e); err != nil {
			t.Fatalf("line %d: %v: %s", n, err, line)
		}
		at, err := time.Parse(time.RFC3339, e.T)
		if err != nil || at.Before(now) || e.By != "T. Oxley" {
			t.Fatalf("line %d: %v, by %q at %v after %v", n, err, e.By, at, now)
		}
		switch {
		case e.Confirm != "":
			confirms++
		case e.Disposal == "begin" && e.Lay_up == "dry":
			begin = true
		case e.Disposal == "end":
			end = true
		default:
			t.Fatalf("line %d: %s", n, line)
		}
	}
	if packs < 2000 || confirms < 14 || !begin || !end {
		t.Errorf("%d packs, %d confirmations, begun %v, ended %v", packs, confirms, begin, end)
	}
	t.Logf("%d bytes, %d packs, %d confirmations, last at %v", len(a), packs, confirms, now)
}

func TestRecordWithAWrongClockTellsTheTimeOfSending(t *testing.T) {
	o := node.Recording{Engine: world.Marrow(), Seed: 4, Fault: "node-clock-ahead", Limit: 4 * time.Hour}
	if s := string(record(t, o)); !strings.Contains(s, `","pack":[{"bt":`) {
		t.Error("no pack has the time of its sending beside it")
	}
	o.Fault = "no-such"
	if err := node.Record(context.Background(), io.Discard, o); err == nil {
		t.Error("an unknown fault was recorded")
	}
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left") }

func TestRecordSaysThatTheDiskIsFull(t *testing.T) {
	err := node.Record(context.Background(), fullDisk{}, node.Recording{Engine: world.Marrow()})
	if err == nil || !strings.Contains(err.Error(), "no space left") {
		t.Errorf("got %v", err)
	}
}

// far is a real broker and what it was given.
type far struct {
	mochi.HookBase
	server *mochi.Server
	mu     sync.Mutex
	got    map[string][]string
	cut    int // the connection breaks before the acknowledgement of this packet
}

func (f *far) ID() string { return "ledger" }
func (f *far) Provides(b byte) bool {
	return b == mochi.OnPublish || b == mochi.OnWillSent || b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (f *far) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (f *far) OnACLCheck(*mochi.Client, string, bool) bool              { return true }
func (f *far) OnPublish(cl *mochi.Client, p packets.Packet) (packets.Packet, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.cut > 0 && !cl.Net.Inline {
		if f.cut--; f.cut == 0 {
			_ = cl.Net.Conn.Close()
		}
	}
	f.got[p.TopicName] = append(f.got[p.TopicName], string(p.Payload))
	if p.FixedHeader.Qos != 1 {
		f.got["wrong qos"] = append(f.got["wrong qos"], p.TopicName)
	}
	return p, nil
}
func (f *far) OnWillSent(_ *mochi.Client, p packets.Packet) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.got["will "+p.TopicName] = append(f.got["will "+p.TopicName], string(p.Payload))
}

func (f *far) count(topic string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.got[topic])
}

func broker(t *testing.T, address string) (*far, string) {
	t.Helper()
	f := &far{got: map[string][]string{}}
	f.server = mochi.New(&mochi.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := f.server.AddHook(f, nil); err != nil {
		t.Fatal(err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: address})
	if err := f.server.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := f.server.Serve(); err != nil {
		t.Fatal(err)
	}
	return f, l.Address()
}

// counted counts what was acknowledged, and stops after a number of packs.
type counted struct {
	node.Carrier
	shed, engine, stop int
	between            func(n int)
}

func (c *counted) Carry(ctx context.Context, p node.Pack) error {
	if c.engine+c.shed == c.stop {
		return errFull
	}
	if c.between != nil {
		c.between(c.engine + c.shed)
	}
	if err := c.Carrier.Carry(ctx, p); err != nil {
		return err
	}
	if p.Shed {
		c.shed++
	} else {
		c.engine++
	}
	return nil
}

// Through a real broker that goes away in the middle and comes back: every pack
// that was acknowledged was received, and the world's clock waited meanwhile.
func TestMQTTThroughABrokersEnd(t *testing.T) {
	first, address := broker(t, "127.0.0.1:0")
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	w := marrow(t, 2)
	m, err := node.DialMQTT(ctx, node.MQTTConfig{Broker: "tcp://" + address, Shed: "fernhollow", Engine: "marrow", Node: "box", Now: w.Now})
	if err != nil {
		t.Fatal(err)
	}
	var second *far
	c := &counted{Carrier: m, stop: 600}
	c.between = func(n int) {
		// The broker goes while packs are on their way.
		if n == 300 {
			if err := first.server.Close(); err != nil {
				t.Error(err)
			}
			second, _ = broker(t, address)
			second.mu.Lock()
			second.cut = 100
			second.mu.Unlock()
		}
	}
	n := node.New(w, c, node.Usual(), 1)
	if err := n.Run(ctx); !errors.Is(err, errFull) {
		t.Fatal(err)
	}
	engine, shed, here := "sheds/fernhollow/engines/marrow/samples", "sheds/fernhollow/samples", "sheds/fernhollow/nodes/box/here"
	gotEngine, gotShed := first.count(engine)+second.count(engine), first.count(shed)+second.count(shed)
	// At least once: a pack under way at a break comes twice, and one was.
	if gotEngine+gotShed == c.engine+c.shed || gotEngine < c.engine || gotEngine > c.engine+2 || gotShed < c.shed || gotShed > c.shed+2 {
		t.Errorf("received %d and %d, acknowledged %d and %d", gotEngine, gotShed, c.engine, c.shed)
	}
	if first.count("wrong qos")+second.count("wrong qos") > 0 {
		t.Error("something was not sent at QoS 1")
	}
	for i, f := range []*far{first, second} {
		f.mu.Lock()
		if h := f.got[here]; len(h) == 0 || !strings.HasPrefix(h[0], `{"up":true,"t":19356`) {
			t.Errorf("broker %d was told %q", i, h)
		}
		f.mu.Unlock()
	}
	if err := m.Close(ctx); err != nil {
		t.Fatal(err)
	}
	second.mu.Lock()
	if h := second.got[here]; h[len(h)-1] != `{"up":false}` {
		t.Errorf("at its end the node said %q", h)
	}
	second.mu.Unlock()
	if err := second.server.Close(); err != nil {
		t.Error(err)
	}
}

// A node whose connection breaks without a word is said to be down by its will.
func TestLastWill(t *testing.T) {
	f, address := broker(t, "127.0.0.1:0")
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	m, err := node.DialMQTT(ctx, node.MQTTConfig{Broker: "tcp://" + address, Shed: "fernhollow", Engine: "marrow", Node: "box", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	client, ok := f.server.Clients.Get("node-fernhollow-box")
	if !ok {
		t.Fatal("the broker does not know the node")
	}
	if err := client.Net.Conn.Close(); err != nil {
		t.Fatal(err)
	}
	here := "sheds/fernhollow/nodes/box/here"
	for f.count("will "+here) == 0 {
		if ctx.Err() != nil {
			t.Fatalf("will %d, here %d", f.count("will "+here), f.count(here))
		}
		time.Sleep(5 * time.Millisecond)
	}
	// The next pack finds the connection gone and goes over a new one.
	if err := m.Carry(ctx, node.Pack{Samples: []telemetry.Sample{{Channel: telemetry.Firebox, At: time.Unix(2e9, 0), Value: 1, Quality: telemetry.Good}}}); err != nil {
		t.Fatal(err)
	}
	if f.count(here) != 2 || f.count("sheds/fernhollow/engines/marrow/samples") != 1 {
		t.Errorf("after the break: here %d times, samples %d", f.count(here), f.count("sheds/fernhollow/engines/marrow/samples"))
	}
	f.mu.Lock()
	if got := f.got["will "+here][0]; got != `{"up":false}` {
		t.Errorf("its will says %s", got)
	}
	f.mu.Unlock()
	if err := m.Close(ctx); err != nil {
		t.Error(err)
	}
	if err := f.server.Close(); err != nil {
		t.Error(err)
	}
}

func TestDialSaysWhatIsWrong(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 300*time.Millisecond)
	defer cancel()
	_, err := node.DialMQTT(ctx, node.MQTTConfig{Broker: "tcp://127.0.0.1:1", Shed: "s", Node: "n", Now: time.Now})
	if err == nil || !strings.Contains(err.Error(), "is it running") {
		t.Errorf("got %v", err)
	}
}

func BenchmarkRecord(b *testing.B) {
	for b.Loop() {
		if err := node.Record(context.Background(), io.Discard, node.Recording{Engine: world.Quillet(), Seed: 1}); err != nil {
			b.Fatal(err)
		}
	}
}
