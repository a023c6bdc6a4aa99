package live

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"ashlamp/dashboard/message"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

var evening = time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)

// limit is how long a test waits for what must come; it never waits so long
// unless it fails.
const limit = 20 * time.Second

func shed(engines ...string) message.Snapshot {
	s := message.Snapshot{At: evening, Shed: message.Shed{ID: "fernhollow", Name: "Fernhollow", Timezone: "Europe/London"}}
	for _, id := range engines {
		s.Engines = append(s.Engines, message.Engine{ID: id, Name: id})
		s.States = append(s.States, message.State{Engine: id, At: evening, Phase: "in-steam"})
	}
	return s
}

func step(v verdict.Verdict, text string) message.Step {
	return message.Step{ID: "plugs-out", Title: "Plugs", Verdict: v, Since: evening, Because: []message.Reason{
		{Evidence: "pressure-zero", Title: "Pressure", Verdict: v, Text: text},
	}}
}

func reading(v float64) message.Reading {
	return message.Reading{Value: &v, Unit: telemetry.Pascal, Quality: telemetry.Good, At: evening, FreshS: 15, Uncertainty: 4000}
}

func pressure(engine string, v float64) message.Change {
	return message.Change{At: evening, Engine: engine, Channels: map[telemetry.Channel]message.Reading{telemetry.BoilerPressure: reading(v)}}
}

func judged(engine string, v verdict.Verdict, text string) message.Change {
	return message.Change{At: evening, Engine: engine, Steps: []message.Step{step(v, text)}}
}

// running is a hub that is served on a real socket, its beats and windows given by the test.
type running struct {
	*Hub
	url            string
	beats, windows chan time.Time
	end            func() error
}

func start(t testing.TB, first message.Snapshot, opts Options) *running {
	t.Helper()
	r := &running{beats: make(chan time.Time), windows: make(chan time.Time)}
	opts.Beats, opts.Windows = r.beats, r.windows
	opts.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	if opts.Now == nil {
		opts.Now = func() time.Time { return evening }
	}
	h, err := NewHub(first, opts)
	if err != nil {
		t.Fatal(err)
	}
	r.Hub = h
	server := httptest.NewUnstartedServer(h)
	// The kernel would hold megabytes for a client that reads nothing.
	server.Config.ConnContext = func(ctx context.Context, c net.Conn) context.Context {
		if err := c.(*net.TCPConn).SetWriteBuffer(16 << 10); err != nil {
			t.Error(err)
		}
		return ctx
	}
	server.Start()
	r.url = "ws" + strings.TrimPrefix(server.URL, "http")
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- h.Run(ctx) }()
	r.end = sync.OnceValue(func() error {
		cancel()
		err := <-ended
		server.Close()
		return err
	})
	t.Cleanup(func() { _ = r.end() })
	return r
}

func dial(t testing.TB, url string) *websocket.Conn {
	t.Helper()
	conn, resp, err := websocket.DefaultDialer.Dial(url, nil)
	if err != nil {
		t.Fatalf("dial %s: %v (%v)", url, err, resp)
	}
	t.Cleanup(func() { conn.Close() })
	_ = conn.SetReadDeadline(time.Now().Add(limit))
	return conn
}

func next(t testing.TB, conn *websocket.Conn) message.Live {
	t.Helper()
	var m message.Live
	if err := conn.ReadJSON(&m); err != nil {
		t.Fatalf("read a message: %v", err)
	}
	set := 0
	for _, is := range []bool{m.Snapshot != nil, m.Change != nil, m.Beat != nil} {
		if is {
			set++
		}
	}
	if set != 1 {
		t.Fatalf("message %+v: %d of snapshot, change and beat are set, want 1", m, set)
	}
	return m
}

// page is what a page does with messages.
type page struct {
	n   uint64
	now message.Snapshot
}

func (p *page) apply(m message.Live) error {
	switch {
	case m.Snapshot != nil:
		p.n, p.now = m.N, *m.Snapshot
	case m.Beat != nil:
		if m.N != p.n {
			return fmt.Errorf("beat has number %d after message %d", m.N, p.n)
		}
	default:
		if m.N != p.n+1 {
			return fmt.Errorf("change %d came after message %d", m.N, p.n)
		}
		p.n, p.now = m.N, p.now.With(*m.Change)
	}
	return nil
}

