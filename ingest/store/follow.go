package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// ErrNoFollower is wrapped when a follower is named that was never entered.
var ErrNoFollower = errors.New("no such follower")

// Position is how far a follower has come. Its zero value is of no use; it comes
// from [Store.Pending] and goes to [Store.Advance].
type Position struct {
	seq     int64
	chunk   int64
	history bool
}

// Follow enters a follower: from now on the samples are kept in order of arrival
// until it has taken them. With history it is first handed all that is stored
// already. A name that is entered stays where it is, across restarts.
//
// What a follower has not taken lies in the file twice, about 20 bytes a sample,
// without limit; one that will not come back must be removed with [Store.Unfollow].
func (s *Store) Follow(ctx context.Context, name string, history bool) error {
	err := s.Update(ctx, func(t *Tx) error {
		var n int
		if _, err := t.row("SELECT count(*) FROM follower WHERE name = ?", []any{name}, &n); err != nil || n > 0 {
			return err
		}
		var chunk any
		if history {
			chunk = int64(math.MinInt64)
		}
		if err := t.run("INSERT INTO follower VALUES (?, ?, ?, ?)", name, t.w.journal, chunk, t.w.top); err != nil {
			return err
		}
		t.w.followers++
		if !history {
			return nil
		}
		// What is not sealed yet is no history by chunks: it goes to the journal, for
		// this follower alone.
		fresh, err := t.allFresh()
		if err != nil || len(fresh) == 0 {
			return err
		}
		return t.record(fresh, name)
	})
	if err != nil {
		return fmt.Errorf("enter follower %q: %w", name, err)
	}
	return nil
}

func (t *Tx) allFresh() ([]entry, error) {
	st, err := t.prepared("SELECT series, at, value, flaw, source, lag FROM fresh ORDER BY at, series")
	if err != nil {
		return nil, err
	}
	rows, err := st.QueryContext(t.ctx)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []entry
	for rows.Next() {
		var e entry
		var v sql.NullFloat64
		if err := rows.Scan(&e.series, &e.at, &v, &e.flaw, &e.source, &e.lag); err != nil {
			return nil, err
		}
		e.value = orNaN(v)
		out = append(out, e)
	}
	return out, rows.Err()
}

// Unfollow removes a follower and what was kept for it; an unknown name is no error.
func (s *Store) Unfollow(ctx context.Context, name string) error {
	err := s.Update(ctx, func(t *Tx) error {
		res, err := t.exec("DELETE FROM follower WHERE name = ?", name)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err != nil || n == 0 {
			return err
		}
		t.w.followers--
		if err := t.run("DELETE FROM journal WHERE only = ?", name); err != nil {
			return err
		}
		return t.trim()
	})
	if err != nil {
		return fmt.Errorf("remove follower %q: %w", name, err)
	}
	return nil
}

// trim forgets what every follower has taken.
func (t *Tx) trim() error {
	return t.run("DELETE FROM journal WHERE seq <= coalesce((SELECT min(seq) FROM follower), ?)", int64(math.MaxInt64))
}

// record writes entries to the journal; only names a follower that they are for alone.
func (t *Tx) record(es []entry, only string) error {
	b := binary.AppendUvarint(make([]byte, 0, 20*len(es)), uint64(len(es)))
	var at int64
	for _, e := range es {
		b = binary.AppendVarint(b, e.series)
		b = binary.AppendVarint(b, e.at-at)
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(e.value))
		b = binary.AppendVarint(b, e.flaw)
		b = binary.AppendVarint(b, e.source)
		b = binary.AppendVarint(b, e.lag)
		at = e.at
	}
	t.w.journal++
	return t.run("INSERT INTO journal VALUES (?, ?, ?)", t.w.journal, sql.NullString{String: only, Valid: only != ""}, b)
}

func decodeEntries(b []byte) ([]entry, error) {
	r := &reader{b: b}
	n := r.uvarint()
	if n > uint64(len(r.b)) {
		return nil, fmt.Errorf("%w: the count of a journal row is wrong", ErrDamaged)
	}
	es := make([]entry, n)
	var at int64
	for i := range es {
		e := &es[i]
		e.series = r.varint()
		at += r.varint()
		e.at = at
		e.value = math.Float64frombits(r.uint64())
		e.flaw, e.source, e.lag = r.varint(), r.varint(), r.varint()
	}
	if r.bad || len(r.b) != 0 {
		return nil, fmt.Errorf("%w: a journal row ends early", ErrDamaged)
	}
	return es, nil
}

