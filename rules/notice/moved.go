package notice

import (
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
)

// Figures of a forecast that moved. Common practice, no source.
const (
	// MovedBy is by how much the median must have moved at least, and MovedShare by how
	// much of the time that was left: who has planned an hour's way by it does not turn
	// round for less, and one far ahead is not held to the minute. Forecasts of simulated
	// engines that nobody had seen before wandered by half an hour on good evenings.
	MovedBy    = 45 * time.Minute
	MovedShare = 0.25
	// MovedForS is for how long, in seconds, it must stay moved, and outside of the
	// interval that was told before.
	MovedForS = 300
	// MovedAfterS is for how long, in seconds, a phase must have gone on before its forecast
	// is one to hold others against: the first after the cocks were opened are the
	// roughest, and nobody has planned by them yet.
	MovedAfterS = 900
	// MovedEvery is the least time between two tellings.
	MovedEvery = 30 * time.Minute
)

// Moving is how the forecast of an evening has moved.
type Moving struct {
	// Phase is that in which Base was forecast: what is done about the engine changes a
	// forecast without being news.
	Phase disposal.Phase `json:"phase,omitempty"`
	From  time.Time      `json:"from,omitzero"` // when it was first forecast in it
	// Base is what was last told, or forecast at first.
	Base Expected `json:"base,omitzero"`
	// Since is from when the forecast has been another; Told when that was last told.
	Since time.Time `json:"since,omitzero"`
	Told  time.Time `json:"told,omitzero"`
}

// moved follows the forecast where it is to be followed; why is told where it no longer is.
func (f *following) moved(followed bool, why Facts) {
	m := &f.Ledger.Moved
	if !followed {
		f.over(f.find(Moved, ""), why)
		*m = Moving{Told: m.Told}
		return
	}
	e := f.s.Forecast
	if !e.known() {
		m.Since = time.Time{}
		return
	}
	if !m.Base.known() || m.Phase != f.s.Phase {
		m.Phase, m.From = f.s.Phase, f.s.At
	}
	if f.s.At.Sub(m.From).Seconds() < MovedAfterS {
		m.Base, m.Since = e, time.Time{}
		return
	}
	by := max(MovedBy, time.Duration(MovedShare*float64(m.Base.ETA.Sub(f.s.At))))
	if e.ETA.Sub(m.Base.ETA).Abs() < by || !e.ETA.Before(m.Base.Lo) && !e.ETA.After(m.Base.Hi) {
		m.Since = time.Time{}
		return
	}
	if m.Since.IsZero() {
		m.Since = f.s.At
	}
	if f.s.At.Sub(m.Since).Seconds() < MovedForS || !m.Told.IsZero() && f.s.At.Sub(m.Told) < MovedEvery {
		return
	}
	was := m.Base.ETA
	facts := Facts{Was: &was, ETA: &e.ETA, Lo: &e.Lo, Hi: &e.Hi}
	m.Base, m.Since, m.Told = e, time.Time{}, f.s.At
	if c := f.find(Moved, ""); c != nil {
		c.Facts = facts
		f.turn(c, Worse)
		return
	}
	f.begin(Moved, "", f.s.At, alarm.Low, facts, nil)
}
