package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"

	"ashlamp/rules/forecast"
	"ashlamp/simulators/skill/evening"
)

// TestSkill plays a few evenings and holds the forecasts against what the full run shows
// with a wide margin: broken forecasts fail here, chance does not.
func TestSkill(t *testing.T) {
	var out bytes.Buffer
	if err := run(context.Background(), []string{"-n", "24", "-shut", "0.5", "-engines", "0", "-seed", "4", "-data", "../../testdata/published"}, &out, io.Discard); err != nil {
		t.Fatal(err)
	}
	line := regexp.MustCompile(`skill: target=(\S+) horizon=half median_rel_error=(\S+) coverage80=(\S+) rival_line=(\S+) rival_exp=(\S+)`)
	seen := map[string]bool{}
	for _, m := range line.FindAllStringSubmatch(out.String(), -1) {
		v := func(i int) float64 { return number(t, m[i]) }
		seen[m[1]] = true
		if m[1] == "pressure-zero" || m[1] == "firebox-cool" {
			if !(v(2) < 0.08) || !(v(2) < v(4)) || !(v(2) < v(5)) {
				t.Errorf("%s", m[0])
			}
		}
	}
	for _, want := range []string{"pressure-zero", "firebox-cool", "house", "steam-to-move", "below-boiling"} {
		if !seen[want] {
			t.Errorf("no line for %s in\n%s", want, out.String())
		}
	}
	if !strings.Contains(out.String(), "gun-metal") {
		t.Error("nothing on measured data")
	}
}

func TestScoreTakesTheForecastNearestToTheHorizon(t *testing.T) {
	s := evening.Stretch{From: 0, To: 20000, Reached: map[forecast.Target]float64{forecast.FireboxCool: 10000}}
	for at := 0.0; at < 10000; at += 100 {
		// One per cent of the remaining time late; the interval does not hold it.
		left := 10000 - at
		s.Made = append(s.Made, evening.Made{
			At: at, Target: forecast.FireboxCool, Assuming: forecast.AsIs, Told: true,
			ETA: 10000 + 0.01*left, Lo: 10000 + 0.005*left, Hi: 10000 + 0.02*left, Line: math.NaN(), Exp: 10000 - 0.5*left,
		})
	}
	scores := map[key]map[string]*tally{}
	score(scores, &evening.Result{Stretches: []evening.Stretch{s}})
	got := scores[key{forecast.FireboxCool, false}]
	for _, h := range []string{"start", "half", "quarter", "2h", "1h", "30min"} {
		e := got[h]
		if e == nil || e.told != 1 || e.inside != 0 || math.Abs(e.ours[0]-0.01) > 1e-9 || e.line[0] != 1 || math.Abs(e.exp[0]-0.5) > 1e-9 {
			t.Errorf("%s: %+v", h, e)
		}
	}
	if got["4h"] != nil {
		t.Error("scored at four hours, with less than three to go at first")
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	var v float64
	if _, err := fmt.Sscan(s, &v); err != nil {
		t.Fatalf("%q is no number: %v", s, err)
	}
	return v
}
