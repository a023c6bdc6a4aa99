package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"ashlamp/rules/telemetry"
)

// Record is a sample with where it came from and when.
type Record struct {
	// Engine is the engine's id, "" for the shed's own.
	Engine string
	Node   string
	// Received is when the daemon got it, UTC, whole microseconds.
	Received time.Time
	telemetry.Sample
}

// slice is how many minutes of a series one slice of an iterator reads at most:
// at a sample a second 3,600, read in a few ms and well under a megabyte.
const slice = 60

// ceilMicro returns the first whole microsecond that is not before t.
func ceilMicro(t time.Time) int64 {
	us := t.UnixMicro()
	if t.Nanosecond()%1000 != 0 {
		us++
	}
	return us
}

// span turns the bounds of a read into µs; a zero to means no end.
func span(from, to time.Time) (int64, int64) {
	if to.IsZero() {
		return ceilMicro(from), math.MaxInt64
	}
	return ceilMicro(from), ceilMicro(to)
}

// seriesIn returns the id of a series, 0 if there is none.
func seriesIn(ctx context.Context, q querier, engine string, ch telemetry.Channel) (id int64, err error) {
	err = q.QueryRowContext(ctx, "SELECT id FROM series WHERE engine = ? AND channel = ?", engine, string(ch)).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return id, err
}

// named is a series with its names.
type named struct {
	id      int64
	engine  string
	channel telemetry.Channel
}

func seriesOfEngines(ctx context.Context, q querier, engines ...string) ([]named, error) {
	rows, err := q.QueryContext(ctx, "SELECT id, engine, channel FROM series WHERE engine IN (?"+strings.Repeat(", ?", len(engines)-1)+") ORDER BY channel, engine", anys(engines)...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []named
	for rows.Next() {
		var n named
		if err := rows.Scan(&n.id, &n.engine, &n.channel); err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, rows.Err()
}

func anys(ss []string) []any {
	out := make([]any, len(ss))
	for i, s := range ss {
		out[i] = s
	}
	return out
}

// eachChunk hands out the sealed samples of a series within [lo, hi) in order of time.
func eachChunk(ctx context.Context, q querier, series, lo, hi int64, f func(sample) error) error {
	rows, err := q.QueryContext(ctx, "SELECT id, data FROM chunk WHERE id BETWEEN ? AND ?",
		chunkID(series, floorDiv(lo, usPerMinute)), chunkID(series, floorDiv(hi-1, usPerMinute)))
	if err != nil {
		return err
	}
	defer rows.Close()
	// f may read on the same connection, which is busy until the rows are closed.
	var ss []sample
	for rows.Next() {
		var id int64
		var data sql.RawBytes
		if err := rows.Scan(&id, &data); err != nil {
			return err
		}
		if ss, err = decodeChunk(ss, minuteOf(id), data); err != nil {
			return damagedMinute(minuteOf(id), err)
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	rows.Close()
	for _, x := range ss {
		if x.at >= lo && x.at < hi {
			if err := f(x); err != nil {
				return err
			}
		}
	}
	return nil
}

func damagedMinute(minute int64, err error) error {
	return fmt.Errorf("minute %s: %w", time.Unix(minute*60, 0).UTC().Format(time.RFC3339), err)
}

// record puts the words in place of their ids.
func (s *Store) record(ctx context.Context, q querier, n named, x sample) (Record, error) {
	f, err := s.flawByID(ctx, q, x.flaw)
	if err != nil {
		return Record{}, err
	}
	node, err := s.sourceByID(ctx, q, x.source)
	if err != nil {
		return Record{}, err
	}
	return Record{
		Engine: n.engine, Node: node, Received: time.UnixMicro(x.at + x.lag).UTC(),
		Sample: telemetry.Sample{Channel: n.channel, At: time.UnixMicro(x.at).UTC(), Value: x.value, Quality: f.quality, Reason: f.reason},
	}, nil
}

// Samples hands out the samples of a channel within [from, to) in order of time;
// a zero to means no end. It may be held as long as one likes: samples that
// arrive meanwhile are handed out if their turn has not passed. After an error
// nothing follows.
func (s *Store) Samples(ctx context.Context, engine string, ch telemetry.Channel, from, to time.Time) iter.Seq2[telemetry.Sample, error] {
	return func(yield func(telemetry.Sample, error) bool) {
		lo, hi := span(from, to)
		only := func(ctx context.Context, q querier) ([]named, error) {
			id, err := seriesIn(ctx, q, engine, ch)
			if err != nil || id == 0 {
				return nil, err
			}
			return []named{{id, engine, ch}}, nil
		}
		for r, err := range s.records(ctx, lo, hi, only) {
			if err != nil {
				yield(telemetry.Sample{}, fmt.Errorf("read %s of engine %q: %w", ch, engine, err))
				return
			}
			if !yield(r.Sample, nil) {
				return
			}
		}
	}
}

// All hands out the samples of all channels of the engine and of the shed within
// [from, to), in order of time and then of channel, as [Store.Samples] does.
// With engine "" they are the shed's alone.
func (s *Store) All(ctx context.Context, engine string, from, to time.Time) iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		lo, hi := span(from, to)
		both := func(ctx context.Context, q querier) ([]named, error) { return seriesOfEngines(ctx, q, engine, "") }
		for r, err := range s.records(ctx, lo, hi, both) {
			if err != nil {
				yield(Record{}, fmt.Errorf("read samples of engine %q: %w", engine, err))
				return
			}
			if !yield(r, nil) {
				return
			}
		}
	}
}

// records reads slice after slice. A slice is a span of time of so many minutes
// that slice holds over all series together, found where there is something.
func (s *Store) records(ctx context.Context, lo, hi int64, which func(context.Context, querier) ([]named, error)) iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		for lo < hi {
			var out []Record
			end := hi
			err := s.read(ctx, func(q querier) error {
				series, err := which(ctx, q)
				if err != nil || len(series) == 0 {
					return err
				}
				out, end, err = s.slice(ctx, q, series, lo, hi)
				return err
			})
			if err != nil {
				yield(Record{}, err)
				return
			}
			for _, r := range out {
				if !yield(r, nil) {
					return
				}
			}
			lo = end
		}
	}
}

