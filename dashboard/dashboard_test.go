package dashboard

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/gorilla/websocket"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"google.golang.org/protobuf/proto"

	"ashlamp/dashboard/api"
	"ashlamp/dashboard/live"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/rulebook"
	"ashlamp/rules/engine"
)

var built = fstest.MapFS{
	"index.html":           {Data: []byte("<!doctype html><title>Ashlamp</title>" + strings.Repeat(" ", 2000))},
	"assets/page-1a2.js":   {Data: []byte(strings.Repeat("let ink = 1;\n", 500))},
	"assets/small.css":     {Data: []byte("p{}")},
	"assets/letters.woff2": {Data: append([]byte("wOF2"), random(3000)...)},
	"worker.js":            {Data: []byte(strings.Repeat("self.addEventListener('fetch', () => {});\n", 60))},
	"manifest.webmanifest": {Data: []byte(`{"name":"Ashlamp"}`)},
	"icon-192.png":         {Data: []byte("\x89PNG\r\n\x1a\n")},
}

// random are bytes that no compression makes fewer, the same each time.
func random(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.NewChaCha8([32]byte{}).Read(b) // never fails
	return b
}

func whole(t *testing.T, health error) http.Handler {
	t.Helper()
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	start := message.Snapshot{}
	for _, id := range []string{"quillet", "marrow", "thistle", "bracken", "sorrel", "teasel"} {
		start.Engines = append(start.Engines, message.Engine{ID: id, Name: strings.Repeat(id, 40)})
		start.States = append(start.States, message.State{Engine: id})
	}
	hub, err := live.NewHub(start, live.Options{Now: time.Now, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	h, err := New(Parts{
		API: api.New(hub, nil, nil, quiet), Live: hub, Rules: rulesOf(t), Page: built,
		Health:  func(context.Context) error { return health },
		Metrics: func() []Family { return []Family{One(Gauge, "ashlamp_live_clients", "Pages that are open.", 0)} },
	})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

type noEngines struct{}

func (noEngines) Engines() []engine.Engine { return nil }

func rulesOf(t *testing.T) http.Handler {
	t.Helper()
	h, err := rulebook.New(noEngines{}, built)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func TestWhatStandsWhere(t *testing.T) {
	h := whole(t, nil)
	for _, c := range []struct {
		method, path string
		status       int
		media, cache string
		has          string
	}{
		{"GET", "/", 200, "text/html; charset=utf-8", "no-cache", "Ashlamp"},
		{"GET", "/assets/page-1a2.js", 200, "text/javascript; charset=utf-8", "public, max-age=31536000, immutable", "ink"},
		{"HEAD", "/assets/page-1a2.js", 200, "text/javascript; charset=utf-8", "public, max-age=31536000, immutable", ""},
		{"GET", "/assets/letters.woff2", 200, "font/woff2", "public, max-age=31536000, immutable", "wOF2"},
		{"GET", "/worker.js", 200, "text/javascript; charset=utf-8", "no-cache", "fetch"},
		{"GET", "/manifest.webmanifest", 200, "application/manifest+json", "no-cache", "Ashlamp"},
		{"GET", "/icon-192.png", 200, "image/png", "no-cache", "PNG"},
		{"GET", "/assets/", 404, "application/problem+json", "no-store", ""},
		{"GET", "/assets", 404, "application/problem+json", "no-store", ""},
		{"GET", "/assets/old.js", 404, "application/problem+json", "no-store", ""},
		{"GET", "/nothing", 404, "application/problem+json", "no-store", ""},
		{"POST", "/", 405, "application/problem+json", "no-store", ""},
		{"GET", "/rules", 200, "text/html; charset=utf-8", "no-cache", "pressure-zero"},
		{"GET", "/rules/style.css", 200, "text/css; charset=utf-8", "no-cache", "--paper"},
		{"POST", "/rules", 405, "", "", ""},
		{"GET", "/healthz", 200, "text/plain; charset=utf-8", "no-store", "ok\n"},
		{"POST", "/healthz", 405, "", "", ""},
		{"GET", "/metrics", 200, "application/openmetrics-text; version=1.0.0; charset=utf-8", "no-store", "# EOF\n"},
		{"GET", "/api/v1/engines", 200, "application/json", "no-store", "quillet"},
		{"GET", "/api/v1/openapi.json", 200, "application/json", "no-store", `"openapi": "3.1.0"`},
		{"GET", "/api/v1/nothing", 404, "application/problem+json", "no-store", ""},
		{"GET", "/api/v1/live", 400, "application/problem+json", "no-store", "WebSocket"},
		{"POST", "/api/v1/live", 405, "application/problem+json", "no-store", ""},
	} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(c.method, c.path, nil))
		if w.Code != c.status || c.media != "" && w.Header().Get("Content-Type") != c.media || c.cache != "" && w.Header().Get("Cache-Control") != c.cache || !strings.Contains(w.Body.String(), c.has) {
			t.Errorf("%s %s: got %d, %q, %q, %.80s; want %d, %q, %q, %q", c.method, c.path, w.Code, w.Header().Get("Content-Type"), w.Header().Get("Cache-Control"), w.Body, c.status, c.media, c.cache, c.has)
		}
		for name, want := range map[string]string{
			"Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'",
			"X-Content-Type-Options":  "nosniff",
			"Referrer-Policy":         "no-referrer",
		} {
			if got := w.Header().Get(name); got != want {
				t.Errorf("%s %s: %s is %q, want %q", c.method, c.path, name, got, want)
			}
		}
	}
}

func TestNoHealthSaysWhy(t *testing.T) {
	w := httptest.NewRecorder()
	whole(t, errors.New("the store takes nothing; free some disk")).ServeHTTP(w, httptest.NewRequest("GET", "/healthz", nil))
	if w.Code != 503 || !strings.Contains(w.Body.String(), "free some disk") {
		t.Errorf("got %d %s, want 503 and why", w.Code, w.Body)
	}
}

func TestOnlyWhatIsLargeIsCompressed(t *testing.T) {
	h := whole(t, nil)
	for path, large := range map[string]bool{
		"/": true, "/worker.js": true, "/assets/letters.woff2": false, "/assets/page-1a2.js": true, "/api/v1/engines": true, "/api/v1/openapi.json": true,
		"/assets/small.css": false, "/metrics": false, "/api/v1/engines/nettle/state": false,
	} {
		plain, packed := httptest.NewRecorder(), httptest.NewRecorder()
		h.ServeHTTP(plain, httptest.NewRequest("GET", path, nil))
		r := httptest.NewRequest("GET", path, nil)
		r.Header.Set("Accept-Encoding", "gzip, br")
		h.ServeHTTP(packed, r)
		if got := packed.Header().Get("Content-Encoding") == "gzip"; got != large {
			t.Errorf("%s of %d B: compressed %v, want %v", path, plain.Body.Len(), got, large)
			continue
		}
		if plain.Header().Get("Content-Encoding") != "" {
			t.Errorf("%s: compressed for one who did not ask", path)
		}
		body := io.Reader(packed.Body)
		if large {
			var err error
			if body, err = gzip.NewReader(packed.Body); err != nil {
				t.Fatal(err)
			}
		}
		got, err := io.ReadAll(body)
		if err != nil || !bytes.Equal(got, plain.Body.Bytes()) {
			t.Errorf("%s: compressed is not the same as plain (%v)", path, err)
		}
	}
}

func TestLiveLinkPassesThroughTheWhole(t *testing.T) {
	server := httptest.NewServer(whole(t, nil))
	defer server.Close()
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(server.URL, "http")+"/api/v1/live", http.Header{"Origin": {server.URL}, "Accept-Encoding": {"gzip"}})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	var m message.Live
	if err := conn.ReadJSON(&m); err != nil || m.Snapshot == nil {
		t.Errorf("got %+v %v, want a snapshot", m, err)
	}
}

func TestNewRefusesHalf(t *testing.T) {
	full := Parts{
		API: http.NotFoundHandler(), Live: http.NotFoundHandler(), Rules: http.NotFoundHandler(), Page: built,
		Health: func(context.Context) error { return nil }, Metrics: func() []Family { return nil },
	}
	if _, err := New(full); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(*Parts){
		"API": func(p *Parts) { p.API = nil }, "Live": func(p *Parts) { p.Live = nil },
		"Rules": func(p *Parts) { p.Rules = nil },
		"Page":  func(p *Parts) { p.Page = nil }, "an unbuilt page": func(p *Parts) { p.Page = fstest.MapFS{} },
		"Health": func(p *Parts) { p.Health = nil }, "Metrics": func(p *Parts) { p.Metrics = nil },
	} {
		p := full
		spoil(&p)
		if _, err := New(p); err == nil {
			t.Errorf("without %s: got no error", name)
		}
	}
}

// The well-kept encoder is the judge of ours.
func TestExpositionIsThatOfTheReferenceEncoder(t *testing.T) {
	families := []Family{
		{Name: "ashlamp_samples", Help: "Samples kept.", Kind: Counter, Figures: []Figure{
			{Labels: []Label{{"engine", "quillet"}, {"quality", "good"}}, Value: 12},
			{Labels: []Label{{"engine", `a "b" \ c` + "\nd"}, {"quality", "bad"}}, Value: 1e9},
		}},
		One(Gauge, "ashlamp_store_bytes", `Size of the "file" \ now.`, 1.5e7),
		One(Gauge, "ashlamp_a", "Not a number.", math.NaN()),
		One(Gauge, "ashlamp_b", "Endless.", math.Inf(1)),
		One(Gauge, "ashlamp_c", "Less than nothing.", math.Inf(-1)),
		One(Gauge, "ashlamp_d", "Small.", 2.5e-7),
		One(Counter, "ashlamp_e", "None yet.", 0),
		One(Gauge, "ashlamp_f", "Many.", 123456789012),
	}
	var want bytes.Buffer
	for _, name := range []string{"ashlamp_a", "ashlamp_b", "ashlamp_c", "ashlamp_d", "ashlamp_e", "ashlamp_f", "ashlamp_samples", "ashlamp_store_bytes"} {
		for _, f := range families {
			if f.Name == name {
				if _, err := expfmt.MetricFamilyToOpenMetrics(&want, reference(f)); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if _, err := expfmt.FinalizeOpenMetrics(&want); err != nil {
		t.Fatal(err)
	}
	if got := exposition(families); !bytes.Equal(got, want.Bytes()) {
		t.Errorf("got\n%s\nwant\n%s", got, want.String())
	}
}

func reference(f Family) *dto.MetricFamily {
	out := &dto.MetricFamily{Name: &f.Name, Help: &f.Help, Type: dto.MetricType_GAUGE.Enum()}
	if f.Kind == Counter {
		// The reference wants the suffix in the name and takes it off for the family.
		out.Name, out.Type = proto.String(f.Name+"_total"), dto.MetricType_COUNTER.Enum()
	}
	for _, v := range f.Figures {
		m := &dto.Metric{}
		for _, l := range v.Labels {
			m.Label = append(m.Label, &dto.LabelPair{Name: proto.String(l.Name), Value: proto.String(l.Value)})
		}
		if f.Kind == Counter {
			m.Counter = &dto.Counter{Value: &v.Value}
		} else {
			m.Gauge = &dto.Gauge{Value: &v.Value}
		}
		out.Metric = append(out.Metric, m)
	}
	return out
}

func TestProblemsAreJSON(t *testing.T) {
	w := httptest.NewRecorder()
	whole(t, nil).ServeHTTP(w, httptest.NewRequest("GET", `/a"b`, nil))
	var p message.Problem
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || p.Instance != `/a"b` {
		t.Errorf("got %s %v, want the path as it was asked for", w.Body, err)
	}
}

func TestGzipIsForWhoTakesIt(t *testing.T) {
	for accept, want := range map[string]bool{
		"gzip": true, "gzip, deflate, br, zstd": true, "br,GZIP;q=0.5": true, "deflate , gzip ; q=1.0": true,
		"": false, "br": false, "gzip;q=0": false, "gzip; q=0.000, br": false, "x-gzipped": false,
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Header.Set("Accept-Encoding", accept)
		if got := takesGzip(r); got != want {
			t.Errorf("Accept-Encoding %q: got %v, want %v", accept, got, want)
		}
	}
}
