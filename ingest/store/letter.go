package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"
)

// LetterState is what became of a letter.
type LetterState string

// The states. Only a letter that waits comes into another.
const (
	// Waiting is that it is yet to be sent, or to be sent again.
	Waiting LetterState = "waiting"
	// Taken is that the other side has it.
	Taken LetterState = "taken"
	// NoLongerSo is that what it tells was over before it could be sent.
	NoLongerSo LetterState = "over"
	// GivenUp is that the other side will never take it.
	GivenUp LetterState = "given-up"
)

// Letter is what one person is told by one way. Times are kept in whole microseconds.
type Letter struct {
	// ID is the idempotency key: one for a cause, its turn, a person and a way, and the
	// same for every attempt. Not empty.
	ID    string
	Cause string
	N     int
	// Person and Way are to whom, and by what.
	Person, Way string
	// Body is JSON, what the office makes the message of.
	Body json.RawMessage
	// Written is when it was, Due when it is next to be sent, Until when nobody wants to
	// be told any more.
	Written, Due, Until time.Time
	// Attempts is how often it was tried, Doubt how many of these may have been taken
	// although nobody said so: they broke off, or go on.
	Attempts, Doubt int
	State           LetterState
	// Ended is when it came into its last state; zero while it waits.
	Ended time.Time
	// Failed is when an attempt at it first failed; zero where none has.
	Failed time.Time
	// Trouble is what the other side said last; empty where nothing was wrong.
	Trouble string
}

const letterColumns = "id, cause, n, person, way, body, written, due, until, attempts, doubt, state, ended, failed, trouble"

// PutLetters keeps letters. One whose id, or whose cause, turn, person and way, are kept
// already is left as it is. A letter that lacks any of these, or whose body is no JSON, is
// refused, and with it the transaction.
func (t *Tx) PutLetters(letters []Letter) error {
	for _, l := range letters {
		if l.ID == "" || l.Cause == "" || l.N < 1 || l.Person == "" || l.Way == "" || l.Written.IsZero() || l.Due.IsZero() || l.Until.IsZero() {
			return fmt.Errorf("keep a letter: %q of cause %q, turn %d, to %q by %q lacks a name or a time; give it all", l.ID, l.Cause, l.N, l.Person, l.Way)
		}
		if l.State == "" {
			l.State = Waiting
		}
		var body bytes.Buffer
		if err := json.Compact(&body, l.Body); err != nil {
			return fmt.Errorf("keep letter %s: its body is no JSON: %w", l.ID, err)
		}
		if err := t.run("INSERT INTO letter ("+letterColumns+") VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
			l.ID, l.Cause, l.N, l.Person, l.Way, body.Bytes(), l.Written.UnixMicro(), l.Due.UnixMicro(), l.Until.UnixMicro(),
			l.Attempts, l.Doubt, string(l.State), orNull(l.Ended), orNull(l.Failed), l.Trouble); err != nil {
			return fmt.Errorf("keep letter %s: %w", l.ID, err)
		}
	}
	return nil
}

func orNull(t time.Time) sql.NullInt64 {
	return sql.NullInt64{Int64: t.UnixMicro(), Valid: !t.IsZero()}
}

func orZero(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.UnixMicro(n.Int64).UTC()
}

// BeginLetter writes down that an attempt begins, before it does: should the program
// die of it, it is tried again at due, and known to be in doubt. It returns false, and
// changes nothing, where the letter is not there or waits no longer.
func (t *Tx) BeginLetter(id string, due time.Time) (bool, error) {
	res, err := t.exec("UPDATE letter SET attempts = attempts + 1, doubt = doubt + 1, due = ? WHERE id = ? AND state = 'waiting'", due.UnixMicro(), id)
	if err != nil {
		return false, fmt.Errorf("begin letter %s: %w", id, err)
	}
	n, err := res.RowsAffected()
	return n > 0, err
}

// Outcome is what an attempt at a letter came to.
type Outcome struct {
	At time.Time
	// State is what it comes to; Waiting where it is to be tried again at Due.
	State LetterState
	Due   time.Time
	// Tried is that it was an attempt, which [Tx.BeginLetter] counted; false where it
	// ends without one. Unsent is that the other side certainly does not have it.
	Tried, Unsent bool
	// Trouble is what was wrong; empty where nothing was.
	Trouble string
}

