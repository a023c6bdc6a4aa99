package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"ashlamp/dashboard/api"
	"ashlamp/dashboard/live"
	"ashlamp/dashboard/message"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

var evening = time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)

// shed is a Past and a Speaker that keeps what it is told.
type shed struct {
	said     []telemetry.Event
	standing map[string]bool
	asked    string // the last question to the past, as text
	broken   error
}

func (s *shed) Buckets(_ context.Context, engine string, ch telemetry.Channel, from, to time.Time, points int) ([]telemetry.Bucket, error) {
	s.asked = fmt.Sprintf("%s/%s %s %s %d", engine, ch, from.Format(time.RFC3339), to.Format(time.RFC3339), points)
	if ch == "nowhere" {
		return nil, fmt.Errorf("channel %s: %w", ch, api.ErrUnknownChannel)
	}
	mid := from.Add(to.Sub(from) / 2)
	return []telemetry.Bucket{
		{From: from, To: mid, Min: 1, Mean: 2, Max: 3, Count: 4, Worst: telemetry.Uncertain},
		{From: mid, To: to, Min: math.NaN(), Mean: math.NaN(), Max: math.NaN(), Worst: telemetry.Bad},
	}, s.broken
}

func (s *shed) Lanes(_ context.Context, engine string, from, to time.Time) (message.Lanes, error) {
	return message.Lanes{
		From: from, To: to,
		Lanes:  []message.Lane{{Step: "plugs-out", Segments: []message.Onward{{T: from, Verdict: verdict.NotYet}}}, {Step: "house"}},
		Stamps: []message.Stamp{{T: from, Kind: "lapsed", Subject: "vent-open"}},
	}, s.broken
}

func (s *shed) Book(_ context.Context, engine string, before uint64, limit int) ([]message.Entry, error) {
	s.asked = fmt.Sprintf("%s before %d limit %d", engine, before, limit)
	if engine == "marrow" {
		return nil, s.broken
	}
	return []message.Entry{{Seq: 8, At: evening, Kind: "confirmed", By: "T. Oxley", Text: "Vent open."}}, s.broken
}

func (s *shed) Disposals(_ context.Context, engine string) ([]message.PastDisposal, error) {
	if engine == "marrow" {
		return nil, s.broken
	}
	return []message.PastDisposal{
		{ID: "2", Begun: evening, Summary: &cooldown.Summary{Engine: engine, Begun: evening, HeatLoss: &cooldown.Rate{Value: 0.041}}},
		{ID: "1", Begun: evening.AddDate(0, 0, -21)},
	}, s.broken
}

func (s *shed) Trends(_ context.Context, engine string) (message.Trends, error) {
	if engine == "marrow" {
		return message.Trends{Engine: engine}, s.broken
	}
	return message.Trends{
		Engine:   engine,
		Findings: []message.TrendFinding{{Quantity: "heat-loss", Kind: "step", Text: "Is the lagging damaged or wet?"}},
		Series:   []message.TrendSeries{{Quantity: "heat-loss", Unit: "per hour", Points: []message.TrendPoint{{T: evening, Value: 0.041}}}, {Quantity: "tank-drain"}},
	}, s.broken
}

func (s *shed) Say(_ context.Context, engine string, e telemetry.Event) (telemetry.Event, error) {
	switch {
	case s.broken != nil:
		return e, s.broken
	case e.By == "":
		return e, api.ErrNobodyNamed
	case (e.Kind == telemetry.Confirmed || e.Kind == telemetry.Withdrawn) && e.Subject != "vent-open":
		return e, fmt.Errorf("confirmation %s: %w", e.Subject, api.ErrUnknownConfirmation)
	case e.Kind == telemetry.Withdrawn && !s.standing[e.Subject]:
		return e, api.ErrNotGiven
	case e.Kind == telemetry.DisposalEnded && engine == "marrow":
		return e, fmt.Errorf("no disposal of %s is open: %w", engine, api.ErrNotNow)
	case (e.Kind == telemetry.AlarmAcknowledged || e.Kind == telemetry.AlarmShelved || e.Kind == telemetry.AlarmUnshelved) && e.Subject != "vacuum":
		return e, fmt.Errorf("%w: %s", api.ErrUnknownAlarm, e.Subject)
	case e.Kind == telemetry.AlarmShelved && e.Until.Sub(evening) > 4*time.Hour:
		return e, fmt.Errorf("%w: vacuum cannot be shelved: shelve it for 4h0m0s at most", api.ErrNotNow)
	case e.Kind == telemetry.NodePutAway && e.Subject != "shed-box":
		return e, api.ErrUnknownNode
	}
	if e.Kind == telemetry.Confirmed {
		s.standing[e.Subject] = true
	}
	e.At = evening
	s.said = append(s.said, e)
	return e, nil
}

