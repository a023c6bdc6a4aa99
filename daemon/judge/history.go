package judge

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
)

// What a passage says of a disposal.
const (
	eventBegun = "begun"
	eventEnded = "ended"
)

// History draws up the disposals of one engine beside its judge. It is fed whatever the
// judge is fed, and what the judge finds, after each; so it can be brought up to date by
// the same samples. Its memory is constant.
type History struct {
	engine string
	rec    *cooldown.Recorder
	begun  time.Time // of the newest disposal
	sorted []telemetry.Sample
	// done are summaries that nothing will be added to, to be written.
	done []cooldown.Summary
	// ended is that the newest has ended, or has a new mark, since it was written.
	ended   bool
	written cooldown.Passed
	came    int // outcomes written
}

// NewHistory returns a history that has seen nothing.
func NewHistory(e engine.Engine) (*History, error) {
	rec, err := cooldown.New(e)
	if err != nil {
		return nil, err
	}
	return &History{engine: e.ID, rec: rec}, nil
}

// Samples takes what the judge was given, in whatever order it came.
func (h *History) Samples(samples []telemetry.Sample) {
	if byTime := func(a, b telemetry.Sample) int { return a.At.Compare(b.At) }; !slices.IsSortedFunc(samples, byTime) {
		h.sorted = append(h.sorted[:0], samples...)
		slices.SortStableFunc(h.sorted, byTime)
		samples = h.sorted
	}
	for _, s := range samples {
		h.rec.Sample(s)
	}
}

// Hear takes a word that the judge has taken.
func (h *History) Hear(ev telemetry.Event) { h.rec.Hear(ev) }

// Changes takes what the judge found. A disposal leads to the lay-up that it says.
func (h *History) Changes(changes []rules.Change, j *rules.Judge) {
	for _, c := range changes {
		p := c.Passage
		if p == nil {
			continue
		}
		switch p.Event {
		case eventBegun:
			if s, ok := h.rec.Summary(); ok {
				h.done = append(h.done, s)
			}
			h.rec.Begin(p.At, j.State().LayUp)
			h.begun = p.At
			h.ended, h.written, h.came = false, cooldown.Passed{}, 0
		case eventEnded:
			h.rec.End(p.At)
			h.ended = true
		}
		h.rec.Phase(p.At, p.Phase)
	}
}

// foretold takes what the pages are told to expect. Where there is no disposal, or too
// many targets, nothing is kept: what came of a forecast is wanted, not needed.
func (h *History) foretold(at time.Time, list []message.Forecast) {
	if h.begun.IsZero() || at.Before(h.begun) {
		return
	}
	for _, f := range list {
		if f.ETA == nil {
			continue
		}
		told := cooldown.Forecast{Target: f.Forecast, Assuming: f.Assuming, MadeAt: at, Eta: *f.ETA}
		if f.Lo != nil && f.Hi != nil {
			told.Lo, told.Hi = *f.Lo, *f.Hi
		}
		_ = h.rec.Forecast(told)
	}
}

// Resume says that what was fed so far was recorded once before, and since when samples
// were fed again. kept are the summaries that were written then: of a disposal that began
// earlier they stand, and the newest goes on from its own.
func (h *History) Resume(kept []cooldown.Summary, since time.Time) {
	of := func(begun time.Time) (cooldown.Summary, bool) {
		for _, k := range kept {
			if k.Begun.Equal(begun) {
				return k, true
			}
		}
		return cooldown.Summary{}, false
	}
	h.done = slices.DeleteFunc(h.done, func(s cooldown.Summary) bool { return s.Begun.Before(since) })
	for i := range h.done {
		if k, ok := of(h.done[i].Begun); ok {
			h.done[i].Fill(k)
		}
	}
	s, ok := h.rec.Summary()
	if !ok {
		return
	}
	if k, ok := of(s.Begun); ok {
		h.rec.Resume(k)
		h.written, h.came, h.ended = k.Passed, len(k.Forecasts), s.Ended != nil && k.Ended == nil
	} else if s.Ended != nil && s.Ended.Before(since) {
		// It was over before anything was recorded: of that nothing is drawn up.
		h.written, h.ended = s.Passed, false
	}
}

// due returns what is to be written: disposals that are over, and the newest where it has
// ended or has passed another mark; with open also while it is under way.
func (h *History) due(open bool) []cooldown.Summary {
	out := slices.Clone(h.done)
	if s, ok := h.rec.Summary(); ok && (h.ended || open && s.Ended == nil || !s.Passed.Equal(h.written) || len(s.Forecasts) != h.came) {
		out = append(out, s)
	}
	return out
}

// kept says that what was due is written.
func (h *History) kept(written []cooldown.Summary) {
	h.done = nil
	if n := len(written); n > 0 {
		if s, ok := h.rec.Summary(); ok && s.Begun.Equal(written[n-1].Begun) {
			h.ended, h.written, h.came = false, written[n-1].Passed, len(written[n-1].Forecasts)
		}
	}
}

// summarise writes what is due. Written twice it is there once, so that one that failed
// is tried again with the next.
func (l *Loop) summarise(ctx context.Context, open bool) {
	if l.o.History == nil {
		return
	}
	due := l.o.History.due(open)
	for _, s := range due {
		if err := l.putSummary(context.WithoutCancel(ctx), s); err != nil {
			l.o.Log.Error("a summary of a disposal could not be kept; it is tried again", "engine", l.o.Engine.ID, "error", err)
			return
		}
	}
	l.o.History.kept(due)
}

func (l *Loop) putSummary(ctx context.Context, s cooldown.Summary) error {
	body, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("write down a summary: %w", err)
	}
	d := store.Summary{ID: DisposalID(s.Begun), Begun: s.Begun, Body: body}
	if s.Ended != nil {
		d.Ended = *s.Ended
	}
	return l.o.Book.PutSummary(ctx, l.o.Engine.ID, d)
}

// found keeps what the judge found just now, and draws it up.
func (l *Loop) found(ctx context.Context, changes []rules.Change) {
	l.keep(ctx, changes)
	if l.o.History == nil {
		return
	}
	l.o.History.Changes(changes, l.judge)
	for _, c := range changes {
		if c.Passage != nil && c.Passage.Event != "" {
			l.summarise(ctx, true)
			return
		}
	}
}
