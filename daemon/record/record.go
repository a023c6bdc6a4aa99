// Package record gathers from a store what is told of past disposals: for a report on
// paper, and for the spans of an export. It only reads, also beside a daemon that writes.
package record

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/dashboard/report"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// before is how far back is looked for what stood as a disposal began.
const before = 48 * time.Hour

// mostSummaries is how many are looked through for the one of a disposal: a century of
// an engine that runs every week. Common practice, no source.
const mostSummaries = 5000

// Disposal is one as the book has it.
type Disposal struct {
	ID string
	// Ended is zero while it is open.
	Begun, Ended       time.Time
	HowBegun, HowEnded disposal.Why
}

// UnknownError says that an engine has no such disposal.
type UnknownError struct {
	Engine, ID string
	// Newest are the newest that there are, at most three.
	Newest []string
}

// Error says what is wrong and how to mend it.
func (e *UnknownError) Error() string {
	what := "no disposal of engine " + e.Engine + " has the id " + e.ID
	if e.ID == "" || len(e.Newest) == 0 {
		return "engine " + e.Engine + " has no disposal in this store; one begins when a person says so, or when the fire is seen to fall"
	}
	return what + "; the newest are " + strings.Join(e.Newest, ", ")
}

// Disposals returns the engine's disposals, the oldest first.
func Disposals(ctx context.Context, s *store.Store, engine string) ([]Disposal, error) {
	var out []Disposal
	for e, err := range s.Book(ctx, engine, time.Time{}, time.Time{}, judge.KindPassage) {
		if err != nil {
			return nil, fmt.Errorf("read the book: %w", err)
		}
		var g rules.Passage
		if err := json.Unmarshal(e.Body, &g); err != nil {
			return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
		}
		switch n := len(out); {
		case g.Event == "begun":
			out = append(out, Disposal{ID: judge.DisposalID(g.At), Begun: g.At, HowBegun: g.Why})
		case g.Event == "ended" && n > 0 && out[n-1].Ended.IsZero():
			out[n-1].Ended, out[n-1].HowEnded = g.At, g.Why
		}
	}
	return out, nil
}

// Find returns the disposal of an id; with an empty id the newest that has ended or,
// where none has, the newest. The error is an [*UnknownError] where there is none.
func Find(ctx context.Context, s *store.Store, engine, id string) (Disposal, error) {
	all, err := Disposals(ctx, s, engine)
	if err != nil {
		return Disposal{}, err
	}
	none := &UnknownError{Engine: engine, ID: id}
	for i := len(all) - 1; i >= 0; i-- {
		if d := all[i]; id == d.ID || id == "" && !d.Ended.IsZero() {
			return d, nil
		}
		if len(none.Newest) < 3 {
			none.Newest = append(none.Newest, all[i].ID)
		}
	}
	if id == "" && len(all) > 0 {
		return all[len(all)-1], nil
	}
	return Disposal{}, none
}

// Until returns up to when anything is known of a disposal: its end or, while it is
// open, the newest sample of the engine or entry of its book.
func Until(ctx context.Context, s *store.Store, engine string, d Disposal) (time.Time, error) {
	if !d.Ended.IsZero() {
		return d.Ended, nil
	}
	until := d.Begun.Add(time.Second)
	latest, err := s.Latest(ctx, engine)
	if err != nil {
		return until, err
	}
	for _, x := range latest {
		if x.At.After(until) {
			until = x.At
		}
	}
	newest, err := s.BookBefore(ctx, engine, 0, 1)
	if err != nil {
		return until, err
	}
	if len(newest) > 0 && newest[0].At.After(until) {
		until = newest[0].At
	}
	return until, nil
}

// Gather returns what a report tells of a disposal of the engine, which is as it is
// configured now. An empty id is as for [Find].
func Gather(ctx context.Context, s *store.Store, shed string, e engine.Engine, id string) (report.Evening, error) {
	d, err := Find(ctx, s, e.ID, id)
	if err != nil {
		return report.Evening{}, err
	}
	out := report.Evening{Shed: shed, Engine: e, ID: d.ID, Begun: d.Begun, Ended: d.Ended, HowBegun: d.HowBegun, HowEnded: d.HowEnded}
	if out.Until, err = Until(ctx, s, e.ID, d); err != nil {
		return out, err
	}
	if err := readBook(ctx, s, &out); err != nil {
		return out, err
	}
	if err := prove(ctx, s, &out); err != nil {
		return out, err
	}
	kept, err := s.Summaries(ctx, e.ID, mostSummaries)
	if err != nil {
		return out, err
	}
	for _, k := range kept {
		if k.Begun.Equal(d.Begun) {
			out.Summary = &cooldown.Summary{}
			if err := json.Unmarshal(k.Body, out.Summary); err != nil {
				return out, fmt.Errorf("read the summary of disposal %s of %s: %w", k.ID, e.ID, err)
			}
		}
	}
	out.Series = map[telemetry.Channel][]telemetry.Bucket{}
	for _, of := range []string{e.ID, ""} {
		channels, err := s.Channels(ctx, of)
		if err != nil {
			return out, err
		}
		for _, ch := range channels {
			if out.Series[ch], err = s.Buckets(ctx, of, ch, out.Begun, out.Until, report.Points); err != nil {
				return out, err
			}
		}
	}
	out.Tallies, err = tally(ctx, s, e.ID, out.Begun, out.Until)
	return out, err
}