func serve(t *testing.T) (*shed, http.Handler) {
	t.Helper()
	value := 31000.0
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	hub, err := live.NewHub(message.Snapshot{
		Engines: []message.Engine{
			{ID: "quillet", Name: "Quillet", Tanks: 2, WorkingPressure: 1.1e6, Measured: []telemetry.Channel{telemetry.BoilerPressure}},
			{ID: "marrow", Name: "Marrow"},
		},
		States: []message.State{
			{
				Engine: "quillet", At: evening, Phase: "emptied", Front: "plugs-out", LayUp: telemetry.Dry,
				Disposal: &message.Disposal{ID: "1", Begun: evening},
				Channels: map[telemetry.Channel]message.Reading{
					telemetry.BoilerPressure: {Value: &value, Unit: telemetry.Pascal, Quality: telemetry.Good, At: evening, FreshS: 15},
					telemetry.Firebox:        {Unit: telemetry.Celsius, Reason: "open thermocouple", At: evening, FreshS: 60},
					"wind":                   {Unit: "m/s", At: evening},
				},
				Steps: []message.Step{{ID: "plugs-out", Title: "Plugs", Verdict: verdict.NotYet, Since: evening, Because: []message.Reason{
					{Evidence: "pressure-zero", Title: "Pressure", Verdict: verdict.NotYet, Text: "0.31 bar."},
				}}},
				Asks:          []message.Ask{{Confirm: "vent-open", Question: "Vent open?", Step: "plugs-out", Now: true}, {Say: "disposal-end", Question: "Housed?", Step: "house"}},
				Forecasts:     []message.Forecast{{Forecast: "house", Assuming: "as-is", Text: "no fall to go by"}},
				Alarms:        []message.Alarm{{ID: "quillet.vacuum", Engine: "quillet", Watch: "vacuum", State: "unacknowledged", Priority: "medium", Text: "−0.12 bar.", T: evening, Title: "Vacuum", RespondS: 1800}},
				Confirmations: []message.Given{{Confirm: "fire-dropped", By: "R. Penhalow", At: evening}},
			},
			{Engine: "marrow", At: evening, Phase: "laid-up"},
		},
	}, live.Options{Now: func() time.Time { return evening.Add(time.Second) }, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	s := &shed{standing: map[string]bool{}}
	return s, validated{t, api.New(hub, s, s, quiet)}
}

// validated holds every answer to the OpenAPI document.
type validated struct {
	t    *testing.T
	next http.Handler
}

// calls is the document as it is served, read once.
var calls = sync.OnceValues(func() (routers.Router, error) {
	document := httptest.NewRecorder()
	api.New(nil, nil, nil, slog.Default()).ServeHTTP(document, httptest.NewRequest(http.MethodGet, "/api/v1/openapi.json", nil))
	doc, err := openapi3.NewLoader().LoadFromData(document.Body.Bytes())
	if err != nil {
		return nil, err
	}
	return legacy.NewRouter(doc)
})

func (v validated) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	rec := httptest.NewRecorder()
	v.next.ServeHTTP(rec, r)
	maps.Copy(w.Header(), rec.Header())
	w.WriteHeader(rec.Code)
	_, _ = w.Write(rec.Body.Bytes())

	router, err := calls()
	if err != nil {
		v.t.Fatal(err)
	}
	route, params, err := router.FindRoute(r)
	if err != nil {
		// HEAD goes without saying (RFC 9110 section 9.3.2).
		if rec.Code < 400 && r.Method != http.MethodHead {
			v.t.Errorf("%s %s: answered %d but the document has no such call: %v", r.Method, r.URL, rec.Code, err)
		}
		return
	}
	request := &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route}
	response := &openapi3filter.ResponseValidationInput{
		RequestValidationInput: request, Status: rec.Code, Header: rec.Header(),
		Options: &openapi3filter.Options{IncludeResponseStatus: true},
	}
	response.SetBodyBytes(rec.Body.Bytes())
	if err := openapi3filter.ValidateResponse(v.t.Context(), response); err != nil {
		v.t.Errorf("%s %s: answer %d %s is not as the document says: %v", r.Method, r.URL, rec.Code, rec.Body, err)
	}
}

type call struct {
	method, path, body string
	header             map[string]string
}