// slice reads what the series have from lo on, and says where it ended.
func (s *Store) slice(ctx context.Context, q querier, series []named, lo, hi int64) ([]Record, int64, error) {
	// The first chunk in the span, of any series, begins the slice.
	begin := int64(math.MaxInt64)
	lastMinute := floorDiv(hi-1, usPerMinute)
	for _, n := range series {
		var id sql.NullInt64
		if err := q.QueryRowContext(ctx, "SELECT min(id) FROM chunk WHERE id BETWEEN ? AND ?",
			chunkID(n.id, floorDiv(lo, usPerMinute)), chunkID(n.id, lastMinute)).Scan(&id); err != nil {
			return nil, 0, err
		}
		if id.Valid {
			begin = min(begin, minuteOf(id.Int64))
		}
	}
	end := hi
	sealed := begin <= lastMinute
	if sealed {
		if e := begin + int64(max(1, slice/len(series))); e <= lastMinute {
			end = e * usPerMinute
		}
	}
	type item struct {
		sample
		of int
	}
	var items []item
	of := make(map[int64]int, len(series))
	for i, n := range series {
		of[n.id] = i
		if !sealed {
			continue
		}
		if err := eachChunk(ctx, q, n.id, lo, end, func(x sample) error {
			items = append(items, item{x, i})
			return nil
		}); err != nil {
			return nil, 0, fmt.Errorf("%s: %w", n.channel, err)
		}
	}
	rows, err := q.QueryContext(ctx, "SELECT series, at, value, flaw, source, lag FROM fresh WHERE at >= ? AND at < ?", lo, end)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var x sample
		var v sql.NullFloat64
		if err := rows.Scan(&id, &x.at, &v, &x.flaw, &x.source, &x.lag); err != nil {
			return nil, 0, err
		}
		if i, ok := of[id]; ok {
			x.value = orNaN(v)
			items = append(items, item{x, i})
		}
	}
	if err := rows.Err(); err != nil {
		return nil, 0, err
	}
	rows.Close()
	if len(series) > 1 {
		slices.SortFunc(items, func(a, b item) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.of, b.of)) })
	}
	out := make([]Record, len(items))
	for i, it := range items {
		if out[i], err = s.record(ctx, q, series[it.of], it.sample); err != nil {
			return nil, 0, err
		}
	}
	return out, end, nil
}

