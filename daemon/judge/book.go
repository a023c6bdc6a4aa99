package judge

import (
	"context"

	"ashlamp/ingest/store"
	"ashlamp/rules/notice"
)

// Book writes an engine's book into a store, and beside it what a judge cannot learn
// again from samples and words, and what is worth a ring.
type Book struct{ Store *store.Store }

func savedKey(engine string) string { return "judge/" + engine }

func ledgerKey(engine string) string { return "notice/" + engine }

// Page is what is written at once.
type Page struct {
	// Entries are added to the engine's book.
	Entries []store.Entry
	// Saved is kept in place of what was saved before; nil leaves that.
	Saved []byte
	// Notices are what is worth a ring because of it, and Ledger what has then been told,
	// kept in place of what was; nil leaves that.
	Notices []notice.Notice
	Ledger  []byte
}

// Write keeps a page of an engine in one transaction: all of it or nothing.
func (b Book) Write(ctx context.Context, engine string, p Page) error {
	return b.Store.Update(ctx, func(tx *store.Tx) error {
		if p.Saved != nil {
			if err := tx.Put(savedKey(engine), p.Saved); err != nil {
				return err
			}
		}
		if p.Ledger != nil {
			if err := tx.Put(ledgerKey(engine), p.Ledger); err != nil {
				return err
			}
		}
		for _, n := range p.Notices {
			if err := tx.PutNotice(n); err != nil {
				return err
			}
		}
		if len(p.Entries) == 0 {
			return nil
		}
		return tx.Note(engine, p.Entries)
	})
}

// Saved returns what was saved last of an engine; false where nothing was.
func (b Book) Saved(ctx context.Context, engine string) ([]byte, bool, error) {
	return b.Store.Get(ctx, savedKey(engine))
}

// Told returns what has been told of an engine; the zero value where nothing was. After
// an error it is the zero value too: what stands is then told again.
func (b Book) Told(ctx context.Context, engine string) (notice.Ledger, error) {
	kept, ok, err := b.Store.Get(ctx, ledgerKey(engine))
	if err != nil || !ok {
		return notice.Ledger{}, err
	}
	return notice.Load(kept)
}

// PutSummary keeps a summary of a disposal in place of an earlier one.
func (b Book) PutSummary(ctx context.Context, engine string, d store.Summary) error {
	return b.Store.PutSummary(ctx, engine, d)
}