func (c call) do(h http.Handler) *httptest.ResponseRecorder {
	r := httptest.NewRequest(c.method, "/api/v1"+c.path, strings.NewReader(c.body))
	if c.body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for k, v := range c.header {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

const span = "from=2031-05-04T16:00:00Z&to=2031-05-04T18:00:00Z"

func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		name   string
		call   call
		status int
		has    []string
	}{
		{"engines", call{method: "GET", path: "/engines"}, 200, []string{`"id":"quillet"`, `"measured":[]`, `"marks":{}`}},
		{"state", call{method: "GET", path: "/engines/quillet/state"}, 200, []string{`"age_s":1`, `"value":null`, `"verdict":"not-yet"`, `"eta":null`}},
		{"state of which nothing is known", call{method: "GET", path: "/engines/marrow/state"}, 200, []string{`"steps":[]`, `"channels":{}`, `"lay_up":""`}},
		{"series", call{method: "GET", path: "/engines/quillet/series?channel=boiler.pressure&points=2&" + span}, 200,
			[]string{`"unit":"Pa"`, `"mean":2`, `"mean":null,"max":null,"count":0,"worst":"bad"`}},
		{"series of a channel of the owner's own", call{method: "GET", path: "/engines/quillet/series?channel=wind&" + span}, 200, []string{`"unit":"m/s"`}},
		{"lanes", call{method: "GET", path: "/engines/quillet/lanes?" + span}, 200, []string{`"verdict":"not-yet"`, `"segments":[]`, `"lapsed"`}},
		{"book", call{method: "GET", path: "/engines/quillet/book"}, 200, []string{`"seq":8`}},
		{"book without entries", call{method: "GET", path: "/engines/marrow/book?before=3&limit=1000"}, 200, []string{"[]"}},
		{"disposals", call{method: "GET", path: "/engines/quillet/disposals"}, 200, []string{`"id":"1"`, `"summary":null`, `"heat_loss":{"value":0.041,"lo":null`, `"forecasts":[]`}},
		{"one disposal", call{method: "GET", path: "/engines/quillet/disposals/1"}, 200, []string{`"id":"1"`, `"summary":null`}},
		{"one drawn up", call{method: "GET", path: "/engines/quillet/disposals/2"}, 200, []string{`"id":"2"`, `"ended":null`, `"heat_loss":{`}},
		{"trends", call{method: "GET", path: "/engines/quillet/trends"}, 200, []string{`"kind":"step"`, `"value":0.041`, `"quantity":"tank-drain","title":"","unit":"","points":[]`}},
		{"no trends", call{method: "GET", path: "/engines/marrow/trends"}, 200, []string{`"findings":[]`, `"series":[]`}},
		{"no disposals", call{method: "GET", path: "/engines/marrow/disposals"}, 200, []string{"[]"}},
		{"confirm", call{method: "POST", path: "/engines/quillet/confirmations", body: `{"confirm":"vent-open","by":"T. Oxley"}`}, 201,
			[]string{`{"t":"2031-05-04T17:02:00Z","kind":"confirmed","subject":"vent-open","by":"T. Oxley"}`}},
		{"JSON with its charset", call{"POST", "/engines/quillet/confirmations", `{"confirm":"vent-open","by":"T. Oxley"}`,
			map[string]string{"Content-Type": "application/json; charset=UTF-8"}}, 201, nil},
		{"from the page itself", call{"POST", "/engines/quillet/events", `{"fire":"lit","by":"T. Oxley"}`,
			map[string]string{"Sec-Fetch-Site": "same-origin", "Origin": "http://example.com"}}, 201, nil},
		{"acknowledge", call{method: "POST", path: "/alarms/quillet.vacuum/acknowledge", body: `{"by":"T. Oxley"}`}, 200,
			[]string{`{"t":"2031-05-04T17:02:00Z","kind":"alarm-acknowledged","subject":"vacuum","by":"T. Oxley"}`}},
		{"acknowledge without a body", call{method: "POST", path: "/alarms/quillet.vacuum/acknowledge"}, 200, []string{`"by":"a person"`}},
		{"shelve", call{method: "POST", path: "/alarms/quillet.vacuum/shelve", body: `{"by":"T. Oxley","why":"vent being mended","minutes":30}`}, 200,
			[]string{`"kind":"alarm-shelved","subject":"vacuum"`}},
		{"take it up again", call{method: "POST", path: "/alarms/quillet.vacuum/unshelve"}, 200, []string{`"kind":"alarm-unshelved"`}},
		{"head", call{method: "HEAD", path: "/engines/quillet/state"}, 200, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, h := serve(t)
			w := c.call.do(h)
			if w.Code != c.status || w.Header().Get("Content-Type") != "application/json" {
				t.Fatalf("%v: got %d %s %s, want %d", c.call, w.Code, w.Header().Get("Content-Type"), w.Body, c.status)
			}
			for _, has := range c.has {
				if !strings.Contains(w.Body.String(), has) {
					t.Errorf("%v: got %s, want %s in it", c.call, w.Body, has)
				}
			}
		})
	}
}

func TestQuestionsToThePast(t *testing.T) {
	for _, c := range []struct{ path, asked string }{
		{"/engines/quillet/series?channel=boiler.pressure&" + span, "quillet/boiler.pressure 2031-05-04T16:00:00Z 2031-05-04T18:00:00Z 600"},
		{"/engines/quillet/series?channel=ambient.co&points=7&" + span, "/ambient.co 2031-05-04T16:00:00Z 2031-05-04T18:00:00Z 7"},
		{"/engines/quillet/series?channel=boiler.pressure&from=2031-05-04T17:00:00%2B01:00&to=2031-05-04T18:00:00.5Z", "quillet/boiler.pressure 2031-05-04T16:00:00Z 2031-05-04T18:00:00Z 600"},
		{"/engines/quillet/book", "quillet before 0 limit 100"},
		{"/engines/quillet/book?before=8&limit=1", "quillet before 8 limit 1"},
	} {
		s, h := serve(t)
		if w := (call{method: "GET", path: c.path}).do(h); s.asked != c.asked {
			t.Errorf("%s: asked %q, want %q (%s)", c.path, s.asked, c.asked, w.Body)
		}
	}
}

