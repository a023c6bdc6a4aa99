package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"time"

	"ashlamp/rules/telemetry"
)

const usPerHour = 60 * usPerMinute

// hourly is the width of bucket from which sums of hours are used: below, the
// rounding up to whole hours would cost more than a third of the buckets. Over a span
// of more than longSpan, in which there may be a hundred thousand sums of minutes, it is
// hourlyLong, and may cost half of them: nobody waits for more.
const (
	hourly     = 80 * usPerMinute
	hourlyLong = usPerHour / 2
	longSpan   = 100_000 * usPerMinute
)

// agg sums up samples. any counts all of them (as read from a sum of the file:
// 1 or 0), n those that have a number and are not bad.
type agg struct {
	any, n      int64
	lo, hi, sum float64
	worst       telemetry.Quality
}

func (a *agg) add(v float64, q telemetry.Quality) {
	b := agg{any: 1, worst: q}
	if q != telemetry.Bad && !math.IsNaN(v) {
		b.n, b.lo, b.hi, b.sum = 1, v, v, v
	}
	a.merge(b)
}

func (a *agg) merge(b agg) {
	if b.any == 0 {
		return
	}
	if a.any == 0 || b.worst < a.worst {
		a.worst = b.worst
	}
	a.any += b.any
	switch {
	case b.n == 0:
	case a.n == 0:
		a.n, a.lo, a.hi, a.sum = b.n, b.lo, b.hi, b.sum
	default:
		a.n, a.lo, a.hi, a.sum = a.n+b.n, min(a.lo, b.lo), max(a.hi, b.hi), a.sum+b.sum
	}
}

// column scans NULL as 0; whether it counts is said by n.
type column struct{ f *float64 }

func (c column) Scan(v any) error {
	var n sql.NullFloat64
	if err := n.Scan(v); err != nil {
		return err
	}
	*c.f = n.Float64
	return nil
}

func (a *agg) scan() []any {
	return []any{&a.n, column{&a.lo}, column{&a.hi}, column{&a.sum}, &a.worst}
}

func (a *agg) columns() []any {
	if a.n == 0 {
		return []any{a.n, nil, nil, nil, int64(a.worst)}
	}
	return []any{a.n, a.lo, a.hi, number(a.sum), int64(a.worst)}
}

// grid is the division of a span into buckets.
type grid struct {
	from, to      int64 // µs
	anchor, width int64
	unit          int64
}

func newGrid(from, to int64, points int) grid {
	g := grid{from: from, to: to}
	for _, g.unit = range []int64{usPerHour, usPerMinute, 1} {
		g.anchor = floorDiv(from, g.unit) * g.unit
		p := int64(points)
		w := (to - g.anchor) / p
		if w*p < to-g.anchor {
			w++
		}
		g.width = -floorDiv(-w, g.unit) * g.unit
		if g.unit == usPerHour && (w >= hourly || w >= hourlyLong && to-from > longSpan) || g.unit == usPerMinute && w >= usPerMinute || g.unit == 1 {
			break
		}
	}
	return g
}

func (g grid) index(at int64) int { return int((at - g.anchor) / g.width) }

// Buckets divides [from, to) into at most points buckets of equal width and sums
// up what each has of the channel. Buckets without any sample are left out; one
// with bad samples only has Count 0. Widths of a minute and more are whole
// minutes, of 80 minutes and more (or of half an hour, over a span of more than 69
// days) whole hours, and the buckets then begin on a whole one; the first and last are cut at from and to. Min, Max, Count and Worst
// are exact, Mean to the rounding of a sum.
func (s *Store) Buckets(ctx context.Context, engine string, ch telemetry.Channel, from, to time.Time, points int) ([]telemetry.Bucket, error) {
	if points < 1 {
		return nil, fmt.Errorf("%d buckets were asked for; ask for 1 or more", points)
	}
	lo, hi := ceilMicro(from), ceilMicro(to)
	if lo >= hi {
		return nil, nil
	}
	if hi-lo < 0 || hi-lo > math.MaxInt64-usPerHour {
		return nil, fmt.Errorf("buckets from %s to %s: the span is too long to count in microseconds; ask for less", from.Format(time.RFC3339), to.Format(time.RFC3339))
	}
	g := newGrid(lo, hi, points)
	r := &summing{s: s, ctx: ctx, g: g, qualities: map[int64]telemetry.Quality{}}
	if n := g.index(hi-1) + 1; n <= fewBuckets {
		r.sums = make([]agg, n)
	} else {
		r.far = map[int]*agg{}
	}
	err := s.read(ctx, func(q querier) error {
		r.q = q
		var err error
		r.series, err = seriesIn(ctx, q, engine, ch)
		if err != nil || r.series == 0 {
			return err
		}
		if err := r.fresh(); err != nil {
			return err
		}
		good, err := s.flawByID(ctx, q, 0)
		if err != nil {
			return err
		}
		r.qualities[0] = good.quality
		switch g.unit {
		case usPerHour:
			return r.sums60("hour", usPerHour, lo, hi, r.minutes)
		case usPerMinute:
			return r.minutes(lo, hi)
		}
		return r.chunks(lo, hi)
	})
	if err != nil {
		return nil, fmt.Errorf("sum up %s of engine %q: %w", ch, engine, err)
	}
	return r.buckets(), nil
}

// fewBuckets is up to how many there is room made for all, whether they have a sample
// or not: 3 MB.
const fewBuckets = 1 << 16

