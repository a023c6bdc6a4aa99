package setup_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"
	"github.com/gorilla/websocket"
	"periph.io/x/conn/v3/i2c"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/setup"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/openapi"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/bus"
	"ashlamp/simulators/chip"
)

// page is enough of one to be served.
var page = fstest.MapFS{"index.html": {Data: []byte("<!doctype html><title>Ashlamp</title>")}}

// free returns a loopback address at which nobody listens.
func free(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().String()
}

// shed is a daemon that may have no configuration yet.
type shed struct {
	t    *testing.T
	path string
	url  string
	// began has an entry each time that something was put together: false for set-up alone.
	began chan bool
	hash  string
}

// open starts it; text is the configuration, empty for none.
func open(t *testing.T, text string, change ...func(*setup.Options)) *shed {
	t.Helper()
	dir := t.TempDir()
	s := &shed{t: t, path: filepath.Join(dir, "shed.toml"), began: make(chan bool, 64)}
	if text != "" {
		if err := os.WriteFile(s.path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	addresses := make(chan string, 64)
	o := setup.Options{
		Path: s.path, Data: filepath.Join(dir, "data"), Listen: "127.0.0.1:0", Page: page, Clock: clock.Board{},
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Random: func() uint32 { return 1 },
		OpenBuses: func(config.Config) (map[string]app.Bus, func(), error) { return nil, func() {}, nil },
		Machine:   setup.Machine{Buses: func() ([]string, error) { return nil, nil }},
		Announce: func(page, _ net.Addr, c *config.Config) {
			addresses <- page.String()
			s.began <- c != nil
		},
	}
	for _, f := range change {
		f(&o)
	}
	made, err := setup.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- made.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("it ended with %v", err)
		}
	})
	select {
	case a := <-addresses:
		s.url = "http://" + a
	case err := <-ended:
		ended <- err
		t.Fatalf("it did not begin: %v", err)
	}
	return s
}

// do makes a call and returns the status and the body.
func (s *shed) do(method, path string, body any, header ...string) (int, []byte) {
	s.t.Helper()
	var in io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			s.t.Fatal(err)
		}
		in = bytes.NewReader(b)
	}
	r, err := http.NewRequestWithContext(s.t.Context(), method, s.url+"/api/v1"+path, in)
	if err != nil {
		s.t.Fatal(err)
	}
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		s.t.Fatalf("%s %s: %v", method, path, err)
	}
	defer func() { _ = resp.Body.Close() }()
	out, err := io.ReadAll(resp.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	if strings.HasPrefix(path, "/setup") {
		asDocumented(s.t, r, resp, out)
	}
	return resp.StatusCode, out
}

// document is the OpenAPI document, read once.
var document = sync.OnceValues(func() (routers.Router, error) {
	doc, err := openapi3.NewLoader().LoadFromData(openapi.Document())
	if err != nil {
		return nil, err
	}
	return legacy.NewRouter(doc)
})

// asDocumented holds an answer to the OpenAPI document.
func asDocumented(t *testing.T, r *http.Request, resp *http.Response, body []byte) {
	t.Helper()
	router, err := document()
	if err != nil {
		t.Fatal(err)
	}
	asked := r.Clone(r.Context())
	asked.URL.Scheme, asked.URL.Host, asked.Host = "", "", ""
	route, params, err := router.FindRoute(asked)
	if err != nil {
		t.Errorf("%s %s: the document has no such call: %v", r.Method, r.URL, err)
		return
	}
	in := &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: asked, PathParams: params, Route: route},
		Status:                 resp.StatusCode, Header: resp.Header,
		Options: &openapi3filter.Options{IncludeResponseStatus: true},
	}
	in.SetBodyBytes(body)
	if err := openapi3filter.ValidateResponse(t.Context(), in); err != nil {
		t.Errorf("%s %s: answer %d %s is not as the document says: %v", r.Method, r.URL, resp.StatusCode, body, err)
	}
}

// set makes a call that must be done, and keeps the new hash.
func (s *shed) set(method, path string, body any) message.Setup {
	s.t.Helper()
	status, out := s.do(method, path, body)
	if status != http.StatusOK {
		s.t.Fatalf("%s %s: %d %s", method, path, status, out)
	}
	var got message.Setup
	if err := json.Unmarshal(out, &got); err != nil {
		s.t.Fatal(err)
	}
	s.hash = got.File.Hash
	return got
}

func (s *shed) get() message.Setup { s.t.Helper(); return s.set("GET", "/setup", nil) }

