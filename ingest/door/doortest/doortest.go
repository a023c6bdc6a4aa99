// Package doortest holds what every MQTT door must do with what nodes send, good and
// bad. A door's own test runs it in one line.
package doortest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/fxamacker/cbor/v2"

	"ashlamp/ingest"
	"ashlamp/ingest/door"
	"ashlamp/ingest/mapping"
	"ashlamp/rules/telemetry"
)

// Now is the clock of a [Rig]. It stands still, so that each kind of trouble is
// logged once.
var Now = time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)

// patience is how long anything may take before a test gives up.
const patience = 20 * time.Second

// Store keeps samples in memory, with the answers of a store.
type Store struct {
	mu   sync.Mutex
	held map[string]telemetry.Sample
	seen int
	// before, if not nil, is called at the begin of each Append; its error fails it.
	before func([]ingest.Batch) error
}

// Before sets a function that each Append calls first; its error fails the Append.
func (m *Store) Before(f func([]ingest.Batch) error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.before = f
}

func key(engine string, ch telemetry.Channel, at time.Time) string {
	return fmt.Sprint(engine, "|", ch, "|", at.UnixMicro())
}

// Append keeps the samples.
func (m *Store) Append(_ context.Context, batches []ingest.Batch) ([]ingest.Appended, error) {
	m.mu.Lock()
	before := m.before
	m.mu.Unlock()
	if before != nil {
		if err := before(batches); err != nil {
			return nil, err
		}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	out := make([]ingest.Appended, len(batches))
	for i, b := range batches {
		out[i].Batch = b
		for _, s := range b.Samples {
			m.seen++
			k := key(b.Engine, s.Channel, s.At)
			switch old, had := m.held[k]; {
			case !had:
				m.held[k] = s
				out[i].Fresh = append(out[i].Fresh, s)
			case old.Quality == s.Quality && (old.Value == s.Value || math.IsNaN(old.Value) && math.IsNaN(s.Value)):
				out[i].Duplicates++
			default:
				out[i].Conflicts = append(out[i].Conflicts, s)
			}
		}
	}
	return out, nil
}

// Get returns a sample that is held.
func (m *Store) Get(engine string, ch telemetry.Channel, at time.Time) (telemetry.Sample, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	s, ok := m.held[key(engine, ch, at)]
	return s, ok
}

// At returns all samples of an engine at a time, as text.
func (m *Store) At(engine string, at time.Time) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for k, s := range m.held {
		if strings.HasPrefix(k, engine+"|") && s.At.Equal(at) {
			out = append(out, strings.TrimSpace(fmt.Sprintf("%s %v %s %s", s.Channel, s.Value, s.Quality, s.Reason)))
		}
	}
	return out
}

// Rig is all that stands behind a door: gate, committer, a store in memory.
type Rig struct {
	Store *Store
	Gate  *ingest.Gate
	Door  *door.Door

	mu    sync.Mutex
	heres []door.Here
	log   bytes.Buffer
}

