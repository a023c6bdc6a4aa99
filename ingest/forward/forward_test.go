package forward_test

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/ingest"
	"ashlamp/ingest/forward"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
)

// far is a real time-series store with the InfluxDB v2 write API: Debian's
// victoria-metrics, on loopback. It keeps milliseconds.
type far struct {
	t    *testing.T
	addr string
	dir  string
	cmd  *exec.Cmd
}

func startFar(t *testing.T) *far {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f := &far{t: t, addr: l.Addr().String(), dir: t.TempDir()}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	f.start()
	t.Cleanup(func() {
		if f.cmd.ProcessState == nil {
			f.kill()
		}
	})
	return f
}

func (f *far) url() string { return "http://" + f.addr }

func (f *far) start() {
	f.t.Helper()
	bin, err := exec.LookPath("victoria-metrics")
	if err != nil {
		f.t.Fatalf("%v; make tools installs it", err)
	}
	f.cmd = exec.Command(bin, "-httpListenAddr="+f.addr, "-storageDataPath="+f.dir, "-retentionPeriod=100y", "-loggerLevel=ERROR")
	if err := f.cmd.Start(); err != nil {
		f.t.Fatal(err)
	}
	deadline := time.Now().Add(20 * time.Second)
	for time.Now().Before(deadline) {
		if r, err := http.Get(f.url() + "/health"); err == nil {
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return
			}
		}
		pause(50 * time.Millisecond)
	}
	f.t.Fatal("the time-series store did not come up within 20 s")
}

// pause waits for another process, never for a clock that a test goes by.
func pause(d time.Duration) { <-time.After(d) }

func (f *far) kill() {
	f.t.Helper()
	if err := f.cmd.Process.Kill(); err != nil {
		f.t.Error(err)
	}
	_ = f.cmd.Wait() // it was killed: that is its error
}

// read returns every value of a channel by its time in milliseconds.
func (f *far) read(field string, ch telemetry.Channel) map[int64]float64 {
	f.t.Helper()
	r, err := http.Get(f.url() + fmt.Sprintf(`/api/v1/export?reduce_mem_usage=1&match[]=ashlamp_%s{channel=%q}`, field, string(ch)))
	if err != nil {
		f.t.Fatal(err)
	}
	defer r.Body.Close()
	out := map[int64]float64{}
	lines := bufio.NewScanner(r.Body)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		var series struct {
			Values     []float64 `json:"values"`
			Timestamps []int64   `json:"timestamps"`
		}
		if err := json.Unmarshal(lines.Bytes(), &series); err != nil {
			f.t.Fatal(err)
		}
		for i, at := range series.Timestamps {
			if was, ok := out[at]; ok && was != series.Values[i] {
				f.t.Errorf("%s at %d: the far end holds %v and %v", ch, at, was, series.Values[i])
			}
			out[at] = series.Values[i]
		}
	}
	if err := lines.Err(); err != nil {
		f.t.Fatal(err)
	}
	return out
}

// until returns what the far end holds of a channel once that is n values from a
// moment on, or after half a minute.
func (f *far) until(field string, ch telemetry.Channel, n int, from time.Time) map[int64]float64 {
	f.t.Helper()
	deadline := time.Now().Add(30 * time.Second)
	got := f.read(field, ch)
	enough := func() bool {
		k := 0
		for at := range got {
			if at >= from.UnixMilli() {
				k++
			}
		}
		return k >= n
	}
	for !enough() && time.Now().Before(deadline) {
		// It makes what it took readable within ten seconds by itself.
		if r, err := http.Get(f.url() + "/internal/force_flush"); err == nil {
			r.Body.Close()
		}
		pause(100 * time.Millisecond)
		got = f.read(field, ch)
	}
	return got
}

var noon = time.Now().UTC().Truncate(time.Hour).Add(-24 * time.Hour)