// refused makes a call that must be refused as the kind, and returns what is said.
func (s *shed) refused(status int, kind, method, path string, body any, header ...string) message.Problem {
	s.t.Helper()
	got, out := s.do(method, path, body, header...)
	var p message.Problem
	if err := json.Unmarshal(out, &p); err != nil {
		s.t.Fatalf("%s %s: %d %s", method, path, got, out)
	}
	if got != status || p.Type != "/problems/"+kind || p.Detail == "" || p.Mend == "" {
		s.t.Fatalf("%s %s: %d %s, want %d %s with what is wrong and the mend", method, path, got, out, status, kind)
	}
	return p
}

func (s *shed) file() string {
	s.t.Helper()
	b, err := os.ReadFile(s.path)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(b)
}

// node is a client that publishes with QoS 1.
type node struct {
	t *testing.T
	c paho.Client
}

func dial(t *testing.T, broker, id string) node {
	t.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + broker).SetClientID(id).SetCleanSession(true).SetConnectTimeout(5 * time.Second)
	c := paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatalf("dial %s: %v", broker, tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return node{t, c}
}

// say returns once the message is acknowledged: it is on disk, or was refused.
func (n node) say(topic, payload string) {
	n.t.Helper()
	if tok := n.c.Publish(topic, 1, false, payload); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		n.t.Fatalf("publish on %s: %v", topic, tok.Error())
	}
}

func ptr[T any](v T) *T { return &v }

