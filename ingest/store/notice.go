package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"ashlamp/rules/notice"
)

// addressedKey is the key of the state under which stands how far the notices have
// been addressed to people.
const addressedKey = "notify/addressed"

// KeptNotice is a notice as it is kept.
type KeptNotice struct {
	// Seq counts from 1 over all notices, in the order in which they were found; it may
	// skip numbers, and gives none twice.
	Seq uint64
	notice.Notice
}

// PutNotice keeps a notice, in the transaction of what causes it. One whose cause and
// turn are kept already is left as it was first told: a notice is told once. One that
// names no cause, or is no turn of it, is refused.
func (t *Tx) PutNotice(n notice.Notice) error {
	if n.Cause == "" || n.N < 1 || n.At.IsZero() {
		return fmt.Errorf("keep a notice: it has no cause, no number or no time (%q, %d, %s); say which turn of what it is", n.Cause, n.N, n.At)
	}
	body, err := json.Marshal(n)
	if err != nil {
		return fmt.Errorf("keep turn %d of %s: %w", n.N, n.Cause, err)
	}
	if err := t.run("INSERT INTO notice (cause, n, turn, at, body) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
		n.Cause, n.N, string(n.Turn), n.At.UnixMicro(), body); err != nil {
		return fmt.Errorf("keep turn %d of %s: %w", n.N, n.Cause, err)
	}
	return nil
}

// Notices returns at most limit notices after the number, in order. One that cannot be
// read comes without a cause: it must not hide those that follow.
func (s *Store) Notices(ctx context.Context, after uint64, limit int) ([]KeptNotice, error) {
	if limit < 1 {
		return nil, fmt.Errorf("%d notices were asked for; ask for 1 or more", limit)
	}
	rows, err := s.rdb.QueryContext(ctx, "SELECT seq, body FROM notice WHERE seq > ? ORDER BY seq LIMIT ?", int64(after), limit)
	if err != nil {
		return nil, fmt.Errorf("read the notices: %w", err)
	}
	defer rows.Close()
	var out []KeptNotice
	for rows.Next() {
		var k KeptNotice
		var body []byte
		if err := rows.Scan(&k.Seq, &body); err != nil {
			return nil, fmt.Errorf("read the notices: %w", err)
		}
		if json.Unmarshal(body, &k.Notice) != nil {
			k.Notice = notice.Notice{}
		}
		out = append(out, k)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read the notices: %w", err)
	}
	return out, nil
}

const latestTurn = "SELECT body FROM notice WHERE cause = ? ORDER BY n DESC LIMIT 1"

// LatestTurn returns the newest turn of a cause; false where nothing is kept of it.
func (s *Store) LatestTurn(ctx context.Context, cause string) (notice.Notice, bool, error) {
	var body []byte
	err := s.rdb.QueryRowContext(ctx, latestTurn, cause).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return notice.Notice{}, false, nil
	}
	return turnOf(cause, body, err)
}

// LatestTurn is [Store.LatestTurn] as this transaction sees it.
func (t *Tx) LatestTurn(cause string) (notice.Notice, bool, error) {
	var body []byte
	ok, err := t.row(latestTurn, []any{cause}, &body)
	if !ok && err == nil {
		return notice.Notice{}, false, nil
	}
	return turnOf(cause, body, err)
}

func turnOf(cause string, body []byte, err error) (n notice.Notice, ok bool, _ error) {
	if err == nil {
		err = json.Unmarshal(body, &n)
	}
	if err != nil {
		return notice.Notice{}, false, fmt.Errorf("read the newest turn of %s: %w", cause, err)
	}
	return n, true, nil
}

// Addressed returns the number up to which notices have been addressed; 0 for none.
func (s *Store) Addressed(ctx context.Context) (uint64, error) {
	b, ok, err := s.Get(ctx, addressedKey)
	return addressed(b, ok, err)
}

func addressed(b []byte, ok bool, err error) (uint64, error) {
	if err != nil || !ok {
		return 0, err
	}
	n, err := strconv.ParseUint(string(b), 10, 63)
	if err != nil {
		return 0, fmt.Errorf("how far the notices are addressed is no number: %w", err)
	}
	return n, nil
}

// Address keeps the letters and that the notices up to the number are addressed: a
// power cut leaves both or neither. The mark never goes back. A letter that is kept
// already is left as it is.
func (t *Tx) Address(upTo uint64, letters []Letter) error {
	if err := t.PutLetters(letters); err != nil {
		return err
	}
	have, err := addressed(t.Get(addressedKey))
	if err != nil || upTo <= have {
		return err
	}
	return t.Put(addressedKey, strconv.AppendUint(nil, upTo, 10))
}

// Address is [Tx.Address] in a transaction of its own.
func (s *Store) Address(ctx context.Context, upTo uint64, letters []Letter) error {
	return s.Update(ctx, func(t *Tx) error { return t.Address(upTo, letters) })
}

// NoticesKept is for how long a notice and its letters are kept: as long as somebody
// may ask whether he was told of it, over a year with its winter lay-up. Common
// practice, no source.
const NoticesKept = 400 * 24 * time.Hour

// ForgetNotices lets go of the causes that were over before the moment and have been
// addressed, and of the letters written before it that wait no longer and whose cause is
// not kept. It returns how many notices and letters that were.
func (s *Store) ForgetNotices(ctx context.Context, before time.Time) (n int64, err error) {
	err = s.Update(ctx, func(t *Tx) error {
		mark, err := addressed(t.Get(addressedKey))
		if err != nil {
			return err
		}
		at := before.UnixMicro()
		for _, q := range []struct {
			text string
			args []any
		}{
			{"DELETE FROM notice WHERE cause IN (SELECT cause FROM notice WHERE turn = 'over' AND at < ? AND seq <= ?)", []any{at, int64(mark)}},
			{"DELETE FROM letter WHERE state <> 'waiting' AND written < ? AND NOT EXISTS (SELECT 1 FROM notice WHERE notice.cause = letter.cause)", []any{at}},
		} {
			res, err := t.exec(q.text, q.args...)
			if err != nil {
				return err
			}
			k, err := res.RowsAffected()
			if err != nil {
				return err
			}
			n += k
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("let go of old notices: %w", err)
	}
	return n, nil
}
