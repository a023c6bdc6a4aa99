package api_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"

	"ashlamp/dashboard/api"
	"ashlamp/dashboard/live"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// archive is a past of two disposals, which keeps what it was asked.
type archive struct {
	asked  api.OverlayQuery
	limits map[string]float64
	broken error // what a reckoning meets at half time
}

func (y *archive) Overlay(_ context.Context, _ string, q api.OverlayQuery) (message.Overlay, error) {
	y.asked = q
	out := message.Overlay{Channel: q.Channel, Unit: telemetry.Pascal, Align: q.Align}
	for _, id := range q.Disposals {
		if id == "none" {
			return out, fmt.Errorf("%w: %s", api.ErrUnknownDisposal, id)
		}
		v := 310000.0
		d := message.OverlayDisposal{ID: id, Begun: evening, Why: "The fire was not seen to be out on this evening."}
		if id == "1" {
			d.At, d.Why = &evening, ""
			d.S, d.Mean = []float64{-12, 12}, []*float64{&v, nil}
		}
		out.Disposals = append(out.Disposals, d)
	}
	return out, nil
}

func (y *archive) Chain(context.Context, string) (message.BookChain, error) {
	half := 0.5
	return message.BookChain{State: "broken", Progress: &half, ProvedAt: &evening, Entries: 2, Broken: &message.BrokenEntry{Seq: 3, Fault: "changed", Why: "x"}, Text: "y"}, nil
}

func (y *archive) Limits(string) []message.Limit {
	return []message.Limit{{Key: "zero_hold_s", Title: "t", Unit: "s", Min: 60, Max: 7200, Source: "s"}}
}

func (y *archive) Rerun(_ context.Context, engine, disposal string, limits map[string]float64, progress func(float64)) (message.Rerun, error) {
	y.limits = limits
	switch disposal {
	case "none":
		return message.Rerun{}, api.ErrUnknownDisposal
	case "empty":
		return message.Rerun{}, api.ErrNothingKept
	case "busy":
		return message.Rerun{}, api.ErrBusy
	case "apart":
		return message.Rerun{}, &api.Refusal{Kind: problem.BadRequest, Detail: "They do not go together.", Mend: "Move both."}
	}
	progress(0.5)
	return message.Rerun{
		Engine: engine, ID: disposal, From: evening, To: evening.Add(time.Hour),
		Steps: []message.RerunStep{{Step: "plugs-out", Was: []message.RerunSegment{{From: evening, To: evening.Add(time.Hour), Verdict: verdict.NotYet}}}},
	}, y.broken
}

// byTheLine teaches the check of answers against the document that each line of one is
// a value of its own.
var byTheLine = sync.OnceFunc(func() {
	openapi3filter.RegisterBodyDecoder("application/x-ndjson", func(body io.Reader, _ http.Header, schema *openapi3.SchemaRef, _ openapi3filter.EncodingFn) (any, error) {
		b, err := io.ReadAll(body)
		if err != nil || schema.Value.Type.Is("string") {
			return string(b), err
		}
		var v any
		for line := range strings.Lines(string(b)) {
			if err := json.Unmarshal([]byte(line), &v); err != nil {
				return nil, err
			}
			if err := schema.Value.VisitJSON(v); err != nil {
				return nil, err
			}
		}
		return v, nil
	})
})

