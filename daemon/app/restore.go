package app

import (
	"cmp"
	"container/heap"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/disposal"
	"ashlamp/rules/telemetry"
)

// restoreSpan is how far back samples are judged again after a restart: the
// longest hold is 24 h, the longest trend half an hour.
const restoreSpan = 36 * time.Hour

// resumed is how many summaries a history goes on from, the newest: more disposals than
// the span can hold.
const resumed = 20

// restore brings a judge up to date: what people said since the newest disposal
// began, and the samples of the last day and a half, as they came; then time
// passes until now, a gap like any other. What was found then is in the book already.
// It returns what is not: what was found after the book's last finding, since a
// daemon that dies may have stored samples that it never came to judge. The history is
// fed the same, and goes on from what was written of it.
func restore(ctx context.Context, s *store.Store, engine string, j *rules.Judge, h *judge.History, now time.Time, log *slog.Logger) ([]rules.Change, error) {
	said, err := heard(ctx, s, engine, now.Add(-restoreSpan))
	if err != nil {
		return nil, err
	}
	written, err := lastFound(ctx, s, engine)
	if err != nil {
		return nil, err
	}
	kept, err := savedOf(ctx, s, engine)
	if err != nil {
		return nil, err
	}
	var found []rules.Change
	take := func(changes []rules.Change) {
		h.Changes(changes, j)
		for _, c := range changes {
			if c.Alarm != nil && kept != nil {
				continue // the book has those up to then, with what was kept
			}
			if at, ok := ownMoment(c); ok && at.After(written) {
				found = append(found, c)
			}
		}
	}
	next := 0
	// What was kept is taken up at its own moment: alarms as people left them, delays
	// as far as they had run. What the samples after it say is judged by that.
	upTo := func(t time.Time) {
		if kept != nil && t.After(kept.At.Time()) {
			at := kept.At.Time()
			take(j.Advance(at))
			changes, err := j.Restore(*kept)
			if err != nil {
				log.Warn("an alarm could not be taken up as it was", "error", err)
			}
			take(changes)
			kept = nil
		}
	}
	until := func(t time.Time) {
		for ; next < len(said) && !said[next].At.After(t); next++ {
			upTo(said[next].At)
			// What was kept was judged once: it cannot be wrong now unless a newer
			// version no longer knows it, and then it proves nothing.
			changes, _ := j.Hear(said[next])
			take(changes)
			h.Hear(said[next])
		}
	}
	var pack []telemetry.Sample
	var at time.Time
	flush := func() {
		if len(pack) > 0 {
			until(at)
			upTo(at)
			changes := j.Samples(at, pack)
			h.Samples(pack)
			take(changes)
			pack = pack[:0]
		}
	}
	arrived := func(r store.Record) {
		// A clock that was ahead once must not carry the judgement away with it.
		if t := earlier(r.Received, now); !t.Equal(at) {
			flush()
			at = t
		}
		pack = append(pack, r.Sample)
	}
	// What fell silent before the span stays known to have been heard once: else an
	// alarm of its silence would return to normal by a restart.
	old, err := silent(ctx, s, engine, now.Add(-restoreSpan))
	if err != nil {
		return nil, err
	}
	for _, r := range old {
		arrived(r)
	}
	var held arrivals
	// No end: a node's clock may be a little ahead of this one.
	for r, err := range s.All(ctx, engine, now.Add(-restoreSpan), time.Time{}) {
		if err != nil {
			return nil, fmt.Errorf("read samples: %w", err)
		}
		// None that follows was received before this.
		for len(held.rows) > 0 && held.rows[0].Received.Before(r.At.Add(-rules.MaxAheadS*time.Second)) {
			arrived(heap.Pop(&held).(arrival).Record)
		}
		held.came++
		heap.Push(&held, arrival{r, held.came})
	}
	for len(held.rows) > 0 {
		arrived(heap.Pop(&held).(arrival).Record)
	}
	flush()
	until(now)
	upTo(now)
	take(j.Advance(now))
	drawn, err := summaries(ctx, s, engine, resumed)
	if err != nil {
		return nil, err
	}
	h.Resume(drawn, now.Add(-restoreSpan))
	return found, nil
}

