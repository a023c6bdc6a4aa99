package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestForecastsOfARecordedDisposal: with --forecast the verdicts are the same to the byte,
// forecasts come every ten minutes of the data, and those of the last hour hold.
func TestForecastsOfARecordedDisposal(t *testing.T) {
	recording := filepath.Join("..", "testdata", "disposals", "quillet-evening.ndjson")
	run := func() string {
		var out, errs bytes.Buffer
		code := dispatch(context.Background(), []string{"replay", "-c", filepath.Join("..", "testdata", "config", "fernhollow.toml"), "--engine", "quillet", "--forecast", "10m", recording}, strings.NewReader(""), &out, &errs)
		if code != exitDone || errs.Len() > 0 {
			t.Fatalf("replay: exit code %d, said %q; want 0 and nothing", code, errs.String())
		}
		return out.String()
	}
	got := run()
	if got != run() {
		t.Error("two replays of one recording differ")
	}
	var verdicts strings.Builder
	var forecasts []expected
	var proven time.Time
	for line := range strings.Lines(got) {
		if !strings.Contains(line, `"forecast":`) {
			verdicts.WriteString(line)
			if proven.IsZero() && strings.Contains(line, `"step":"house","verdict":"proven"`) {
				var l struct {
					T time.Time `json:"t"`
				}
				if err := json.Unmarshal([]byte(line), &l); err != nil {
					t.Fatal(err)
				}
				proven = l.T
			}
			continue
		}
		var f expected
		if err := json.Unmarshal([]byte(line), &f); err != nil {
			t.Fatal(err)
		}
		forecasts = append(forecasts, f)
	}
	want, err := os.ReadFile(filepath.Join("..", "testdata", "disposals", "quillet-evening.verdicts.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	if verdicts.String() != string(want) {
		t.Errorf("forecasting changes verdicts\n%s", firstDifference(verdicts.String(), string(want)))
	}
	if proven.IsZero() || len(forecasts) == 0 {
		t.Fatalf("house proven at %v, %d forecasts", proven, len(forecasts))
	}
	first, held, told := forecasts[0].T, 0, 0
	both := map[string]bool{}
	for _, f := range forecasts {
		if f.T.Sub(first)%(10*time.Minute) != 0 {
			t.Errorf("a forecast at %v, not ten minutes after another", f.T)
		}
		if f.ETA != nil {
			both[f.Assuming] = true
		}
		if f.Forecast != "house" || f.Assuming != "as-is" || !f.T.Before(proven) || proven.Sub(f.T) > time.Hour || f.ETA == nil {
			continue
		}
		told++
		// Proven comes a hold time of 2 min after the limit is passed, and with the
		// samples of it.
		if reached := proven.Add(-2 * time.Minute); !f.Lo.After(reached.Add(2*time.Minute)) && !f.Hi.Before(reached.Add(-3*time.Minute)) {
			held++
		}
	}
	if told < 4 || held < told {
		t.Errorf("of %d forecasts of the last hour %d hold %v", told, held, proven)
	}
	if !both["as-is"] || !both["blown-down"] {
		t.Errorf("forecast assuming %v; before the blow-down both are wanted", both)
	}
}
