// Package rerun judges again what is kept: it hands out samples and words as they came,
// and sees a past disposal judged by other limits beside those in force.
package rerun

import (
	"cmp"
	"container/heap"
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/disposal"
	"ashlamp/rules/telemetry"
)

// Lead is how far before a moment samples are judged for a judge to stand there as one
// that ran all the time: the longest hold is 24 h, the longest trend half an hour.
const Lead = 36 * time.Hour

// Kept is what this package needs of a store.
type Kept interface {
	// Book hands out an engine's entries of those kinds within [from, to), in order; a
	// zero to means no end.
	Book(ctx context.Context, engine string, from, to time.Time, kinds ...string) iter.Seq2[store.BookEntry, error]
	// All hands out the samples of the engine and of the shed within [from, to), in order
	// of time; a zero to means no end.
	All(ctx context.Context, engine string, from, to time.Time) iter.Seq2[store.Record, error]
}

// Words are the kinds of entries in a book that [Heard] asks for.
func Words() []string {
	kinds := []string{judge.KindLapsed, judge.KindPassage}
	for _, k := range []telemetry.Kind{
		telemetry.Confirmed, telemetry.Withdrawn, telemetry.DisposalBegun, telemetry.DisposalEnded, telemetry.FireLit,
		telemetry.NodePutAway, telemetry.NodeBack, telemetry.AlarmAcknowledged, telemetry.AlarmShelved, telemetry.AlarmUnshelved,
		telemetry.RepairBooked, telemetry.RepairDone, telemetry.NextWanted, telemetry.LookedInto,
	} {
		kinds = append(kinds, k.String())
	}
	return kinds
}

// Heard returns what people said within [from, to), in order; a zero to means no end.
// What lapsed before samples is taken back, and a disposal that was found then begins,
// since the samples that did it are not judged again; what came later comes of itself.
func Heard(ctx context.Context, k Kept, engine string, from, samples, to time.Time) ([]telemetry.Event, error) {
	var out []telemetry.Event
	for e, err := range k.Book(ctx, engine, from, to, Words()...) {
		if err != nil {
			return nil, fmt.Errorf("read the book: %w", err)
		}
		switch e.Kind {
		case judge.KindLapsed:
			var l rules.Lapse
			if err := json.Unmarshal(e.Body, &l); err != nil {
				return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
			}
			if e.At.Before(samples) {
				out = append(out, telemetry.Event{At: e.At, Kind: telemetry.Withdrawn, Subject: l.Confirm})
			}
		case judge.KindPassage:
			var p rules.Passage
			if err := json.Unmarshal(e.Body, &p); err != nil {
				return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
			}
			if p.Event == begun && p.Why == disposal.Found && e.At.Before(samples) {
				out = append(out, telemetry.Event{At: e.At, Kind: telemetry.DisposalBegun})
			}
		default:
			var ev telemetry.Event
			if err := json.Unmarshal(e.Body, &ev); err != nil {
				return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
			}
			out = append(out, ev)
		}
	}
	return out, nil
}

const begun = "begun"

// Received hands out samples in the order in which they were received, which come in
// that of their own times: what came late is judged as late as it was, else a gap that
// people saw would never have been. After an error nothing follows.
func Received(rows iter.Seq2[store.Record, error]) iter.Seq2[store.Record, error] {
	return func(yield func(store.Record, error) bool) {
		var held arrivals
		for r, err := range rows {
			if err != nil {
				yield(store.Record{}, err)
				return
			}
			// None that follows was received before this.
			for len(held.rows) > 0 && held.rows[0].Received.Before(r.At.Add(-rules.MaxAheadS*time.Second)) {
				if !yield(heap.Pop(&held).(arrival).Record, nil) {
					return
				}
			}
			held.came++
			heap.Push(&held, arrival{r, held.came})
		}
		for len(held.rows) > 0 {
			if !yield(heap.Pop(&held).(arrival).Record, nil) {
				return
			}
		}
	}
}

// arrivals is a heap of samples by when they came.
type arrivals struct {
	rows []arrival
	came int
}

type arrival struct {
	store.Record
	number int // in the order of the samples' own times
}

func (a *arrivals) Len() int      { return len(a.rows) }
func (a *arrivals) Swap(i, j int) { a.rows[i], a.rows[j] = a.rows[j], a.rows[i] }
func (a *arrivals) Push(x any)    { a.rows = append(a.rows, x.(arrival)) }

func (a *arrivals) Less(i, j int) bool {
	return cmp.Or(a.rows[i].Received.Compare(a.rows[j].Received), cmp.Compare(a.rows[i].number, a.rows[j].number)) < 0
}

func (a *arrivals) Pop() any {
	last := len(a.rows) - 1
	x := a.rows[last]
	a.rows = a.rows[:last]
	return x
}