// readBook takes from the book what was judged and said.
func readBook(ctx context.Context, s *store.Store, out *report.Evening) error {
	// The end itself is in it: what ends with the disposal is written for that moment.
	for e, err := range s.Book(ctx, out.Engine.ID, out.Begun.Add(-before), out.Until.Add(telemetry.Resolution)) {
		if err != nil {
			return fmt.Errorf("read the book: %w", err)
		}
		if within := !e.At.Before(out.Begun); within && out.Book.First == 0 {
			out.Book.First = e.Seq
		}
		if e.Seq > out.Book.Last {
			out.Book.Last, out.Book.At, out.Book.Hash = e.Seq, e.At, e.Hash
		}
		if err := take(out, e); err != nil {
			return fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
		}
	}
	return nil
}

func take(out *report.Evening, e store.BookEntry) error {
	within := !e.At.Before(out.Begun)
	switch e.Kind {
	case judge.KindVerdict:
		var c verdict.Change
		if err := json.Unmarshal(e.Body, &c); err != nil {
			return err
		}
		out.Verdicts = append(out.Verdicts, c)
	case judge.KindAlarm:
		var c alarm.Change
		if err := json.Unmarshal(e.Body, &c); err != nil {
			return err
		}
		out.Alarms = append(out.Alarms, c)
	case judge.KindPassage:
		var g rules.Passage
		if err := json.Unmarshal(e.Body, &g); err != nil {
			return err
		}
		if within {
			out.Passages = append(out.Passages, g)
		}
	case judge.KindLapsed:
		var l rules.Lapse
		if err := json.Unmarshal(e.Body, &l); err != nil {
			return err
		}
		end(out.Said, l.Confirm, e.At, l.Why, "")
	default:
		if (new(telemetry.Kind)).UnmarshalText([]byte(e.Kind)) != nil {
			if within {
				// Those that have words of their own, as a change of the configuration has.
				var told struct {
					Text string `json:"text"`
				}
				_ = json.Unmarshal(e.Body, &told) // others have none
				out.Others = append(out.Others, report.Other{At: e.At, Kind: e.Kind, By: e.By, Text: told.Text})
			}
			return nil
		}
		var ev telemetry.Event
		if err := json.Unmarshal(e.Body, &ev); err != nil {
			return err
		}
		if ev.Kind == telemetry.Withdrawn {
			end(out.Said, ev.Subject, e.At, "taken back", ev.By)
		}
		// Of what was said before only plugs that are out still stand.
		if within {
			out.Said = append(out.Said, report.Said{Event: ev, After: len(out.Verdicts)})
		}
	}
	return nil
}

// end says of every word of a confirmation that stands that it no longer does.
func end(said []report.Said, confirm string, at time.Time, why, by string) {
	for i := range said {
		if w := &said[i]; w.Kind == telemetry.Confirmed && w.Subject == confirm && w.EndedAt.IsZero() {
			w.EndedAt, w.EndedWhy, w.EndedBy = at, why, by
		}
	}
}

// prove follows the chain of the book. What is wrong after the disposal's last entry is
// told too, since whoever did it may have done more.
func prove(ctx context.Context, s *store.Store, out *report.Evening) error {
	_, err := s.ProveBook(ctx, out.Engine.ID)
	var broken *store.Broken
	switch {
	case errors.As(err, &broken):
		out.Book.Broken = broken.Error()
		out.Book.Unbroken = broken.Seq > out.Book.Last && broken.Fault != store.ChainHead
	case err != nil:
		return err
	default:
		out.Book.Unbroken = true
	}
	return nil
}

// mostFlaws is how many reasons are kept of one channel: a node may send any text.
const mostFlaws = 100

// tally counts what came of each channel.
func tally(ctx context.Context, s *store.Store, engine string, from, to time.Time) ([]report.Tally, error) {
	of := map[telemetry.Channel]*report.Tally{}
	for r, err := range s.All(ctx, engine, from, to) {
		if err != nil {
			return nil, err
		}
		t, ok := of[r.Channel]
		if !ok {
			t = &report.Tally{Channel: r.Channel, First: r.At, Last: from, LongestFrom: from, LongestTo: from, Lowest: math.NaN(), Highest: math.NaN()}
			of[r.Channel] = t
		}
		count(t, r.Sample)
	}
	out := make([]report.Tally, 0, len(of))
	for _, t := range of {
		if to.Sub(t.Last) > t.Longest() {
			t.LongestFrom, t.LongestTo = t.Last, to
		}
		slices.SortFunc(t.Flaws, func(a, b report.Flaw) int {
			return cmp.Or(cmp.Compare(b.Samples, a.Samples), a.First.Compare(b.First), cmp.Compare(a.Reason, b.Reason))
		})
		out = append(out, *t)
	}
	slices.SortFunc(out, func(a, b report.Tally) int { return cmp.Compare(a.Channel, b.Channel) })
	return out, nil
}

func count(t *report.Tally, s telemetry.Sample) {
	if s.At.Sub(t.Last) > t.Longest() {
		t.LongestFrom, t.LongestTo = t.Last, s.At
	}
	t.Last = s.At
	switch s.Quality {
	case telemetry.Good:
		t.Good++
	case telemetry.Uncertain:
		t.Uncertain++
	default:
		t.Bad++
	}
	if s.Quality != telemetry.Bad && !math.IsNaN(s.Value) {
		if !(t.Lowest <= s.Value) {
			t.Lowest = s.Value
		}
		if !(t.Highest >= s.Value) {
			t.Highest = s.Value
		}
	}
	if s.Quality == telemetry.Good {
		return
	}
	for i := range t.Flaws {
		if f := &t.Flaws[i]; f.Quality == s.Quality && f.Reason == s.Reason {
			f.Samples++
			f.Last = s.At
			return
		}
	}
	if len(t.Flaws) < mostFlaws {
		t.Flaws = append(t.Flaws, report.Flaw{Quality: s.Quality, Reason: s.Reason, Samples: 1, First: s.At, Last: s.At})
	}
}