func recalled(t *testing.T) (*archive, http.Handler) {
	t.Helper()
	byTheLine()
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	hub, err := live.NewHub(message.Snapshot{
		Engines: []message.Engine{{ID: "quillet"}}, States: []message.State{{Engine: "quillet", At: evening, Phase: "laid-up"}},
	}, live.Options{Now: func() time.Time { return evening }, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	y := &archive{}
	return y, validated{t, api.New(hub, nil, nil, quiet).Recall(y)}
}

func TestYears(t *testing.T) {
	rerun := func(id, body string) call {
		return call{method: "POST", path: "/engines/quillet/disposals/" + id + "/rerun", body: body}
	}
	overlay := func(query string) call {
		return call{method: "GET", path: "/engines/quillet/overlay?" + query}
	}
	sixtyOne := "channel=boiler.pressure&align=fire-out"
	for i := range 61 {
		sixtyOne += fmt.Sprint("&disposal=", i)
	}
	for _, c := range []struct {
		name   string
		call   call
		status int
		has    []string
	}{
		{"overlay", overlay("channel=boiler.pressure&align=fire-out&disposal=1&disposal=2"), 200,
			[]string{`"unit":"Pa"`, `"s":[-12,12]`, `"mean":[310000,null]`, `"at":null,"why":"The fire`, `"s":[]`}},
		{"overlay by a mark that is none", overlay("channel=boiler.pressure&align=tea&disposal=1"), 400, []string{`\"tea\"`, "blow-down"}},
		{"overlay of no disposal", overlay("channel=boiler.pressure&align=fire-out"), 400, []string{`\"disposal\" is missing`}},
		{"overlay of nothing", overlay("align=fire-out&disposal=1"), 400, []string{`\"channel\" is missing`}},
		{"overlay of two channels", overlay("channel=a&channel=b&align=fire-out&disposal=1"), 400, []string{"is there 2 times"}},
		{"overlay of one twice", overlay("channel=a&align=fire-out&disposal=1&disposal=1"), 400, []string{"twice"}},
		{"overlay of too many", overlay(sixtyOne), 400, []string{"61", "60 at most"}},
		{"overlay of no points", overlay("channel=a&align=fire-out&disposal=1&points=0"), 400, []string{"1 to 5000"}},
		{"overlay with a disposal that is none", overlay("channel=a&align=fire-out&disposal=1&disposal=none"), 404, []string{"unknown-disposal"}},
		{"overlay of an engine that is none", call{method: "GET", path: "/engines/nettle/overlay?channel=a&align=fire-out&disposal=1"}, 404, []string{"unknown-engine"}},
		{"chain", call{method: "GET", path: "/engines/quillet/book/chain"}, 200, []string{`"state":"broken"`, `"progress":0.5`, `"seq":3`, `"first":null`}},
		{"limits", call{method: "GET", path: "/engines/quillet/limits"}, 200, []string{`"value":null`, `"steps":[]`, `"max":7200`}},
		{"judged again", rerun("1", `{"limits":{"zero_hold_s":600}}`), 200, []string{`{"progress":0.5}` + "\n" + `{"result":{`, `"moved_s":null`, `"now":[]`, `"verdict":"not-yet"`}},
		{"judged again as it is", rerun("1", `{"limits":{}}`), 200, []string{`"result"`}},
		{"judged again, but how", rerun("1", `{}`), 400, []string{"limits is missing"}},
		{"judged again by a list", rerun("1", `{"limits":[1]}`), 400, []string{"not a JSON object"}},
		{"a limit that is none", rerun("1", `{"limits":{"patience":3}}`), 400, []string{"patience", "zero_hold_s"}},
		{"a limit outside its range", rerun("1", `{"limits":{"zero_hold_s":59.9}}`), 400, []string{"zero_hold_s = 59.9 is outside 60 to 7200 s"}},
		{"a limit that is a word", rerun("1", `{"limits":{"zero_hold_s":"long"}}`), 400, []string{"zero_hold_s", "no number"}},
		{"a limit twice", rerun("1", `{"limits":{"zero_hold_s":90,"zero_hold_s":600}}`), 400, []string{"twice"}},
		{"limits that do not go together", rerun("apart", `{"limits":{}}`), 400, []string{"They do not go together.", "Move both."}},
		{"a disposal that is none", rerun("none", `{"limits":{}}`), 404, []string{"unknown-disposal"}},
		{"a disposal of which nothing is kept", rerun("empty", `{"limits":{}}`), 404, []string{"nothing-kept"}},
		{"beside another", rerun("busy", `{"limits":{}}`), 503, []string{"busy", "Wait"}},
		{"from another site", call{"POST", "/engines/quillet/disposals/1/rerun", `{"limits":{}}`, map[string]string{"Sec-Fetch-Site": "cross-site"}}, 403, []string{"other-origin"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, h := recalled(t)
			w := c.call.do(h)
			if w.Code != c.status {
				t.Errorf("status %d, want %d: %s", w.Code, c.status, w.Body)
			}
			for _, has := range c.has {
				if !strings.Contains(w.Body.String(), has) {
					t.Errorf("%s\ndoes not say %q", w.Body, has)
				}
			}
		})
	}
}

func TestWhatTheYearsAreAsked(t *testing.T) {
	y, h := recalled(t)
	call{method: "GET", path: "/engines/quillet/overlay?channel=firebox&align=blow-down&disposal=2&disposal=1"}.do(h)
	if q := y.asked; q.Channel != "firebox" || q.Align != api.AlignBlowDown || q.Points != api.DefaultOverlayPoints || strings.Join(q.Disposals, " ") != "2 1" {
		t.Errorf("asked %+v", q)
	}
	call{method: "POST", path: "/engines/quillet/disposals/1/rerun", body: `{"limits":{"zero_hold_s":600,"hold_s":90.5}}`}.do(h)
	if len(y.limits) != 2 || y.limits["zero_hold_s"] != 600 || y.limits["hold_s"] != 90.5 {
		t.Errorf("limits %v", y.limits)
	}
}

// TestAReckoningThatFailsHalfWay: it has begun to answer, and says in its last line what
// went wrong.
func TestAReckoningThatFailsHalfWay(t *testing.T) {
	y, h := recalled(t)
	y.broken = errors.New("the card is gone")
	w := call{method: "POST", path: "/engines/quillet/disposals/1/rerun", body: `{"limits":{}}`}.do(h)
	lines := strings.Split(strings.TrimSpace(w.Body.String()), "\n")
	var last message.RerunLine
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &last); err != nil || last.Problem == nil || last.Result != nil || !strings.Contains(last.Problem.Detail, "the card is gone") {
		t.Errorf("it ends with %s, %v", lines[len(lines)-1], err)
	}
}

// TestWithoutYears: a daemon that keeps no past says so.
func TestWithoutYears(t *testing.T) {
	_, h := serve(t)
	for _, path := range []string{"/overlay?channel=a&align=fire-out&disposal=1", "/book/chain", "/limits"} {
		if w := (call{method: "GET", path: "/engines/quillet" + path}).do(h); w.Code != http.StatusNotFound || !strings.Contains(w.Body.String(), "keeps no past") {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
}