// TestFromNothingToJudged is the first run: no file, a node is heard, the shed and an
// engine are named, a channel is given to it, and its samples are judged and kept –
// without the process being started again.
func TestFromNothingToJudged(t *testing.T) {
	broker := free(t)
	s := open(t, "")
	if <-s.began {
		t.Fatal("it did not begin with set-up alone")
	}
	first := s.get()
	if first.File.Exists || first.Daemon.State != "set-up" || len(first.File.Missing) != 2 {
		t.Fatalf("first: %+v, %+v", first.File, first.Daemon)
	}
	if _, err := os.Stat(s.path); !errors.Is(err, os.ErrNotExist) {
		t.Fatalf("a file is there before anything was said: %v", err)
	}

	// Where nodes are heard.
	if got := s.set("PUT", "/setup/doors", message.SetupDoorsPut{Hash: s.hash, Listen: &broker}); got.Doors.Listen != broker || got.Daemon.Trouble != "" {
		t.Fatalf("doors %+v, trouble %q", got.Doors, got.Daemon.Trouble)
	}
	n := dial(t, broker, "quillet-box")
	const samples = "sheds/fernhollow/engines/quillet/samples"
	n.say("sheds/fernhollow/nodes/quillet-box/here", `{"up":true}`)
	n.say(samples, `[{"n":"boiler.pressure","u":"Pa","v":812000}]`)
	n.say("yard/tank", `{"level":{"percent":41.5}}`)

	got := s.set("PUT", "/setup/shed", message.SetupShedPut{Hash: s.hash, ID: ptr("fernhollow"), Name: ptr("Fernhollow shed"), Timezone: ptr("Europe/London"), AltitudeM: ptr(120.0)})
	if got.File.Exists || len(got.File.Missing) != 1 || got.Shed.ID != "fernhollow" {
		t.Fatalf("with a shed and no engine: %+v %+v", got.File, got.Shed)
	}
	// The node was told, before the shed had its name, that its topic is of another shed;
	// what it sends is heard all the same.
	n = dial(t, broker, "quillet-box")
	n.say("sheds/fernhollow/nodes/quillet-box/here", `{"up":true}`)
	n.say(samples, `[{"n":"boiler.pressure","u":"Pa","v":812000},{"n":"steam.chest","v":1.5}]`)
	n.say("yard/tank", `{"level":{"percent":41.5}}`)
	got = s.get()
	if len(got.Nodes) != 1 || got.Nodes[0].ID != "quillet-box" || got.Nodes[0].Up == nil || !*got.Nodes[0].Up || len(got.Nodes[0].Sends) != 2 {
		t.Fatalf("nodes: %+v", got.Nodes)
	}
	send := got.Nodes[0].Sends[0]
	if send.Engine != "quillet" || send.ID != "boiler.pressure" || send.Value == nil || *send.Value != 812000 || send.Taken {
		t.Fatalf("what the node sends: %+v", send)
	}
	if len(got.Refused) != 1 || got.Refused[0].Topic != "yard/tank" || len(got.Refused[0].Numbers) != 1 || got.Refused[0].Numbers[0] != (message.SetupNumber{Pointer: "/level/percent", Value: 41.5}) {
		t.Fatalf("refused: %+v", got.Refused)
	}

	// An engine that cannot be is refused with what is wrong, and nothing is written.
	p := s.refused(422, "file-wrong", "PUT", "/setup/engines/quillet", message.SetupEnginePut{Hash: s.hash, Name: ptr("Quillet"), WorkingPressureBar: ptr(100.0), BoilerVolumeL: ptr(400.0)})
	if !strings.Contains(p.Detail, "shed.toml:") || !strings.Contains(p.Detail, "working_pressure_bar = 100 is outside") {
		t.Errorf("refused with %q", p.Detail)
	}
	if _, err := os.Stat(s.path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the refused engine left a file: %v", err)
	}

	got = s.set("PUT", "/setup/engines/quillet", message.SetupEnginePut{
		Hash: s.hash, Name: ptr("Quillet"), WorkingPressureBar: ptr(10.0), BoilerVolumeL: ptr(400.0), EmptiedBy: ptr("cold"), By: "R. Penhalow",
		Channels: []message.SetupChannelAs{
			{ID: "boiler.pressure", Set: message.SetupChannelSet{Low: ptr(-1e5), High: ptr(16e5), Uncertainty: ptr(6000.0)}},
			{ID: "tank.left.level", Set: message.SetupChannelSet{Mapped: &message.SetupMapped{Topic: "yard/tank", Pointer: "/level/percent", Scale: ptr(0.01)}}},
		},
	})
	if !got.File.Exists || got.Daemon.State != "running" || len(got.Engines) != 1 || len(got.Engines[0].Channels) != 2 {
		t.Fatalf("with an engine: %+v %+v %+v", got.File, got.Daemon, got.Engines)
	}
	for _, want := range []string{"# The shed's configuration, begun by set-up.", `range = ["-1 bar", "16 bar"]`, `uncertainty = "0.06 bar"`, "[engine.channel.mapped]"} {
		if !strings.Contains(s.file(), want) {
			t.Errorf("the file has not %q:\n%s", want, s.file())
		}
	}
	if wants := fmt.Sprint(got.Engines[0].Wants); !strings.Contains(wants, "firebox") || strings.Contains(wants, "boiler.pressure") || strings.Contains(wants, "tank.left.level") {
		t.Errorf("it wants %s", wants)
	}

	// The same node, over the same address, is now judged and kept.
	n = dial(t, broker, "quillet-box")
	before := time.Now().UTC()
	n.say(samples, `[{"n":"boiler.pressure","u":"Pa","v":812000}]`)
	n.say("yard/tank", `{"level":{"percent":41.5}}`)
	var state message.State
	s.until("the sample is judged", func() bool {
		status, out := s.do("GET", "/engines/quillet/state", nil)
		if status != 200 {
			return false
		}
		if err := json.Unmarshal(out, &state); err != nil {
			t.Fatal(err)
		}
		r, ok := state.Channels["boiler.pressure"]
		_, tank := state.Channels["tank.left.level"]
		return ok && r.Value != nil && *r.Value == 812000 && r.Quality == telemetry.Good && tank
	})
	if len(state.Steps) == 0 {
		t.Error("no step is judged")
	}
	status, out := s.do("GET", fmt.Sprintf("/engines/quillet/series?channel=boiler.pressure&points=1&from=%s&to=%s", before.Add(-time.Minute).Format(time.RFC3339), before.Add(time.Minute).Format(time.RFC3339)), nil)
	var series message.Series
	if err := json.Unmarshal(out, &series); status != 200 || err != nil || len(series.Buckets) != 1 || series.Buckets[0].Count != 1 {
		t.Errorf("kept: %d %s", status, out)
	}
	got = s.get()
	if !got.Nodes[0].Sends[0].Taken || got.Engines[0].Channels[0].Reading == nil {
		t.Errorf("set-up does not show what is taken: %+v, %+v", got.Nodes[0].Sends[0], got.Engines[0].Channels[0])
	}
	// Who changed it is in the engine's book.
	if _, out := s.do("GET", "/engines/quillet/book", nil); !strings.Contains(string(out), `"configured"`) || !strings.Contains(string(out), "R. Penhalow") {
		t.Errorf("the book: %s", out)
	}
}

// until asks again until it is so.
func (s *shed) until(what string, so func() bool) {
	s.t.Helper()
	end := time.Now().Add(20 * time.Second)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !so() {
		if time.Now().After(end) {
			s.t.Fatalf("not within 20 s: %s", what)
		}
		<-tick.C
	}
}

// byHand is a configuration as a person wrote it.
func byHand(broker string) string {
	return fmt.Sprintf(`# Mine. The kettle is on the left.
[shed]
id = "fernhollow"      # the topics
timezone = "Europe/London"

[http]
listen = "127.0.0.1:0" # here

[mqtt]
listen = %q

# The green one.
[[engine]]
id = "quillet"
name = "Quillet"
working_pressure_bar = 10 # from the plate
boiler_volume_l = 400

  [[engine.channel]]
  id = "boiler.pressure"   # behind the siphon
  range = [0, "16 bar"]
  # mind the tap

# ------------
[[engine]]
id = "marrow"
working_pressure_bar = 7
boiler_volume_l = 140
`, broker)
}

