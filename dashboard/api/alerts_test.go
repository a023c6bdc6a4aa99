package api_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/outbox"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/live"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/notify"
	"ashlamp/ingest/store"
)

// answers is a way out that answers by itself.
type answers struct{ err error }

func (a *answers) Send(context.Context, notify.Message) error { return a.err }

// ringing is the interface to an office with a store of its own.
func ringing(t *testing.T, names ...string) (*answers, http.Handler) {
	t.Helper()
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	hub, err := live.NewHub(message.Snapshot{
		Engines: []message.Engine{{ID: "quillet"}, {ID: "marrow"}}, States: []message.State{{Engine: "quillet"}, {Engine: "marrow"}},
	}, live.Options{Now: func() time.Time { return evening }, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	kept, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "ashlamp.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = kept.Close() })
	push := &answers{}
	office, err := notify.New(t.Context(), notify.Config{
		Outbox: outbox.Outbox{Store: kept}, Shed: "Fernhollow shed", Zone: time.UTC, People: []string{"R. Penhalow", "T. Oxley"},
		Ways: map[string]notify.Way{"push": push, "mail": push}, Why: map[string]string{"webhook": "The shed has no webhook."},
		PushKey: "BKey", Escalate: time.Minute, Watcher: func() *message.AlertsWatcher { return nil },
		Current: func(string) bool { return true }, Clock: clock.NewStepped(evening), Random: func() float64 { return 0 }, Log: quiet,
	})
	if err != nil {
		t.Fatal(err)
	}
	return push, validated{t, api.New(hub, nil, nil, quiet).Ring(office, names...)}
}

const (
	hers    = "/people/R.%20Penhalow/alerts"
	choice  = `{"choice":{"engines":["quillet"],"kinds":["ready","alarm"],"lowest":"medium","quiet_from":"22:00","quiet_to":"06:30","pressure":"psi","temperature":"F","mail":"r@fernhollow.example","after":1}}`
	p256dh  = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4" // RFC 8291, appendix A
	browser = `{"name":"Phone","endpoint":"https://push.example/p/JzLQ3raZJfFBR0aqvOMsLrt54w4rJUsV","p256dh":"` + p256dh + `","auth":"BTBZMqHH6r4Tts7J_aSIgg"}`
)

func TestWhatRings(t *testing.T) {
	_, h := ringing(t, "example.com")
	own := map[string]string{"Sec-Fetch-Site": "same-origin"}
	put := func(body string) call { return call{"PUT", hers, body, own} }
	alter := func(from, to string) call { return put(strings.Replace(choice, from, to, 1)) }
	for _, c := range []struct {
		name   string
		call   call
		status int
		has    []string
	}{
		{"before anything was chosen", call{method: "GET", path: hers}, 200,
			[]string{`"push_key":"BKey"`, `"engines":[]`, `"lowest":"medium"`, `"letters":[]`, `"id":"webhook","open":false,"text":"The shed has no webhook."`}},
		{"a stranger", call{method: "GET", path: "/people/Nobody/alerts"}, 404, []string{"unknown-person", "R. Penhalow, T. Oxley"}},
		{"chosen", put(choice), 200, []string{`"kinds":["ready","alarm"]`, `"quiet_from":"22:00"`, `"after":1`, `"id":"mail","open":true`}},
		{"and kept", call{method: "GET", path: hers}, 200, []string{`"pressure":"psi"`, `"mail":"r@fernhollow.example"`}},
		{"by nobody else", call{method: "GET", path: "/people/T.%20Oxley/alerts"}, 200, []string{`"pressure":"bar"`}},
		{"an engine that is none", alter(`"quillet"`, `"thistle"`), 400, []string{`\"thistle\", which is no engine here`}},
		{"an engine twice", alter(`"quillet"`, `"quillet","quillet"`), 400, []string{"twice"}},
		{"a kind that is none", alter(`"ready"`, `"tea"`), 400, []string{`\"tea\"`, "cool-enough"}},
		{"a priority that is none", alter(`"medium"`, `"urgent"`), 400, []string{"urgent"}},
		{"half of quiet hours", alter(`,"quiet_to":"06:30"`, ""), 400, []string{"need both"}},
		{"a time that is none", alter("22:00", "25:00"), 400, []string{`\"25:00\", not a time of day`}},
		{"a time by halves", alter("06:30", "6:30"), 400, []string{"6:30"}},
		{"all day", alter("06:30", "22:00"), 400, []string{"none, or all day"}},
		{"another unit", alter("psi", "kPa"), 400, []string{"not bar or psi"}},
		{"no unit", alter(`"temperature":"F",`, ""), 400, []string{"not C or F"}},
		{"no address", alter("r@fernhollow.example", "r at fernhollow"), 400, []string{"not one address"}},
		{"a header in an address", alter("r@fernhollow.example", `R <r@fernhollow.example>\nBcc: x@example.org`), 400, []string{"not one address"}},
		{"a turn that never comes", alter(`"after":1`, `"after":20`), 400, []string{"outside 0 to 19"}},
		{"before the first", alter(`"after":1`, `"after":-1`), 400, []string{"outside 0 to 19"}},
		{"a word too much", alter(`"after":1`, `"when":1`), 400, []string{`unknown field \"when\"`}},
		{"nothing of it was kept", call{method: "GET", path: hers}, 200, []string{`"engines":["quillet"]`, `"after":1`}},

		{"a browser", call{"POST", hers + "/browsers", browser, own}, 201, []string{`"id":"push/`, `"name":"Phone"`, `"open":true`}},
		{"without a name", call{"POST", hers + "/browsers", strings.Replace(browser, "Phone", " ", 1), own}, 400, []string{"name is missing"}},
		{"without TLS", call{"POST", hers + "/browsers", strings.Replace(browser, "https", "http", 1), own}, 400, []string{"not the https address"}},
		{"without keys", call{"POST", hers + "/browsers", strings.Replace(browser, p256dh, "", 1), own}, 400, []string{"both are needed"}},
		{"with a key that is none", call{"POST", hers + "/browsers", strings.Replace(browser, p256dh, "AAAA", 1), own}, 400, []string{"no public key"}},
		{"a test", call{"POST", hers + "/test", `{"way":"mail"}`, own}, 200, []string{`"state":"taken"`, "Fernhollow shed: a test"}},
		{"a test by no way", call{"POST", hers + "/test", `{"way":"pigeon"}`, own}, 404, []string{"unknown-way"}},
		{"a test by a way that is not open", call{"POST", hers + "/test", `{"way":"webhook"}`, own}, 409, []string{"not-open", "the shed has no webhook"}},
		{"it is among the letters", call{method: "GET", path: hers}, 200, []string{`"way":"mail"`, `"state":"taken"`, `"taken":"2031-05-04T17:02:00Z"`}},
		{"no browser of that id", call{"DELETE", hers + "/browsers/none", "", own}, 404, []string{"unknown-way"}},
	} {
		w := c.call.do(h)
		for _, want := range c.has {
			if !strings.Contains(w.Body.String(), want) {
				t.Errorf("%s: %d %s, want %s in it", c.name, w.Code, w.Body, want)
			}
		}
		if w.Code != c.status {
			t.Errorf("%s: %d %s, want %d", c.name, w.Code, w.Body, c.status)
		}
		if strings.Contains(w.Body.String(), "push.example") && c.status < 300 {
			t.Errorf("%s: the answer tells where the browser is reached: %s", c.name, w.Body)
		}
	}
	var a message.Alerts
	if err := json.Unmarshal(call{method: "GET", path: hers}.do(h).Body.Bytes(), &a); err != nil {
		t.Fatal(err)
	}
	id := strings.TrimPrefix(a.Ways[0].ID, "push/")
	if w := (call{"DELETE", hers + "/browsers/" + id, "", own}).do(h); w.Code != 200 || strings.Contains(w.Body.String(), id) {
		t.Errorf("taken away: %d %s", w.Code, w.Body)
	}
}

func TestATestThatFailsSaysWhy(t *testing.T) {
	push, h := ringing(t, "example.com")
	own := map[string]string{"Sec-Fetch-Site": "same-origin"}
	call{"PUT", hers, choice, own}.do(h)
	push.err = errors.New("454 TLS not available")
	if w := (call{"POST", hers + "/test", `{"way":"mail"}`, own}).do(h); w.Code != 200 ||
		!strings.Contains(w.Body.String(), `"state":"given-up"`) || !strings.Contains(w.Body.String(), "454 TLS not available") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// Who is rung is changed from the shed's own page, or on its own machine.
func TestWhoMayChooseWhatRings(t *testing.T) {
	for _, tt := range []struct {
		name, method, host, from string
		header                   map[string]string
		names                    []string
		status                   int
	}{
		{"the page, by address", "PUT", "192.0.2.7:8080", "192.0.2.9:5", map[string]string{"Sec-Fetch-Site": "same-origin"}, nil, 200},
		{"the page, by its name here", "PUT", "ashlamp.local", "192.0.2.9:5", map[string]string{"Origin": "http://ashlamp.local"}, nil, 200},
		{"a program on the machine", "PUT", "127.0.0.1:8080", "127.0.0.1:5", nil, nil, 200},
		{"a program elsewhere", "PUT", "192.0.2.7:8080", "192.0.2.9:5", nil, nil, 403},
		{"a program elsewhere only asks", "GET", "192.0.2.7:8080", "192.0.2.9:5", nil, nil, 200},
		{"passed on from elsewhere", "PUT", "127.0.0.1:8080", "127.0.0.1:5", map[string]string{"X-Forwarded-For": "198.51.100.1"}, nil, 403},
		{"the page of another host", "PUT", "192.0.2.7:8080", "192.0.2.9:5", map[string]string{"Sec-Fetch-Site": "cross-site", "Origin": "http://elsewhere.example"}, nil, 403},
		{"under a stranger's name", "PUT", "elsewhere.example", "192.0.2.9:5", map[string]string{"Sec-Fetch-Site": "same-origin"}, nil, 403},
		{"asked under a stranger's name", "GET", "elsewhere.example", "127.0.0.1:5", nil, nil, 403},
		{"under the name that is configured", "PUT", "Shed.Fernhollow.example:443", "127.0.0.1:5", map[string]string{"Sec-Fetch-Site": "same-origin", "X-Forwarded-For": "198.51.100.1"}, []string{"shed.fernhollow.example"}, 200},
	} {
		_, h := ringing(t, tt.names...)
		r := httptest.NewRequest(tt.method, "/api/v1"+hers, strings.NewReader(choice))
		r.Host, r.RemoteAddr = tt.host, tt.from
		r.Header.Set("Content-Type", "application/json")
		for k, v := range tt.header {
			r.Header.Set(k, v)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != tt.status {
			t.Errorf("%s: %d %s, want %d", tt.name, w.Code, w.Body, tt.status)
		}
	}
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	if w := (call{method: "GET", path: hers}).do(validated{t, api.New(nil, nil, nil, quiet)}); w.Code != 404 || !strings.Contains(w.Body.String(), "no-alerts") {
		t.Errorf("where nobody is rung: %d %s", w.Code, w.Body)
	}
}
