package judge

import (
	"math"
	"slices"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
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
	}
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