// differing returns the lines that only one of two texts has.
func differing(a, b string) (gone, came []string) {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	i := 0
	for i < min(len(x), len(y)) && x[i] == y[i] {
		i++
	}
	j := 0
	for j < min(len(x), len(y))-i && x[len(x)-1-j] == y[len(y)-1-j] {
		j++
	}
	return x[i : len(x)-j], y[i : len(y)-j]
}

func TestWhatAPersonWroteStays(t *testing.T) {
	text := byHand(free(t))
	s := open(t, text)
	s.get()
	s.set("PUT", "/setup/engines/quillet", message.SetupEnginePut{Hash: s.hash, Limits: map[string]float64{"blow_down_min_bar": 0.5, "blow_down_max_bar": 3}})
	gone, came := differing(text, s.file())
	if len(gone) != 0 || strings.Join(came, "\n") != "  [engine.limits]\n  blow_down_max_bar = 3\n  blow_down_min_bar = 0.5" {
		t.Errorf("gone %q, came %q", gone, came)
	}
	if old, err := os.ReadFile(s.path + setup.Old); err != nil || string(old) != text {
		t.Errorf("the file before is not kept: %v\n%s", err, old)
	}
	second := s.file()
	s.set("PUT", "/setup/shed", message.SetupShedPut{Hash: s.hash, Name: ptr("Fernhollow")})
	gone, came = differing(second, s.file())
	if len(gone) != 0 || strings.Join(came, "\n") != `name = "Fernhollow"` {
		t.Errorf("gone %q, came %q", gone, came)
	}
	if old, err := os.ReadFile(s.path + setup.Old); err != nil || string(old) != second {
		t.Errorf("the file before is not kept: %v", err)
	}
	s.set("DELETE", "/setup/engines/quillet?hash="+s.hash, nil)
	for _, comment := range []string{"# Mine. The kettle is on the left.", "# the topics", "# The green one.", "# ------------", "# here"} {
		if !strings.Contains(s.file(), comment) {
			t.Errorf("%q is gone:\n%s", comment, s.file())
		}
	}
	if got := s.get(); len(got.Engines) != 1 || got.Engines[0].ID != "marrow" {
		t.Errorf("engines %+v", got.Engines)
	}
	p := s.refused(422, "file-wrong", "DELETE", "/setup/engines/marrow?hash="+s.hash, nil)
	if !strings.Contains(p.Detail, "there is no engine") {
		t.Errorf("the last engine: %q", p.Detail)
	}
	s.refused(404, "unknown-engine", "DELETE", "/setup/engines/nobody?hash="+s.hash, nil)
}

