package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// headKey and an engine's id make the key of the state under which the mark of the
// newest entry of its book is kept, written in the entry's own transaction. By it a
// book is seen to have lost its end, which its chain alone could not tell.
const headKey = "book/head/"

// Mark names an entry and its hash. Noted down elsewhere, as a printed report does,
// it also shows a book that was written anew as a whole.
type Mark struct {
	Seq  uint64
	Hash [sha256.Size]byte
}

// String writes the number, a colon and 64 hexadecimal digits.
func (m Mark) String() string {
	return strconv.FormatUint(m.Seq, 10) + ":" + hex.EncodeToString(m.Hash[:])
}

// ParseMark reads what [Mark.String] wrote.
func ParseMark(s string) (Mark, error) {
	number, digits, _ := strings.Cut(s, ":")
	seq, errN := strconv.ParseUint(number, 10, 63)
	hash, errH := hex.DecodeString(digits)
	if errN != nil || errH != nil || seq == 0 || len(hash) != sha256.Size {
		return Mark{}, fmt.Errorf("mark %.80q is not an entry's number, a colon and its hash of %d hexadecimal digits; copy it as it was printed", s, 2*sha256.Size)
	}
	return Mark{seq, [sha256.Size]byte(hash)}, nil
}

// Chain is what was found of an engine's book from its first entry on, as far as it
// is unbroken.
type Chain struct {
	Engine string
	// Entries is how many there are; First and Last are the times of the first and
	// the last of them, zero where there is none.
	Entries     uint64
	First, Last time.Time
	// Head marks the last entry; the zero value where there is none.
	Head Mark
}

// BookFault says in a word or two what is wrong with a book.
type BookFault string

// What may be wrong with a book.
const (
	// Changed is an entry that is not as it was written.
	Changed BookFault = "changed"
	// Missing is an entry that is no longer there.
	Missing BookFault = "missing"
	// OutOfOrder is an entry that was written as another number.
	OutOfOrder BookFault = "out of order"
	// PutIn is an entry that was not there when those after it were written.
	PutIn BookFault = "put in"
	// ChainHead is an end that is not the one which was kept or noted.
	ChainHead BookFault = "chain head"
)

// Broken says which entry of a book is the first that is not as it was written.
type Broken struct {
	Engine string
	// Seq is the entry's number; 0 for one that stands before the first.
	Seq uint64
	// At and Kind are as they stand in the entry; zero where it is missing.
	At    time.Time
	Kind  string
	Fault BookFault
	What  string
}

// Error names the entry, and what remains to be done.
func (e *Broken) Error() string {
	whose, of := "the book of engine "+strconv.Quote(e.Engine), ""
	if e.Engine == "" {
		whose = "the shed's book"
	}
	if e.Kind != "" || !e.At.IsZero() {
		of = " (" + written(e.At, e.Kind) + ")"
	}
	before := "entries before it are as they were written; "
	if e.Fault == ChainHead {
		before = "" // the end alone cannot tell of those before it
	}
	return fmt.Sprintf("%s is broken at entry %d%s: %s: %s; %scompare with a backup or a printed report", whose, e.Seq, of, e.Fault, e.What, before)
}

// written tells of an entry by its time and kind. A kind that a stranger wrote may
// hold anything.
func written(at time.Time, kind string) string {
	if strings.Trim(kind, "abcdefghijklmnopqrstuvwxyz-") != "" || kind == "" {
		kind = strconv.Quote(kind)
	}
	return at.Format(time.RFC3339Nano) + ", " + kind
}

