package storetest

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"ashlamp/ingest/store"
)

func summaryOf(n int, body string) store.Summary {
	begun := at(time.Duration(n) * 24 * time.Hour).Add(1500 * time.Microsecond)
	return store.Summary{ID: fmt.Sprint("d", n), Begun: begun, Ended: begun.Add(5 * time.Hour), Body: json.RawMessage(body)}
}

func summaries(t *testing.T, s *store.Store) {
	ctx := context.Background()
	list := func(of string, limit int) []store.Summary {
		out, err := s.Summaries(ctx, of, limit)
		must(t, err)
		return out
	}
	if got := list(engine, 10); len(got) != 0 {
		t.Fatalf("an empty store has summaries %v", got)
	}
	one, two, open := summaryOf(1, `{"a":1}`), summaryOf(2, `{"a":2}`), summaryOf(3, `{"a":3}`)
	open.Ended = time.Time{}
	for _, x := range []store.Summary{two, open, one, two} { // in any order, and twice
		must(t, s.PutSummary(ctx, engine, x))
	}
	other := summaryOf(1, `{"b":1}`)
	must(t, s.PutSummary(ctx, another, other))
	equal(t, "newest first", list(engine, 10), []store.Summary{open, two, one})
	equal(t, "two of three", list(engine, 2), []store.Summary{open, two})
	equal(t, "of the other engine", list(another, 10), []store.Summary{other})

	again := summaryOf(3, ` { "a" : 4 } `)
	must(t, s.PutSummary(ctx, engine, again))
	again.Body = json.RawMessage(`{"a":4}`)
	equal(t, "written anew", list(engine, 10), []store.Summary{again, two, one})
	if _, err := s.Summaries(ctx, engine, 0); err == nil {
		t.Error("no summaries at all were asked for and given")
	}
}

func summaryRefused(t *testing.T, s *store.Store) {
	ctx := context.Background()
	for _, x := range []store.Summary{
		{Begun: at(0), Body: json.RawMessage(`{}`)}, {ID: "d", Body: json.RawMessage(`{}`)},
		{ID: "d", Begun: at(0)}, {ID: "d", Begun: at(0), Body: json.RawMessage(`{`)},
	} {
		err := s.Update(ctx, func(tx *store.Tx) error {
			if err := tx.Put("beside", []byte("x")); err != nil {
				return err
			}
			return tx.PutSummary(engine, x)
		})
		if err == nil {
			t.Errorf("%+v was kept", x)
		}
	}
	if _, ok, err := s.Get(ctx, "beside"); ok || err != nil {
		t.Errorf("what was put beside a refused summary is there: %v, %v", ok, err)
	}
	got, err := s.Summaries(ctx, engine, 1)
	must(t, err)
	if len(got) != 0 {
		t.Errorf("refused, and there: %v", got)
	}
}