func TestWhatIsSaid(t *testing.T) {
	event := func(body string) call { return call{method: "POST", path: "/engines/quillet/events", body: body} }
	alarm := func(what, body string) call {
		return call{method: "POST", path: "/alarms/quillet.vacuum/" + what, body: body}
	}
	for _, c := range []struct {
		call call
		want telemetry.Event
	}{
		{call{method: "POST", path: "/engines/quillet/confirmations", body: `{"confirm":"vent-open","by":"T. Oxley"}`},
			telemetry.Event{Kind: telemetry.Confirmed, Subject: "vent-open"}},
		{call{method: "DELETE", path: "/engines/quillet/confirmations/vent-open?by=T.%20Oxley"},
			telemetry.Event{Kind: telemetry.Withdrawn, Subject: "vent-open"}},
		{call{method: "POST", path: "/engines/quillet/events", body: `{"disposal":"begin","lay_up":"dry","by":"T. Oxley"}`},
			telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: telemetry.Dry}},
		{call{method: "POST", path: "/engines/quillet/events", body: `{"disposal":"begin","by":"T. Oxley"}`},
			telemetry.Event{Kind: telemetry.DisposalBegun}},
		{call{method: "POST", path: "/engines/quillet/events", body: `{"disposal":"end","by":"T. Oxley"}`},
			telemetry.Event{Kind: telemetry.DisposalEnded}},
		{call{method: "POST", path: "/engines/quillet/events", body: `{"fire":"lit","by":"T. Oxley"}`},
			telemetry.Event{Kind: telemetry.FireLit}},
		{call{method: "POST", path: "/engines/quillet/events", body: `{"node":"shed-box","put_away":true,"by":"T. Oxley"}`},
			telemetry.Event{Kind: telemetry.NodePutAway, Subject: "shed-box"}},
		{call{method: "POST", path: "/engines/quillet/events", body: `{"node":"shed-box","put_away":false,"by":"T. Oxley"}`},
			telemetry.Event{Kind: telemetry.NodeBack, Subject: "shed-box"}},
		{event(`{"repair":"mud door 3 weeps","done":false,"by":"T. Oxley"}`),
			telemetry.Event{Kind: telemetry.RepairBooked, Subject: "mud door 3 weeps"}},
		{event(`{"repair":"mud door 3 weeps","by":"T. Oxley"}`),
			telemetry.Event{Kind: telemetry.RepairBooked, Subject: "mud door 3 weeps"}},
		{event(`{"repair":"mud door 3 weeps","done":true,"by":"T. Oxley"}`),
			telemetry.Event{Kind: telemetry.RepairDone, Subject: "mud door 3 weeps"}},
		{event(`{"wanted":"2031-05-18T09:00:00+01:00","by":"T. Oxley"}`),
			telemetry.Event{Kind: telemetry.NextWanted, Until: time.Date(2031, 5, 18, 8, 0, 0, 0, time.UTC)}},
		{event(`{"wanted":"unknown","by":"T. Oxley"}`), telemetry.Event{Kind: telemetry.NextWanted}},
		{event(`{"looked_into":true,"by":"T. Oxley"}`), telemetry.Event{Kind: telemetry.LookedInto}},

		{alarm("acknowledge", `{"by":"T. Oxley"}`), telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "vacuum"}},
		{alarm("acknowledge", `{}`), telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "vacuum", By: "a person"}},
		{alarm("acknowledge", `{"by":" "}`), telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "vacuum", By: "a person"}},
		{alarm("acknowledge", ""), telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "vacuum", By: "a person"}},
		{call{"POST", "/alarms/quillet.vacuum/acknowledge", "", map[string]string{"Content-Type": "application/json"}},
			telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "vacuum", By: "a person"}},
		{alarm("shelve", `{"by":"T. Oxley","why":"vent being mended","until":"2031-05-04T20:02:00+02:00"}`),
			telemetry.Event{Kind: telemetry.AlarmShelved, Subject: "vacuum", Why: "vent being mended", Until: evening.Add(time.Hour)}},
		// The shed's clock stands one second after the newest state.
		{alarm("shelve", `{"by":"T. Oxley","why":"vent being mended","minutes":1.5}`),
			telemetry.Event{Kind: telemetry.AlarmShelved, Subject: "vacuum", Why: "vent being mended", Until: evening.Add(91 * time.Second)}},
		{alarm("shelve", `{"why":"vent being mended","minutes":200}`),
			telemetry.Event{Kind: telemetry.AlarmShelved, Subject: "vacuum", By: "a person", Why: "vent being mended", Until: evening.Add(200*time.Minute + time.Second)}},
		{alarm("unshelve", `{"by":"T. Oxley"}`), telemetry.Event{Kind: telemetry.AlarmUnshelved, Subject: "vacuum"}},
		{alarm("unshelve", ""), telemetry.Event{Kind: telemetry.AlarmUnshelved, Subject: "vacuum", By: "a person"}},
	} {
		s, h := serve(t)
		s.standing["vent-open"] = true
		c.want.At = evening
		if c.want.By == "" {
			c.want.By = "T. Oxley"
		}
		if w := c.call.do(h); w.Code >= 300 || !slices.Equal(s.said, []telemetry.Event{c.want}) {
			t.Errorf("%v: kept %+v, want %+v (%d %s)", c.call, s.said, c.want, w.Code, w.Body)
		}
	}
}