// NewRig starts what stands behind a door of the shed fernhollow, with the engines
// quillet and marrow; it ends with the test.
func NewRig(t testing.TB) *Rig {
	t.Helper()
	r := &Rig{Store: &Store{held: make(map[string]telemetry.Sample)}}
	g, err := ingest.NewGate(ingest.GateConfig{
		Engines: []string{"quillet", "marrow"}, Counters: &ingest.Counters{},
		Log: slog.New(slog.NewTextHandler(lockedWriter{r}, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	r.Gate = g
	now := func() time.Time { return Now }
	c, err := ingest.NewCommitter(ingest.CommitterConfig{Store: r.Store, Gate: g, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	m, err := mapping.New([]mapping.Rule{
		{Filter: "yard/+/temperature", Engine: "quillet", Node: "yard-box", Channel: telemetry.Smokebox, Unit: "degF", Scale: 1},
		{Filter: "yard/gauges", Pointer: "/p/bar", Engine: "quillet", Channel: telemetry.BoilerPressure, Unit: "bar", Scale: 1},
		{Filter: "yard/gauges", Pointer: "/air", Channel: telemetry.AmbientTemp, Scale: 1},
	})
	if err != nil {
		t.Fatal(err)
	}
	r.Door, err = door.New(door.Config{Shed: "fernhollow", Gate: g, Sink: c, Mapping: m, Now: now, Here: func(h door.Here) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.heres = append(r.heres, h)
	}})
	if err != nil {
		t.Fatal(err)
	}
	Background(t, c.Run)
	return r
}

type lockedWriter struct{ r *Rig }

func (w lockedWriter) Write(p []byte) (int, error) {
	w.r.mu.Lock()
	defer w.r.mu.Unlock()
	return w.r.log.Write(p)
}

// Log returns the lines logged so far.
func (r *Rig) Log() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return strings.Split(strings.TrimSpace(r.log.String()), "\n")
}

// Heres returns what nodes said of themselves so far.
func (r *Rig) Heres() []door.Here {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]door.Here(nil), r.heres...)
}

// Background runs something until the test, or stop, ends it.
func Background(t testing.TB, run func(context.Context) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			select {
			case err := <-ended:
				if err != nil {
					t.Error(err)
				}
			case <-time.After(patience):
				t.Error("did not end when it was asked to")
			}
		})
	}
	t.Cleanup(stop)
	return stop
}

// Until waits for something that another process or goroutine brings about.
func Until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("gave up waiting: %s", what)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// Client is a node's connection.
type Client struct {
	paho.Client
	mu   sync.Mutex
	conn net.Conn
}

// Drop ends the connection without a goodbye, as a loss of power would.
func (c *Client) Drop() {
	c.mu.Lock()
	defer c.mu.Unlock()
	_ = c.conn.Close()
}

