package app

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/daemon/rerun"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/telemetry"
)

// restoreSpan is how far back samples are judged again after a restart.
const restoreSpan = rerun.Lead

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
	said, err := rerun.Heard(ctx, s, engine, time.Time{}, now.Add(-restoreSpan), time.Time{})
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
	// No end: a node's clock may be a little ahead of this one.
	for r, err := range rerun.Received(s.All(ctx, engine, now.Add(-restoreSpan), time.Time{})) {
		if err != nil {
			return nil, fmt.Errorf("read samples: %w", err)
		}
		arrived(r)
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