func TestProblems(t *testing.T) {
	post := func(path, body string) call { return call{method: "POST", path: "/engines/quillet" + path, body: body} }
	alarm := func(path, body string) call { return call{method: "POST", path: "/alarms/" + path, body: body} }
	get := func(path string) call { return call{method: "GET", path: path} }
	const good = `{"confirm":"vent-open","by":"T. Oxley"}`
	long := strings.Repeat("x", 65)
	for _, c := range []struct {
		name   string
		call   call
		status int
		kind   string
		detail string
	}{
		{"unknown engine", get("/engines/nettle/state"), 404, "unknown-engine", `"nettle"`},
		{"unknown disposal", get("/engines/quillet/disposals/3"), 404, "unknown-disposal", `"3"`},
		{"trends of an unknown engine", get("/engines/nettle/trends"), 404, "unknown-engine", `"nettle"`},
		{"unknown engine, an id of any length", get("/engines/" + strings.Repeat("y", 5000) + "/state"), 404, "unknown-engine", "…"},
		{"unknown engine confirmed for", call{method: "POST", path: "/engines/nettle/confirmations", body: good}, 404, "unknown-engine", ""},
		{"unknown path", get("/engine"), 404, "not-found", "/api/v1/engine"},
		{"method", call{method: "PUT", path: "/engines/quillet/state"}, 405, "method", "PUT"},
		{"method on confirmations", get("/engines/quillet/confirmations"), 405, "method", "GET"},

		{"series without a channel", get("/engines/quillet/series?" + span), 400, "bad-request", `"channel" is missing`},
		{"series without times", get("/engines/quillet/series?channel=firebox"), 400, "bad-request", `"from" is missing; the parameter "to" is missing`},
		{"series with a time that is none", get("/engines/quillet/series?channel=firebox&from=yesterday&to=2031-05-04T18:00:00Z"), 400, "bad-request", `"from" is "yesterday"`},
		{"series back to front", get("/engines/quillet/series?channel=firebox&to=2031-05-04T16:00:00Z&from=2031-05-04T18:00:00Z"), 400, "bad-request", "not before"},
		{"series of no length", get("/engines/quillet/series?channel=firebox&to=2031-05-04T16:00:00Z&from=2031-05-04T16:00:00Z"), 400, "bad-request", "not before"},
		{"series of a lifetime", get("/engines/quillet/series?channel=firebox&from=1999-05-04T16:00:00Z&to=2031-05-04T16:00:00Z"), 400, "bad-request", "7320 days"},
		{"lanes of years", get("/engines/quillet/lanes?from=2029-05-04T16:00:00Z&to=2031-05-04T16:00:00Z"), 400, "bad-request", "366 days"},
		{"no points", get("/engines/quillet/series?channel=firebox&points=0&" + span), 400, "bad-request", "points is 0"},
		{"too many points", get("/engines/quillet/series?channel=firebox&points=5001&" + span), 400, "bad-request", "points is 5001"},
		{"points that are no number", get("/engines/quillet/series?channel=firebox&points=many&" + span), 400, "bad-request", `"points" is "many"`},
		{"a parameter that is not there", get("/engines/quillet/series?channel=firebox&point=5&" + span), 400, "bad-request", `"point"`},
		{"a field that is no parameter", get("/engines/quillet/series?channel=firebox&Engine=marrow&" + span), 400, "bad-request", `"Engine"`},
		{"a parameter twice", get("/engines/quillet/series?channel=firebox&channel=smokebox&" + span), 400, "bad-request", "2 times"},
		{"a channel that never was", get("/engines/quillet/series?channel=nowhere&" + span), 404, "unknown-channel", "nowhere"},
		{"lanes without times", get("/engines/quillet/lanes"), 400, "bad-request", "missing"},
		{"lanes back to front", get("/engines/quillet/lanes?to=2031-05-04T16:00:00Z&from=2031-05-04T18:00:00Z"), 400, "bad-request", "not before"},
		{"no entries", get("/engines/quillet/book?limit=0"), 400, "bad-request", "limit is 0"},
		{"too many entries", get("/engines/quillet/book?limit=1001"), 400, "bad-request", "limit is 1001"},
		{"before that is no number", get("/engines/quillet/book?before=-1"), 400, "bad-request", "before"},

		{"no media type", call{"POST", "/engines/quillet/confirmations", good, map[string]string{"Content-Type": ""}}, 415, "media-type", ""},
		{"a form", call{"POST", "/engines/quillet/confirmations", good, map[string]string{"Content-Type": "text/plain"}}, 415, "media-type", "text/plain"},
		{"another charset", call{"POST", "/engines/quillet/confirmations", good, map[string]string{"Content-Type": "application/json; charset=utf-16"}}, 415, "media-type", "utf-16"},
		{"10 MB", post("/confirmations", `{"confirm":"`+strings.Repeat("x", 10<<20)+`"}`), 413, "too-large", "16384"},
		{"empty", call{"POST", "/engines/quillet/confirmations", "", map[string]string{"Content-Type": "application/json"}}, 400, "bad-request", "empty"},
		{"not JSON", post("/confirmations", "vent-open"), 400, "bad-request", "not JSON"},
		{"cut short", post("/confirmations", `{"confirm":"vent-open"`), 400, "bad-request", "not JSON"},
		{"a list", post("/confirmations", "["+good+"]"), 400, "bad-request", "not a JSON object"},
		{"null", post("/confirmations", "null"), 400, "bad-request", "not a JSON object"},
		{"two objects", post("/confirmations", good+good), 400, "bad-request", "something follows"},
		{"an unknown field", post("/confirmations", `{"confirm":"vent-open","bye":"x"}`), 400, "bad-request", `"bye"`},
		{"a field in capitals", post("/confirmations", `{"Confirm":"vent-open","by":"T. Oxley"}`), 400, "bad-request", `"Confirm"`},
		{"a field twice", post("/confirmations", `{"confirm":"vent-open","confirm":"people-clear","by":"T. Oxley"}`), 400, "bad-request", "twice"},
		{"a field that is null", post("/confirmations", `{"confirm":null}`), 400, "bad-request", "null"},
		{"a number for a word", post("/confirmations", `{"confirm":7}`), 400, "bad-request", "confirm is a number"},
		{"not UTF-8", post("/confirmations", "{\"confirm\":\"vent-open\",\"by\":\"\xff\"}"), 400, "bad-request", "UTF-8"},
		{"nothing confirmed", post("/confirmations", `{"by":"T. Oxley"}`), 400, "bad-request", "missing"},
		{"an id too long", post("/confirmations", `{"confirm":"`+long+`","by":"T. Oxley"}`), 400, "bad-request", "64"},
		{"a name too long", post("/confirmations", `{"confirm":"vent-open","by":"`+long+long+`"}`), 400, "bad-request", "80"},
		{"nobody named", post("/confirmations", `{"confirm":"vent-open"}`), 400, "nobody-named", "named"},
		{"unknown confirmation", post("/confirmations", `{"confirm":"kettle-on","by":"T. Oxley"}`), 400, "unknown-confirmation", "kettle-on"},
		{"withdraw unknown confirmation", call{method: "DELETE", path: "/engines/quillet/confirmations/kettle-on?by=x"}, 404, "unknown-confirmation", "kettle-on"},
		{"withdraw what was not given", call{method: "DELETE", path: "/engines/quillet/confirmations/vent-open?by=x"}, 404, "not-given", ""},
		{"withdraw with an unknown parameter", call{method: "DELETE", path: "/engines/quillet/confirmations/vent-open?who=x"}, 400, "bad-request", `"who"`},

		{"nothing said", post("/events", `{"by":"T. Oxley"}`), 400, "bad-request", "says nothing"},
		{"two things said", post("/events", `{"disposal":"end","fire":"lit","by":"T. Oxley"}`), 400, "bad-request", "more than one"},
		{"a disposal paused", post("/events", `{"disposal":"pause","by":"T. Oxley"}`), 400, "bad-request", `"pause"`},
		{"a lay-up of no kind", post("/events", `{"disposal":"begin","lay_up":"damp","by":"T. Oxley"}`), 400, "bad-request", `"damp"`},
		{"a lay-up at the end", post("/events", `{"disposal":"end","lay_up":"dry","by":"T. Oxley"}`), 400, "bad-request", "begin"},
		{"a fire out", post("/events", `{"fire":"out","by":"T. Oxley"}`), 400, "bad-request", `"out"`},
		{"a node, and nothing about it", post("/events", `{"node":"shed-box","by":"T. Oxley"}`), 400, "bad-request", "put_away"},
		{"put away, but what", post("/events", `{"put_away":true,"by":"T. Oxley"}`), 400, "bad-request", "node"},
		{"an unknown node", post("/events", `{"node":"barn-box","put_away":true,"by":"T. Oxley"}`), 400, "unknown-node", ""},
		{"the end of what never began", call{method: "POST", path: "/engines/marrow/events", body: `{"disposal":"end","by":"T. Oxley"}`}, 409, "not-now", "No disposal"},

		{"a repair without words", post("/events", `{"repair":" ","by":"T. Oxley"}`), 400, "bad-request", "repair is missing"},
		{"a repair done, but which", post("/events", `{"done":true,"by":"T. Oxley"}`), 400, "bad-request", "repair is missing"},
		{"a repair of many words", post("/events", `{"repair":"`+strings.Repeat("x", 201)+`","by":"T. Oxley"}`), 400, "bad-request", "200"},
		{"a repair and a fire", post("/events", `{"repair":"mud door","fire":"lit"}`), 400, "bad-request", "more than one"},
		{"wanted on a day", post("/events", `{"wanted":"2031-05-18","by":"T. Oxley"}`), 400, "bad-request", `"2031-05-18"`},
		{"wanted some day", post("/events", `{"wanted":"soon","by":"T. Oxley"}`), 400, "bad-request", "RFC 3339"},
		{"wanted never", post("/events", `{"wanted":"","by":"T. Oxley"}`), 400, "bad-request", "says nothing"},
		{"not looked into", post("/events", `{"looked_into":false,"by":"T. Oxley"}`), 400, "bad-request", "looked_into is false"},
		{"looked into by a word", post("/events", `{"looked_into":"yes","by":"T. Oxley"}`), 400, "bad-request", "looked_into is a string"},

		{"an alarm that is none", alarm("kettle/acknowledge", ""), 404, "unknown-alarm", `"kettle"`},
		{"an alarm of an engine that is none", alarm("nettle.vacuum/acknowledge", ""), 404, "unknown-alarm", `"nettle.vacuum"`},
		{"an alarm of no name", alarm("quillet./acknowledge", ""), 404, "unknown-alarm", `"quillet."`},
		{"a watch that is none", alarm("quillet.kettle/acknowledge", `{"by":"T. Oxley"}`), 404, "unknown-alarm", "kettle"},
		{"a watch that is none, shelved", alarm("quillet.kettle/shelve", `{"why":"x","minutes":1}`), 404, "unknown-alarm", "kettle"},
		{"an alarm read", call{method: "GET", path: "/alarms/quillet.vacuum/acknowledge"}, 405, "method", "GET"},
		{"acknowledged in a form", call{"POST", "/alarms/quillet.vacuum/acknowledge", `{"by":"x"}`, map[string]string{"Content-Type": "text/plain"}}, 415, "media-type", "text/plain"},
		{"acknowledged with an unknown field", alarm("quillet.vacuum/acknowledge", `{"who":"x"}`), 400, "bad-request", `"who"`},
		{"acknowledged by a name too long", alarm("quillet.vacuum/acknowledge", `{"by":"`+long+long+`"}`), 400, "bad-request", "80"},
		{"acknowledged with nonsense", alarm("quillet.vacuum/acknowledge", `x`), 400, "bad-request", "not JSON"},
		{"shelved without a word", call{"POST", "/alarms/quillet.vacuum/shelve", "", map[string]string{"Content-Type": "application/json"}}, 400, "bad-request", "empty"},
		{"shelved without a reason", alarm("quillet.vacuum/shelve", `{"by":"x","minutes":10}`), 400, "bad-request", "why is missing"},
		{"shelved without an end", alarm("quillet.vacuum/shelve", `{"by":"x","why":"y"}`), 400, "bad-request", "until and minutes"},
		{"shelved with two ends", alarm("quillet.vacuum/shelve", `{"by":"x","why":"y","minutes":5,"until":"2031-05-04T18:00:00Z"}`), 400, "bad-request", "until and minutes"},
		{"shelved until tea", alarm("quillet.vacuum/shelve", `{"by":"x","why":"y","until":"tea"}`), 400, "bad-request", `"tea"`},
		{"shelved for no time", alarm("quillet.vacuum/shelve", `{"by":"x","why":"y","minutes":0}`), 400, "bad-request", "minutes is 0"},
		{"shelved backwards", alarm("quillet.vacuum/shelve", `{"by":"x","why":"y","minutes":-5}`), 400, "bad-request", "minutes is -5"},
		{"shelved for an age", alarm("quillet.vacuum/shelve", `{"by":"x","why":"y","minutes":1e300}`), 400, "bad-request", "minutes is 1e+300"},
		{"shelved for longer than it may be", alarm("quillet.vacuum/shelve", `{"by":"x","why":"y","minutes":300}`), 409, "not-now", "4h0m0s at most"},
		{"taken up, a watch that is none", alarm("quillet.kettle/unshelve", ""), 404, "unknown-alarm", "kettle"},
		{"acknowledged from another site", call{"POST", "/alarms/quillet.vacuum/acknowledge", "", map[string]string{"Sec-Fetch-Site": "cross-site"}}, 403, "other-origin", ""},

		{"another site's page", call{"POST", "/engines/quillet/confirmations", good, map[string]string{"Sec-Fetch-Site": "cross-site"}}, 403, "other-origin", ""},
		{"another port's page", call{"POST", "/engines/quillet/confirmations", good, map[string]string{"Sec-Fetch-Site": "same-site"}}, 403, "other-origin", ""},
		{"an old browser on another's page", call{"DELETE", "/engines/quillet/confirmations/vent-open", "", map[string]string{"Origin": "http://elsewhere.example"}}, 403, "other-origin", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, h := serve(t)
			w := c.call.do(h)
			var p message.Problem
			d := json.NewDecoder(bytes.NewReader(w.Body.Bytes()))
			d.DisallowUnknownFields()
			if err := d.Decode(&p); err != nil {
				t.Fatalf("got %d %s: %v", w.Code, w.Body, err)
			}
			if w.Code != c.status || p.Status != c.status || p.Type != "/problems/"+c.kind || !strings.Contains(p.Detail, c.detail) {
				t.Errorf("got %d %+v, want %d %s with %q", w.Code, p, c.status, c.kind, c.detail)
			}
			at, err := url.Parse("/api/v1" + c.call.path)
			if err != nil {
				t.Fatal(err)
			}
			if got := w.Header().Get("Content-Type"); got != "application/problem+json" || p.Title == "" || p.Mend == "" || p.Instance != at.Path {
				t.Errorf("got %s %+v, want problem details with a title, the mend and where", got, p)
			}
			if len(p.Detail) > 400 {
				t.Errorf("the detail is %d bytes long: %s", len(p.Detail), p.Detail)
			}
			if len(s.said) > 0 {
				t.Errorf("kept %+v, want nothing", s.said)
			}
			if c.status == 405 && w.Header().Get("Allow") == "" {
				t.Error("no Allow header (RFC 9110 section 15.5.6)")
			}
		})
	}
}