// Node connects a client as a node would.
func Node(t testing.TB, broker, id string, edit func(*paho.ClientOptions)) *Client {
	t.Helper()
	c := &Client{}
	o := paho.NewClientOptions().AddBroker(broker).SetClientID(id).SetAutoReconnect(false).SetConnectTimeout(patience)
	o.SetWriteTimeout(patience)
	o.SetCustomOpenConnectionFn(func(u *url.URL, _ paho.ClientOptions) (net.Conn, error) {
		conn, err := net.DialTimeout("tcp", u.Host, patience)
		c.mu.Lock()
		defer c.mu.Unlock()
		c.conn = conn
		return conn, err
	})
	if edit != nil {
		edit(o)
	}
	c.Client = paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("node %s cannot connect to %s: %v", id, broker, tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

// Send publishes and waits for the acknowledgement.
func Send(t testing.TB, c paho.Client, topic string, qos byte, retained bool, payload any) {
	t.Helper()
	tok := c.Publish(topic, qos, retained, payload)
	if !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("publish on %s was not acknowledged: %v", topic, tok.Error())
	}
}

const (
	engineTopic = "sheds/fernhollow/engines/quillet/samples"
	shedTopic   = "sheds/fernhollow/samples"
)

type message struct {
	topic   string
	payload any
	qos     byte
}

func packCBOR(v any) []byte {
	b, err := cbor.Marshal(v)
	if err != nil {
		panic(err) // a literal of this file
	}
	return b
}

// Run sends the same good and bad messages through a door. open starts the door on d
// and returns the URL at which nodes connect.
func Run(t *testing.T, open func(t *testing.T, d *door.Door) string) {
	r := NewRig(t)
	at := open(t, r.Door)
	node := Node(t, at, "box-1", nil)
	Until(t, "the door to hear its nodes", func() bool {
		// What is sent before the door listens is nobody's.
		Send(t, node, shedTopic, 1, false, fmt.Sprintf(`[{"n":"ambient.temperature","v":1,"t":%d}]`, Now.Unix()-1))
		_, ok := r.Store.Get("", telemetry.AmbientTemp, Now.Add(-time.Second))
		return ok
	})
	// Each row has a second of its own, $t in the payloads.
	row := func(i int) time.Time { return Now.Add(-time.Duration(i+1) * time.Minute) }
	rows := []struct {
		name    string
		send    []message
		want    []string // of quillet, or of the shed if it begins with "shed "
		trouble string   // kind=count
	}{
		{name: "good, QoS 1", send: []message{{engineTopic, `[{"bn":"boiler.","bt":$t,"n":"pressure","u":"Pa","v":700000},{"n":"level","v":0.7}]`, 1}}, want: []string{"boiler.pressure 700000 good", "boiler.level 0.7 good"}},
		{name: "good, QoS 0", send: []message{{engineTopic, `[{"n":"firebox","v":5,"t":$t}]`, 0}}, want: []string{"firebox 5 good"}},
		{name: "good, QoS 2", send: []message{{engineTopic, `[{"n":"firebox","v":5,"t":$t}]`, 2}}, want: []string{"firebox 5 good"}},
		{name: "good, CBOR", send: []message{{engineTopic + "/cbor", func(at time.Time) []byte { return packCBOR([]map[int]any{{0: "firebox", 2: 6.5, 6: at.Unix()}}) }, 1}}, want: []string{"firebox 6.5 good"}},
		{name: "of the shed", send: []message{{shedTopic, `[{"bver":26,"n":"ambient.co","u":"ppm","v":20,"t":$t}]`, 1}}, want: []string{"shed ambient.co 2e-05 good"}},
		{name: "malformed", send: []message{{engineTopic, `[{"n":"firebox","v":5,"t":$t},{"n":"smo`, 1}}, trouble: "malformed=1"},
		{name: "malformed CBOR", send: []message{{engineTopic + "/cbor", []byte{0x81, 0xa1}, 1}}, trouble: "malformed=1"},
		{name: "empty", send: []message{{engineTopic, "", 1}}, trouble: "malformed=1"},
		{name: "unknown version", send: []message{{engineTopic, `[{"bver":42,"n":"firebox","v":5,"t":$t}]`, 1}}, trouble: "unknown-version=1"},
		{name: "must be understood", send: []message{{engineTopic, `[{"n":"firebox","v":5,"t":$t,"scale_":2}]`, 1}}, trouble: "unknown-label=1"},
		{name: "topic one level too deep", send: []message{{engineTopic + "/json", `[{"n":"firebox","v":5,"t":$t}]`, 1}}, trouble: "wrong-topic=1"},
		{name: "engine's id in capitals", send: []message{{"sheds/fernhollow/engines/Quillet/samples", `[{"n":"firebox","v":5,"t":$t}]`, 1}}, trouble: "wrong-topic=1"},
		{name: "unknown engine", send: []message{{"sheds/fernhollow/engines/thirlow/samples", `[{"n":"firebox","v":5,"t":$t}]`, 1}}, trouble: "unknown-engine=1"},
		{name: "unknown channel is kept", send: []message{{engineTopic, `[{"n":"steam.chest","v":5,"t":$t}]`, 1}}, want: []string{"steam.chest 5 good"}},
		{name: "the shed's on an engine, the good rest kept", send: []message{{engineTopic, `[{"bt":$t,"n":"ambient.co","v":0},{"n":"firebox","v":5}]`, 1}}, want: []string{"firebox 5 good"}, trouble: "wrong-place=1"},
		{name: "NaN is no JSON", send: []message{{engineTopic, `[{"n":"firebox","v":NaN,"t":$t}]`, 1}}, trouble: "malformed=1"},
		{name: "NaN in CBOR, the good rest kept", send: []message{{engineTopic + "/cbor", func(at time.Time) []byte {
			return packCBOR([]map[int]any{{0: "firebox", 2: math.NaN(), 6: at.Unix()}, {0: "smokebox", 2: 7, 6: at.Unix()}})
		}, 1}}, want: []string{"smokebox 7 good"}, trouble: "not-finite=1"},
		{name: "infinity", send: []message{{engineTopic, `[{"n":"firebox","v":-1e999,"t":$t}]`, 1}}, trouble: "not-finite=1"},
		{name: "absurd", send: []message{{engineTopic, `[{"n":"firebox","v":-300,"t":$t}]`, 1}}, want: []string{"firebox NaN bad absurd: -300 Cel is outside -273.15 to 1800"}, trouble: "absurd=1"},
		{name: "wrong unit", send: []message{{engineTopic, `[{"n":"boiler.pressure","u":"bar","v":7,"t":$t}]`, 1}}, want: []string{`boiler.pressure NaN bad unit "bar" where boiler.pressure is kept in Pa`}, trouble: "wrong-unit=1"},
		{name: "text in place of a value", send: []message{{engineTopic, `[{"n":"firebox","vs":"open thermocouple","t":$t}]`, 1}}, want: []string{"firebox NaN bad open thermocouple"}},
		{name: "the same twice", send: []message{{engineTopic, `[{"n":"firebox","v":5,"t":$t}]`, 1}, {engineTopic, `[{"n":"firebox","v":5,"t":$t}]`, 1}}, want: []string{"firebox 5 good"}},
		{name: "the same time, another value", send: []message{{engineTopic, `[{"n":"firebox","v":5,"t":$t}]`, 1}, {engineTopic, `[{"n":"firebox","v":6,"t":$t}]`, 1}}, want: []string{"firebox 5 good"}, trouble: "same-time-other-value=1"},
		{name: "mapped: a plain number", send: []message{{"yard/7/temperature", "212", 1}}},
		{name: "mapped: no number", send: []message{{"yard/7/temperature", "hot", 1}}, trouble: "wrong-type=1"},
		{name: "mapped: half of it missing", send: []message{{"yard/gauges", `{"p":{"bar":7}}`, 1}}, trouble: "no-value=1"},
		{name: "a status that cannot be read", send: []message{{"sheds/fernhollow/nodes/box-9/here", `{"up":"yes"}`, 1}}, trouble: "bad-status=1"},
	}
	expect := map[string]uint64{}
	for i, c := range rows {
		t.Run(c.name, func(t *testing.T) {
			at := row(i)
			before := r.Gate.Counters().Troubles()
			for _, m := range c.send {
				payload := m.payload
				switch p := payload.(type) {
				case string:
					payload = strings.ReplaceAll(p, "$t", fmt.Sprint(at.Unix()))
				case func(time.Time) []byte:
					payload = p(at)
				}
				Send(t, node, m.topic, m.qos, false, payload)
			}
			// Messages are taken in order, so once this one is stored all are.
			mark := at.Add(time.Second)
			Send(t, node, "sheds/fernhollow/engines/marrow/samples", 1, false, fmt.Sprintf(`[{"n":"firebox","v":1,"t":%d}]`, mark.Unix()))
			Until(t, "the message after it to be stored", func() bool {
				_, ok := r.Store.Get("marrow", telemetry.Firebox, mark)
				return ok
			})
			got := map[string]bool{}
			for _, s := range r.Store.At("quillet", at) {
				got[s] = true
			}
			for _, s := range r.Store.At("", at) {
				got["shed "+s] = true
			}
			for _, w := range c.want {
				if !got[w] {
					t.Errorf("sent %v\ngot  %v\nwant %q among it", c.send, got, w)
				}
			}
			if len(got) != len(c.want) {
				t.Errorf("sent %v\ngot  %v\nwant %q", c.send, got, c.want)
			}
			var troubles []string
			for k, n := range r.Gate.Counters().Troubles() {
				if n -= before[k]; n > 0 {
					troubles = append(troubles, fmt.Sprintf("%s=%d", k, n))
					expect[k] += n
				}
			}
			if g := strings.Join(troubles, " "); g != c.trouble {
				t.Errorf("sent %v\ngot troubles %q, want %q", c.send, g, c.trouble)
			}
		})
	}
	t.Run("mapped samples", func(t *testing.T) {
		for _, c := range []struct {
			engine string
			ch     telemetry.Channel
			want   float64
		}{{"quillet", telemetry.Smokebox, 100}, {"quillet", telemetry.BoilerPressure, 7e5}} {
			if s, ok := r.Store.Get(c.engine, c.ch, Now); !ok || s.Value != c.want {
				t.Errorf("%s of %s: got %+v %v, want %v", c.ch, c.engine, s, ok, c.want)
			}
		}
	})
	t.Run("out of order is stored in its place", func(t *testing.T) {
		late, early := Now.Add(-10*time.Second), Now.Add(-20*time.Second)
		for _, at := range []time.Time{late, early} {
			Send(t, node, engineTopic, 1, false, fmt.Sprintf(`[{"n":"blowdown.pipe","v":5,"t":%d}]`, at.Unix()))
		}
		Until(t, "both to be stored", func() bool {
			a, okA := r.Store.Get("quillet", telemetry.BlowdownPipe, late)
			b, okB := r.Store.Get("quillet", telemetry.BlowdownPipe, early)
			return okA && okB && a.Quality == telemetry.Good && b.Quality == telemetry.Good
		})
	})
	t.Run("a clock ahead", func(t *testing.T) {
		at := Now.Add(time.Hour)
		Send(t, node, engineTopic, 1, false, fmt.Sprintf(`[{"n":"firebox","v":5,"t":%d}]`, at.Unix()))
		Until(t, "it to be stored as bad", func() bool {
			s, ok := r.Store.Get("quillet", telemetry.Firebox, at)
			return ok && s.Quality == telemetry.Bad && s.Reason == "clock ahead by 1h0m0s"
		})
		expect[ingest.ClockAhead]++
	})
	t.Run("10 MB", func(t *testing.T) {
		big := Node(t, at, "box-big", func(o *paho.ClientOptions) { o.SetWriteTimeout(patience) })
		big.Publish(engineTopic, 1, false, bytes.Repeat([]byte("["), 10<<20))
		both := func() uint64 {
			return r.Gate.Counters().Trouble("too-large") + r.Gate.Counters().Trouble(ingest.PacketTooLarge)
		}
		Until(t, "it to be counted", func() bool { return both() > 0 })
		if !node.IsConnectionOpen() {
			t.Error("another node lost its connection")
		}
		Send(t, node, engineTopic, 1, false, fmt.Sprintf(`[{"n":"firebox","v":5,"t":%d}]`, Now.Unix()))
		Until(t, "another node's sample to be stored", func() bool {
			_, ok := r.Store.Get("quillet", telemetry.Firebox, Now)
			return ok
		})
		for _, k := range []string{"too-large", ingest.PacketTooLarge} {
			if n := r.Gate.Counters().Trouble(k); n > 0 {
				expect[k] = n
			}
		}
	})
	t.Run("status and last will of a node", func(t *testing.T) {
		const here = "sheds/fernhollow/nodes/box-2/here"
		other := Node(t, at, "box-2", func(o *paho.ClientOptions) { o.SetBinaryWill(here, []byte(`{"up":false}`), 1, true) })
		Send(t, other, here, 1, true, fmt.Sprintf(`{"up":true,"t":%d}`, Now.Unix()))
		has := func(up bool) bool {
			for _, h := range r.Heres() {
				if h.Node == "box-2" && h.Up == up && (h.At.Equal(Now) || !up && h.At.IsZero()) {
					return true
				}
			}
			return false
		}
		Until(t, "its status", func() bool { return has(true) })
		other.Drop()
		Until(t, "its last will", func() bool { return has(false) })
	})
	t.Run("each kind counted is logged once, with its topic", func(t *testing.T) {
		lines := map[string]int{}
		for _, l := range r.Log() {
			_, kind, _ := strings.Cut(l, " kind=")
			kind, rest, _ := strings.Cut(kind, " ")
			lines[kind]++
			if !strings.HasPrefix(rest, "topic=") || strings.HasPrefix(rest, `topic=""`) {
				t.Errorf("line without its topic: %s", l)
			}
		}
		for k := range expect {
			if lines[k] != 1 {
				t.Errorf("kind %s counted %d, logged %d times, want once", k, expect[k], lines[k])
			}
		}
		for k := range lines {
			if expect[k] == 0 {
				t.Errorf("kind %s logged and not expected", k)
			}
		}
	})
}

// ErrFull is what a full disk says.
var ErrFull = errors.New("no space left on device")