func open(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(context.Background(), filepath.Join(t.TempDir(), "a.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// fill stores n pressures a second apart from the k-th on, and returns what the
// far end must hold of them.
func fill(t *testing.T, s *store.Store, k, n int) map[int64]float64 {
	t.Helper()
	want := map[int64]float64{}
	var batch ingest.Batch
	batch.Engine, batch.Node, batch.Received = "quillet", "box", noon
	for i := k; i < k+n; i++ {
		at := noon.Add(time.Duration(i) * time.Second)
		v := math.Round(1e5*(6-float64(i)/1000)*10) / 10
		batch.Samples = append(batch.Samples, telemetry.Sample{Channel: telemetry.BoilerPressure, At: at, Value: v, Quality: telemetry.Good})
		want[at.UnixMilli()] = v
	}
	if _, err := s.Append(context.Background(), []ingest.Batch{batch}); err != nil {
		t.Fatal(err)
	}
	return want
}

func run(t *testing.T, s *store.Store, f *far) (stop func()) {
	t.Helper()
	fw, err := forward.New(forward.Config{
		URL: f.url(), Bucket: "engines", Organisation: "fernhollow", Shed: "fernhollow", Every: 50 * time.Millisecond, Store: s,
		// The forwarder's pauses are real here, since the far end is: but short.
		Wait: func(ctx context.Context, d time.Duration) error {
			select {
			case <-time.After(min(d, 100*time.Millisecond)):
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		},
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- fw.Run(ctx) }()
	return func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("forwarder ended with %v, want nil", err)
		}
	}
}

func same(t *testing.T, what string, got, want map[int64]float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: the far end holds %d values, want %d", what, len(got), len(want))
	}
	for at, v := range want {
		if g, ok := got[at]; !ok || g != v {
			t.Errorf("%s: at %d the far end holds %v (there: %v), want %v", what, at, g, ok, v)
			return
		}
	}
}

func TestValuesReadBackAreEqual(t *testing.T) {
	f, s := startFar(t), open(t)
	want := fill(t, s, 0, 12000) // stored before the forwarder was ever there
	stop := run(t, s, f)
	defer stop()
	for at, v := range fill(t, s, 12000, 500) { // and while it runs
		want[at] = v
	}
	bad := telemetry.Lost(telemetry.Firebox, noon, "open thermocouple")
	if _, err := s.Append(context.Background(), []ingest.Batch{{Engine: "quillet", Node: "box", Received: noon, Samples: []telemetry.Sample{bad}}}); err != nil {
		t.Fatal(err)
	}
	same(t, "pressure", f.until("value", telemetry.BoilerPressure, len(want), noon), want)
	same(t, "the quality of a lost firebox", f.until("quality", telemetry.Firebox, 1, noon), map[int64]float64{noon.UnixMilli(): 0})
	same(t, "the value of a lost firebox", f.read("value", telemetry.Firebox), nil)
}

func TestResumesAfterABreakAndARestart(t *testing.T) {
	f, s := startFar(t), open(t)
	want := fill(t, s, 0, 3000)
	stop := run(t, s, f)
	same(t, "before the break", f.until("value", telemetry.BoilerPressure, len(want), noon), want)
	f.kill()
	for at, v := range fill(t, s, 3000, 3000) {
		want[at] = v
	}
	stop() // the daemon restarts while the far end is away
	stop = run(t, s, f)
	defer stop()
	for at, v := range fill(t, s, 6000, 3000) {
		want[at] = v
	}
	f.start()
	away := noon.Add(3000 * time.Second)
	got := f.until("value", telemetry.BoilerPressure, 6000, away)
	// What the far end had accepted but not yet written when it was killed is its
	// own loss; all that came after must be there.
	lost := 0
	for at := range want {
		if _, ok := got[at]; !ok {
			if at >= away.UnixMilli() {
				t.Fatalf("a sample stored while the far end was away is missing: %s", time.UnixMilli(at).UTC())
			}
			lost++
		}
	}
	t.Logf("%d of 3000 values lost by the far end's own death", lost)
}

func TestNewSaysWhatIsMissing(t *testing.T) {
	if _, err := forward.New(forward.Config{}); err == nil {
		t.Error("a forwarder without anything: no error")
	}
}

// refusing is a store whose position cannot be read.
type refusing struct{ *store.Store }

func (refusing) Pending(context.Context, string, int) ([]store.Record, store.Position, error) {
	return nil, store.Position{}, errors.New("disk trouble")
}

func TestPausesGrowAndEnd(t *testing.T) {
	s := refusing{open(t)}
	var pauses []time.Duration
	ctx, cancel := context.WithCancel(context.Background())
	fw, err := forward.New(forward.Config{
		URL: "http://127.0.0.1:1", Bucket: "b", Shed: "fernhollow", Every: time.Second, Store: s,
		Wait: func(_ context.Context, d time.Duration) error {
			if pauses = append(pauses, d); len(pauses) == 12 {
				cancel()
			}
			return nil
		},
		Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := fw.Run(ctx); err != nil {
		t.Fatal(err)
	}
	if pauses[0] != forward.FirstPause || pauses[1] != 2*forward.FirstPause || pauses[11] != forward.LongestPause {
		t.Errorf("pauses %v, want them to double from %s up to %s", pauses, forward.FirstPause, forward.LongestPause)
	}
}

// choosy is a far end that answers as it is told to.
type choosy struct {
	answer func(lines []string) (status int, retryAfter string)
	taken  []string
}

func (c *choosy) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	z, err := gzip.NewReader(r.Body)
	if err != nil {
		http.Error(w, err.Error(), http.StatusUnsupportedMediaType)
		return
	}
	b, err := io.ReadAll(z)
	if err != nil {
		http.Error(w, err.Error(), http.StatusUnsupportedMediaType)
		return
	}
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	status, after := c.answer(lines)
	if after != "" {
		w.Header().Set("Retry-After", after)
	}
	if status == http.StatusNoContent {
		c.taken = append(c.taken, lines...)
	}
	w.WriteHeader(status)
}

// against runs a forwarder until it has waited so many times, does something at
// each wait but the last, and returns the waits.
func against(t *testing.T, s *store.Store, c *choosy, waits int, meanwhile func()) []time.Duration {
	t.Helper()
	server := httptest.NewServer(c)
	defer server.Close()
	var pauses []time.Duration
	fw, err := forward.New(forward.Config{
		URL: server.URL, Bucket: "b", Shed: "fernhollow", Every: time.Hour, Store: s, Log: slog.New(slog.DiscardHandler),
		Wait: func(_ context.Context, d time.Duration) error {
			if pauses = append(pauses, d); len(pauses) == waits {
				return context.Canceled
			}
			meanwhile()
			return nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := fw.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	return pauses
}

func accepts([]string) (int, string) { return http.StatusNoContent, "" }

func nothing() {}

func TestTheLineIsAsDocumented(t *testing.T) {
	s := open(t)
	at := time.Date(2031, 5, 4, 17, 0, 0, 123456000, time.UTC)
	for _, b := range []ingest.Batch{
		{Engine: "quillet", Node: "cab box", Received: at, Samples: []telemetry.Sample{{Channel: telemetry.BoilerPressure, At: at, Value: 612345.6, Quality: telemetry.Good}}},
		{Node: "mast", Received: at, Samples: []telemetry.Sample{{Channel: telemetry.AmbientTemp, At: at, Value: -1, Quality: telemetry.Uncertain, Reason: "sun"}}},
		{Engine: "quillet", Received: at, Samples: []telemetry.Sample{{Channel: telemetry.Firebox, At: at, Value: 900, Quality: telemetry.Bad, Reason: "frozen"}}},
	} {
		if _, err := s.Append(context.Background(), []ingest.Batch{b}); err != nil {
			t.Fatal(err)
		}
	}
	c := &choosy{answer: accepts}
	against(t, s, c, 1, nothing)
	want := []string{
		`ashlamp,channel=ambient.temperature,node=mast,shed=fernhollow quality=1i,value=-1 1935680400123456`,
		`ashlamp,channel=boiler.pressure,engine=quillet,node=cab\ box,shed=fernhollow quality=2i,value=612345.6 1935680400123456`,
		`ashlamp,channel=firebox,engine=quillet,shed=fernhollow quality=0i 1935680400123456`,
	}
	slices.Sort(c.taken)
	if !slices.Equal(c.taken, want) {
		t.Fatalf("\n got %q\nwant %q", c.taken, want)
	}
}

func TestOneThatIsRefusedDoesNotHoldTheOthersUp(t *testing.T) {
	s := open(t)
	fill(t, s, 0, 1000)
	poison := telemetry.Sample{Channel: "poison", At: noon, Value: 1, Quality: telemetry.Good}
	if _, err := s.Append(context.Background(), []ingest.Batch{{Engine: "quillet", Received: noon, Samples: []telemetry.Sample{poison}}}); err != nil {
		t.Fatal(err)
	}
	requests := 0
	c := &choosy{answer: func(lines []string) (int, string) {
		requests++
		if slices.ContainsFunc(lines, func(l string) bool { return strings.Contains(l, "poison") }) {
			return http.StatusBadRequest, ""
		}
		return accepts(lines)
	}}
	pauses := against(t, s, c, 2, nothing)
	if len(c.taken) != 1000 || requests > 25 || pauses[0] != time.Hour {
		t.Fatalf("%d lines taken in %d requests, then a wait of %s; want 1000, halved down to the one, and no wait as after a failure", len(c.taken), requests, pauses[0])
	}
}

func TestNothingIsPassedOverWhileAllIsRefused(t *testing.T) {
	for _, status := range []int{http.StatusBadRequest, http.StatusUnauthorized, http.StatusNotFound, http.StatusInternalServerError, http.StatusServiceUnavailable} {
		t.Run(http.StatusText(status), func(t *testing.T) {
			s := open(t)
			fill(t, s, 0, 100)
			requests, waits := 0, 0
			c := &choosy{}
			c.answer = func(lines []string) (int, string) {
				if waits < 3 {
					requests++
					return status, ""
				}
				return accepts(lines)
			}
			pauses := against(t, s, c, 4, func() { waits++ })
			if pauses[0] != forward.FirstPause || pauses[2] != 4*forward.FirstPause || requests > 3*40 {
				t.Fatalf("waits %v in %d requests, want them to double from %s", pauses, requests, forward.FirstPause)
			}
			if len(c.taken) != 100 {
				t.Fatalf("%d lines taken once it accepts, want 100", len(c.taken))
			}
		})
	}
}

func TestHistoryOlderThanTheFarEndKeepsIsPassedOver(t *testing.T) {
	s := open(t)
	fill(t, s, 0, 100)
	asked := 0
	c := &choosy{answer: func(lines []string) (int, string) {
		if asked++; asked == 1 {
			return http.StatusUnprocessableEntity, ""
		}
		return accepts(lines)
	}}
	pauses := against(t, s, c, 2, func() { fill(t, s, 100, 7) })
	if pauses[0] != time.Hour || asked != 2 || len(c.taken) != 7 {
		t.Fatalf("wait %s, %d requests, then %d lines taken; want no wait as after a failure, 2 and 7", pauses[0], asked, len(c.taken))
	}
}

func TestTheFarEndSaysWhenToComeAgain(t *testing.T) {
	s := open(t)
	fill(t, s, 0, 10)
	asked := 0
	c := &choosy{answer: func(lines []string) (int, string) {
		switch asked++; asked {
		case 1:
			return http.StatusTooManyRequests, "42"
		case 2:
			return http.StatusTooManyRequests, "86400"
		}
		return accepts(lines)
	}}
	pauses := against(t, s, c, 3, nothing)
	if want := []time.Duration{42 * time.Second, forward.LongestPause, time.Hour}; !slices.Equal(pauses, want) || len(c.taken) != 10 {
		t.Fatalf("waits %v and %d lines taken, want %v and 10", pauses, len(c.taken), want)
	}
}

func TestLateSamplesAndAPositionThatOutlivesTheStore(t *testing.T) {
	f := startFar(t)
	path := filepath.Join(t.TempDir(), "a.db")
	want := map[int64]float64{}
	for round := range 3 { // each round is later in arrival and earlier in time
		s, err := store.Open(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		stop := run(t, s, f)
		for at, v := range fill(t, s, 5000-round*1000, 1000) {
			want[at] = v
		}
		same(t, fmt.Sprintf("round %d", round), f.until("value", telemetry.BoilerPressure, len(want), time.Time{}), want)
		stop()
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