// Books returns the engines that have a book, or had one, in order; the shed's own
// is "".
func (s *Store) Books(ctx context.Context) ([]string, error) {
	rows, err := s.rdb.QueryContext(ctx, "SELECT engine FROM book UNION SELECT substr(key, ?) FROM state WHERE substr(key, 1, ?) = ? ORDER BY 1", len(headKey)+1, len(headKey), headKey)
	if err != nil {
		return nil, fmt.Errorf("list the books: %w", err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var e string
		if err := rows.Scan(&e); err != nil {
			return nil, fmt.Errorf("list the books: %w", err)
		}
		out = append(out, e)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("list the books: %w", err)
	}
	return out, nil
}

// VerifyBook is [Store.ProveBook] for one who only counts.
func (s *Store) VerifyBook(ctx context.Context, engine string) (n uint64, err error) {
	c, err := s.ProveBook(ctx, engine)
	return c.Entries, err
}

// ProveBook goes through the engine's book as it is at this moment. If an entry is
// not as it was written, not in its place, missing or put in, the error is a
// [*Broken] that names the first, and the chain is that of those before it. Only
// where the fault is [ChainHead] may those before have been written anew.
//
// An end that was cut off, or put on, is seen by the mark that is kept beside the
// book. Whoever can write the file can change that mark too, and can write a whole
// book anew with hashes that fit: this is seen only by the marks noted elsewhere.
func (s *Store) ProveBook(ctx context.Context, engine string, noted ...Mark) (Chain, error) {
	return s.ProveBookWatched(ctx, engine, func(proved, of uint64) {}, noted...)
}

// watchEvery is how many entries are proved between two calls of a watch: some ms.
const watchEvery = 500

// ProveBookWatched is [Store.ProveBook] for one who wants to know how far it has come:
// watch is called now and then with how many entries held so far, and of how many.
func (s *Store) ProveBookWatched(ctx context.Context, engine string, watch func(proved, of uint64), noted ...Mark) (Chain, error) {
	p := prover{Chain: Chain{Engine: engine}, ctx: ctx, noted: noted, watch: watch}
	err := s.read(ctx, func(q querier) error {
		p.q = q
		if err := q.QueryRowContext(ctx, "SELECT count(*) FROM book WHERE engine = ?", engine).Scan(&p.of); err != nil {
			return err
		}
		return p.prove()
	})
	var b *Broken
	if err != nil && !errors.As(err, &b) {
		err = fmt.Errorf("verify the book of engine %q: %w", engine, err)
	}
	return p.Chain, err
}

// prover goes along a chain; the embedded Chain is what held so far.
type prover struct {
	Chain
	ctx   context.Context
	q     querier
	noted []Mark
	head  Mark // kept; zero where none is
	watch func(proved, of uint64)
	of    uint64
	// before is the hash of the entry before the head of what held.
	before [sha256.Size]byte
}

func (p *prover) prove() error {
	var kept []byte
	err := p.q.QueryRowContext(p.ctx, "SELECT value FROM state WHERE key = ?", headKey+p.Engine).Scan(&kept)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	headLost := "the store keeps no mark of the book's last entry, so that nobody can tell whether the book goes on after this one"
	if err == nil {
		if p.head, err = ParseMark(string(kept)); err != nil {
			headLost = "the mark of the book's last entry cannot be read, so that nobody can tell whether the book goes on after this one"
		}
	}
	var last BookEntry
	if err := p.each("", nil, func(seq int64, e BookEntry) error {
		if err := p.next(seq, e); err != nil {
			return err
		}
		last = e
		return nil
	}); err != nil {
		return err
	}
	for _, m := range p.noted {
		if m.Seq > p.Entries {
			return p.missing(fmt.Sprintf("the book ends before it, and entry %d was noted", m.Seq))
		}
	}
	switch {
	case p.head.Seq > p.Entries:
		return p.missing(fmt.Sprintf("the book was cut off before it, and entry %d was the last", p.head.Seq))
	case p.head.Seq == 0 && p.Entries > 0:
		return p.broken(last, ChainHead, "%s", headLost)
	}
	return nil
}

// each hands out the engine's entries in order of their numbers, which a stranger
// may have made negative.
func (p *prover) each(where string, args []any, f func(seq int64, e BookEntry) error) error {
	rows, err := p.q.QueryContext(p.ctx, "SELECT seq, at, kind, who, body, hash FROM book WHERE engine = ?"+where+" ORDER BY seq", append([]any{p.Engine}, args...)...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var seq, at int64
		var hash []byte
		e := BookEntry{Engine: p.Engine}
		if err := rows.Scan(&seq, &at, &e.Kind, &e.By, (*[]byte)(&e.Body), &hash); err != nil {
			return err
		}
		if len(hash) == sha256.Size { // else it stays zero, which fits nothing
			copy(e.Hash[:], hash)
		}
		e.Seq, e.At = uint64(max(seq, 0)), time.UnixMicro(at).UTC()
		if err := f(seq, e); err != nil {
			return err
		}
	}
	return rows.Err()
}

func (p *prover) broken(e BookEntry, f BookFault, format string, args ...any) error {
	return &Broken{Engine: p.Engine, Seq: e.Seq, At: e.At, Kind: e.Kind, Fault: f, What: fmt.Sprintf(format, args...)}
}

// missing says that the entry after those that held is.
func (p *prover) missing(why string) error {
	return &Broken{Engine: p.Engine, Seq: p.Entries + 1, Fault: Missing, What: why}
}

// next takes the entry that comes next in the book.
func (p *prover) next(seq int64, e BookEntry) error {
	switch {
	case seq < 1:
		return p.broken(e, PutIn, "its number is %d, and numbers begin at 1", seq)
	case e.Seq != p.Entries+1:
		return p.gap(e)
	case !follows(p.Head.Hash, e, e.Seq):
		return p.doubt(e)
	}
	for _, m := range append([]Mark{p.head}, p.noted...) {
		if m.Seq == e.Seq && m.Hash != e.Hash {
			return p.broken(e, ChainHead, "its hash is %x and the one kept or noted of it begins with %x: it, or one before it, was written anew", e.Hash[:4], m.Hash[:4])
		}
	}
	if p.head.Seq > 0 && e.Seq == p.head.Seq+1 {
		return p.broken(e, PutIn, "it stands after the entry that was the last, %d", p.head.Seq)
	}
	if p.Entries == 0 {
		p.First = e.At
	}
	p.before = p.Head.Hash
	p.Entries, p.Last, p.Head = e.Seq, e.At, Mark{e.Seq, e.Hash}
	if p.Entries%watchEvery == 0 {
		p.watch(p.Entries, p.of)
	}
	return nil
}

// follows reports whether e, written as number seq, has the hash that an entry gets
// after one with the hash before.
func follows(before [sha256.Size]byte, e BookEntry, seq uint64) bool {
	e.Seq = seq
	return chain(before, e) == e.Hash
}

var errFound = errors.New("found")

// gap says where the entry is that should stand before e, if it is anywhere.
func (p *prover) gap(e BookEntry) error {
	want := p.Entries + 1
	var moved BookEntry
	err := p.each(" AND seq > ?", []any{int64(p.Entries)}, func(_ int64, other BookEntry) error {
		if follows(p.Head.Hash, other, want) {
			moved = other
			return errFound
		}
		return nil
	})
	switch {
	case errors.Is(err, errFound):
		at := moved.Seq
		moved.Seq = want
		return p.broken(moved, OutOfOrder, "it stands as entry %d", at)
	case err != nil:
		return err
	}
	return p.missing(fmt.Sprintf("entry %d (%s) follows", e.Seq, written(e.At, e.Kind)))
}

// doubt says what is wrong with an entry that has its number and does not follow
// from the one before.
func (p *prover) doubt(e BookEntry) error {
	var before, after *BookEntry
	err := p.each(" AND seq BETWEEN ? AND ?", []any{int64(e.Seq) - 1, int64(e.Seq) + 1}, func(_ int64, other BookEntry) error {
		switch other.Seq {
		case e.Seq - 1:
			before = &other
		case e.Seq + 1:
			after = &other
		}
		return nil
	})
	if err != nil {
		return err
	}
	// What follows from the one before the last was written without it.
	if before != nil && before.Hash != e.Hash && (follows(p.before, e, e.Seq) || follows(p.before, e, e.Seq-1)) {
		held := p.Chain
		held.Entries, held.Head = held.Entries-1, Mark{before.Seq - 1, p.before}
		if err := p.lastBefore(&held); err != nil {
			return err
		}
		p.Chain = held
		return p.broken(*before, PutIn, "entry %d was written without it", e.Seq)
	}
	written, err := p.writtenAs(e)
	switch {
	case err != nil:
		return err
	case written != 0:
		return p.broken(e, OutOfOrder, "it was written as entry %d", written)
	case after == nil:
		return p.broken(e, Changed, "%s", lone(p, e))
	case follows(p.Head.Hash, *after, e.Seq), follows(p.Head.Hash, *after, e.Seq+1):
		return p.broken(e, PutIn, "the entry after it was written without it")
	case follows(e.Hash, *after, e.Seq+1):
		return p.broken(e, Changed, "its content is not what its hash was made of; its hash is the one that entry %d was written after", after.Seq)
	}
	e2 := e
	if e2.Hash = chain(p.Head.Hash, e); follows(e2.Hash, *after, after.Seq) {
		return p.broken(e, Changed, "its hash is another one; its content is what entry %d was written after", after.Seq)
	}
	for taken := uint64(1); taken <= mostTaken; taken++ {
		if follows(e.Hash, *after, after.Seq+taken) {
			return p.broken(BookEntry{Seq: e.Seq}, Missing, "%d here, and those after it have other numbers than they were written with", taken)
		}
	}
	return p.broken(e, Changed, "neither its content nor its hash is what stands around it was written with")
}

// mostTaken is how many entries taken out at one place, with all after them given
// new numbers, are told from entries that were changed.
const mostTaken = 1000

// lone is what can be said of the last entry.
func lone(p *prover, e BookEntry) string {
	switch {
	case p.head == Mark{e.Seq, e.Hash}:
		return "its content is not what its hash was made of; its hash is the one that was kept"
	case p.head == Mark{e.Seq, chain(p.Head.Hash, e)}:
		return "its hash is another one; its content is what the hash that was kept was made of"
	}
	return "its hash does not fit its content and the entry before"
}

// lastBefore sets the time of the chain's last entry after its end was taken back.
func (p *prover) lastBefore(c *Chain) error {
	if c.Entries == 0 {
		c.First, c.Last, c.Head = time.Time{}, time.Time{}, Mark{}
		return nil
	}
	return p.each(" AND seq = ?", []any{int64(c.Entries)}, func(_ int64, e BookEntry) error {
		c.Last = e.At
		return nil
	})
}

// writtenAs returns the number under which an entry was written whose hash was made
// after that of an entry which stands elsewhere in the book now; 0 for none.
func (p *prover) writtenAs(e BookEntry) (uint64, error) {
	var found uint64
	err := p.each("", nil, func(_ int64, other BookEntry) error {
		// The entry that stood before it is at its own number or, where the two were
		// changed over, at that of e.
		for _, seq := range [...]uint64{other.Seq + 1, other.Seq} {
			if seq != e.Seq && follows(other.Hash, e, seq) {
				found = seq
				return errFound
			}
		}
		return nil
	})
	if errors.Is(err, errFound) {
		err = nil
	}
	if found == 0 && e.Seq != 1 && follows([sha256.Size]byte{}, e, 1) {
		found = 1
	}
	return found, err
}
