package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"
	"math"
	"time"
)

// countedBy is how many bytes of a chunk hold its version and its count, at most.
const countedBy = 1 + binary.MaxVarintLen64

// Count returns how many samples [Store.All] would hand out now. It reads the heads of
// the minutes that lie wholly within the span, and of those at its ends all.
func (s *Store) Count(ctx context.Context, engine string, from, to time.Time) (n int64, err error) {
	lo, hi := span(from, to)
	if lo >= hi {
		return 0, nil
	}
	err = s.read(ctx, func(q querier) error {
		series, err := seriesOfEngines(ctx, q, engine, "")
		if err != nil {
			return err
		}
		for _, one := range series {
			k, err := countSeries(ctx, q, one.id, lo, hi)
			if err != nil {
				return fmt.Errorf("%s: %w", one.channel, err)
			}
			n += k
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("count the samples of engine %q: %w", engine, err)
	}
	return n, nil
}

func countSeries(ctx context.Context, q querier, series, lo, hi int64) (n int64, err error) {
	if err := q.QueryRowContext(ctx, "SELECT count(*) FROM fresh WHERE at >= ? AND at < ? AND series = ?", lo, hi, series).Scan(&n); err != nil {
		return 0, err
	}
	first, end := -floorDiv(-lo, usPerMinute), floorDiv(hi, usPerMinute)
	if hi == math.MaxInt64 {
		end = maxMinute + 1
	}
	edge := func(lo, hi int64) error {
		return eachChunk(ctx, q, series, lo, hi, func(sample) error { n++; return nil })
	}
	if first >= end { // not one whole minute
		return n, edge(lo, hi)
	}
	if lo < first*usPerMinute {
		if err := edge(lo, first*usPerMinute); err != nil {
			return 0, err
		}
	}
	if end <= maxMinute && end*usPerMinute < hi {
		if err := edge(end*usPerMinute, hi); err != nil {
			return 0, err
		}
	}
	rows, err := q.QueryContext(ctx, "SELECT substr(data, 1, ?) FROM chunk WHERE id BETWEEN ? AND ?", countedBy, chunkID(series, first), chunkID(series, end-1))
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	var head sql.RawBytes
	for rows.Next() {
		if err := rows.Scan(&head); err != nil {
			return 0, err
		}
		if len(head) < 2 || head[0] != chunkVersion {
			return 0, fmt.Errorf("%w: a chunk has no count", ErrDamaged)
		}
		k, used := binary.Uvarint(head[1:])
		if used <= 0 || k == 0 || k > chunkLimit {
			return 0, fmt.Errorf("%w: the count of a chunk is wrong", ErrDamaged)
		}
		n += int64(k)
	}
	return n, rows.Err()
}