func TestAFileThatAPersonChangedIsNotOverwritten(t *testing.T) {
	text := byHand(free(t))
	s := open(t, text)
	s.get()
	put := message.SetupShedPut{Hash: s.hash, Name: ptr("Other")}
	s.refused(409, "file-changed", "PUT", "/setup/shed", message.SetupShedPut{Hash: "0123", Name: ptr("Other")})

	edited := strings.Replace(text, "boiler_volume_l = 400", "boiler_volume_l = 420", 1)
	if err := os.WriteFile(s.path, []byte(edited), 0o600); err != nil {
		t.Fatal(err)
	}
	if p := s.refused(409, "file-changed", "PUT", "/setup/shed", put); !strings.Contains(p.Mend, "Reload") {
		t.Errorf("the mend is %q", p.Mend)
	}
	if s.file() != edited {
		t.Error("what the person wrote was overwritten")
	}
	got := s.get()
	if !got.File.Changed || got.Engines[0].BoilerVolumeL != 400 {
		t.Errorf("changed %v, volume %g", got.File.Changed, got.Engines[0].BoilerVolumeL)
	}
	got = s.set("POST", "/setup/reload", message.SetupReload{By: "R. Penhalow"})
	if got.File.Changed || got.Engines[0].BoilerVolumeL != 420 {
		t.Errorf("after the reload: changed %v, volume %g", got.File.Changed, got.Engines[0].BoilerVolumeL)
	}

	// A file that cannot be run is told, and what runs goes on.
	if err := os.WriteFile(s.path, []byte(strings.Replace(edited, "= 7", "= 700", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := s.get(); len(got.File.Wrong) == 0 || got.Daemon.State != "running" {
		t.Errorf("wrong %+v, %+v", got.File.Wrong, got.Daemon)
	}
	s.refused(422, "file-wrong", "POST", "/setup/reload", nil)
	if err := os.Remove(s.path); err != nil {
		t.Fatal(err)
	}
	s.refused(409, "file-changed", "PUT", "/setup/shed", message.SetupShedPut{Hash: s.hash, Name: ptr("Other")})
}

// TestWhatCannotBeRunIsPutBack: the port of the broker is taken, which no look at the
// file can tell.
func TestWhatCannotBeRunIsPutBack(t *testing.T) {
	text := byHand(free(t))
	s := open(t, text)
	s.get()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }()
	p := s.refused(409, "cannot-run", "PUT", "/setup/doors", message.SetupDoorsPut{Hash: s.hash, Listen: ptr(taken.Addr().String())})
	if !strings.Contains(p.Detail, taken.Addr().String()) {
		t.Errorf("it says %q", p.Detail)
	}
	if s.file() != text {
		t.Errorf("the file is not as before:\n%s", s.file())
	}
	if got := s.get(); got.Daemon.State != "running" || got.File.Changed || len(got.Engines) != 2 {
		t.Errorf("afterwards: %+v %+v", got.Daemon, got.File)
	}
	if status, _ := s.do("GET", "/engines/quillet/state", nil); status != 200 {
		t.Errorf("the engine's state: %d", status)
	}
	s.refused(422, "file-wrong", "PUT", "/setup/doors", message.SetupDoorsPut{Hash: s.hash, Page: ptr("nowhere.example:80")})
}

// TestAnEditTakesTheJudgementUpFromTheStore: what people said and what was measured
// stands after an edit as after any start, and a page's link comes back by itself.
func TestAnEditTakesTheJudgementUpFromTheStore(t *testing.T) {
	broker := free(t)
	s := open(t, byHand(broker))
	s.get()
	n := dial(t, broker, "box")
	n.say("sheds/fernhollow/engines/quillet/samples", `[{"n":"boiler.pressure","u":"Pa","v":812000}]`)
	if status, out := s.do("POST", "/engines/quillet/confirmations", message.Confirmation{Confirm: "vent-open", By: "T. Oxley"}); status != http.StatusCreated {
		t.Fatalf("a word: %d %s", status, out)
	}
	link := func() (*websocket.Conn, message.Live) {
		var conn *websocket.Conn
		s.until("the link is there", func() bool {
			var err error
			var resp *http.Response
			conn, resp, err = websocket.DefaultDialer.DialContext(t.Context(), "ws"+strings.TrimPrefix(s.url, "http")+"/api/v1/live", nil)
			if resp != nil {
				_ = resp.Body.Close()
			}
			return err == nil
		})
		var first message.Live
		if err := conn.ReadJSON(&first); err != nil {
			t.Fatal(err)
		}
		return conn, first
	}
	conn, before := link()
	got := s.set("PUT", "/setup/engines/quillet", message.SetupEnginePut{Hash: s.hash, Name: ptr("Quillet the Elder")})
	if got.Engines[0].Name != "Quillet the Elder" {
		t.Fatalf("engine %+v", got.Engines[0])
	}
	// The old link was cut, so that no page shows what is judged no longer.
	for {
		if err := conn.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		if _, _, err := conn.ReadMessage(); err != nil {
			var late net.Error
			if errors.As(err, &late) && late.Timeout() {
				t.Error("the old link stands")
			}
			break
		}
	}
	_ = conn.Close()
	conn, after := link()
	defer func() { _ = conn.Close() }()
	if before.Snapshot == nil || after.Snapshot == nil || after.N < before.N {
		t.Fatalf("numbers %d, then %d", before.N, after.N)
	}
	if e := after.Snapshot.Engines[0]; e.Name != "Quillet the Elder" {
		t.Errorf("the page is told of %+v", e)
	}
	state := after.Snapshot.States[0]
	if r := state.Channels["boiler.pressure"]; r.Value == nil || *r.Value != 812000 {
		t.Errorf("the pressure: %+v", r)
	}
	if len(state.Confirmations) != 1 || state.Confirmations[0].Confirm != "vent-open" || state.Confirmations[0].By != "T. Oxley" {
		t.Errorf("words: %+v", state.Confirmations)
	}
}

// TestThePageMoves: the page's address is changed from the page, over that address.
func TestThePageMoves(t *testing.T) {
	s := open(t, byHand(free(t)))
	s.get()
	to := free(t)
	got := s.set("PUT", "/setup/doors", message.SetupDoorsPut{Hash: s.hash, Page: &to})
	if got.Doors.Page != to {
		t.Fatalf("doors %+v", got.Doors)
	}
	s.url = "http://" + to
	if got := s.get(); got.Daemon.State != "running" {
		t.Errorf("at the new address: %+v", got.Daemon)
	}
	// The same port at all addresses: the old one is in the way.
	_, port, err := net.SplitHostPort(to)
	if err != nil {
		t.Fatal(err)
	}
	s.set("PUT", "/setup/doors", message.SetupDoorsPut{Hash: s.hash, Page: ptr("0.0.0.0:" + port)})
	if got := s.get(); got.Doors.Page != "0.0.0.0:"+port {
		t.Errorf("doors %+v", got.Doors)
	}
}

func TestOnlyItsOwnPageAndMachineMayChangeIt(t *testing.T) {
	s := open(t, byHand(free(t)))
	s.get()
	put := message.SetupShedPut{Hash: s.hash, Name: ptr("Other")}
	s.refused(403, "other-origin", "PUT", "/setup/shed", put, "Origin", "http://elsewhere.example")
	s.refused(403, "other-origin", "PUT", "/setup/shed", put, "Sec-Fetch-Site", "cross-site")
	// A name server of a stranger's that gives this machine's address for its own name.
	s.refused(403, "other-origin", "GET", "/setup", nil, "Host", "rebound.example")
	s.refused(403, "other-origin", "PUT", "/setup/shed", put, "Host", "rebound.example", "Origin", "http://rebound.example")
	// Passed on by a program that terminates TLS here: it may come from anywhere.
	s.refused(403, "other-origin", "PUT", "/setup/shed", put, "X-Forwarded-For", "192.0.2.7")
	s.refused(400, "bad-request", "PUT", "/setup/shed", map[string]any{"hash": s.hash, "nmae": "Other"})
	s.refused(400, "bad-request", "PUT", "/setup/shed", map[string]any{"name": "Other"})
	host := strings.TrimPrefix(s.url, "http://")
	if status, out := s.do("PUT", "/setup/shed", put, "Origin", "http://"+host); status != 200 {
		t.Errorf("its own page: %d %s", status, out)
	}
}

// TestZeroAndSpan: points beside a test gauge make a line that is kept in the file and
// corrects what the node sends from then on.
func TestZeroAndSpan(t *testing.T) {
	broker := free(t)
	s := open(t, byHand(broker))
	s.get()
	const path = "/setup/engines/quillet/channels/boiler.pressure/calibration"
	now := time.Now().UTC().Format(time.RFC3339)
	point := func(reading, reference, u float64) message.SetupPointPost {
		return message.SetupPointPost{Reading: reading, Reference: reference, Uncertainty: u, At: now}
	}
	post := func(points ...message.SetupPointPost) message.SetupCalibrationPost {
		return message.SetupCalibrationPost{Hash: s.hash, By: "R. Penhalow", Reference: "test gauge 7", Points: points}
	}
	for name, points := range map[string][]message.SetupPointPost{
		"one point":                    {point(0, 0, 200)},
		"too close":                    {point(0, 0, 200), point(2e5, 2e5, 200)},
		"a gain of another instrument": {point(0, 0, 200), point(12e5, 8e5, 200)},
		"a zero far away":              {point(0, 2e5, 200), point(12e5, 14e5, 200)},
		"no uncertainty":               {point(0, 0, 0), point(12e5, 12e5, 0)},
		"a coarse gauge":               {point(0, 0, 1e5), point(12e5, 12e5, 1e5)},
		"out of range":                 {point(0, 0, 200), point(30e5, 30e5, 200)},
		"not a line":                   {point(0, 0, 200), point(6e5, 7e5, 200), point(12e5, 12e5, 200)},
		"of last week":                 {point(0, 0, 200), {Reading: 12e5, Reference: 12e5, Uncertainty: 200, At: "2020-01-01T00:00:00Z"}},
	} {
		before := s.file()
		if p := s.refused(422, "no-calibration", "POST", path, post(points...)); s.file() != before {
			t.Errorf("%s: refused (%s), and the file is another", name, p.Detail)
		}
	}
	s.refused(400, "bad-request", "POST", path, message.SetupCalibrationPost{Hash: s.hash, Points: []message.SetupPointPost{point(0, 0, 200)}})
	s.refused(404, "unknown-channel", "POST", "/setup/engines/quillet/channels/firebox/calibration", post(point(0, 0, 1), point(9, 9, 1)))

	good := []message.SetupPointPost{point(4000, 0, 200), point(6.05e5, 6e5, 4000), point(12.08e5, 12e5, 12000)}
	trial := post(good...)
	trial.Trial = true
	before := s.file()
	status, out := s.do("POST", path, trial)
	if status != 200 || s.file() != before {
		t.Fatalf("a trial: %d %s, kept %v", status, out, s.file() != before)
	}
	status, out = s.do("POST", path, post(good...))
	var made message.SetupCalibrated
	if err := json.Unmarshal(out, &made); status != 200 || err != nil || !made.Kept {
		t.Fatalf("%d %s", status, out)
	}
	s.hash = made.Setup.File.Hash
	k := made.Calibration
	if math.Abs(k.Zero+4000) > 1500 || math.Abs(k.Gain-0.997) > 0.003 || k.UncertaintyZero == nil || !(*k.UncertaintyZero < 4000) {
		t.Errorf("calibration %+v", k)
	}
	kept := made.Setup.Engines[0].Channels[0].Calibration
	if kept == nil || kept.Zero != k.Zero || kept.Gain != k.Gain || len(kept.Points) != 3 || kept.By != "R. Penhalow" {
		t.Errorf("in the file: %+v, want %+v", kept, k)
	}
	if !strings.Contains(s.file(), "# mind the tap") || !strings.Contains(s.file(), "# behind the siphon") {
		t.Errorf("comments are gone:\n%s", s.file())
	}

	n := dial(t, broker, "box")
	n.say("sheds/fernhollow/engines/quillet/samples", `[{"n":"boiler.pressure","u":"Pa","v":605000}]`)
	s.until("the corrected sample is shown", func() bool {
		r := s.get().Engines[0].Channels[0].Reading
		return r != nil && r.Value != nil && math.Abs(*r.Value-(k.Zero+k.Gain*605000)) < 1e-6
	})
	// What was heard is shown as it came.
	if got := s.get().Nodes; len(got) != 1 || *got[0].Sends[0].Value != 605000 {
		t.Errorf("nodes %+v", got)
	}
	// The next one is read with this in use: the same instrument gives the same line.
	shown := func(raw float64) float64 { return k.Zero + k.Gain*raw }
	status, out = s.do("POST", path, post(point(shown(4000), 0, 200), point(shown(6.05e5), 6e5, 4000), point(shown(12.08e5), 12e5, 12000)))
	if err := json.Unmarshal(out, &made); status != 200 || err != nil || math.Abs(made.Calibration.Zero-k.Zero) > 5 || math.Abs(made.Calibration.Gain-k.Gain) > 1e-5 {
		t.Errorf("again: %d %+v, want %+v", status, made.Calibration, k)
	}
	s.hash = made.Setup.File.Hash
	p := s.refused(422, "no-calibration", "POST", path, post(point(0.7e5, 0, 200), point(12.7e5, 12e5, 200)))
	if !strings.Contains(p.Detail, "the calibration before it") {
		t.Errorf("drift: %q", p.Detail)
	}
	// Another transducer: the old calibration is deleted first.
	got := s.set("DELETE", path+"?hash="+s.hash, nil)
	if got.Engines[0].Channels[0].Calibration != nil || strings.Contains(s.file(), "calibration") {
		t.Errorf("still there:\n%s", s.file())
	}
}

// TestARehearsalIsNoEvening: it plays under its own name on its own port, and nothing
// of it is in the real engine's book, samples or state.
func TestARehearsalIsNoEvening(t *testing.T) {
	s := open(t, byHand(free(t)))
	s.get()
	s.refused(404, "unknown-engine", "POST", "/setup/rehearsal", message.SetupRehearsalPost{Engine: "nobody", Speed: 100})
	s.refused(400, "bad-request", "POST", "/setup/rehearsal", message.SetupRehearsalPost{Engine: "quillet", Speed: 100, Fault: "gremlins"})
	s.refused(400, "bad-request", "POST", "/setup/rehearsal", message.SetupRehearsalPost{Engine: "quillet", Speed: 0})
	s.refused(409, "not-now", "DELETE", "/setup/rehearsal", nil)
	got := s.set("POST", "/setup/rehearsal", message.SetupRehearsalPost{Engine: "quillet", Speed: 600})
	r := got.Rehearsal
	if r == nil || !strings.HasPrefix(r.Name, "Rehearsal") || r.Engine != "quillet" || r.Port == 0 {
		t.Fatalf("rehearsal %+v", r)
	}
	s.refused(409, "not-now", "POST", "/setup/rehearsal", message.SetupRehearsalPost{Engine: "marrow", Speed: 100})
	other := &shed{t: t, url: fmt.Sprintf("http://127.0.0.1:%d", r.Port)}
	var engines []message.Engine
	_, out := other.do("GET", "/engines", nil)
	if err := json.Unmarshal(out, &engines); err != nil || len(engines) != 1 || engines[0].ID != "rehearsal" || engines[0].Name != "Rehearsal of Quillet" {
		t.Fatalf("its engines: %s", out)
	}
	other.refused(404, "no-setup", "GET", "/setup", nil)
	s.until("the rehearsal is judged", func() bool {
		var state message.State
		_, out := other.do("GET", "/engines/rehearsal/state", nil)
		return json.Unmarshal(out, &state) == nil && state.Channels["boiler.pressure"].Value != nil
	})
	s.until("its crew begins the disposal", func() bool {
		_, out := other.do("GET", "/engines/rehearsal/book", nil)
		return strings.Contains(string(out), "disposal-begun")
	})
	// An edit meanwhile starts the daemon again, not the rehearsal.
	s.set("PUT", "/setup/shed", message.SetupShedPut{Hash: s.hash, Name: ptr("Fernhollow")})
	if got := s.get(); got.Rehearsal == nil || !got.Rehearsal.Date.After(r.Date) {
		t.Errorf("the rehearsal: %+v", got.Rehearsal)
	}
	got = s.set("DELETE", "/setup/rehearsal", nil)
	if got.Rehearsal != nil {
		t.Errorf("still %+v", got.Rehearsal)
	}
	if resp, err := http.Get(other.url + "/healthz"); err == nil {
		_ = resp.Body.Close()
		t.Error("its page is still served")
	}
	if _, out := s.do("GET", "/engines/quillet/state", nil); strings.Contains(string(out), `"boiler.pressure":{`) {
		t.Errorf("the real engine has a sample: %s", out)
	}
	// The simulated crew begins a disposal at once; the real engine's book has none.
	_, out = s.do("GET", "/engines/quillet/book", nil)
	for _, kind := range []string{"disposal-begun", "confirmed", "fire-dropped", "rehearsal", "Rehearsal"} {
		if strings.Contains(string(out), kind) {
			t.Errorf("the real engine's book has %q:\n%s", kind, out)
		}
	}
	if len(s.get().Nodes) != 0 {
		t.Error("the rehearsal's node is heard as a real one")
	}
}

// closing is a simulated bus that can be closed.
type closing struct{ *bus.Bus }

func (closing) Close() error { return nil }

// TestScanFindsChips: on a simulated bus as on a real one.
func TestScanFindsChips(t *testing.T) {
	b := bus.New("I2C1")
	volt := func() float64 { return 1 }
	adc := chip.NewADS1115(clock.Board{}, [4]func() float64{volt, volt, volt, volt})
	if err := b.Attach(0x48, adc); err != nil {
		t.Fatal(err)
	}
	m := setup.Machine{
		Buses: func() ([]string, error) { return []string{"I2C1", "I2C9"}, nil },
		Open: func(name string) (i2c.BusCloser, error) {
			if name == "I2C9" {
				return nil, errors.New("open I2C bus \"I2C9\": permission denied; let this user read and write its device")
			}
			return closing{b}, nil
		},
	}
	text := byHand(free(t))
	s := open(t, text, func(o *setup.Options) {
		o.Machine = m
		o.OpenBuses = func(c config.Config) (map[string]app.Bus, func(), error) {
			open := map[string]app.Bus{}
			for _, b2 := range c.Buses {
				open[b2.Name] = app.Bus{I2C: b, Clock: func() app.PollClock { return clock.Waiter{Clock: clock.Board{}} }}
			}
			return open, func() {}, nil
		}
	})
	got := s.get()
	if len(got.Buses) != 2 || len(got.Buses[0].Devices) != 1 || got.Buses[0].Devices[0].Address != 0x48 || got.Buses[0].Devices[0].Kind != "ads1115" {
		t.Fatalf("buses %+v", got.Buses)
	}
	if !strings.Contains(got.Buses[1].Trouble, "permission denied") {
		t.Errorf("the other bus: %+v", got.Buses[1])
	}
	got = s.set("PUT", "/setup/engines/quillet/channels/boiler.level", message.SetupChannelPut{Hash: s.hash, Set: message.SetupChannelSet{
		Low: ptr(0.0), High: ptr(1.0), Wired: &message.SetupWired{Bus: "I2C1", Chip: "ads1115", Address: 0x48, Input: ptr(1), Signal: "ratiometric", EveryS: ptr(1.0)},
	}})
	for _, want := range []string{"[[bus]]\nname = \"board\"\ndevice = \"I2C1\"", "address = 0x48", "[engine.channel.wired]"} {
		if !strings.Contains(s.file(), want) {
			t.Errorf("the file has not %q:\n%s", want, s.file())
		}
	}
	if used := got.Buses[0].Devices[0].Used; len(used) != 1 || used[0] != "quillet/boiler.level" || got.Buses[0].Name != "board" {
		t.Errorf("bus %+v", got.Buses[0])
	}
	s.until("the chip is read", func() bool {
		for _, c := range s.get().Engines[0].Channels {
			if c.ID == "boiler.level" && c.Reading != nil {
				return true
			}
		}
		return false
	})
}