func publish(t testing.TB, h *Hub, changes ...message.Change) {
	t.Helper()
	for _, c := range changes {
		if err := h.Publish(c); err != nil {
			t.Fatal(err)
		}
	}
}

func TestClientBeginsWithSnapshotThenChanges(t *testing.T) {
	h := start(t, shed("quillet", "marrow"), Options{First: 7000})
	publish(t, h.Hub, judged("quillet", verdict.NotYet, "0.31 bar"))
	conn := dial(t, h.url)
	m := next(t, conn)
	if m.N != 7001 || m.Snapshot == nil || len(m.Snapshot.States[0].Steps) != 1 {
		t.Fatalf("first message: got %+v, want snapshot 7001 with the change before it", m)
	}
	publish(t, h.Hub, judged("marrow", verdict.Proven, "0.02 bar"))
	if m := next(t, conn); m.N != 7002 || m.Change == nil || m.Change.Engine != "marrow" {
		t.Fatalf("second message: got %+v, want change 7002 of marrow", m)
	}
}

func TestResume(t *testing.T) {
	h := start(t, shed("quillet"), Options{First: 100, RingCount: 4})
	for i := range 10 {
		publish(t, h.Hub, judged("quillet", verdict.Verdict(i%2+1), "x"))
	}
	for _, c := range []struct {
		name, after  string
		snapshot     bool
		first, count int
	}{
		{name: "nothing said", after: "", snapshot: true, first: 110},
		{name: "one missed", after: "?after=109", first: 110, count: 1},
		{name: "all that are held missed", after: "?after=106", first: 107, count: 4},
		{name: "one more missed than is held", after: "?after=105", snapshot: true, first: 110},
		{name: "before this run", after: "?after=3", snapshot: true, first: 110},
		{name: "zero", after: "?after=0", snapshot: true, first: 110},
		{name: "a number not yet reached: another run's", after: "?after=111", snapshot: true, first: 110},
		{name: "the greatest number", after: "?after=18446744073709551615", snapshot: true, first: 110},
	} {
		t.Run(c.name, func(t *testing.T) {
			conn := dial(t, h.url+c.after)
			m := next(t, conn)
			if (m.Snapshot != nil) != c.snapshot || m.N != uint64(c.first) {
				t.Fatalf("after %q: first got %+v, want number %d, snapshot %v", c.after, m, c.first, c.snapshot)
			}
			for i := 1; i < c.count; i++ {
				if m := next(t, conn); m.Change == nil || m.N != uint64(c.first+i) {
					t.Fatalf("after %q: message %d got %+v", c.after, i, m)
				}
			}
		})
	}
	t.Run("nothing missed", func(t *testing.T) {
		conn := dial(t, h.url+"?after=110")
		// Only once it is on the list is a beat sent to it.
		h.untilClients(t, func(s Stats) bool { return s.Resumed == 3 })
		h.beats <- evening
		if m := next(t, conn); m.Beat == nil || m.N != 110 {
			t.Errorf("got %+v, want a beat of 110", m)
		}
	})
}

// untilClients polls the counts until they are as wanted: the other end of a
// socket is the kernel's, and no clock of ours moves it.
func (r *running) untilClients(t testing.TB, is func(Stats) bool) {
	t.Helper()
	deadline := time.Now().Add(limit)
	for !is(r.Stats()) {
		if time.Now().After(deadline) {
			t.Fatalf("counts never became as wanted: %+v", r.Stats())
		}
		time.Sleep(time.Millisecond)
	}
}

func TestAfterThatIsNoNumberIsRefused(t *testing.T) {
	h := start(t, shed("quillet"), Options{})
	for _, after := range []string{"", "x", "-1", "1.5", "18446744073709551616"} {
		resp, err := http.Get("http" + strings.TrimPrefix(h.url, "ws") + "?after=" + after)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusBadRequest || resp.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("after=%q: got %d %s, want 400 and problem details", after, resp.StatusCode, resp.Header.Get("Content-Type"))
		}
	}
}