// MarkLetter writes down what an attempt came to. It returns false where the letter is
// not there or waits no longer: what ended first stands, and only what was in doubt of
// it, and is so no more, is written down.
func (t *Tx) MarkLetter(id string, o Outcome) (bool, error) {
	var ended, due, failed sql.NullInt64
	switch o.State {
	case Waiting:
		if o.Due.IsZero() {
			return false, fmt.Errorf("mark letter %s: it is to wait and nobody said until when; give it a time", id)
		}
		due = orNull(o.Due)
	case Taken, NoLongerSo, GivenUp:
		ended = orNull(o.At)
	default:
		return false, fmt.Errorf("mark letter %s: %q is no state of a letter; use waiting, taken, over or given-up", id, o.State)
	}
	if o.Tried && o.State != Taken {
		failed = orNull(o.At)
	}
	if o.Tried && o.Unsent {
		if err := t.run("UPDATE letter SET doubt = max(doubt - 1, 0) WHERE id = ?", id); err != nil {
			return false, fmt.Errorf("mark letter %s: %w", id, err)
		}
	}
	res, err := t.exec(`UPDATE letter SET state = ?, ended = ?, due = coalesce(?, due),
failed = coalesce(failed, ?), trouble = CASE WHEN ? THEN ? ELSE trouble END
WHERE id = ? AND state = 'waiting'`,
		string(o.State), ended, due, failed, o.Tried || o.Trouble != "", o.Trouble, id)
	if err != nil {
		return false, fmt.Errorf("mark letter %s: %w", id, err)
	}
	n, err := res.RowsAffected()
	if err != nil || n == 0 || o.State != Taken {
		return n > 0, err
	}
	var person, way string
	if _, err := t.row("SELECT person, way FROM letter WHERE id = ?", []any{id}, &person, &way); err != nil {
		return false, fmt.Errorf("mark letter %s: %w", id, err)
	}
	return true, t.WayOpen(person, way, o.At)
}

// WayOpen says that a way to a person took something: what else was tried by it has not
// been failing since before, and need not wait any longer – nor what the program died of
// trying, of which nobody wrote down that it failed.
func (t *Tx) WayOpen(person, way string, at time.Time) error {
	if err := t.run("UPDATE letter SET failed = NULL, due = min(due, ?) WHERE state = 'waiting' AND attempts > 0 AND person = ? AND way = ?", at.UnixMicro(), person, way); err != nil {
		return fmt.Errorf("what waits for %s by %s: %w", person, way, err)
	}
	return nil
}

// LettersWaiting returns how many letters wait.
func (s *Store) LettersWaiting(ctx context.Context) (n int, err error) {
	if err := s.rdb.QueryRowContext(ctx, "SELECT count(*) FROM letter WHERE state = 'waiting'").Scan(&n); err != nil {
		return 0, fmt.Errorf("count the letters that wait: %w", err)
	}
	return n, nil
}

// MarkLetter is [Tx.MarkLetter] in a transaction of its own.
func (s *Store) MarkLetter(ctx context.Context, id string, o Outcome) (ok bool, err error) {
	err = s.Update(ctx, func(t *Tx) error { ok, err = t.MarkLetter(id, o); return err })
	return ok && err == nil, err
}

// EndLetters ends the letters that still wait of a cause's turns before the one, as no
// longer so: a later turn tells what is. It returns how many there were.
func (t *Tx) EndLetters(cause string, before int, at time.Time) (int64, error) {
	res, err := t.exec("UPDATE letter SET state = 'over', ended = ? WHERE cause = ? AND n < ? AND state = 'waiting'", at.UnixMicro(), cause, before)
	if err != nil {
		return 0, fmt.Errorf("end the letters of %s: %w", cause, err)
	}
	return res.RowsAffected()
}

// DueLetters returns of each way to each person the letter that is to be sent next, where
// one is due by the moment; those due first before the others. One at a time, so that no
// way that has many hides another. What was never tried comes before what is tried again:
// where a way fails, the newest need not wait until all older ones have failed once more.
func (s *Store) DueLetters(ctx context.Context, by time.Time) ([]Letter, error) {
	return s.letters(ctx, `seq IN (SELECT seq FROM (
  SELECT seq, row_number() OVER (PARTITION BY person, way ORDER BY attempts > 0, due, seq) AS place FROM letter WHERE state = 'waiting' AND due <= ?
) WHERE place = 1) ORDER BY due, seq`, -1, by.UnixMicro())
}

