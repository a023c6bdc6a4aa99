package app_test

import (
	"encoding/json"
	"io"
	"math"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"ashlamp/ingest/store"
	"ashlamp/rules/cooldown"
)

// get asks the running daemon.
func (e *evening) get(path string, into any) {
	e.t.Helper()
	r, err := http.Get("http://" + e.app.Addr().String() + "/api/v1/engines/" + engine + path)
	if err != nil {
		e.t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		e.t.Fatalf("%s: %d %s, %v", path, r.StatusCode, b, err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		e.t.Fatalf("%s: %v: %s", path, err, b)
	}
}

// drawn returns the summaries in a data folder.
func drawn(t *testing.T, data string) []store.Summary {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	list, err := s.Summaries(t.Context(), engine, 10)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

type past struct {
	ID      string            `json:"id"`
	Ended   *time.Time        `json:"ended"`
	Summary *cooldown.Summary `json:"summary"`
}

// TestADisposalIsDrawnUp: a whole evening leaves one summary, which the API gives; a
// daemon that was killed every 40 minutes draws up the same.
func TestADisposalIsDrawnUp(t *testing.T) {
	play := func(t *testing.T, deaths bool) store.Summary {
		e := newEvening(t)
		e.start()
		next, home := arrival.Add(40*time.Minute), time.Time{}
		e.until("the disposal to end", func() bool {
			if deaths && !e.clock.Now().Before(next) {
				next = next.Add(40 * time.Minute)
				e.die()
				e.start()
			}
			if home.IsZero() && e.node.World.Home() {
				home = e.clock.Now()
			}
			return !home.IsZero() && e.clock.Now().After(home.Add(35*time.Minute))
		})
		var list []past
		e.get("/disposals", &list)
		if len(list) != 1 || list[0].Summary == nil || list[0].Ended == nil {
			t.Fatalf("the API gives %+v, want one disposal that ended, with its summary", list)
		}
		var one past
		e.get("/disposals/"+list[0].ID, &one)
		if one.Summary == nil || one.Summary.Samples != list[0].Summary.Samples {
			t.Errorf("by its id it is %+v, in the list %+v", one.Summary, list[0].Summary)
		}
		var trends struct {
			Findings []json.RawMessage `json:"findings"`
			Series   []struct {
				Quantity string            `json:"quantity"`
				Points   []json.RawMessage `json:"points"`
			} `json:"series"`
		}
		e.get("/trends", &trends)
		points := map[string]int{}
		for _, s := range trends.Series {
			points[s.Quantity] = len(s.Points)
		}
		if len(trends.Findings) != 0 || points["firebox-time-constant"] != 1 {
			t.Errorf("trends of one evening: %d findings, points %v; want none, and one of the firebox", len(trends.Findings), points)
		}
		e.die()
		kept := drawn(t, e.data)
		if len(kept) != 1 {
			t.Fatalf("%d summaries are kept, want 1", len(kept))
		}
		return kept[0]
	}
	want, got := play(t, false), play(t, true)
	var s cooldown.Summary
	if err := json.Unmarshal(want.Body, &s); err != nil {
		t.Fatal(err)
	}
	p := s.Passed
	for name, at := range map[string]*time.Time{
		"fire out": p.FireOut, "blow-down begun": p.BlowDownBegun, "blow-down finished": p.BlowDownFinished, "pressure zero": p.PressureZero,
		"firebox cool": p.FireboxCool, "plugs removed": p.PlugsRemoved, "ended": s.Ended,
	} {
		if at == nil {
			t.Errorf("%s is not known: %s", name, want.Body)
		}
	}
	if want.ID != got.ID || !want.Begun.Equal(got.Begun) || !want.Ended.Equal(got.Ended) {
		t.Errorf("never died %s %s %s, died %s %s %s", want.ID, want.Begun, want.Ended, got.ID, got.Begun, got.Ended)
	}
	var died cooldown.Summary
	if err := json.Unmarshal(got.Body, &died); err != nil {
		t.Fatal(err)
	}
	// Packs of one moment are fed again as one, so that an older reading of the air may
	// stand beside a pressure: that is in the third digit of what is fitted, and in no mark.
	a, b := fitted(&s), fitted(&died)
	for i := range a {
		x, y := *a[i], *b[i]
		if (x == nil) != (y == nil) || x != nil && (math.Abs(x.Value-y.Value) > 0.005*math.Abs(x.Value) || x.Means != y.Means) {
			t.Errorf("fit %d: never died %+v, died %+v", i, x, y)
		}
		*b[i] = x
	}
	if s.HeatLoss == nil || s.ShellTimeConstant == nil || s.FireboxTimeConstant == nil {
		t.Errorf("heat loss %+v, shell %+v, firebox %+v; want all known", s.HeatLoss, s.ShellTimeConstant, s.FireboxTimeConstant)
	}
	// Forecasts that were told before a death are not told again; what came, came when it did.
	reached := map[string]time.Time{}
	for _, o := range s.Forecasts {
		reached[o.Target] = o.Reached
	}
	for _, o := range died.Forecasts {
		if !o.Reached.Equal(reached[o.Target]) {
			t.Errorf("%s came at %s, and with deaths at %s", o.Target, reached[o.Target], o.Reached)
		}
	}
	t.Logf("%d forecasts came, with deaths %d", len(s.Forecasts), len(died.Forecasts))
	died.Forecasts = s.Forecasts
	if same, err := json.Marshal(died); err != nil || string(same) != string(want.Body) {
		t.Errorf("never died\n%s\ndied\n%s (%v)", want.Body, got.Body, err)
	}
}

func fitted(s *cooldown.Summary) []**cooldown.Rate {
	return []**cooldown.Rate{
		&s.HeatLoss, &s.HeatLossHigh, &s.HeatLossLow, &s.FallAt100K, &s.FireboxTimeConstant, &s.ShellTimeConstant, &s.PressureLag,
	}
}
