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
// rounding up to whole hours would cost more than a third of the buckets.
const hourly = 80 * usPerMinute

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
		if g.unit == usPerHour && w >= hourly || g.unit == usPerMinute && w >= usPerMinute || g.unit == 1 {
			break
		}
	}
	return g
}

func (g grid) index(at int64) int { return int((at - g.anchor) / g.width) }

// Buckets divides [from, to) into at most points buckets of equal width and sums
// up what each has of the channel. Buckets without any sample are left out; one
// with bad samples only has Count 0. Widths of a minute and more are whole
// minutes, of 80 minutes and more whole hours, and the buckets then begin on a
// whole one; the first and last are cut at from and to. Min, Max, Count and Worst
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
	r := &summing{s: s, ctx: ctx, g: g, sums: map[int]*agg{}}
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

type summing struct {
	s      *Store
	ctx    context.Context
	q      querier
	g      grid
	series int64
	sums   map[int]*agg
}

func (r *summing) bucket(i int) *agg {
	a := r.sums[i]
	if a == nil {
		a = &agg{}
		r.sums[i] = a
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

func (r *summing) chunks(lo, hi int64) error {
	return eachChunk(r.ctx, r.q, r.series, lo, hi, func(x sample) error { return r.sample(x) })
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
	for _, x := range all {
		if err := r.sample(x); err != nil {
			return err
		}
	}
	return nil
}

func (r *summing) sample(x sample) error {
	f, err := r.s.flawByID(r.ctx, r.q, x.flaw)
	if err != nil {
		return err
	}
	r.bucket(r.g.index(x.at)).add(x.value, f.quality)
	return nil
}

func (r *summing) buckets() []telemetry.Bucket {
	var out []telemetry.Bucket
	for i, end := 0, r.g.index(r.g.to-1); i <= end && len(out) < len(r.sums); i++ {
		a := r.sums[i]
		if a == nil {
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