func TestWhatFailsWithinIsAnInternalProblem(t *testing.T) {
	for _, c := range []call{
		{method: "GET", path: "/engines/quillet/series?channel=firebox&" + span},
		{method: "GET", path: "/engines/quillet/lanes?" + span},
		{method: "GET", path: "/engines/quillet/book"},
		{method: "GET", path: "/engines/quillet/disposals"},
		{method: "GET", path: "/engines/quillet/disposals/2"},
		{method: "GET", path: "/engines/quillet/trends"},
		{method: "POST", path: "/engines/quillet/events", body: `{"fire":"lit","by":"T. Oxley"}`},
		{method: "POST", path: "/alarms/quillet.vacuum/acknowledge"},
	} {
		s, h := serve(t)
		s.broken = errors.New("the disk is full")
		if w := c.do(h); w.Code != 500 || !strings.Contains(w.Body.String(), "disk is full") {
			t.Errorf("%v: got %d %s, want 500 with the reason", c, w.Code, w.Body)
		}
	}
}

// Every call of the document is answered by something, and nothing else is.
func TestEveryDeclaredCallIsServed(t *testing.T) {
	_, h := serve(t)
	for _, op := range api.Operations() {
		if op.Path == "/live" {
			continue // another package's handler
		}
		w := call{method: op.Method, path: strings.NewReplacer("{engine}", "nettle", "{evidence}", "x", "{id}", "nettle.x").Replace(op.Path)}.do(h)
		var p message.Problem
		_ = json.Unmarshal(w.Body.Bytes(), &p)
		if w.Code == 405 || p.Type == "/problems/not-found" {
			t.Errorf("%s %s: got %d %s", op.Method, op.Path, w.Code, w.Body)
		}
	}
}

