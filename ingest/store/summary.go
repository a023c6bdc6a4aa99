package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"
)

// Summary is one disposal of an engine as it was drawn up.
type Summary struct {
	// ID names the disposal for the outside. Not empty.
	ID string
	// Begun and Ended are kept in whole microseconds; Ended is zero while it is open.
	Begun, Ended time.Time
	// Body is JSON, kept without insignificant space.
	Body json.RawMessage
}

// PutSummary keeps a summary in place of the one of the same engine and Begun, if there
// is one: written twice it is there once. One without an id, or whose body is no JSON, is
// refused.
func (t *Tx) PutSummary(engine string, d Summary) error {
	if d.ID == "" || d.Begun.IsZero() {
		return fmt.Errorf("keep a summary of engine %q: it has no id or no beginning; say which disposal it is of", engine)
	}
	var body bytes.Buffer
	if err := json.Compact(&body, d.Body); err != nil {
		return fmt.Errorf("keep the summary of disposal %s of engine %q: its body is no JSON: %w", d.ID, engine, err)
	}
	ended := sql.NullInt64{Int64: d.Ended.UnixMicro(), Valid: !d.Ended.IsZero()}
	if err := t.run(`INSERT INTO summary (engine, begun, ended, name, body) VALUES (?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET ended = excluded.ended, name = excluded.name, body = excluded.body`,
		engine, d.Begun.UnixMicro(), ended, d.ID, body.Bytes()); err != nil {
		return fmt.Errorf("keep the summary of disposal %s of engine %q: %w", d.ID, engine, err)
	}
	return nil
}

// PutSummary is [Tx.PutSummary] in a transaction of its own.
func (s *Store) PutSummary(ctx context.Context, engine string, d Summary) error {
	return s.Update(ctx, func(t *Tx) error { return t.PutSummary(engine, d) })
}

// Summaries returns at most limit summaries of the engine, the newest first.
func (s *Store) Summaries(ctx context.Context, engine string, limit int) ([]Summary, error) {
	if limit < 1 {
		return nil, fmt.Errorf("%d summaries were asked for; ask for 1 or more", limit)
	}
	rows, err := s.rdb.QueryContext(ctx, "SELECT begun, ended, name, body FROM summary WHERE engine = ? ORDER BY begun DESC LIMIT ?", engine, limit)
	if err != nil {
		return nil, fmt.Errorf("read the summaries of engine %q: %w", engine, err)
	}
	defer rows.Close()
	var out []Summary
	for rows.Next() {
		var d Summary
		var begun int64
		var ended sql.NullInt64
		var body []byte
		if err := rows.Scan(&begun, &ended, &d.ID, &body); err != nil {
			return nil, fmt.Errorf("read the summaries of engine %q: %w", engine, err)
		}
		d.Begun, d.Body = time.UnixMicro(begun).UTC(), body
		if ended.Valid {
			d.Ended = time.UnixMicro(ended.Int64).UTC()
		}
		out = append(out, d)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read the summaries of engine %q: %w", engine, err)
	}
	return out, nil
}
