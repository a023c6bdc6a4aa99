package api

import (
	"fmt"
	"math"
	"net/http"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/telemetry"
)

// MaxSpan is the longest span of a series, twenty years: drawn from sums of hours, of
// which it has no more than can be read while nobody notices. MaxLanes is that of lanes,
// a leap year: those are read verdict by verdict. Common practice, no source.
const (
	MaxSpan  = 20 * 366 * 24 * time.Hour
	MaxLanes = 366 * 24 * time.Hour
)

// checkSpan refuses a span that is none or is longer than the longest.
func checkSpan(from, to time.Time, longest time.Duration) error {
	switch {
	case !from.Before(to):
		return fmt.Errorf("from %s is not before to %s", from.Format(time.RFC3339), to.Format(time.RFC3339))
	case to.Sub(from) > longest:
		return fmt.Errorf("from %s to %s is more than %s", from.Format(time.RFC3339), to.Format(time.RFC3339), days(longest))
	}
	return nil
}

func spanMend(longest time.Duration) string {
	return "Give from and to in RFC 3339, from the earlier, at most " + days(longest) + " apart."
}

func days(d time.Duration) string { return fmt.Sprintf("%d days", d/(24*time.Hour)) }

func (a *API) series(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	q := seriesQuery{Points: DefaultPoints}
	if !readQuery(w, r, &q) {
		return
	}
	if err := checkSpan(q.From, q.To, MaxSpan); err != nil {
		problem.Write(w, r, problem.BadRequest, sentence(err.Error()), spanMend(MaxSpan))
		return
	}
	if q.Points < 1 || q.Points > MaxPoints {
		problem.Write(w, r, problem.BadRequest, fmt.Sprintf("The parameter points is %d.", q.Points), fmt.Sprintf("Ask for 1 to %d points.", MaxPoints))
		return
	}
	engine := state.Engine
	if q.Channel.OfShed() {
		engine = ""
	}
	buckets, err := a.past.Buckets(r.Context(), engine, q.Channel, q.From.UTC(), q.To.UTC(), q.Points)
	if err != nil {
		a.failed(w, r, err)
		return
	}
	unit, known := telemetry.UnitOf(q.Channel)
	if !known {
		unit = state.Channels[q.Channel].Unit
	}
	a.answer(w, r, http.StatusOK, message.Series{
		Channel: q.Channel, Unit: unit, From: q.From.UTC(), To: q.To.UTC(), Buckets: bucketsOf(buckets),
	})
}

func bucketsOf(buckets []telemetry.Bucket) []message.Bucket {
	out := make([]message.Bucket, len(buckets))
	for i, b := range buckets {
		out[i] = message.Bucket{
			From: b.From.UTC(), To: b.To.UTC(), Count: b.Count, Worst: b.Worst,
		}
		if b.Count > 0 {
			out[i].Min, out[i].Mean, out[i].Max = number(b.Min), number(b.Mean), number(b.Max)
		}
	}
	return out
}

// number is nil for what JSON has no number for.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func (a *API) lanes(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	var q lanesQuery
	if !readQuery(w, r, &q) {
		return
	}
	if err := checkSpan(q.From, q.To, MaxLanes); err != nil {
		problem.Write(w, r, problem.BadRequest, sentence(err.Error()), spanMend(MaxLanes))
		return
	}
	lanes, err := a.past.Lanes(r.Context(), state.Engine, q.From.UTC(), q.To.UTC())
	if err != nil {
		a.failed(w, r, err)
		return
	}
	a.answer(w, r, http.StatusOK, lanes.Whole())
}

func (a *API) book(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	q := bookQuery{Limit: DefaultEntries}
	if !readQuery(w, r, &q) {
		return
	}
	if q.Limit < 1 || q.Limit > MaxEntries {
		problem.Write(w, r, problem.BadRequest, fmt.Sprintf("The parameter limit is %d.", q.Limit), fmt.Sprintf("Ask for 1 to %d entries, and with before=SEQ for those before.", MaxEntries))
		return
	}
	entries, err := a.past.Book(r.Context(), state.Engine, q.Before, q.Limit)
	if err != nil {
		a.failed(w, r, err)
		return
	}
	a.answer(w, r, http.StatusOK, orEmpty(entries))
}
