package app

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/dashboard/message"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// past answers the pages' questions about what was recorded.
type past struct {
	*store.Store
	zones map[string]*time.Location // of the engines, for dates in sentences
}

// before is how far back a lane looks for the verdict that stood when it begins.
const before = 48 * time.Hour

func stampKinds() []string {
	return []string{
		telemetry.Confirmed.String(), telemetry.Withdrawn.String(), telemetry.DisposalBegun.String(),
		telemetry.DisposalEnded.String(), telemetry.FireLit.String(), judge.KindLapsed,
	}
}

// Lanes implements the api's Past.
func (p past) Lanes(ctx context.Context, engine string, from, to time.Time) (message.Lanes, error) {
	out := message.Lanes{From: from, To: to}
	lanes := map[string]*message.Lane{}
	var order []string
	kinds := append([]string{judge.KindVerdict}, stampKinds()...)
	for e, err := range p.Store.Book(ctx, engine, from.Add(-before), to, kinds...) {
		if err != nil {
			return out, fmt.Errorf("read the book: %w", err)
		}
		if e.Kind != judge.KindVerdict {
			if !e.At.Before(from) {
				out.Stamps = append(out.Stamps, stampOf(e))
			}
			continue
		}
		var c verdict.Change
		if err := json.Unmarshal(e.Body, &c); err != nil {
			return out, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
		}
		l, ok := lanes[c.Step]
		if !ok {
			l = &message.Lane{Step: c.Step}
			lanes[c.Step] = l
			order = append(order, c.Step)
		}
		extend(l, message.Onward{T: e.At, Verdict: c.Verdict}, from)
	}
	for _, s := range rules.Steps() {
		if slices.Contains(order, s.ID) {
			out.Lanes = append(out.Lanes, *lanes[s.ID])
		}
	}
	sort.SliceStable(out.Stamps, func(i, j int) bool { return out.Stamps[i].T.Before(out.Stamps[j].T) })
	return out.Whole(), nil
}

// extend adds a verdict to a lane; what stood before the lane begins stands at its
// beginning.
func extend(l *message.Lane, o message.Onward, from time.Time) {
	if o.T.Before(from) {
		o.T = from
	}
	if n := len(l.Segments); n > 0 {
		last := &l.Segments[n-1]
		if last.T.Equal(o.T) {
			last.Verdict = o.Verdict
			return
		}
		if last.Verdict == o.Verdict {
			return
		}
	}
	l.Segments = append(l.Segments, o)
}

func stampOf(e store.BookEntry) message.Stamp {
	s := message.Stamp{T: e.At, Kind: e.Kind, By: e.By}
	switch e.Kind {
	case judge.KindLapsed:
		var l rules.Lapse
		if json.Unmarshal(e.Body, &l) == nil {
			s.Subject = l.Confirm
		}
	default:
		var ev telemetry.Event
		if json.Unmarshal(e.Body, &ev) == nil {
			s.Subject = ev.Subject
		}
	}
	return s
}

// Book implements the api's Past.
func (p past) Book(ctx context.Context, engine string, before uint64, limit int) ([]message.Entry, error) {
	entries, err := p.Store.BookBefore(ctx, engine, before, limit)
	if err != nil {
		return nil, fmt.Errorf("read the book: %w", err)
	}
	out := make([]message.Entry, len(entries))
	for i, e := range entries {
		out[i] = message.Entry{Seq: e.Seq, At: e.At, Kind: e.Kind, By: e.By, Text: textOf(e)}
	}
	return out, nil
}

// textOf puts an entry into a sentence.
func textOf(e store.BookEntry) string {
	switch e.Kind {
	case judge.KindVerdict:
		var c verdict.Change
		if json.Unmarshal(e.Body, &c) == nil {
			return fmt.Sprintf("%s: %s. %s", c.Step, c.Verdict, reasons(c))
		}
	case judge.KindLapsed:
		var l rules.Lapse
		if json.Unmarshal(e.Body, &l) == nil {
			return fmt.Sprintf("%s, said by %s, no longer stands: %s.", l.Confirm, l.By, l.Why)
		}
	case judge.KindAlarm:
		var a alarm.Change
		if json.Unmarshal(e.Body, &a) == nil {
			return fmt.Sprintf("Alarm %s is %s (%s): %s", a.Watch, a.State, a.Priority, a.Text)
		}
	case judge.KindPassage:
		var g rules.Passage
		if json.Unmarshal(e.Body, &g) == nil {
			if g.Event != "" {
				return fmt.Sprintf("Disposal %s (%s).", g.Event, g.Why)
			}
			return fmt.Sprintf("Phase: %s.", g.Phase)
		}
	case KindConfigured:
		var c configured
		if json.Unmarshal(e.Body, &c) == nil {
			return c.Text
		}
	default:
		var ev telemetry.Event
		if json.Unmarshal(e.Body, &ev) == nil {
			return said(ev)
		}
	}
	return string(e.Body)
}

// said puts what a person said into a sentence.
func said(ev telemetry.Event) string {
	text := ev.Kind.String()
	if ev.Subject != "" {
		text += ": " + ev.Subject
	}
	if !ev.Until.IsZero() {
		text += ", " + ev.Until.UTC().Format(time.RFC3339)
	}
	if ev.Why != "" {
		text += " (" + ev.Why + ")"
	}
	return text + "."
}

func reasons(c verdict.Change) string {
	text := ""
	for _, r := range c.Because {
		if r.Verdict == c.Verdict || c.Verdict == verdict.Proven {
			text += r.Text + " "
		}
	}
	return text
}

const (
	passageBegun = "begun"
	passageEnded = "ended"
)
