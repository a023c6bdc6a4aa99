package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// wrote makes a store with eight entries in the book of quillet and two in that of
// marrow, and returns the entries of quillet.
func wrote(t testing.TB) (path string, entries []BookEntry) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "ashlamp.db")
	s := opened(t, path)
	for i := range 8 {
		e := Entry{At: noon.Add(time.Duration(i) * time.Minute), Kind: []string{"confirmed", "verdict"}[i%2], By: []string{"R. Penhalow", ""}[i%2], Body: []byte(fmt.Sprintf(`{"i":%d}`, i+1))}
		if err := s.Note(t.Context(), "quillet", []Entry{e}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Note(t.Context(), "marrow", []Entry{{At: noon, Kind: "verdict"}, {At: noon, Kind: "verdict"}}); err != nil {
		t.Fatal(err)
	}
	for e, err := range s.Book(t.Context(), "quillet", time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		entries = append(entries, e)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return path, entries
}

// copied returns a copy of a store that is closed.
func copied(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(t.TempDir(), "ashlamp.db")
	if err := os.WriteFile(to, b, 0o640); err != nil {
		t.Fatal(err)
	}
	return to
}

// free takes away what keeps a slip from changing the book; it keeps nobody who means to.
const free = "DROP TRIGGER book_kept; DROP TRIGGER book_fixed; "

// renumber adds d to the numbers from first on; by way of negative numbers, since
// each may be there once only.
func renumber(first, d int) string {
	return fmt.Sprintf("UPDATE book SET seq = -seq - %d WHERE engine = 'quillet' AND seq >= %d; UPDATE book SET seq = -seq WHERE engine = 'quillet' AND seq < 0; ", d, first)
}

func insert(e BookEntry) string {
	return fmt.Sprintf("INSERT INTO book (engine, seq, at, kind, who, body, hash) VALUES ('%s', %d, %d, '%s', '%s', x'%x', x'%x'); ", e.Engine, int64(e.Seq), e.At.UnixMicro(), e.Kind, e.By, e.Body, e.Hash)
}

// forged is an entry that nobody made, as number seq after the entry before, with a
// hash that fits.
func forged(seq uint64, before BookEntry) BookEntry {
	e := BookEntry{Engine: "quillet", Seq: seq, Entry: Entry{At: noon.Add(time.Hour), Kind: "confirmed", By: "T. Oxley", Body: []byte(`{"subject":"vent-open"}`)}}
	e.Hash = chain(before.Hash, e)
	return e
}

func TestWhatWasDoneToTheBookIsNamed(t *testing.T) {
	const q = " WHERE engine = 'quillet' AND seq "
	remade := func(from uint64) func([]BookEntry) string {
		return func(es []BookEntry) string {
			sql, before := free, [32]byte{}
			for _, e := range es {
				if e.Seq == from {
					e.By = "T. Oxley"
				}
				if e.Seq >= from {
					e.Hash = chain(before, e)
					sql += fmt.Sprintf("UPDATE book SET who = '%s', hash = x'%x'%s= %d; ", e.By, e.Hash, q, e.Seq)
				}
				before = e.Hash
			}
			return sql
		}
	}
	whole, entries := wrote(t)
	for _, c := range []struct {
		name   string
		change string
		with   func([]BookEntry) string // in place of change
		seq    uint64
		fault  BookFault // empty: unbroken
		what   string
	}{
		{name: "as written", change: "SELECT 1"},

		{name: "body of the first", change: free + "UPDATE book SET body = x'39'" + q + "= 1", seq: 1, fault: Changed, what: "its content is not what"},
		{name: "body in the middle", change: free + "UPDATE book SET body = x'39'" + q + "= 3", seq: 3, fault: Changed, what: "its content is not what"},
		{name: "body of the last", change: free + "UPDATE book SET body = x'39'" + q + "= 8", seq: 8, fault: Changed, what: "its content is not what"},
		{name: "space in a body", change: free + "UPDATE book SET body = CAST(body || x'20' AS BLOB)" + q + "= 4", seq: 4, fault: Changed},
		{name: "body emptied", change: free + "UPDATE book SET body = x''" + q + "= 4", seq: 4, fault: Changed},
		{name: "kind", change: free + "UPDATE book SET kind = 'withdrawn'" + q + "= 5", seq: 5, fault: Changed},
		{name: "kind and who shifted", change: free + "UPDATE book SET kind = kind || substr(who, 1, 1), who = substr(who, 2)" + q + "= 5", seq: 5, fault: Changed},
		{name: "who", change: free + "UPDATE book SET who = 'T. Oxley'" + q + "= 7", seq: 7, fault: Changed},
		{name: "who taken away", change: free + "UPDATE book SET who = ''" + q + "= 1", seq: 1, fault: Changed},
		{name: "time by a microsecond", change: free + "UPDATE book SET at = at + 1" + q + "= 2", seq: 2, fault: Changed},
		{name: "time of the last", change: free + "UPDATE book SET at = at - 1" + q + "= 8", seq: 8, fault: Changed},
		{name: "hash", change: free + "UPDATE book SET hash = zeroblob(32)" + q + "= 5", seq: 5, fault: Changed, what: "its hash is another one"},
		{name: "hash of the last", change: free + "UPDATE book SET hash = zeroblob(32)" + q + "= 8", seq: 8, fault: Changed, what: "its hash is another one"},
		{name: "hash too long", change: free + "UPDATE book SET hash = CAST(hash || x'00' AS BLOB)" + q + "= 5", seq: 5, fault: Changed},
		{name: "content and hash", change: free + "UPDATE book SET hash = zeroblob(32), body = x'39'" + q + "= 5", seq: 5, fault: Changed, what: "neither"},

		{name: "number to the end", change: free + "UPDATE book SET seq = 9" + q + "= 3", seq: 3, fault: OutOfOrder, what: "stands as entry 9"},
		{name: "number before the first", change: free + "UPDATE book SET seq = 0" + q + "= 3", seq: 0, fault: PutIn, what: "numbers begin at 1"},
		{name: "number negative", change: free + "UPDATE book SET seq = -3" + q + "= 3", seq: 0, fault: PutIn, what: "its number is -3"},
		{name: "two neighbours changed over", change: free + "UPDATE book SET seq = 99" + q + "= 2; UPDATE book SET seq = 2" + q + "= 3; UPDATE book SET seq = 3" + q + "= 99", seq: 2, fault: OutOfOrder, what: "written as entry 3"},
		{name: "two changed over", change: free + "UPDATE book SET seq = 99" + q + "= 2; UPDATE book SET seq = 2" + q + "= 6; UPDATE book SET seq = 6" + q + "= 99", seq: 2, fault: OutOfOrder, what: "written as entry 6"},
		{name: "the first two changed over", change: free + "UPDATE book SET seq = 99" + q + "= 1; UPDATE book SET seq = 1" + q + "= 2; UPDATE book SET seq = 2" + q + "= 99", seq: 1, fault: OutOfOrder, what: "written as entry 2"},
		{name: "the last two changed over", change: free + "UPDATE book SET seq = 99" + q + "= 7; UPDATE book SET seq = 7" + q + "= 8; UPDATE book SET seq = 8" + q + "= 99", seq: 7, fault: OutOfOrder, what: "written as entry 8"},
		{name: "contents of two changed over, numbers and hashes left", with: func(es []BookEntry) string {
			return free + fmt.Sprintf("UPDATE book SET body = x'%x'%s= 3; UPDATE book SET body = x'%x'%s= 5", es[4].Body, q, es[2].Body, q)
		}, seq: 3, fault: Changed},

		{name: "the first taken out", change: free + "DELETE FROM book" + q + "= 1", seq: 1, fault: Missing, what: "entry 2 (2031-05-04T12:01:00Z, verdict) follows"},
		{name: "a middle one taken out", change: free + "DELETE FROM book" + q + "= 4", seq: 4, fault: Missing, what: "entry 5 ("},
		{name: "several taken out", change: free + "DELETE FROM book" + q + "BETWEEN 4 AND 6", seq: 4, fault: Missing, what: "entry 7 ("},
		{name: "the last taken out", change: free + "DELETE FROM book" + q + "= 8", seq: 8, fault: Missing, what: "cut off before it, and entry 8 was the last"},
		{name: "the end cut off", change: free + "DELETE FROM book" + q + "> 5", seq: 6, fault: Missing, what: "entry 8 was the last"},
		{name: "all taken out", change: free + "DELETE FROM book WHERE engine = 'quillet'", seq: 1, fault: Missing, what: "entry 8 was the last"},
		{name: "the first taken out, the rest renumbered", change: free + "DELETE FROM book" + q + "= 1; " + renumber(2, -1), seq: 1, fault: Missing, what: "1 here"},
		{name: "a middle one taken out, the rest renumbered", change: free + "DELETE FROM book" + q + "= 4; " + renumber(5, -1), seq: 4, fault: Missing, what: "1 here"},
		{name: "three taken out, the rest renumbered", change: free + "DELETE FROM book" + q + "BETWEEN 3 AND 5; " + renumber(6, -3), seq: 3, fault: Missing, what: "3 here"},

		{name: "one put in, hash of nothing", change: free + renumber(4, 1) + insert(BookEntry{Engine: "quillet", Seq: 4, Entry: Entry{Kind: "verdict", Body: []byte("1")}}), seq: 4, fault: PutIn},
		{name: "one put in, hash that fits", with: func(es []BookEntry) string { return free + renumber(4, 1) + insert(forged(4, es[2])) }, seq: 4, fault: PutIn, what: "entry 5 was written without it"},
		{name: "one put in first, hash that fits", with: func(es []BookEntry) string { return free + renumber(1, 1) + insert(forged(1, BookEntry{})) }, seq: 1, fault: PutIn},
		{name: "one put on at the end, hash that fits", with: func(es []BookEntry) string { return insert(forged(9, es[7])) }, seq: 9, fault: PutIn, what: "after the entry that was the last, 8"},
		{name: "one put on far beyond the end", with: func(es []BookEntry) string { return insert(forged(20, es[7])) }, seq: 9, fault: Missing, what: "entry 20 ("},
		{name: "one written twice", with: func(es []BookEntry) string {
			e := es[3]
			e.Seq = 5
			return free + renumber(5, 1) + insert(e)
		}, seq: 5, fault: OutOfOrder, what: "written as entry 4"},

		{name: "the last written anew, hash that fits", with: remade(8), seq: 8, fault: ChainHead},
		{name: "written anew from a middle one on, hashes that fit", with: remade(3), seq: 8, fault: ChainHead, what: "it, or one before it, was written anew"},
		{name: "the book of another engine", change: free + "UPDATE book SET engine = 'x' WHERE engine = 'quillet'; UPDATE book SET engine = 'quillet' WHERE engine = 'marrow'", seq: 1, fault: Changed},
		{name: "mark of the head changed", change: "UPDATE state SET value = CAST('8:" + strings.Repeat("0", 64) + "' AS BLOB) WHERE key = 'book/head/quillet'", seq: 8, fault: ChainHead},
		{name: "mark of the head set back", with: func(es []BookEntry) string {
			return fmt.Sprintf("UPDATE state SET value = CAST('%s' AS BLOB) WHERE key = 'book/head/quillet'", Mark{6, es[5].Hash})
		}, seq: 7, fault: PutIn},
		{name: "mark of the head taken away", change: "DELETE FROM state WHERE key = 'book/head/quillet'", seq: 8, fault: ChainHead, what: "keeps no mark"},
		{name: "mark of the head spoiled", change: "UPDATE state SET value = x'ff00' WHERE key = 'book/head/quillet'", seq: 8, fault: ChainHead, what: "cannot be read"},
		{name: "end cut off and the mark taken away", change: free + "DELETE FROM book" + q + "> 5; DELETE FROM state", seq: 5, fault: ChainHead, what: "whether the book goes on"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := copied(t, whole)
			if c.with != nil {
				c.change = c.with(entries)
			}
			raw(t, path, c.change)
			s := opened(t, path, ReadOnly())
			defer s.Close()
			got, err := s.ProveBook(t.Context(), "quillet")
			if c.fault == "" {
				want := Chain{Engine: "quillet", Entries: 8, First: entries[0].At, Last: entries[7].At, Head: Mark{8, entries[7].Hash}}
				if err != nil || got != want {
					t.Fatalf("after %s\ngot  %+v, %v\nwant %+v", c.change, got, err, want)
				}
				return
			}
			var b *Broken
			if !errors.As(err, &b) || b.Seq != c.seq || b.Fault != c.fault || !strings.Contains(b.What, c.what) || b.Engine != "quillet" {
				t.Fatalf("after %s\ngot  %v\nwant entry %d, %s, %q", c.change, err, c.seq, c.fault, c.what)
			}
			if (b.Fault == Missing) != (b.Kind == "") {
				t.Errorf("after %s\ngot %+v, want its kind and time unless it is missing", c.change, b)
			}
			if n := c.seq - min(1, c.seq); c.fault != ChainHead && (got.Entries != n || got.Entries > 0 && (got.Last != entries[got.Entries-1].At || got.Head != Mark{got.Entries, entries[got.Entries-1].Hash})) {
				t.Errorf("after %s\nheld %+v, want the %d entries before", c.change, got, n)
			}
			if other, err := s.ProveBook(t.Context(), "marrow"); err != nil && !strings.Contains(c.change, "marrow") && !strings.Contains(c.change, "FROM state") {
				t.Errorf("the other book is broken too: %+v, %v", other, err)
			}
		})
	}
}

// What is written after the book was tampered with does not make it good.
func TestWritingOnDoesNotMendABrokenBook(t *testing.T) {
	whole, entries := wrote(t)
	for _, c := range []struct {
		name  string
		with  func([]BookEntry) string
		seq   uint64
		fault BookFault
	}{
		{"the end was cut off", func([]BookEntry) string { return free + "DELETE FROM book WHERE engine = 'quillet' AND seq > 5" }, 6, Missing},
		{"all was taken out", func([]BookEntry) string { return free + "DELETE FROM book WHERE engine = 'quillet'" }, 1, Missing},
		{"one was put on, hash that fits", func(es []BookEntry) string { return insert(forged(9, es[7])) }, 9, PutIn},
		{"the last was changed", func([]BookEntry) string {
			return free + "UPDATE book SET who = 'x' WHERE engine = 'quillet' AND seq = 8"
		}, 8, Changed},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := copied(t, whole)
			raw(t, path, c.with(entries))
			s := opened(t, path)
			for range 3 {
				if err := s.Note(t.Context(), "quillet", []Entry{{At: noon, Kind: "verdict"}, {At: noon, Kind: "verdict"}}); err != nil {
					t.Fatal(err)
				}
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = opened(t, path, ReadOnly())
			defer s.Close()
			_, err := s.ProveBook(t.Context(), "quillet")
			var b *Broken
			if !errors.As(err, &b) || b.Seq != c.seq || b.Fault != c.fault {
				t.Fatalf("got %v, want entry %d, %s", err, c.seq, c.fault)
			}
		})
	}
}