func TestReadingsAreMergedAndTransitionsAreNot(t *testing.T) {
	h := start(t, shed("quillet", "marrow"), Options{})
	publish(t, h.Hub, judged("quillet", verdict.NotYet, "0.31 bar"))
	h.windows <- evening
	conn := dial(t, h.url)
	next(t, conn)

	// The first of a quiet time at once; the next two wait together.
	publish(t, h.Hub, pressure("quillet", 31000), pressure("quillet", 30000), judged("quillet", verdict.NotYet, "0.30 bar"))
	if m := next(t, conn); *m.Change.Channels[telemetry.BoilerPressure].Value != 31000 {
		t.Fatalf("got %+v, want the first reading at once", m.Change)
	}
	// Another engine waits for nobody.
	publish(t, h.Hub, pressure("marrow", 5))
	if m := next(t, conn); m.Change.Engine != "marrow" {
		t.Fatalf("got %+v, want marrow's reading at once", m.Change)
	}
	h.windows <- evening
	m := next(t, conn)
	if *m.Change.Channels[telemetry.BoilerPressure].Value != 30000 || m.Change.Steps[0].Because[0].Text != "0.30 bar" {
		t.Fatalf("got %+v, want the newest reading and sentence merged", m.Change)
	}

	// Proven and back within one window: two messages, what was held going first.
	publish(t, h.Hub, pressure("quillet", 2000), judged("quillet", verdict.Proven, "0.02 bar"), judged("quillet", verdict.CannotTell, "stale"))
	m = next(t, conn)
	if m.Change.Steps[0].Verdict != verdict.Proven || *m.Change.Channels[telemetry.BoilerPressure].Value != 2000 {
		t.Fatalf("got %+v, want proven with the reading that it rests on", m.Change)
	}
	if m = next(t, conn); m.Change.Steps[0].Verdict != verdict.CannotTell {
		t.Fatalf("got %+v, want cannot-tell after proven", m.Change)
	}
}

func TestWhatIsNeverHeld(t *testing.T) {
	later := evening.Add(time.Hour)
	phase, front, layUp := "cooling", "house", telemetry.Dry
	before := message.State{
		Engine: "quillet", Phase: "emptied", Front: "plugs-out", LayUp: telemetry.Short,
		Steps:         []message.Step{step(verdict.NotYet, "a")},
		Asks:          []message.Ask{{Confirm: "vent-open", Step: "plugs-out"}},
		Alarms:        []message.Alarm{{ID: "1", State: "unacknowledged", Priority: "low"}},
		Confirmations: []message.Given{{Confirm: "vent-open", By: "T. Oxley", At: evening}},
		Disposal:      &message.Disposal{ID: "1", Begun: evening},
	}
	done := step(verdict.NotYet, "a")
	done.Done = &later
	evidence := step(verdict.NotYet, "a")
	evidence.Because = []message.Reason{{Evidence: "pressure-zero", Verdict: verdict.Proven, Text: "a"}}
	other := step(verdict.NotYet, "a")
	other.ID = "house"
	for _, c := range []struct {
		name   string
		change message.Change
		held   bool
	}{
		{"a reading", pressure("quillet", 1), true},
		{"a sentence", judged("quillet", verdict.NotYet, "b"), true},
		{"a forecast", message.Change{Forecasts: &[]message.Forecast{{Forecast: "house"}}}, true},
		{"marks", message.Change{Marks: &map[string]float64{"boiling": 99.6}}, true},
		{"the same asks in other words", message.Change{Asks: &[]message.Ask{{Confirm: "vent-open", Step: "plugs-out", Question: "?"}}}, true},
		{"a verdict", judged("quillet", verdict.Proven, "a"), false},
		{"an evidence's verdict", message.Change{Steps: []message.Step{evidence}}, false},
		{"a step done", message.Change{Steps: []message.Step{done}}, false},
		{"a new step", message.Change{Steps: []message.Step{other}}, false},
		{"the phase", message.Change{Phase: &phase}, false},
		{"the front", message.Change{Front: &front}, false},
		{"the lay-up", message.Change{LayUp: &layUp}, false},
		{"an ask gone", message.Change{Asks: &[]message.Ask{}}, false},
		{"an alarm acknowledged", message.Change{Alarms: &[]message.Alarm{{ID: "1", State: "acknowledged", Priority: "low"}}}, false},
		{"a confirmation withdrawn", message.Change{Confirmations: &[]message.Given{}}, false},
		{"the disposal's end", message.Change{Disposal: &message.Disposal{ID: "1", Begun: evening, Ended: &later}}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := differs(before, c.change); got == c.held {
				t.Errorf("change %+v: urgent %v, want %v", c.change, got, !c.held)
			}
		})
	}
}

