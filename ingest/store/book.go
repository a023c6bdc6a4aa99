package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"iter"
	"math"
	"strings"
	"time"
)

// Entry is what is written into an engine's book.
type Entry struct {
	// At is when it happened, kept in whole microseconds; it need not be later than
	// the entry before.
	At time.Time
	// Kind says what the body is, for example "verdict" or "confirmed". Not empty.
	Kind string
	// By is who did it; empty where no person did.
	By string
	// Body is JSON, kept without insignificant space; null where there is nothing to add.
	Body json.RawMessage
}

// BookEntry is an entry as it stands in the book.
type BookEntry struct {
	Engine string
	// Seq counts from 1 within the engine's book.
	Seq uint64
	Entry
	// Hash is the SHA-256 over the hash of the entry before (32 zero bytes for the
	// first) and the entry's own fields; see [Store.ProveBook].
	Hash [sha256.Size]byte
}

// Note adds the entries to the engine's book in one transaction; engine "" is the
// shed's own book. If one is not fit to be kept, none is.
func (s *Store) Note(ctx context.Context, engine string, entries []Entry) error {
	if len(entries) == 0 {
		return nil
	}
	return s.Update(ctx, func(t *Tx) error { return t.Note(engine, entries) })
}

// Note is [Store.Note] within a transaction that does more.
func (t *Tx) Note(engine string, entries []Entry) error {
	b := BookEntry{Engine: engine}
	var hash []byte
	if _, err := t.row("SELECT seq, hash FROM book WHERE engine = ? AND seq > 0 ORDER BY seq DESC LIMIT 1", []any{engine}, &b.Seq, &hash); err != nil {
		return fmt.Errorf("write the book of engine %q: %w", engine, err)
	}
	copy(b.Hash[:], hash)
	kept, ok, err := t.Get(headKey + engine)
	if err != nil {
		return fmt.Errorf("write the book of engine %q: %w", engine, err)
	}
	if head, err := ParseMark(string(kept)); ok && err == nil {
		// What is written goes on from the entry that was the last one when this
		// program wrote, whatever stands there now: else the next entry would make
		// good what somebody cut off or put in.
		b.Seq, b.Hash = max(b.Seq, head.Seq), head.Hash
	}
	for i, e := range entries {
		if e.Kind == "" {
			return fmt.Errorf("write the book of engine %q: entry %d has no kind; say what it is", engine, i)
		}
		if len(e.Body) == 0 {
			e.Body = json.RawMessage("null")
		}
		var body bytes.Buffer
		if err := json.Compact(&body, e.Body); err != nil {
			return fmt.Errorf("write the book of engine %q: the body of entry %d (%s) is no JSON: %w", engine, i, e.Kind, err)
		}
		e.Body, e.At = body.Bytes(), time.UnixMicro(e.At.UnixMicro()).UTC()
		b.Seq, b.Entry = b.Seq+1, e
		b.Hash = chain(b.Hash, b)
		if err := t.run("INSERT INTO book (engine, seq, at, kind, who, body, hash) VALUES (?, ?, ?, ?, ?, ?, ?)",
			engine, int64(b.Seq), e.At.UnixMicro(), e.Kind, e.By, []byte(e.Body), b.Hash[:]); err != nil {
			return fmt.Errorf("write the book of engine %q: %w", engine, err)
		}
	}
	if len(entries) == 0 {
		return nil
	}
	if err := t.Put(headKey+engine, []byte(Mark{b.Seq, b.Hash}.String())); err != nil {
		return fmt.Errorf("write the book of engine %q: %w", engine, err)
	}
	return nil
}

// chain is SHA-256 over the hash before and the fields of e: engine, seq, time,
// kind, who and body, each text with its length before it (8 bytes, big-endian),
// numbers as 8 bytes big-endian, so that no two entries give the same bytes.
func chain(before [sha256.Size]byte, e BookEntry) [sha256.Size]byte {
	b := append([]byte(nil), before[:]...)
	text := func(s []byte) {
		b = binary.BigEndian.AppendUint64(b, uint64(len(s)))
		b = append(b, s...)
	}
	text([]byte(e.Engine))
	b = binary.BigEndian.AppendUint64(b, e.Seq)
	b = binary.BigEndian.AppendUint64(b, uint64(e.At.UnixMicro()))
	text([]byte(e.Kind))
	text([]byte(e.By))
	text(e.Body)
	return sha256.Sum256(b)
}