// Latest returns the newest sample of each channel of the engine; the shed's own
// with engine "". A sample cannot have been measured after it was received: one
// dated ahead counts as of its receipt, so that it does not hide for ever those
// that come after it.
func (s *Store) Latest(ctx context.Context, engine string) (map[telemetry.Channel]telemetry.Sample, error) {
	out := map[telemetry.Channel]telemetry.Sample{}
	err := s.read(ctx, func(q querier) error {
		series, err := seriesOfEngines(ctx, q, engine)
		if err != nil || len(series) == 0 {
			return err
		}
		newest := map[int64]sample{}
		take := func(id int64, x sample) {
			if have, ok := newest[id]; !ok || shownAt(x) > shownAt(have) {
				newest[id] = x
			}
		}
		rows, err := q.QueryContext(ctx, "SELECT series, at, value, flaw, source, lag FROM fresh")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var id int64
			var x sample
			var v sql.NullFloat64
			if err := rows.Scan(&id, &x.at, &v, &x.flaw, &x.source, &x.lag); err != nil {
				return err
			}
			x.value = orNaN(v)
			take(id, x)
		}
		if err := rows.Err(); err != nil {
			return err
		}
		rows.Close()
		for _, n := range series {
			if err := latestSealed(ctx, q, n.id, func(x sample) int64 {
				take(n.id, x)
				return shownAt(newest[n.id])
			}); err != nil {
				return fmt.Errorf("%s: %w", n.channel, err)
			}
			if x, ok := newest[n.id]; ok {
				r, err := s.record(ctx, q, n, x)
				if err != nil {
					return err
				}
				out[n.channel] = r.Sample
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the latest samples of engine %q: %w", engine, err)
	}
	return out, nil
}

// shownAt is the time as of which a sample counts as the latest.
func shownAt(x sample) int64 { return x.at + min(x.lag, 0) }

// latestSealed hands out sealed samples from the newest chunk back, until no
// older one can count as later than what take says is the latest.
func latestSealed(ctx context.Context, q querier, series int64, take func(sample) int64) error {
	id := chunkID(series, maxMinute) + 1
	for {
		var data []byte
		err := q.QueryRowContext(ctx, "SELECT id, data FROM chunk WHERE id >= ? AND id < ? ORDER BY id DESC LIMIT 1", chunkID(series, minMinute), id).Scan(&id, &data)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		ss, err := decodeChunk(nil, minuteOf(id), data)
		if err != nil {
			return err
		}
		latest := int64(math.MinInt64)
		for _, x := range ss {
			latest = max(latest, take(x))
		}
		if latest >= minuteOf(id)*usPerMinute {
			return nil
		}
	}
}

// Channels returns the channels of which the engine has samples, in order of
// name; the shed's own with engine "".
func (s *Store) Channels(ctx context.Context, engine string) ([]telemetry.Channel, error) {
	series, err := seriesOfEngines(ctx, s.rdb, engine)
	if err != nil {
		return nil, fmt.Errorf("read the channels of engine %q: %w", engine, err)
	}
	out := make([]telemetry.Channel, len(series))
	for i, n := range series {
		out[i] = n.channel
	}
	return out, nil
}