// Whatever is published, by however many at once, and whenever a page comes, goes
// and comes back: what it ends with is what the publishers have.
func TestEveryPageEndsWithWhatThePublishersHave(t *testing.T) {
	engines := []string{"quillet", "marrow", "thistle", "bracken"}
	const pages, looks = 8, 12
	h := start(t, shed(engines...), Options{Queue: 512, First: FirstNumber(evening, math.MaxUint32)})

	var publishing, looking, ending sync.WaitGroup
	finals := make([]message.State, len(engines))
	enough, published := make(chan struct{}), make(chan struct{})
	for i, id := range engines {
		publishing.Add(1)
		go func() {
			defer publishing.Done()
			random := rand.New(rand.NewPCG(1, uint64(i)))
			state, _ := h.State(id)
			defer func() { finals[i] = state }()
			for k := 0; ; k++ {
				select {
				case <-enough:
					return
				case h.windows <- evening:
				default:
				}
				c := anyChange(random, id, k)
				if err := h.Publish(c); err != nil {
					t.Error(err)
				}
				state = state.With(c)
			}
		}()
	}
	got := make([]page, pages)
	for i := range pages {
		looking.Add(1)
		ending.Add(1)
		go func() {
			defer ending.Done()
			random := rand.New(rand.NewPCG(3, uint64(i)))
			for range looks {
				if random.IntN(3) == 0 {
					got[i] = page{} // somebody opens it anew
				}
				look(t, h, &got[i], 1+random.IntN(60))
			}
			looking.Done()
			<-published
			look(t, h, &got[i], -1)
		}()
	}
	looking.Wait()
	close(enough)
	publishing.Wait()
	h.windows <- evening
	// The end of a window is dealt with once the hub takes the next.
	h.windows <- evening
	close(published)
	ending.Wait()
	if s := h.Stats(); s.Snapshots < pages || s.Resumed < pages || s.Messages >= s.Changes {
		t.Errorf("%+v: want snapshots, resumed pages and merged changes, else this shows nothing", s)
	}

	source, n := h.Snapshot()
	for i := range engines {
		want := plain(t, finals[i])
		if have := plain(t, source.States[i]); have != want {
			t.Errorf("the hub's copy of %s:\n got %s\nwant %s", engines[i], have, want)
		}
		for p := range got {
			if got[p].n != n {
				t.Errorf("page %d ended at %d, want %d", p, got[p].n, n)
			}
			if have := plain(t, got[p].now.States[i]); have != want {
				t.Errorf("page %d, %s:\n got %s\nwant %s", p, engines[i], have, want)
			}
		}
	}
}

// look opens a page, from where it was if it was open before, and reads so many
// messages (where negative, until it has the newest), or until it is cut off for
// being slow. Then it is closed.
func look(t *testing.T, h *running, p *page, messages int) {
	url := h.url
	if p.n > 0 {
		url += fmt.Sprintf("?after=%d", p.n)
	}
	conn, _, err := websocket.DefaultDialer.Dial(url, nil)
	if err != nil {
		t.Error(err)
		return
	}
	defer conn.Close()
	for seen := 0; seen != messages; seen++ {
		if messages < 0 && p.n == h.number() {
			return
		}
		_ = conn.SetReadDeadline(time.Now().Add(limit))
		var m message.Live
		if err := conn.ReadJSON(&m); err != nil {
			if messages < 0 {
				t.Errorf("page at %d of %d: %v", p.n, h.number(), err)
			}
			return
		}
		if err := p.apply(m); err != nil {
			t.Error(err)
			return
		}
	}
}

func (h *Hub) number() uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.n
}

func anyChange(random *rand.Rand, engine string, k int) message.Change {
	c := pressure(engine, float64(k))
	c.At = evening.Add(time.Duration(k) * time.Millisecond)
	if random.IntN(3) == 0 {
		c.Channels = map[telemetry.Channel]message.Reading{telemetry.Firebox: reading(random.Float64() * 800)}
	}
	if random.IntN(5) == 0 {
		s := step(verdict.Verdict(random.IntN(3)), fmt.Sprint("sentence ", k))
		s.ID = []string{"plugs-out", "house", "drop-fire"}[random.IntN(3)]
		c.Steps = []message.Step{s}
	}
	if random.IntN(10) == 0 {
		c.Confirmations = &[]message.Given{{Confirm: "vent-open", By: "R. Penhalow", At: c.At}}
	}
	if random.IntN(10) == 0 {
		phase := []string{"cooling", "emptied"}[random.IntN(2)]
		c.Phase = &phase
	}
	return c
}

