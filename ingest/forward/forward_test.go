package forward_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"os/exec"
	"path/filepath"
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