// NextDue returns when the next letter that waits is due after the moment; false where
// none is.
func (s *Store) NextDue(ctx context.Context, after time.Time) (time.Time, bool, error) {
	var at sql.NullInt64
	if err := s.rdb.QueryRowContext(ctx, "SELECT min(due) FROM letter WHERE state = 'waiting' AND due > ?", after.UnixMicro()).Scan(&at); err != nil {
		return time.Time{}, false, fmt.Errorf("read when a letter is due: %w", err)
	}
	return orZero(at), at.Valid, nil
}

// LettersTo returns at most limit letters to a person, the newest first.
func (s *Store) LettersTo(ctx context.Context, person string, limit int) ([]Letter, error) {
	return s.letters(ctx, "person = ? ORDER BY seq DESC", limit, person)
}

// LettersOf returns all letters of a cause, in the order in which they were written.
func (s *Store) LettersOf(ctx context.Context, cause string) ([]Letter, error) {
	return s.letters(ctx, "cause = ? ORDER BY seq", -1, cause)
}

// LettersOf is [Store.LettersOf] as this transaction sees it.
func (t *Tx) LettersOf(cause string) ([]Letter, error) {
	st, err := t.prepared("SELECT " + letterColumns + " FROM letter WHERE cause = ? ORDER BY seq")
	if err != nil {
		return nil, fmt.Errorf("read letters: %w", err)
	}
	return scanLetters(st.QueryContext(t.ctx, cause))
}

// letters reads those of the condition; a negative limit means all.
func (s *Store) letters(ctx context.Context, where string, limit int, args ...any) ([]Letter, error) {
	if limit == 0 {
		return nil, fmt.Errorf("no letters were asked for; ask for 1 or more")
	}
	return scanLetters(s.rdb.QueryContext(ctx, "SELECT "+letterColumns+" FROM letter WHERE "+where+" LIMIT ?", append(args, limit)...))
}

func scanLetters(rows *sql.Rows, err error) ([]Letter, error) {
	if err != nil {
		return nil, fmt.Errorf("read letters: %w", err)
	}
	defer rows.Close()
	var out []Letter
	for rows.Next() {
		var l Letter
		var written, due, until int64
		var ended, failed sql.NullInt64
		var body []byte
		if err := rows.Scan(&l.ID, &l.Cause, &l.N, &l.Person, &l.Way, &body, &written, &due, &until, &l.Attempts, &l.Doubt, &l.State, &ended, &failed, &l.Trouble); err != nil {
			return nil, fmt.Errorf("read letters: %w", err)
		}
		l.Body, l.Ended, l.Failed = body, orZero(ended), orZero(failed)
		l.Written, l.Due, l.Until = time.UnixMicro(written).UTC(), time.UnixMicro(due).UTC(), time.UnixMicro(until).UTC()
		out = append(out, l)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read letters: %w", err)
	}
	return out, nil
}

// WayRecord is how a way to a person has been doing.
type WayRecord struct {
	Person, Way string
	// Taken is when the other side last took something; Failed since when it has not
	// although it was tried. Zero where that is not so.
	Taken, Failed time.Time
}

// WayRecords returns how each way has been doing by which anybody was ever written to,
// in the order of person and way.
func (s *Store) WayRecords(ctx context.Context) ([]WayRecord, error) {
	rows, err := s.rdb.QueryContext(ctx, `
WITH last AS (SELECT person, way, max(CASE WHEN state = 'taken' THEN ended END) AS taken FROM letter GROUP BY person, way)
SELECT person, way, taken,
  (SELECT min(failed) FROM letter l WHERE l.person = last.person AND l.way = last.way AND l.state <> 'taken' AND l.failed > coalesce(last.taken, 0))
FROM last ORDER BY person, way`)
	if err != nil {
		return nil, fmt.Errorf("read how the ways out do: %w", err)
	}
	defer rows.Close()
	var out []WayRecord
	for rows.Next() {
		var w WayRecord
		var taken, failed sql.NullInt64
		if err := rows.Scan(&w.Person, &w.Way, &taken, &failed); err != nil {
			return nil, fmt.Errorf("read how the ways out do: %w", err)
		}
		w.Taken, w.Failed = orZero(taken), orZero(failed)
		out = append(out, w)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read how the ways out do: %w", err)
	}
	return out, nil
}