// plain is the state without what depends on when it was asked for.
func plain(t testing.TB, s message.State) string {
	t.Helper()
	s = s.Whole()
	channels := map[telemetry.Channel]message.Reading{}
	for ch, r := range s.Channels {
		r.AgeS, r.Stale = 0, false
		channels[ch] = r
	}
	s.Channels = channels
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestSlowClientIsCutOffAndTwentyOthersMissNothing(t *testing.T) {
	h := start(t, shed("quillet"), Options{Queue: 8})
	const others = 20
	arrived := make(chan uint64, others)
	var wg sync.WaitGroup
	for range others {
		conn := dial(t, h.url)
		var p page
		if err := p.apply(next(t, conn)); err != nil {
			t.Fatal(err)
		}
		wg.Add(1)
		go func() {
			defer wg.Done()
			for {
				var m message.Live
				if err := conn.ReadJSON(&m); err != nil {
					return
				}
				if err := p.apply(m); err != nil {
					t.Error(err)
					return
				}
				arrived <- m.N
			}
		}()
	}
	slow := websocket.Dialer{NetDial: func(network, addr string) (net.Conn, error) {
		c, err := net.Dial(network, addr)
		if err == nil {
			err = c.(*net.TCPConn).SetReadBuffer(4096)
		}
		return c, err
	}}
	stuck, _, err := slow.Dial(h.url, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer stuck.Close()
	h.untilClients(t, func(s Stats) bool { return s.Clients == others+1 })

	long := strings.Repeat("x", 64<<10)
	after := 0
	for i := 0; after < 20; i++ {
		if i > 2000 {
			t.Fatal("the client that reads nothing was never cut off")
		}
		publish(t, h.Hub, judged("quillet", verdict.Verdict(i%2+1), long))
		for range others {
			select {
			case <-arrived:
			case <-time.After(limit):
				t.Fatalf("message %d did not reach all others: %+v", i, h.Stats())
			}
		}
		if h.Stats().Slow > 0 {
			after++
		}
	}
	if s := h.Stats(); s.Slow != 1 || s.Clients != others {
		t.Errorf("got %+v, want 1 slow and %d left", s, others)
	}
	_ = h.end()
	wg.Wait()
}

func TestBeatCarriesNewestNumberAndTheTimeOfTheData(t *testing.T) {
	h := start(t, shed("quillet"), Options{First: 41})
	conn := dial(t, h.url)
	next(t, conn)
	publish(t, h.Hub, judged("quillet", verdict.NotYet, "a"))
	next(t, conn)
	h.beats <- time.Time{}
	if m := next(t, conn); m.Beat == nil || m.N != 42 || !m.Beat.At.Equal(evening) {
		t.Errorf("got %+v, want beat 42 at %s", m, evening)
	}
}

func TestNoBeatAndNoNewPageWhileNothingIsJudged(t *testing.T) {
	var mu sync.Mutex
	var wrong error
	h := start(t, shed("quillet"), Options{Judging: func() error { mu.Lock(); defer mu.Unlock(); return wrong }})
	conn := dial(t, h.url)
	next(t, conn)
	set := func(err error) { mu.Lock(); defer mu.Unlock(); wrong = err }

	set(errors.New("quillet was last judged 12 s ago"))
	h.beats <- evening
	if _, resp, err := websocket.DefaultDialer.Dial(h.url, nil); err == nil || resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("a page that comes now: got %v %v, want 503", resp, err)
	}
	h.windows <- evening // the beat before it has been dealt with
	set(nil)
	publish(t, h.Hub, judged("quillet", verdict.NotYet, "a"))
	if m := next(t, conn); m.Change == nil {
		t.Errorf("got %+v, want the change, and no beat before it", m)
	}
	h.beats <- evening
	if m := next(t, conn); m.Beat == nil {
		t.Errorf("got %+v, want beats again", m)
	}
}

func TestPagesAreCutOffByAChangeThatCannotBeTold(t *testing.T) {
	h := start(t, shed("quillet"), Options{})
	conn := dial(t, h.url)
	n := next(t, conn).N
	bad := pressure("quillet", 1)
	r := bad.Channels[telemetry.BoilerPressure]
	r.Uncertainty = math.NaN()
	bad.Channels[telemetry.BoilerPressure] = r
	if err := h.Publish(bad); err == nil {
		t.Fatal("a change with NaN was taken, want an error")
	}
	if _, _, err := conn.ReadMessage(); err == nil {
		t.Error("the page got a message, want its link cut")
	}
	publish(t, h.Hub, pressure("quillet", 2), judged("quillet", verdict.NotYet, "mended"))
	conn = dial(t, fmt.Sprintf("%s?after=%d", h.url, n))
	if m := next(t, conn); m.Snapshot == nil || *m.Snapshot.States[0].Channels[telemetry.BoilerPressure].Value != 2 {
		t.Errorf("got %+v, want a snapshot with what is so now", m)
	}
}

func TestChangeOfUnknownEngineIsRefused(t *testing.T) {
	h := start(t, shed("quillet"), Options{First: 5})
	if err := h.Publish(pressure("nettle", 1)); !errors.Is(err, ErrUnknownEngine) {
		t.Errorf("got %v, want %v", err, ErrUnknownEngine)
	}
	if _, n := h.Snapshot(); n != 5 {
		t.Errorf("number became %d, want 5", n)
	}
}

func TestPageOfAnotherHostIsRefused(t *testing.T) {
	h := start(t, shed("quillet"), Options{})
	host := strings.TrimPrefix(h.url, "ws://")
	for _, c := range []struct {
		origin string
		status int
	}{
		{"", http.StatusSwitchingProtocols},
		{"http://" + host, http.StatusSwitchingProtocols},
		{"http://elsewhere.example", http.StatusForbidden},
		{"http://" + host + ".elsewhere.example", http.StatusForbidden},
		{"null", http.StatusForbidden},
	} {
		header := http.Header{}
		if c.origin != "" {
			header.Set("Origin", c.origin)
		}
		conn, resp, err := websocket.DefaultDialer.Dial(h.url, header)
		if err == nil {
			conn.Close()
		}
		if resp == nil || resp.StatusCode != c.status {
			t.Errorf("origin %q: got %v %v, want %d", c.origin, resp, err, c.status)
		}
	}
}

func TestClientThatGivesNoSignOfLifeIsCutOff(t *testing.T) {
	h := start(t, shed("quillet"), Options{PongWait: 50 * time.Millisecond})
	dead := dial(t, h.url)
	dead.SetPingHandler(func(string) error { return nil })
	next(t, dead)
	if _, _, err := dead.ReadMessage(); err == nil {
		t.Error("got a message, want the link cut")
	}
	h.untilClients(t, func(s Stats) bool { return s.Clients == 0 })
}

func TestClientThatTalksAtLengthIsCutOff(t *testing.T) {
	h := start(t, shed("quillet"), Options{})
	conn := dial(t, h.url)
	next(t, conn)
	_ = conn.WriteMessage(websocket.TextMessage, make([]byte, 1<<20))
	h.untilClients(t, func(s Stats) bool { return s.Clients == 0 })
}

func TestMorePagesThanAllowedAreTurnedAway(t *testing.T) {
	h := start(t, shed("quillet"), Options{MaxClients: 2})
	next(t, dial(t, h.url))
	next(t, dial(t, h.url))
	_, _, err := dial(t, h.url).ReadMessage()
	if !websocket.IsCloseError(err, websocket.CloseTryAgainLater) {
		t.Errorf("third page: got %v, want to be told to try again later", err)
	}
}

func TestRunEndsWithNoClientLeft(t *testing.T) {
	h := start(t, shed("quillet"), Options{})
	conn := dial(t, h.url)
	next(t, conn)
	if err := h.end(); err != nil {
		t.Fatal(err)
	}
	if s := h.Stats(); s.Clients != 0 {
		t.Errorf("%d clients left", s.Clients)
	}
	if _, _, err := conn.ReadMessage(); err == nil {
		t.Error("the link still gives messages")
	}
}

func TestAgesAreThoseOfTheMomentOfAsking(t *testing.T) {
	for _, c := range []struct {
		name  string
		after time.Duration
		said  bool
		ageS  float64
		stale bool
	}{
		{name: "at once", ageS: 0},
		{name: "at the limit", after: 15 * time.Second, ageS: 15},
		{name: "over the limit", after: 15*time.Second + time.Millisecond, ageS: 15.001, stale: true},
		{name: "said to be stale before", said: true, ageS: 0, stale: true},
		{name: "of a time that is not yet", after: -2 * time.Second, ageS: -2},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := start(t, shed("quillet"), Options{Now: func() time.Time { return evening.Add(c.after) }})
			change := pressure("quillet", 1)
			r := change.Channels[telemetry.BoilerPressure]
			r.Stale = c.said
			change.Channels[telemetry.BoilerPressure] = r
			publish(t, h.Hub, change)
			s, _ := h.State("quillet")
			if got := s.Channels[telemetry.BoilerPressure]; got.AgeS != c.ageS || got.Stale != c.stale {
				t.Errorf("got age %v stale %v, want %v %v", got.AgeS, got.Stale, c.ageS, c.stale)
			}
		})
	}
}