// silent returns the newest sample of each channel of the engine and the shed that was
// not heard since from, in order of time.
func silent(ctx context.Context, s *store.Store, engine string, from time.Time) ([]store.Record, error) {
	var out []store.Record
	for _, of := range []string{engine, ""} {
		latest, err := s.Latest(ctx, of)
		if err != nil {
			return nil, fmt.Errorf("read the newest samples: %w", err)
		}
		for _, x := range latest {
			if x.At.Before(from) {
				out = append(out, store.Record{Sample: x, Received: x.At})
			}
		}
	}
	slices.SortFunc(out, func(a, b store.Record) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Channel, b.Channel))
	})
	return out, nil
}

// arrivals is a heap of samples by when they came: what came late is judged as late as
// it was, else a gap that people saw would never have been.
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

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// savedOf returns what the judge of an engine kept, nil for nothing.
func savedOf(ctx context.Context, s *store.Store, engine string) (*rules.Saved, error) {
	b, ok, err := judge.Book{Store: s}.Saved(ctx, engine)
	if err != nil || !ok {
		return nil, err
	}
	var kept rules.Saved
	if err := json.Unmarshal(b, &kept); err != nil {
		return nil, fmt.Errorf("read how the alarms of %s stood: %w", engine, err)
	}
	return &kept, nil
}

// foretell makes a judge forecast, with what was kept of what its engine taught.
func foretell(ctx context.Context, s *store.Store, engine string, j *rules.Judge) error {
	kept, err := savedOf(ctx, s, engine)
	if err != nil || kept == nil {
		return errors.Join(err, j.Foretell(nil))
	}
	return j.Foretell(kept.Learned)
}

// ownMoment returns when a lapse or a passage was. Verdicts are none: each is
// written anew at the start.
func ownMoment(c rules.Change) (time.Time, bool) {
	switch {
	case c.Lapse != nil:
		return c.Lapse.At, true
	case c.Passage != nil:
		return c.Passage.At, true
	case c.Alarm != nil:
		return c.Alarm.At, true
	}
	return time.Time{}, false
}

// lastFound returns the moment of the newest entry that a judgement made.
func lastFound(ctx context.Context, s *store.Store, engine string) (time.Time, error) {
	entries, err := s.BookBefore(ctx, engine, 0, 1, judge.KindVerdict, judge.KindLapsed, judge.KindPassage, judge.KindAlarm)
	if err != nil || len(entries) == 0 {
		return time.Time{}, err
	}
	return entries[0].At, nil
}

// heard returns what people said since the newest disposal began, in order. What
// lapsed before from is taken back, since the samples that ended it are not
// judged again; later lapses come of themselves.
func heard(ctx context.Context, s *store.Store, engine string, from time.Time) ([]telemetry.Event, error) {
	var out []telemetry.Event
	kinds := append(stampKinds(), judge.KindPassage)
	for _, k := range []telemetry.Kind{
		telemetry.NodePutAway, telemetry.NodeBack, telemetry.AlarmAcknowledged, telemetry.AlarmShelved, telemetry.AlarmUnshelved,
		telemetry.RepairBooked, telemetry.RepairDone, telemetry.NextWanted, telemetry.LookedInto,
	} {
		kinds = append(kinds, k.String())
	}
	for e, err := range s.Book(ctx, engine, time.Time{}, time.Time{}, kinds...) {
		if err != nil {
			return nil, fmt.Errorf("read the book: %w", err)
		}
		switch e.Kind {
		case judge.KindLapsed:
			var l rules.Lapse
			if err := json.Unmarshal(e.Body, &l); err != nil {
				return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
			}
			if e.At.Before(from) {
				out = append(out, telemetry.Event{At: e.At, Kind: telemetry.Withdrawn, Subject: l.Confirm})
			}
		case judge.KindPassage:
			var p rules.Passage
			if err := json.Unmarshal(e.Body, &p); err != nil {
				return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
			}
			if p.Event == passageBegun && p.Why == disposal.Found && e.At.Before(from) {
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
