package app_test

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/rules"
	"ashlamp/rules/limit"
)

// ask makes a call of an engine and returns its status and body.
func (e *evening) ask(method, path, body string) (int, string) {
	e.t.Helper()
	q, err := http.NewRequestWithContext(e.t.Context(), method, "http://"+e.app.Addr().String()+"/api/v1/engines/"+engine+path, strings.NewReader(body))
	if err != nil {
		e.t.Fatal(err)
	}
	q.Header.Set("Content-Type", "application/json")
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		e.t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		e.t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

// rerun returns the result of a reckoning, after its progress.
func (e *evening) rerun(id, limits string) message.Rerun {
	e.t.Helper()
	status, body := e.ask(http.MethodPost, "/disposals/"+id+"/rerun", `{"limits":`+limits+`}`)
	if status != http.StatusOK {
		e.t.Fatalf("%d %s", status, body)
	}
	var out *message.Rerun
	told := 0
	for lines := bufio.NewScanner(strings.NewReader(body)); lines.Scan(); {
		var l message.RerunLine
		if out != nil || json.Unmarshal(lines.Bytes(), &l) != nil || l.Problem != nil {
			e.t.Fatalf("line %s", lines.Text())
		}
		if l.Progress != nil {
			told++
		}
		out = l.Result
	}
	if out == nil || told < 2 {
		e.t.Fatalf("%d lines of progress and the result %v, want some and one", told, out)
	}
	return *out
}

// TestAWholeEveningLookedBackUpon: of an evening that was really judged, by samples that
// came over a real broker, each call over the years gives what it was.
func TestAWholeEveningLookedBackUpon(t *testing.T) {
	e := newEvening(t)
	e.start()
	home := time.Time{}
	e.until("the disposal to end", func() bool {
		if home.IsZero() && e.node.World.Home() {
			home = e.clock.Now()
		}
		return !home.IsZero() && e.clock.Now().After(home.Add(35*time.Minute))
	})
	var list []past
	e.get("/disposals", &list)
	if len(list) != 1 || list[0].Ended == nil {
		t.Fatalf("the disposals are %+v, want one that ended", list)
	}
	id, passed := list[0].ID, list[0].Summary.Passed

	t.Run("judged again by the limits in force", func(t *testing.T) {
		r := e.rerun(id, "{}")
		if !r.Faithful {
			t.Error("it is not what was judged that evening")
		}
		proven := 0
		for _, s := range r.Steps {
			if !s.Faithful || !reflect.DeepEqual(s.FirstProvenWas, s.FirstProvenNow) && *s.MovedS > 1 {
				t.Errorf("%s: was %v\nis %v\n%s", s.Step, s.Was, s.Now, s.Why)
			}
			if s.FirstProvenWas != nil {
				proven++
			}
		}
		if want := len(r.Steps) - 3; proven < want {
			t.Errorf("%d steps were proven on a whole evening, want %d or more", proven, want)
		}
	})
	t.Run("judged again by a longer hold", func(t *testing.T) {
		was := e.state()
		r := e.rerun(id, `{"zero_hold_s": 3600}`)
		i := slices.IndexFunc(r.Steps, func(s message.RerunStep) bool { return s.Step == "plugs-out" })
		s := r.Steps[i]
		if !r.Faithful || s.FirstProvenWas == nil || s.FirstProvenNow != nil && s.FirstProvenNow.Sub(*passed.PressureZero) < 3600*time.Second {
			t.Errorf("zero was reached %v; by an hour's hold the plugs are out %v (was %v): %s", passed.PressureZero, s.FirstProvenNow, s.FirstProvenWas, s.Why)
		}
		for _, other := range r.Steps {
			uses := slices.Contains([]string{"plugs-out", "house", "reach-in"}, other.Step)
			if !uses && !reflect.DeepEqual(other.Was, other.Now) && other.Why != "" {
				t.Errorf("%s does not ask for zero, and became different: %s", other.Step, other.Why)
			}
		}
		if is := e.state(); essence(t, is) != essence(t, was) {
			t.Error("the engine is judged otherwise now than before the reckoning")
		}
	})
	t.Run("limits that cannot be", func(t *testing.T) {
		for _, c := range []struct{ limits, says string }{
			{`{"zero_band": 0.05}`, "zero_band_bar"},
			{`{"open_smokebox_c": 500}`, "outside 40 to 200"},
			{`{"hold_s": "long"}`, "no number"},
			{`{"hold_s": 60, "hold_s": 90}`, "twice"},
			{`{"blow_down_min_bar": 30}`, "is not below blow_down_max_bar"},
			{`[]`, "object"},
		} {
			status, body := e.ask(http.MethodPost, "/disposals/"+id+"/rerun", `{"limits":`+c.limits+`}`)
			if status != http.StatusBadRequest || !strings.Contains(body, c.says) {
				t.Errorf("%s: %d %s, want a refusal that says %q", c.limits, status, body, c.says)
			}
		}
		if status, body := e.ask(http.MethodPost, "/disposals/19991231t235959/rerun", `{"limits":{}}`); status != http.StatusNotFound {
			t.Errorf("a disposal that is none: %d %s", status, body)
		}
	})
	t.Run("overlay", func(t *testing.T) {
		for align, at := range map[string]*time.Time{"fire-out": passed.FireOut, "blow-down": passed.BlowDownBegun, "pressure-zero": passed.PressureZero} {
			var o message.Overlay
			e.get("/overlay?channel=boiler.pressure&align="+align+"&points=600&disposal="+id, &o)
			if len(o.Disposals) != 1 || o.Unit != "Pa" || o.Align != align {
				t.Fatalf("%s: %+v", align, o)
			}
			d := o.Disposals[0]
			if d.At == nil || !d.At.Equal(*at) || d.Why != "" {
				t.Errorf("%s: laid by %v (%s), want %v", align, d.At, d.Why, at)
			}
			if n := len(d.S); n < 300 || len(d.Mean) != n || !slices.IsSorted(d.S) {
				t.Fatalf("%s: lists of %d, %d", align, n, len(d.Mean))
			}
			if first := d.At.Add(time.Duration(d.S[0] * 1e9)); first.Sub(d.Begun).Abs() > time.Minute {
				t.Errorf("%s: the curve begins at %s, the disposal at %s", align, first, d.Begun)
			}
			known := 0
			for _, m := range d.Mean {
				if m != nil {
					known++
				}
			}
			if known < len(d.S)/2 {
				t.Errorf("%s: only %d of %d are known", align, known, len(d.S))
			}
		}
		if status, body := e.ask(http.MethodGet, "/overlay?channel=boiler.pressure&align=fire-out&disposal="+id+"&disposal=19991231t235959", ""); status != http.StatusNotFound {
			t.Errorf("with a disposal that is none: %d %s", status, body)
		}
	})
	t.Run("the book's chain", func(t *testing.T) {
		var c message.BookChain
		for c.State != "whole" {
			e.get("/book/chain", &c)
			if c.State == "broken" {
				t.Fatal(c.Text)
			}
		}
		var book []message.Entry
		e.get("/book?limit=1", &book)
		if c.Entries != book[0].Seq || len(c.Hash) != 64 || c.Broken != nil || !c.Last.Equal(book[0].At) {
			t.Errorf("the chain is %+v, the newest entry %+v", c, book[0])
		}
	})
	t.Run("limits", func(t *testing.T) {
		var list []message.Limit
		e.get("/limits", &list)
		if len(list) != len(limit.Table()) {
			t.Fatalf("%d limits, want %d", len(list), len(limit.Table()))
		}
		for i, want := range limit.Table() {
			got := list[i]
			if got.Key != string(want.Key) || got.Unit == "" || got.Title == "" || got.Source == "" || got.Value != nil && !(*got.Value >= got.Min && *got.Value <= got.Max) {
				t.Errorf("%+v", got)
			}
			for _, id := range got.Steps {
				if !slices.ContainsFunc(rules.Steps(), func(s rules.Step) bool { return s.ID == id }) {
					t.Errorf("%s has a part in %s, which is no step", got.Key, id)
				}
			}
		}
		band := list[0]
		if band.Key != "zero_band_bar" || band.Value == nil || !slices.Contains(band.Steps, "plugs-out") {
			t.Errorf("the zero band is %+v, want the transducer's own", band)
		}
	})
	t.Run("given up", func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		q, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+e.app.Addr().String()+"/api/v1/engines/"+engine+"/disposals/"+id+"/rerun", strings.NewReader(`{"limits":{}}`))
		if err != nil {
			t.Fatal(err)
		}
		q.Header.Set("Content-Type", "application/json")
		r, err := http.DefaultClient.Do(q)
		if err != nil {
			t.Fatal(err)
		}
		line, err := bufio.NewReader(r.Body).ReadString('\n')
		if err != nil || !strings.Contains(line, "progress") {
			t.Fatalf("%q, %v", line, err)
		}
		cancel()
		r.Body.Close()
		// Once nobody asks for it any more there is room for another.
		for status := 0; status != http.StatusOK; {
			body := ""
			if status, body = e.ask(http.MethodPost, "/disposals/"+id+"/rerun", `{"limits":{}}`); status != http.StatusOK && status != http.StatusServiceUnavailable {
				t.Fatalf("%d %s", status, body)
			}
		}
	})
}
