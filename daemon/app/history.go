package app

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/dashboard/message"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/trend"
)

// mostDisposals is how many disposals are listed at most, with what was drawn up of
// them: a century of an engine that runs every week. Common practice, no source.
const mostDisposals = 5000

// Disposals implements the api's Past.
func (p past) Disposals(ctx context.Context, engine string) ([]message.PastDisposal, error) {
	drawn, err := summaries(ctx, p.Store, engine, mostDisposals)
	if err != nil {
		return nil, err
	}
	of := map[string]*cooldown.Summary{}
	for i := range drawn {
		of[judge.DisposalID(drawn[i].Begun)] = &drawn[i]
	}
	var out []message.PastDisposal
	for e, err := range p.Store.Book(ctx, engine, time.Time{}, time.Time{}, judge.KindPassage) {
		if err != nil {
			return nil, fmt.Errorf("read the book: %w", err)
		}
		var g rules.Passage
		if err := json.Unmarshal(e.Body, &g); err != nil {
			return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
		}
		switch n := len(out); {
		case g.Event == passageBegun:
			id := judge.DisposalID(g.At)
			out = append(out, message.PastDisposal{ID: id, Begun: g.At, Summary: of[id]})
		case g.Event == passageEnded && n > 0 && out[n-1].Ended == nil:
			at := g.At
			out[n-1].Ended = &at
		}
	}
	slices.Reverse(out)
	return out[:min(len(out), mostDisposals)], nil
}

// Trends implements the api's Past.
func (p past) Trends(ctx context.Context, engine string) (message.Trends, error) {
	out := message.Trends{Engine: engine}
	drawn, err := summaries(ctx, p.Store, engine, trend.Newest)
	if err != nil {
		return out, err
	}
	series, found := trend.Find(drawn, p.zones[engine])
	for _, s := range series {
		m := message.TrendSeries{Quantity: s.ID, Title: s.Title, Unit: s.Unit}
		for _, x := range s.Points {
			m.Points = append(m.Points, message.TrendPoint{T: x.At, Value: x.Value})
		}
		out.Series = append(out.Series, m)
	}
	for _, f := range found {
		out.Findings = append(out.Findings, message.TrendFinding{
			Quantity: f.Quantity, Unit: f.Unit, Kind: string(f.Kind), Since: f.Since, Until: f.Until,
			Before: f.Before, After: f.After, Change: f.Change.Value, Lo: f.Change.Lo, Hi: f.Change.Hi, P: f.P,
			EveningsBefore: f.EveningsBefore, EveningsAfter: f.EveningsAfter, Text: f.Text,
		})
	}
	return out.Whole(), nil
}

// summaries returns what was drawn up of the newest disposals, the newest first.
func summaries(ctx context.Context, s *store.Store, engine string, limit int) ([]cooldown.Summary, error) {
	kept, err := s.Summaries(ctx, engine, limit)
	if err != nil {
		return nil, err
	}
	out := make([]cooldown.Summary, len(kept))
	for i, k := range kept {
		if err := json.Unmarshal(k.Body, &out[i]); err != nil {
			return nil, fmt.Errorf("read the summary of disposal %s of %s: %w", k.ID, engine, err)
		}
	}
	return out, nil
}