type summing struct {
	s      *Store
	ctx    context.Context
	q      querier
	g      grid
	series int64
	// sums are by number; far in their place where there may be very many.
	sums []agg
	far  map[int]*agg
	// qualities are those of the flaws met so far.
	qualities map[int64]telemetry.Quality
}

func (r *summing) bucket(i int) *agg {
	if r.far == nil {
		return &r.sums[i]
	}
	a := r.far[i]
	if a == nil {
		a = &agg{}
		r.far[i] = a
	}
	return a
}

func (r *summing) minutes(lo, hi int64) error {
	return r.sums60("minute", usPerMinute, lo, hi, r.chunks)
}

// sums60 takes the whole units within [lo, hi) from the table, the rest from finer.
func (r *summing) sums60(table string, unit, lo, hi int64, finer func(lo, hi int64) error) error {
	first, end := -floorDiv(-lo, unit), floorDiv(hi, unit)
	if first >= end {
		return finer(lo, hi)
	}
	if lo < first*unit {
		if err := finer(lo, first*unit); err != nil {
			return err
		}
	}
	if end*unit < hi {
		if err := finer(end*unit, hi); err != nil {
			return err
		}
	}
	// SQLite does the grouping: handing out each row costs seven allocations a row.
	// Width and anchor are whole units here.
	anchor := r.g.anchor / unit
	rows, err := r.q.QueryContext(r.ctx, "SELECT (id - ?) / ? AS bucket, sum(n), min(lo), max(hi), sum(sum), min(worst) FROM "+table+" WHERE id BETWEEN ? AND ? GROUP BY bucket",
		chunkID(r.series, anchor), r.g.width/unit, chunkID(r.series, first), chunkID(r.series, end-1))
	if err != nil {
		return err
	}
	defer rows.Close()
	var bucket int64
	a := agg{any: 1}
	dst := append([]any{&bucket}, a.scan()...)
	for rows.Next() {
		if err := rows.Scan(dst...); err != nil {
			return err
		}
		r.bucket(int(bucket)).merge(a)
	}
	return rows.Err()
}

// chunks sums up sealed samples as they are decoded, one chunk in memory at a time.
func (r *summing) chunks(lo, hi int64) error {
	rows, err := r.q.QueryContext(r.ctx, "SELECT id, data FROM chunk WHERE id BETWEEN ? AND ?",
		chunkID(r.series, floorDiv(lo, usPerMinute)), chunkID(r.series, floorDiv(hi-1, usPerMinute)))
	if err != nil {
		return err
	}
	defer rows.Close()
	var ss, unknown []sample // the words are read on the same connection: first the rows, then they
	for rows.Next() {
		var id int64
		var data sql.RawBytes
		if err := rows.Scan(&id, &data); err != nil {
			return err
		}
		if ss, err = decodeChunk(ss[:0], minuteOf(id), data); err != nil {
			return damagedMinute(minuteOf(id), err)
		}
		for _, x := range ss {
			if x.at < lo || x.at >= hi {
				continue
			}
			if q, ok := r.qualities[x.flaw]; ok {
				r.bucket(r.g.index(x.at)).add(x.value, q)
			} else {
				unknown = append(unknown, x)
			}
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	rows.Close()
	return r.samples(unknown)
}

func (r *summing) fresh() error {
	rows, err := r.q.QueryContext(r.ctx, "SELECT at, value, flaw FROM fresh WHERE at >= ? AND at < ? AND series = ?", r.g.from, r.g.to, r.series)
	if err != nil {
		return err
	}
	defer rows.Close()
	var all []sample // the words are read on the same connection: first the rows, then they
	for rows.Next() {
		var x sample
		var v sql.NullFloat64
		if err := rows.Scan(&x.at, &v, &x.flaw); err != nil {
			return err
		}
		x.value = orNaN(v)
		all = append(all, x)
	}
	if err := rows.Err(); err != nil {
		return err
	}
	rows.Close()
	return r.samples(all)
}

// samples sums up those of which the flaws may not have been met yet.
func (r *summing) samples(ss []sample) error {
	for _, x := range ss {
		q, ok := r.qualities[x.flaw]
		if !ok {
			f, err := r.s.flawByID(r.ctx, r.q, x.flaw)
			if err != nil {
				return err
			}
			q = f.quality
			r.qualities[x.flaw] = q
		}
		r.bucket(r.g.index(x.at)).add(x.value, q)
	}
	return nil
}

func (r *summing) buckets() []telemetry.Bucket {
	var out []telemetry.Bucket
	for i, end := 0, r.g.index(r.g.to-1); i <= end && (r.far == nil || len(out) < len(r.far)); i++ {
		var a agg
		if r.far == nil {
			a = r.sums[i]
		} else if far := r.far[i]; far != nil {
			a = *far
		}
		if a.any == 0 {
			continue
		}
		from := r.g.anchor + int64(i)*r.g.width
		b := telemetry.Bucket{
			From:  time.UnixMicro(max(from, r.g.from)).UTC(),
			To:    time.UnixMicro(min(from+r.g.width, r.g.to)).UTC(),
			Count: int(a.n), Worst: a.worst,
			Min: math.NaN(), Mean: math.NaN(), Max: math.NaN(),
		}
		if a.n > 0 {
			b.Min, b.Max = a.lo, a.hi
			// A mean lies within, whatever the rounding of the sum.
			b.Mean = min(max(a.sum/float64(a.n), a.lo), a.hi)
		}
		out = append(out, b)
	}
	return out
}