// A book written anew as a whole, its mark too, is seen by a mark noted elsewhere and
// by nothing in the file.
func TestANotedMarkShowsABookWrittenAnew(t *testing.T) {
	path, entries := wrote(t)
	noted := Mark{6, entries[5].Hash}
	s := opened(t, path)
	if c, err := s.ProveBook(t.Context(), "quillet", noted, Mark{8, entries[7].Hash}); err != nil || c.Entries != 8 {
		t.Fatalf("as written: %+v, %v", c, err)
	}
	s.Close()

	anew := free + "DELETE FROM book WHERE engine = 'quillet'; DELETE FROM state WHERE key = 'book/head/quillet'"
	raw(t, path, anew)
	s = opened(t, path)
	for _, e := range entries {
		e.By = "T. Oxley"
		if err := s.Note(t.Context(), "quillet", []Entry{e.Entry}); err != nil {
			t.Fatal(err)
		}
	}
	if c, err := s.ProveBook(t.Context(), "quillet"); err != nil || c.Entries != 8 {
		t.Fatalf("the file alone cannot show it: %+v, %v", c, err)
	}
	var b *Broken
	if _, err := s.ProveBook(t.Context(), "quillet", noted); !errors.As(err, &b) || b.Seq != 6 || b.Fault != ChainHead {
		t.Fatalf("with the mark %v: %v", noted, err)
	}
	if _, err := s.ProveBook(t.Context(), "quillet", Mark{11, entries[5].Hash}); !errors.As(err, &b) || b.Seq != 9 || b.Fault != Missing {
		t.Fatalf("with a mark beyond the end: %v", err)
	}
	s.Close()
}