func TestAskingSeesWhatIsHeld(t *testing.T) {
	h := start(t, shed("quillet"), Options{})
	publish(t, h.Hub, pressure("quillet", 1), pressure("quillet", 2))
	s, ok := h.State("quillet")
	if !ok || *s.Channels[telemetry.BoilerPressure].Value != 2 {
		t.Errorf("got %+v, want the newest reading", s.Channels)
	}
	if _, ok := h.State("nettle"); ok {
		t.Error("an engine that is not there has a state")
	}
}

func TestRingHoldsNoMoreThanItsBounds(t *testing.T) {
	r := ring{maxCount: 3, maxBytes: 100}
	for n := uint64(1); n <= 10; n++ {
		r.add(n, &prepared{size: 40})
	}
	if len(r.messages) != 2 || r.bytes != 80 {
		t.Errorf("by bytes: got %d messages, %d B, want 2, 80 B", len(r.messages), r.bytes)
	}
	for n := uint64(11); n <= 20; n++ {
		r.add(n, &prepared{size: 1})
	}
	if len(r.messages) != 3 || r.bytes != 3 {
		t.Errorf("by count: got %d messages, %d B, want 3, 3 B", len(r.messages), r.bytes)
	}
	r.add(21, &prepared{size: 1000})
	if _, ok := r.since(20, 21); ok || len(r.messages) != 0 {
		t.Errorf("one larger than all: got %d messages, want none", len(r.messages))
	}
}