// Book hands out the entries of the engine's book that lie within [from, to) and
// are of one of the kinds (all if none is given), in the order in which they were
// written; a zero to means no end. After an error nothing follows.
func (s *Store) Book(ctx context.Context, engine string, from, to time.Time, kinds ...string) iter.Seq2[BookEntry, error] {
	return func(yield func(BookEntry, error) bool) {
		lo, hi := span(from, to)
		for e, err := range s.entries(ctx, "engine = ? AND seq > ? AND at >= ? AND at < ?"+among(kinds), func(last uint64) []any {
			return append([]any{engine, int64(last), lo, hi}, anys(kinds)...)
		}) {
			if err != nil {
				yield(e, fmt.Errorf("read the book of engine %q: %w", engine, err))
				return
			}
			if !yield(e, nil) {
				return
			}
		}
	}
}

// BookBefore returns at most limit entries of the engine's book of one of the
// kinds (all if none is given) that stand before the entry seq, the newest first;
// seq 0 begins at the end. The next page is asked for with the last one's Seq.
func (s *Store) BookBefore(ctx context.Context, engine string, seq uint64, limit int, kinds ...string) ([]BookEntry, error) {
	if limit < 1 {
		return nil, fmt.Errorf("%d entries of the book were asked for; ask for 1 or more", limit)
	}
	if seq == 0 || seq > math.MaxInt64 {
		seq = math.MaxInt64
	}
	rows, err := s.rdb.QueryContext(ctx, "SELECT engine, seq, at, kind, who, body, hash FROM book WHERE engine = ? AND seq < ?"+among(kinds)+" ORDER BY seq DESC LIMIT ?",
		append(append([]any{engine, int64(seq)}, anys(kinds)...), limit)...)
	if err != nil {
		return nil, fmt.Errorf("read the book of engine %q: %w", engine, err)
	}
	out, err := scanBook(rows)
	if err != nil {
		return nil, fmt.Errorf("read the book of engine %q: %w", engine, err)
	}
	return out, nil
}

func among(kinds []string) string {
	if len(kinds) == 0 {
		return ""
	}
	return " AND kind IN (?" + strings.Repeat(", ?", len(kinds)-1) + ")"
}

// bookSlice is how many entries are read at a time.
const bookSlice = 500

// entries reads slice after slice, each after the last entry of the one before.
func (s *Store) entries(ctx context.Context, where string, args func(last uint64) []any) iter.Seq2[BookEntry, error] {
	return func(yield func(BookEntry, error) bool) {
		var last uint64
		for {
			rows, err := s.rdb.QueryContext(ctx, fmt.Sprintf("SELECT engine, seq, at, kind, who, body, hash FROM book WHERE %s ORDER BY seq LIMIT %d", where, bookSlice), args(last)...)
			if err != nil {
				yield(BookEntry{}, err)
				return
			}
			page, err := scanBook(rows)
			if err != nil {
				yield(BookEntry{}, err)
				return
			}
			for _, e := range page {
				if !yield(e, nil) {
					return
				}
				last = e.Seq
			}
			if len(page) < bookSlice {
				return
			}
		}
	}
}

func scanBook(rows *sql.Rows) ([]BookEntry, error) {
	defer rows.Close()
	var out []BookEntry
	for rows.Next() {
		var e BookEntry
		var at int64
		var body, hash []byte
		if err := rows.Scan(&e.Engine, &e.Seq, &at, &e.Kind, &e.By, &body, &hash); err != nil {
			return nil, err
		}
		if len(hash) == sha256.Size { // else it stays zero, which fits nothing
			copy(e.Hash[:], hash)
		}
		e.At, e.Body = time.UnixMicro(at).UTC(), body
		out = append(out, e)
	}
	return out, rows.Err()
}
