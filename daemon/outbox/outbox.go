// Package outbox is the store as the office that rings people needs it.
package outbox

import (
	"context"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/ingest/store"
)

// Outbox implements [notify.Outbox] with a store.
type Outbox struct{ *store.Store }

var _ notify.Outbox = Outbox{}

// Notices implements [notify.Outbox].
func (o Outbox) Notices(ctx context.Context, after uint64, limit int) ([]notify.Numbered, error) {
	kept, err := o.Store.Notices(ctx, after, limit)
	out := make([]notify.Numbered, len(kept))
	for i, k := range kept {
		out[i] = notify.Numbered{Seq: k.Seq, Notice: k.Notice}
	}
	return out, err
}

// DueLetters implements [notify.Outbox].
func (o Outbox) DueLetters(ctx context.Context, by time.Time) ([]notify.Letter, error) {
	return letters(o.Store.DueLetters(ctx, by))
}

// LettersTo implements [notify.Outbox].
func (o Outbox) LettersTo(ctx context.Context, person string, limit int) ([]notify.Letter, error) {
	return letters(o.Store.LettersTo(ctx, person, limit))
}

// Records implements [notify.Outbox].
func (o Outbox) Records(ctx context.Context) ([]notify.Record, error) {
	kept, err := o.Store.WayRecords(ctx)
	out := make([]notify.Record, len(kept))
	for i, k := range kept {
		out[i] = notify.Record(k)
	}
	return out, err
}

// Update implements [notify.Outbox].
func (o Outbox) Update(ctx context.Context, f func(notify.Tx) error) error {
	return o.Store.Update(ctx, func(t *store.Tx) error { return f(tx{t}) })
}

// Forget implements [notify.Outbox].
func (o Outbox) Forget(ctx context.Context, before time.Time) error {
	_, err := o.Store.ForgetNotices(ctx, before)
	return err
}

type tx struct{ *store.Tx }

func (t tx) LettersOf(cause string) ([]notify.Letter, error) { return letters(t.Tx.LettersOf(cause)) }

func (t tx) Address(upTo uint64, ls []notify.Letter) error {
	out := make([]store.Letter, len(ls))
	for i, l := range ls {
		out[i] = store.Letter{
			ID: l.ID, Cause: l.Cause, N: l.N, Person: l.Person, Way: l.Way, Body: l.Body,
			Written: l.Written, Due: l.Due, Until: l.Until, Attempts: l.Attempts, Doubt: l.Doubt,
			State: store.LetterState(l.State), Ended: l.Ended, Failed: l.Failed, Trouble: l.Trouble,
		}
	}
	return t.Tx.Address(upTo, out)
}

func (t tx) EndLetters(cause string, before int, at time.Time) error {
	_, err := t.Tx.EndLetters(cause, before, at)
	return err
}

func (t tx) MarkLetter(id string, o notify.Outcome) (bool, error) {
	return t.Tx.MarkLetter(id, store.Outcome{
		At: o.At, State: store.LetterState(o.State), Due: o.Due, Tried: o.Tried, Unsent: o.Unsent, Trouble: o.Trouble,
	})
}

func letters(kept []store.Letter, err error) ([]notify.Letter, error) {
	out := make([]notify.Letter, len(kept))
	for i, l := range kept {
		out[i] = notify.Letter{
			ID: l.ID, Cause: l.Cause, N: l.N, Person: l.Person, Way: l.Way, Body: l.Body,
			Written: l.Written, Due: l.Due, Until: l.Until, Attempts: l.Attempts, Doubt: l.Doubt,
			State: notify.State(l.State), Ended: l.Ended, Failed: l.Failed, Trouble: l.Trouble,
		}
	}
	return out, err
}
