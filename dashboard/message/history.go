package message

import (
	"time"

	"ashlamp/rules/cooldown"
)

// PastDisposal is a disposal with what was drawn up of it.
type PastDisposal struct {
	ID    string    `json:"id"`
	Begun time.Time `json:"begun"`
	// Ended is absent while it is open.
	Ended *time.Time `json:"ended,omitempty"`
	// Summary is null where none was drawn up.
	Summary *cooldown.Summary `json:"summary"`
}

// Whole is as [Engine.Whole].
func (d PastDisposal) Whole() PastDisposal {
	if d.Summary != nil {
		s := *d.Summary
		s.Forecasts = filled(s.Forecasts)
		d.Summary = &s
	}
	return d
}

// Trends is what became different in an engine from one cooldown to another, and the
// figures that it was found in.
type Trends struct {
	Engine string `json:"engine"`
	// Findings are by quantity, of each the oldest change first; none is a judgement.
	Findings []TrendFinding `json:"findings"`
	Series   []TrendSeries  `json:"series"`
}

// Whole is as [Engine.Whole].
func (t Trends) Whole() Trends {
	t.Findings = filled(t.Findings)
	t.Series = each(t.Series, TrendSeries.Whole)
	return t
}

// TrendFinding is a step or a drift of one quantity.
type TrendFinding struct {
	// Quantity is the id of one of the series, Unit its unit; empty for a ratio.
	Quantity string `json:"quantity"`
	Unit     string `json:"unit"`
	Kind     string `json:"kind" enum:"step,drift"`
	// Since is the first evening after a step, or the first of a drift; Until the newest
	// that it rests on.
	Since time.Time `json:"since"`
	Until time.Time `json:"until"`
	// Before and After are the medians to either side of a step, or the ends of the line
	// of a drift.
	Before float64 `json:"before"`
	After  float64 `json:"after"`
	// Change is the step in the unit, or the drift in the unit a year; Lo and Hi its 95 %
	// interval.
	Change float64 `json:"change"`
	Lo     float64 `json:"lo"`
	Hi     float64 `json:"hi"`
	// P is the probability of so much by chance.
	P float64 `json:"p"`
	// EveningsBefore and EveningsAfter are how many it rests on; of a drift all are after.
	EveningsBefore int `json:"evenings_before"`
	EveningsAfter  int `json:"evenings_after"`
	// Text says it in one sentence, with what is to be looked at.
	Text string `json:"text"`
}

// TrendSeries is a quantity over the evenings on which it is known.
type TrendSeries struct {
	Quantity string `json:"quantity"`
	Title    string `json:"title"`
	// Unit is empty for a ratio.
	Unit   string       `json:"unit"`
	Points []TrendPoint `json:"points"`
}

// Whole is as [Engine.Whole].
func (s TrendSeries) Whole() TrendSeries {
	s.Points = filled(s.Points)
	return s
}

// TrendPoint is the figure of the disposal that began at T.
type TrendPoint struct {
	T     time.Time `json:"t"`
	Value float64   `json:"value"`
}
