package judge

import (
	"math"
	"reflect"
	"slices"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/energy"
	"ashlamp/rules/engine"
	"ashlamp/rules/forecast"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/uncertainty"
)

// Engine returns what the pages are told of an engine once.
func Engine(e engine.Engine, marks map[string]float64) message.Engine {
	m := message.Engine{ID: e.ID, Name: e.Name, Tanks: e.Tanks, WorkingPressure: e.WorkingPressure * 1e5, Marks: marks}
	for id := range e.Channels {
		m.Measured = append(m.Measured, id)
	}
	slices.Sort(m.Measured)
	return m
}

// StateOf puts the judgement's state into the words of the wire.
func StateOf(e engine.Engine, s rules.State) message.State {
	m := message.State{
		Engine: e.ID, At: s.At, Phase: string(s.Phase), LayUp: s.LayUp,
		Channels: map[telemetry.Channel]message.Reading{}, Front: s.Front,
		Disposal: disposalOf(s),
		Alarms:   alarmsOf(e, s), Findings: findingsOf(s), Bearing: bearingOf(s), Rest: restOf(s), Energy: energyOf(s.Energy),
	}
	for _, r := range s.Readings {
		m.Channels[r.Channel] = readingOf(r, s.At)
	}
	for _, st := range s.Steps {
		step := message.Step{ID: st.ID, Title: st.Title, Verdict: st.Verdict, Since: st.Since, Done: pointer(st.Done)}
		for _, b := range st.Because {
			step.Because = append(step.Because, message.Reason{
				Evidence: b.Evidence, Title: b.Title, Verdict: b.Verdict, Text: b.Text, Confirm: b.Confirm,
			})
		}
		m.Steps = append(m.Steps, step)
	}
	m.Forecasts = forecastsOf(s)
	for _, a := range s.Asks {
		m.Asks = append(m.Asks, message.Ask(a))
	}
	for _, g := range s.Confirmations {
		m.Confirmations = append(m.Confirmations, message.Given{Confirm: g.Confirm, By: g.By, At: g.At, Until: pointer(g.Until)})
	}
	return m.Whole()
}

func changeOf(e engine.Engine, s rules.State) message.Change {
	m := StateOf(e, s)
	return message.Change{
		At: m.At, Engine: m.Engine, Phase: &m.Phase, LayUp: &m.LayUp, Disposal: m.Disposal,
		Channels: m.Channels, Steps: m.Steps, Front: &m.Front, Asks: &m.Asks,
		Confirmations: &m.Confirmations, Marks: &s.Marks,
		Alarms: &m.Alarms, Findings: &m.Findings, Bearing: &m.Bearing, Rest: &m.Rest, Energy: m.Energy, Forecasts: &m.Forecasts,
	}
}

// forecastsOf puts forecasts into the words of the wire, to the second: no forecast is
// better than that.
func forecastsOf(s rules.State) []message.Forecast {
	out := make([]message.Forecast, 0, len(s.Forecasts))
	for _, f := range s.Forecasts {
		out = append(out, ForecastOf(f))
	}
	return out
}

// ForecastOf puts one forecast into the words of the wire.
func ForecastOf(f forecast.Forecast) message.Forecast {
	m := message.Forecast{Forecast: string(f.Target), Assuming: string(f.Assuming), Text: f.Text}
	if f.ETA != 0 {
		m.ETA, m.Lo, m.Hi = second(f.ETA), second(f.Lo), second(f.Hi)
	}
	return m
}

func second(i track.Instant) *time.Time {
	t := i.Time().Round(time.Second)
	return &t
}

func disposalOf(s rules.State) *message.Disposal {
	if s.Begun.IsZero() {
		return nil
	}
	return &message.Disposal{ID: DisposalID(s.Begun), Begun: s.Begun, Ended: pointer(s.Ended)}
}

// DisposalID names a disposal by the moment when it began.
func DisposalID(begun time.Time) string { return begun.UTC().Format("20060102t150405") }

func readingOf(r rules.Reading, now time.Time) message.Reading {
	unit, _ := telemetry.UnitOf(r.Channel)
	m := message.Reading{
		Unit: unit, Quality: r.Quality, Reason: r.Reason, At: r.At,
		AgeS: now.Sub(r.At).Seconds(), Stale: r.Stale, FreshS: r.FreshS,
	}
	if !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0) {
		v := r.Value
		m.Value = &v
	}
	if !math.IsNaN(r.U) && !math.IsInf(r.U, 0) {
		m.Uncertainty = r.U
	}
	return m
}

