package judge

import (
	"testing"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

// TestWhatCameOfAForecast: what the pages were told to expect is kept until it comes, and
// what was told without a time, or before a disposal, is not.
func TestWhatCameOfAForecast(t *testing.T) {
	e := engine.Engine{
		ID: "quillet", WorkingPressure: 10, BoilerVolume: 400, LayUp: telemetry.Dry, EmptiedBy: engine.Cold, Limits: limit.Defaults(10, 400),
		Channels: map[telemetry.Channel]engine.Channel{telemetry.BoilerPressure: {ID: telemetry.BoilerPressure, Uncertainty: 4000}},
	}
	j, err := rules.New(e)
	if err != nil {
		t.Fatal(err)
	}
	h, err := NewHistory(e)
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)
	at := func(m int) time.Time { return begun.Add(time.Duration(m) * time.Minute) }
	told := func(target string, eta, lo, hi int) message.Forecast {
		a, b, c := at(eta), at(lo), at(hi)
		return message.Forecast{Forecast: target, Assuming: "as-is", ETA: &a, Lo: &b, Hi: &c}
	}
	h.foretold(at(-1), []message.Forecast{told("pressure-zero", 50, 40, 60)}) // no disposal yet
	changes, err := j.Hear(telemetry.Event{At: begun, Kind: telemetry.DisposalBegun})
	if err != nil {
		t.Fatal(err)
	}
	h.Changes(changes, j)
	for m := range 90 {
		h.foretold(at(m), []message.Forecast{told("pressure-zero", 50, 40, 55), {Forecast: "house", Assuming: "as-is", Text: "Nothing honest can be said."}})
		v := 0.0
		if m < 60 {
			v = float64(60-m) * 1e4
		}
		h.Samples([]telemetry.Sample{{Channel: telemetry.BoilerPressure, At: at(m), Value: v, Quality: telemetry.Good}})
	}
	s, ok := h.rec.Summary()
	if !ok || len(s.Forecasts) == 0 {
		t.Fatalf("%+v, want what came of the forecasts", s)
	}
	for _, o := range s.Forecasts {
		if o.Target != "pressure-zero" || o.ErrorS != 600 || o.Within == nil || *o.Within {
			t.Errorf("%+v, want pressure-zero ten minutes late, outside its interval", o)
		}
	}
	if s.Forecasts[0].LeadS != 3600 {
		t.Errorf("the first was made %g s ahead, want 3600", s.Forecasts[0].LeadS)
	}
}