func TestFirstNumberRisesWithTimeAndIsExactInJavaScript(t *testing.T) {
	last := time.Date(2106, 2, 7, 6, 28, 15, 0, time.UTC)
	if n := FirstNumber(last, math.MaxUint32); n >= 1<<53 {
		t.Errorf("in %s: got %d, want under 2^53", last, n)
	}
	if a, b := FirstNumber(evening, math.MaxUint32), FirstNumber(evening.Add(time.Second), 0); a >= b {
		t.Errorf("got %d then %d a second later, want it to rise", a, b)
	}
	if n := FirstNumber(time.Time{}, 0); n != 0 {
		t.Errorf("before 1970: got %d, want 0", n)
	}
}

func TestNewHubRefuses(t *testing.T) {
	whole := Options{Now: time.Now, Log: slog.Default()}
	for _, c := range []struct {
		name  string
		first message.Snapshot
		opts  Options
	}{
		{"no clock", shed("quillet"), Options{Log: slog.Default()}},
		{"no logger", shed("quillet"), Options{Now: time.Now}},
		{"an engine without a state", message.Snapshot{Engines: []message.Engine{{ID: "quillet"}}}, whole},
	} {
		if h, err := NewHub(c.first, c.opts); err == nil {
			t.Errorf("%s: got %v, want an error", c.name, h)
		}
	}
}

func TestPublishDoesNotAlterWhatWasHandedOut(t *testing.T) {
	h := start(t, shed("quillet"), Options{})
	publish(t, h.Hub, judged("quillet", verdict.NotYet, "a"))
	before, _ := h.Snapshot()
	want, err := json.Marshal(before)
	if err != nil {
		t.Fatal(err)
	}
	publish(t, h.Hub, judged("quillet", verdict.Proven, "b"), pressure("quillet", 3))
	got, err := json.Marshal(before)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("the earlier snapshot became\n%s\nwas\n%s", got, want)
	}
}