func pointer(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// told remembers what the pages were last told of what seldom changes, so that it is
// not told again with every reading.
type told struct {
	alarms   []message.Alarm
	findings []message.Finding
	bearing  message.Bearing
	rest     message.Rest
	energy   *message.Energy
	expected []message.Forecast
	any      bool
}

// change leaves out of a change what the pages know.
func (t *told) change(c message.Change) message.Change {
	if t.any {
		if reflect.DeepEqual(t.alarms, *c.Alarms) {
			c.Alarms = nil
		}
		if reflect.DeepEqual(t.findings, *c.Findings) {
			c.Findings = nil
		}
		if reflect.DeepEqual(t.bearing, *c.Bearing) {
			c.Bearing = nil
		}
		if reflect.DeepEqual(t.rest, *c.Rest) {
			c.Rest = nil
		}
		if reflect.DeepEqual(t.energy, c.Energy) {
			c.Energy = nil
		}
		if reflect.DeepEqual(t.expected, *c.Forecasts) {
			c.Forecasts = nil
		}
	}
	t.any = true
	keep(&t.alarms, c.Alarms)
	keep(&t.findings, c.Findings)
	keep(&t.bearing, c.Bearing)
	keep(&t.rest, c.Rest)
	keep(&t.expected, c.Forecasts)
	if c.Energy != nil {
		t.energy = c.Energy
	}
	return c
}

func keep[T any](field *T, with *T) {
	if with != nil {
		*field = *with
	}
}

// AlarmID names an alarm for the outside: its engine and its watch.
func AlarmID(engine, watch string) string { return engine + "." + watch }

func alarmsOf(e engine.Engine, s rules.State) []message.Alarm {
	out := []message.Alarm{}
	for _, a := range s.Alarms {
		if a.State == alarm.Normal {
			continue
		}
		text, by := a.Text, a.By
		switch {
		case a.State == alarm.Suppressed:
			text = a.SuppressedFor
		case a.Why != "":
			text = a.Why
		}
		out = append(out, message.Alarm{
			ID: AlarmID(e.ID, a.Watch), T: a.Since.Time(), Engine: e.ID, Watch: a.Watch,
			State: a.State.String(), Priority: a.Priority.String(), Text: text, Title: a.Title,
			Consequence: a.Consequence, Action: a.Action, RespondS: a.RespondS, By: by,
			Until: instant(a.ShelvedUntil), Unseen: a.Unseen, Shelvable: a.ShelfS,
		})
	}
	return out
}

func instant(i track.Instant) *time.Time {
	if i == 0 || i == track.Never {
		return nil
	}
	t := i.Time()
	return &t
}

func findingsOf(s rules.State) []message.Finding {
	out := []message.Finding{}
	for _, f := range s.Findings {
		out = append(out, message.Finding{Channel: f.Channel, Node: f.Node, Kind: f.Kind.String(), Since: f.Since.Time(), Text: f.Text})
	}
	return out
}

func bearingOf(s rules.State) message.Bearing {
	f := s.Figures
	return message.Bearing{
		Raised: f.Raised, PerTenMin: math.Round(100*f.PerTenMin) / 100, LastTenMin: f.LastTenMin, PeakTenMin: f.PeakTenMin,
		Flood: f.Flood, Floods: f.Floods, Chattering: f.Chattering, Stale: f.Stale,
	}.Whole()
}

// figure rounds to what a page shows; nil for what is not known.
func figure(v, step float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	v = math.Round(v/step) * step
	return &v
}

func restOf(s rules.State) message.Rest {
	r := s.Rest
	hours := func(seconds float64) float64 { return math.Round(seconds/360) / 10 }
	out := message.Rest{
		Since: pointer(r.Since), Wanted: pointer(r.Wanted), Advised: r.Advice.LayUp, Advice: r.Advice.Text,
		WatchedH: hours(r.Damp.WatchedS), DampH: hours(r.Damp.WetS), CondensingH: hours(r.Damp.RiskS),
		FrostMarginK: figure(r.FrostMarginK, 0.1), DriesPerH: figure(r.Drying.PerHour, 0.01), DryAt: instant(r.Drying.End),
		Drying: r.Drying.Why, Repairs: r.Repairs,
	}
	if r.Known {
		out.DewC, out.MarginK, out.AtSteel = figure(r.Air.DewC, 0.1), figure(r.Air.MarginK, 0.1), figure(r.Air.AtSteel, 0.1)
	}
	for _, m := range r.Reminders {
		// Due at the very moment is due as long as it stands.
		out.Reminders = append(out.Reminders, message.Reminder{ID: m.ID, Text: m.Text, Before: m.Before, Due: m.Due.Time().Truncate(time.Hour)})
	}
	return out.Whole()
}

// energyOf puts what the boiler holds into the words of the wire, in as many digits as
// its uncertainty leaves any sense.
func energyOf(v energy.View) *message.Energy {
	return &message.Energy{
		EnergyMJ: quantity(v.Energy), WaterKg: quantity(v.Water), LossKW: quantity(v.Loss),
		FlashKg: quantity(v.Flash), FlashShare: quantity(v.FlashShare),
		EnergyMostMJ: most(v.EnergyMost), WaterMostKg: most(v.WaterMost), FlashMostKg: most(v.FlashMost),
		Why: v.Why, WhyNoLoss: v.WhyNoLoss,
	}
}

// finest is the most digits after the point: a thousandth of the water, or a watt.
// Finer ones would be told anew with every tremble of the transducer.
const finest = 3

// quantity rounds a value to the second digit of its uncertainty, and that upwards
// (JCGM 100:2008, 7.2.6); nil for what is not known.
func quantity(v uncertainty.Value) *message.Quantity {
	if !v.Stated() || math.IsInf(v.U, 0) {
		return nil
	}
	digits := min(finest, 1-int(math.Floor(math.Log10(v.U))))
	// Scaled by a whole power of ten, so that no step of 0.1 leaves a tail of digits.
	scale := math.Pow10(max(digits, -digits))
	if digits < 0 {
		return &message.Quantity{Value: math.Round(v.X/scale) * scale, U: math.Ceil(v.U/scale) * scale}
	}
	return &message.Quantity{Value: math.Round(v.X*scale) / scale, U: math.Ceil(v.U*scale) / scale}
}

// most is a bound in two digits, rounded upwards; nil where there is none.
func most(v float64) *float64 {
	if q := quantity(uncertainty.Value{X: v, U: v}); q != nil {
		return &q.U
	}
	return nil
}