func TestLiveMessagesAreAsTheDocumentSays(t *testing.T) {
	_, h := serve(t)
	doc, err := openapi3.NewLoader().LoadFromData(call{method: "GET", path: "/openapi.json"}.do(h).Body.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	phase := "cooling"
	empty := message.Change{
		At: evening, Engine: "quillet", Phase: &phase, Steps: []message.Step{{ID: "house"}},
		Asks: new([]message.Ask), Forecasts: new([]message.Forecast), Alarms: new([]message.Alarm),
		Confirmations: new([]message.Given), Marks: new(map[string]float64),
	}.Whole()
	bare := message.Change{At: evening, Engine: "quillet"}.Whole()
	snapshot := message.Snapshot{Engines: []message.Engine{{ID: "quillet"}}, States: []message.State{{Engine: "quillet", Phase: "housed", Steps: []message.Step{{}}}}}.Whole()
	none := message.Snapshot{}.Whole()
	for name, c := range map[string]struct {
		m    message.Live
		good bool
	}{
		"snapshot":                   {message.Live{N: 1, Snapshot: &snapshot}, true},
		"snapshot of nothing":        {message.Live{N: 1, Snapshot: &none}, true},
		"change of all to nothing":   {message.Live{N: 2, Change: &empty}, true},
		"change of nothing":          {message.Live{N: 2, Change: &bare}, true},
		"beat":                       {message.Live{N: 2, Beat: &message.Beat{At: evening}}, true},
		"nothing":                    {message.Live{N: 2}, false},
		"snapshot that is not whole": {message.Live{N: 1, Snapshot: &message.Snapshot{}}, false},
	} {
		t.Run(name, func(t *testing.T) {
			b, err := json.Marshal(c.m)
			if err != nil {
				t.Fatal(err)
			}
			var v any
			if err := json.Unmarshal(b, &v); err != nil {
				t.Fatal(err)
			}
			err = doc.Components.Schemas["Live"].Value.VisitJSON(v)
			if (err == nil) != c.good {
				t.Errorf("%s: got %v, want it to be good %v", b, err, c.good)
			}
		})
	}
}

func FuzzEventBody(f *testing.F) {
	for _, body := range []string{
		`{"disposal":"begin","lay_up":"dry","by":"T. Oxley"}`, `{"disposal":"end"}`, `{"fire":"lit"}`,
		`{"node":"shed-box","put_away":true}`, `{"repair":"mud door 3","done":true}`, `{"wanted":"2031-05-18T08:00:00+01:00"}`, `{"wanted":"unknown"}`, `{"looked_into":true}`, `{}`, `[]`, `null`, "", `{"fire":"lit"}}`,
	} {
		f.Add(body)
	}
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	hub, err := live.NewHub(message.Snapshot{
		Engines: []message.Engine{{ID: "quillet"}}, States: []message.State{{Engine: "quillet"}},
	}, live.Options{Now: time.Now, Log: quiet})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, body string) {
		s := &shed{standing: map[string]bool{}}
		w := call{method: "POST", path: "/engines/quillet/events", body: body, header: map[string]string{"Content-Type": "application/json"}}.do(api.New(hub, s, s, quiet))
		// What is kept, written as a word again, is kept the same.
		switch w.Code {
		case 201:
			e := s.said[0]
			again := map[string]any{"by": e.By}
			switch e.Kind {
			case telemetry.DisposalBegun:
				again["disposal"] = "begin"
				if e.LayUp != "" {
					again["lay_up"] = e.LayUp
				}
			case telemetry.DisposalEnded:
				again["disposal"] = "end"
			case telemetry.FireLit:
				again["fire"] = "lit"
			case telemetry.RepairBooked, telemetry.RepairDone:
				again["repair"], again["done"] = e.Subject, e.Kind == telemetry.RepairDone
			case telemetry.NextWanted:
				again["wanted"] = "unknown"
				if !e.Until.IsZero() {
					again["wanted"] = e.Until.Format(time.RFC3339Nano)
				}
			case telemetry.LookedInto:
				again["looked_into"] = true
			case telemetry.NodePutAway, telemetry.NodeBack:
				again["node"], again["put_away"] = e.Subject, e.Kind == telemetry.NodePutAway
			default:
				t.Fatalf("%q was kept as %v", body, e)
			}
			b, err := json.Marshal(again)
			if err != nil {
				t.Fatal(err)
			}
			call{method: "POST", path: "/engines/quillet/events", body: string(b)}.do(api.New(hub, s, s, quiet))
			if len(s.said) != 2 || s.said[1] != e {
				t.Errorf("%q was kept as %v, and %s as %v", body, e, b, s.said[1:])
			}
		case 400, 413:
			if len(s.said) > 0 {
				t.Errorf("%q was refused and kept", body)
			}
		default:
			t.Errorf("%q: got %d %s", body, w.Code, w.Body)
		}
	})
}