// Pending returns what the follower is to take next, in order of arrival: about
// limit samples, since what was committed or sealed together comes together; none
// if there is nothing. Until [Store.Advance] it returns the same again. While the
// follower is being handed the history, a sample that arrives late for it may
// come twice, equal in everything.
func (s *Store) Pending(ctx context.Context, name string, limit int) (out []Record, next Position, err error) {
	err = s.read(ctx, func(q querier) error {
		var chunk sql.NullInt64
		var upto int64
		err := q.QueryRowContext(ctx, "SELECT seq, chunk, upto FROM follower WHERE name = ?", name).Scan(&next.seq, &chunk, &upto)
		if errors.Is(err, sql.ErrNoRows) {
			return ErrNoFollower
		}
		if err != nil {
			return err
		}
		next.chunk, next.history = chunk.Int64, chunk.Valid
		var es []entry
		if next.history {
			if es, err = history(ctx, q, &next, upto, limit); err != nil {
				return err
			}
		}
		if !next.history {
			if es, err = journal(ctx, q, &next, name, limit, es); err != nil {
				return err
			}
		}
		names := map[int64]named{}
		rows, err := q.QueryContext(ctx, "SELECT id, engine, channel FROM series")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var n named
			if err := rows.Scan(&n.id, &n.engine, &n.channel); err != nil {
				return err
			}
			names[n.id] = n
		}
		if err := rows.Err(); err != nil {
			return err
		}
		rows.Close()
		out = make([]Record, 0, len(es))
		for _, e := range es {
			n, ok := names[e.series]
			if !ok {
				return fmt.Errorf("%w: series %d has samples and no name", ErrDamaged, e.series)
			}
			r, err := s.record(ctx, q, n, e.sample)
			if err != nil {
				return err
			}
			out = append(out, r)
		}
		return nil
	})
	if err != nil {
		return nil, Position{}, fmt.Errorf("read what follower %q is to take: %w", name, err)
	}
	return out, next, nil
}

// history takes chunks after the position; at the end of them the position is at the journal.
func history(ctx context.Context, q querier, p *Position, upto int64, limit int) ([]entry, error) {
	rows, err := q.QueryContext(ctx, "SELECT id, data FROM chunk WHERE id > ? ORDER BY id", p.chunk)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var es []entry
	var ss []sample
	for rows.Next() {
		var id int64
		var data sql.RawBytes
		if err := rows.Scan(&id, &data); err != nil {
			return nil, err
		}
		if minuteOf(id) <= upto {
			if ss, err = decodeChunk(ss[:0], minuteOf(id), data); err != nil {
				return nil, err
			}
			for _, x := range ss {
				es = append(es, entry{seriesOf(id), x})
			}
		}
		p.chunk = id
		if len(es) >= limit {
			return es, nil
		}
	}
	p.history = false
	return es, rows.Err()
}

func journal(ctx context.Context, q querier, p *Position, name string, limit int, es []entry) ([]entry, error) {
	if len(es) >= limit {
		return es, nil
	}
	rows, err := q.QueryContext(ctx, "SELECT seq, samples FROM journal WHERE seq > ? AND (only IS NULL OR only = ?) ORDER BY seq", p.seq, name)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var data sql.RawBytes
		if err := rows.Scan(&p.seq, &data); err != nil {
			return nil, err
		}
		more, err := decodeEntries(data)
		if err != nil {
			return nil, err
		}
		if es = append(es, more...); len(es) >= limit {
			break
		}
	}
	return es, rows.Err()
}

// Advance says that the follower has taken all up to the position that
// [Store.Pending] gave; what no follower needs any more is forgotten.
func (s *Store) Advance(ctx context.Context, name string, p Position) error {
	err := s.Update(ctx, func(t *Tx) error {
		chunk := sql.NullInt64{Int64: p.chunk, Valid: p.history}
		res, err := t.exec("UPDATE follower SET seq = max(seq, ?), chunk = ? WHERE name = ?", p.seq, chunk, name)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, ErrNoFollower)
		}
		return t.trim()
	})
	if err != nil {
		return fmt.Errorf("advance follower %q: %w", name, err)
	}
	return nil
}
