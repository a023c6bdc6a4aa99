package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"time"

	"ashlamp/ingest"
	"ashlamp/rules/telemetry"
)

// NoNumber is the reason given to a sample whose value is no finite number and
// which came without a reason.
const NoNumber = "no number"

// settle is how many minutes after its end a minute is sealed, so that what is
// only a little late still finds it open.
const settle = 1

// Append keeps the samples of all batches in one transaction: all of them are on
// disk when it returns nil, none of them if it returns an error. The answer has
// an entry a batch, in order. It does not call [ingest.Batch.Done].
//
// A sample of an engine, channel and time that the store holds is a duplicate if
// value and quality are the same, and a conflict otherwise; the first is kept in
// either case. A value that is not finite is kept as none and its sample as bad.
// Times are cut to whole microseconds. Fresh has the samples as they are kept.
func (s *Store) Append(ctx context.Context, batches []ingest.Batch) ([]ingest.Appended, error) {
	var out []ingest.Appended
	err := s.Update(ctx, func(t *Tx) (err error) {
		out, err = t.Append(batches)
		return err
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// Append is [Store.Append] within a transaction that does more.
func (t *Tx) Append(batches []ingest.Batch) ([]ingest.Appended, error) {
	a := appending{t: t, sealed: map[int64]*openChunk{}}
	out := make([]ingest.Appended, len(batches))
	received := int64(math.MinInt64)
	for i, b := range batches {
		out[i].Batch = b
		if err := a.batch(&out[i]); err != nil {
			return nil, fmt.Errorf("append samples of node %q: %w", b.Node, err)
		}
		received = max(received, b.Received.UnixMicro())
	}
	if err := a.finish(); err != nil {
		return nil, fmt.Errorf("append samples: %w", err)
	}
	if bound := floorDiv(received, usPerMinute) - settle; len(batches) > 0 && bound != t.w.sealedTo {
		if err := t.seal(bound); err != nil {
			return nil, fmt.Errorf("seal samples: %w", err)
		}
		t.w.sealedTo = bound
	}
	return out, nil
}

// appending is one Append under way.
type appending struct {
	t *Tx
	// sealed are the chunks that late samples go into, by chunkID.
	sealed map[int64]*openChunk
	// journal are the fresh ones for the followers.
	journal []entry
}

// entry is a sample with its series.
type entry struct {
	series int64
	sample
}

type openChunk struct {
	ss    []sample
	added agg
}

func (a *appending) batch(out *ingest.Appended) error {
	t := a.t
	source, err := t.sourceOf(out.Batch.Node)
	if err != nil {
		return err
	}
	insert, err := t.prepared("INSERT INTO fresh VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING")
	if err != nil {
		return err
	}
	received := out.Batch.Received.UnixMicro()
	args := make([]any, 6)
	for _, in := range out.Batch.Samples {
		in := kept(in)
		series, err := t.seriesOf(out.Batch.Engine, in.Channel)
		if err != nil {
			return err
		}
		fl, err := t.flawOf(in.Quality, in.Reason)
		if err != nil {
			return err
		}
		at := in.At.UnixMicro()
		x := sample{at: at, value: in.Value, flaw: fl, source: source, lag: received - at}
		var was *sample
		if minute := floorDiv(at, usPerMinute); minute <= t.w.top {
			was, err = a.late(chunkID(series, minute), x, in.Quality)
		} else {
			args[0], args[1], args[2], args[3], args[4], args[5] = at, series, number(x.value), fl, source, x.lag
			was, err = t.fresh(insert, args)
		}
		switch {
		case err != nil:
			return err
		case was == nil:
			out.Fresh = append(out.Fresh, in)
			if t.w.followers > 0 {
				a.journal = append(a.journal, entry{series, x})
			}
		default:
			same, err := t.same(*was, in)
			if err != nil {
				return err
			}
			if same {
				out.Duplicates++
			} else {
				out.Conflicts = append(out.Conflicts, in)
			}
		}
	}
	return nil
}

// kept returns the sample as the store keeps it.
func kept(s telemetry.Sample) telemetry.Sample {
	s.At = time.UnixMicro(s.At.UnixMicro()).UTC()
	if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
		s.Value = math.NaN()
		s.Quality = telemetry.Bad
		if s.Reason == "" {
			s.Reason = NoNumber
		}
	}
	s.Value += 0 // -0 becomes 0: a column of SQLite does not tell them apart
	return s
}

// number is the value as a column: NULL for none.
func number(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

// fresh inserts the row, or returns the one that is there.
func (t *Tx) fresh(insert *sql.Stmt, args []any) (*sample, error) {
	res, err := insert.ExecContext(t.ctx, args...)
	if err != nil {
		return nil, err
	}
	if n, err := res.RowsAffected(); err != nil || n == 1 {
		return nil, err
	}
	var v sql.NullFloat64
	was := &sample{at: args[0].(int64)}
	if _, err := t.row("SELECT value, flaw FROM fresh WHERE at = ? AND series = ?", args[:2], &v, &was.flaw); err != nil {
		return nil, err
	}
	was.value = orNaN(v)
	return was, nil
}

func orNaN(v sql.NullFloat64) float64 {
	if v.Valid {
		return v.Float64
	}
	return math.NaN()
}

// late puts the sample into its sealed minute, or returns the one that is there.
func (a *appending) late(id int64, x sample, q telemetry.Quality) (*sample, error) {
	c, ok := a.sealed[id]
	if !ok {
		ss, err := a.t.chunk(id)
		if err != nil {
			return nil, err
		}
		c = &openChunk{ss: ss}
		a.sealed[id] = c
	}
	i, found := slices.BinarySearchFunc(c.ss, x.at, func(s sample, at int64) int { return cmp.Compare(s.at, at) })
	if found {
		return &c.ss[i], nil
	}
	c.ss = slices.Insert(c.ss, i, x)
	c.added.add(x.value, q)
	return nil, nil
}

// chunk reads a chunk; none is no error.
func (t *Tx) chunk(id int64) ([]sample, error) {
	var data []byte
	ok, err := t.row("SELECT data FROM chunk WHERE id = ?", []any{id}, &data)
	if err != nil || !ok {
		return nil, err
	}
	ss, err := decodeChunk(nil, minuteOf(id), data)
	if err != nil {
		return nil, fmt.Errorf("minute %s of series %d: %w", time.Unix(minuteOf(id)*60, 0).UTC().Format(time.RFC3339), seriesOf(id), err)
	}
	return ss, nil
}

// same reports whether what is held says the same as what came.
func (t *Tx) same(was sample, in telemetry.Sample) (bool, error) {
	f, err := t.flawByID(was.flaw)
	if err != nil {
		return false, err
	}
	equal := was.value == in.Value || math.IsNaN(was.value) && math.IsNaN(in.Value)
	return equal && f.quality == in.Quality, nil
}

func (t *Tx) flawByID(id int64) (flaw, error) {
	var f flaw
	_, err := t.row("SELECT quality, reason FROM flaw WHERE id = ?", []any{id}, &f.quality, &f.reason)
	return f, err
}

// finish writes what batch only gathered.
func (a *appending) finish() error {
	for id, c := range a.sealed {
		if c.added.any == 0 {
			continue
		}
		if err := a.t.putChunk(id, c.ss, c.added); err != nil {
			return err
		}
	}
	if len(a.journal) == 0 {
		return nil
	}
	return a.t.record(a.journal, "")
}

// putChunk writes a chunk and adds what is new in it to the sums.
func (t *Tx) putChunk(id int64, ss []sample, added agg) error {
	minute := minuteOf(id)
	if err := t.run("INSERT INTO chunk VALUES (?, ?) ON CONFLICT DO UPDATE SET data = excluded.data", id, encodeChunk(minute, ss)); err != nil {
		return err
	}
	if err := t.sum("minute", id, added); err != nil {
		return err
	}
	return t.sum("hour", chunkID(seriesOf(id), floorDiv(minute, 60)), added)
}

// sum adds to a row of minute or hour.
func (t *Tx) sum(table string, id int64, added agg) error {
	have := agg{any: 1}
	ok, err := t.row("SELECT n, lo, hi, sum, worst FROM "+table+" WHERE id = ?", []any{id}, have.scan()...)
	if err != nil {
		return err
	}
	if ok {
		added.merge(have)
	}
	return t.run("INSERT OR REPLACE INTO "+table+" VALUES (?, ?, ?, ?, ?, ?)", append([]any{id}, added.columns()...)...)
}

// seal moves the samples of the minutes before bound into chunks.
func (t *Tx) seal(bound int64) error {
	limit := bound * usPerMinute
	if bound < math.MinInt64/usPerMinute {
		return nil
	}
	st, err := t.prepared("SELECT series, at, value, fresh.flaw, source, lag, quality FROM fresh LEFT JOIN flaw ON flaw.id = fresh.flaw WHERE at < ? ORDER BY series, at")
	if err != nil {
		return err
	}
	rows, err := st.QueryContext(t.ctx, limit)
	if err != nil {
		return err
	}
	defer rows.Close()
	// All is read before any is written: the connection is one.
	type minute struct {
		id    int64
		upto  int
		added agg
	}
	var all []sample
	var minutes []minute
	for rows.Next() {
		var series int64
		var x sample
		var v sql.NullFloat64
		var q sql.NullInt64
		if err := rows.Scan(&series, &x.at, &v, &x.flaw, &x.source, &x.lag, &q); err != nil {
			return err
		}
		x.value = orNaN(v)
		all = append(all, x)
		id := chunkID(series, floorDiv(x.at, usPerMinute))
		if n := len(minutes); n == 0 || minutes[n-1].id != id {
			minutes = append(minutes, minute{id: id})
		}
		m := &minutes[len(minutes)-1]
		m.upto = len(all)
		m.added.add(x.value, telemetry.Quality(q.Int64))
	}
	if err := rows.Err(); err != nil {
		return err
	}
	rows.Close()
	from := 0
	for _, m := range minutes {
		if err := t.putChunk(m.id, all[from:m.upto], m.added); err != nil {
			return err
		}
		from = m.upto
		t.w.top = max(t.w.top, minuteOf(m.id))
	}
	if len(minutes) == 0 {
		return nil
	}
	return t.run("DELETE FROM fresh WHERE at < ?", limit)
}