func TestMarks(t *testing.T) {
	_, entries := wrote(t)
	m := Mark{8, entries[7].Hash}
	if got, err := ParseMark(m.String()); got != m || err != nil {
		t.Errorf("%s read as %v, %v", m, got, err)
	}
	for _, in := range []string{"", ":", "8", "8:", "8:ab", "0:" + strings.Repeat("0", 64), "-1:" + strings.Repeat("0", 64), "8:" + strings.Repeat("0", 66), "8:" + strings.Repeat("g", 64), "18446744073709551615:" + strings.Repeat("0", 64), "8 :" + strings.Repeat("0", 64)} {
		if got, err := ParseMark(in); err == nil || got != (Mark{}) {
			t.Errorf("%q read as %v", in, got)
		}
	}
}

// A book is proved beside a daemon that writes it; neither the file nor its log is
// changed, and a log that a killed daemon left stays as it was.
func TestProvingReadsOnly(t *testing.T) {
	path, _ := wrote(t)
	w := opened(t, path)
	if err := w.Note(t.Context(), "quillet", []Entry{{At: noon, Kind: "alarm"}}); err != nil {
		t.Fatal(err)
	}
	files := func(path string) string {
		var b strings.Builder
		for _, end := range []string{"", "-wal"} {
			f, err := os.ReadFile(path + end)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintf(&b, "%d bytes of %s, %x; ", len(f), end, f)
		}
		return b.String()
	}
	before := files(path)
	r := opened(t, path, ReadOnly())
	if c, err := r.ProveBook(t.Context(), "quillet"); err != nil || c.Entries != 9 {
		t.Fatalf("beside a writer: %+v, %v", c, err)
	}
	if err := r.Note(t.Context(), "quillet", []Entry{{At: noon, Kind: "alarm"}}); err == nil {
		t.Fatal("a store opened for reading was written")
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if files(path) != before {
		t.Fatal("beside a writer the file or its log was changed")
	}

	// As a kill leaves them: the log not written back, nobody has the file open.
	left := filepath.Join(t.TempDir(), "ashlamp.db")
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(path + end)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(left+end, b, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	r = opened(t, left, ReadOnly())
	c, err := r.ProveBook(t.Context(), "quillet")
	if err := errors.Join(err, r.Close()); err != nil || c.Entries != 9 {
		t.Fatalf("after a kill: %+v, %v", c, err)
	}
	if files(left) != before {
		t.Fatal("after a kill the file or its log was changed")
	}

	// Entries that come while it reads are no fault.
	done := make(chan error, 1)
	go func() {
		for range 200 {
			if err := w.Note(context.Background(), "quillet", []Entry{{At: noon, Kind: "alarm"}}); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	r = opened(t, path, ReadOnly())
	for writing := true; writing; {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			writing = false
		default:
		}
		if c, err := r.ProveBook(t.Context(), "quillet"); err != nil {
			t.Fatalf("while it is written: %+v, %v", c, err)
		}
	}
	if c, err := r.ProveBook(t.Context(), "quillet"); err != nil || c.Entries != 209 {
		t.Fatalf("at the end: %+v, %v", c, err)
	}
	if err := errors.Join(r.Close(), w.Close()); err != nil {
		t.Fatal(err)
	}
}

func TestBooksAreListedThoughTheyWereTakenOut(t *testing.T) {
	path, _ := wrote(t)
	s := opened(t, path)
	if err := errors.Join(s.Note(t.Context(), "", []Entry{{At: noon, Kind: "edit"}}), s.Put(t.Context(), "book", nil), s.Put(t.Context(), "alarm/marrow", nil), s.Close()); err != nil {
		t.Fatal(err)
	}
	raw(t, path, free+"DELETE FROM book WHERE engine = 'marrow'")
	s = opened(t, path, ReadOnly())
	defer s.Close()
	got, err := s.Books(t.Context())
	if want := []string{"", "marrow", "quillet"}; err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("got %q, %v, want %q", got, err, want)
	}
}

func ExampleBroken() {
	err := error(&Broken{Engine: "quillet", Seq: 7, At: noon, Kind: "verdict", Fault: Changed, What: "its content is not what its hash was made of"})
	var b *Broken
	fmt.Println(errors.As(err, &b), b.Seq, b.Fault)
	fmt.Println(err)
	// Output:
	// true 7 changed
	// the book of engine "quillet" is broken at entry 7 (2031-05-04T12:00:00Z, verdict): changed: its content is not what its hash was made of; entries before it are as they were written; compare with a backup or a printed report
}

// BenchmarkProveBook proves a book of 10,000 entries of 500 bytes; the ceiling is
// reading the same rows.
func BenchmarkProveBook(b *testing.B) {
	path := filepath.Join(b.TempDir(), "ashlamp.db")
	s := opened(b, path)
	defer s.Close()
	const n = 10_000
	batch := make([]Entry, n)
	for i := range batch {
		batch[i] = Entry{At: noon, Kind: "verdict", Body: []byte(`"` + strings.Repeat("x", 498) + `"`)}
	}
	if err := s.Note(b.Context(), "quillet", batch); err != nil {
		b.Fatal(err)
	}
	b.Run("prove", func(b *testing.B) {
		for b.Loop() {
			if c, err := s.ProveBook(b.Context(), "quillet"); err != nil || c.Entries != n {
				b.Fatal(c, err)
			}
		}
		b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "entries/s")
	})
	b.Run("read only", func(b *testing.B) {
		for b.Loop() {
			rows, err := s.rdb.QueryContext(b.Context(), "SELECT seq, at, kind, who, body, hash FROM book WHERE engine = 'quillet' ORDER BY seq")
			if err != nil {
				b.Fatal(err)
			}
			for rows.Next() {
				var seq, at int64
				var kind, who string
				var body, hash sql.RawBytes
				if err := rows.Scan(&seq, &at, &kind, &who, &body, &hash); err != nil {
					b.Fatal(err)
				}
			}
			rows.Close()
		}
		b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "entries/s")
	})
}
