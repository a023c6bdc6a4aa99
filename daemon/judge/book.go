package judge

import (
	"context"

	"ashlamp/ingest/store"
)

// Book writes an engine's book into a store, and beside it what a judge cannot learn
// again from samples and words.
type Book struct{ Store *store.Store }

func savedKey(engine string) string { return "judge/" + engine }

// Write adds entries to the engine's book and, where saved is not nil, keeps it in
// place of what was saved before, all in one transaction.
func (b Book) Write(ctx context.Context, engine string, entries []store.Entry, saved []byte) error {
	if saved == nil {
		return b.Store.Note(ctx, engine, entries)
	}
	return b.Store.Update(ctx, func(tx *store.Tx) error {
		if err := tx.Put(savedKey(engine), saved); err != nil || len(entries) == 0 {
			return err
		}
		return tx.Note(engine, entries)
	})
}

// Saved returns what was saved last of an engine; false where nothing was.
func (b Book) Saved(ctx context.Context, engine string) ([]byte, bool, error) {
	return b.Store.Get(ctx, savedKey(engine))
}

// PutSummary keeps a summary of a disposal in place of an earlier one.
func (b Book) PutSummary(ctx context.Context, engine string, d store.Summary) error {
	return b.Store.PutSummary(ctx, engine, d)
}
