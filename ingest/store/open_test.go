package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"ashlamp/ingest"
	"ashlamp/rules/telemetry"
)

var noon = time.Date(2031, 5, 4, 12, 0, 0, 0, time.UTC)

// filled makes a store with an hour of two channels at a sample a second.
func filled(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a folder", "ash?lamp #1%.db")
	s := opened(t, path)
	for m := range 60 {
		fill(t, s, noon.Add(time.Duration(m)*time.Minute), 60, telemetry.BoilerPressure, telemetry.Firebox)
	}
	for i := range 5 {
		if err := s.Note(t.Context(), "quillet", []Entry{{At: noon, Kind: "verdict", Body: []byte(fmt.Sprint(i))}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func opened(t testing.TB, path string, opts ...Option) *Store {
	t.Helper()
	s, err := Open(t.Context(), path, opts...)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func fill(t testing.TB, s *Store, from time.Time, n int, channels ...telemetry.Channel) {
	t.Helper()
	b := ingest.Batch{Engine: "quillet", Node: "cab", Received: from.Add(time.Duration(n) * time.Second)}
	for i := range n {
		for _, ch := range channels {
			b.Samples = append(b.Samples, telemetry.Sample{Channel: ch, At: from.Add(time.Duration(i) * time.Second), Value: float64(i), Quality: telemetry.Good})
		}
	}
	if _, err := s.Append(context.Background(), []ingest.Batch{b}); err != nil {
		t.Fatal(err)
	}
}

func count(t testing.TB, s *Store, ch telemetry.Channel) (n int) {
	t.Helper()
	for _, err := range s.Samples(context.Background(), "quillet", ch, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	return n
}

// raw opens the file as any other program could.
func raw(t testing.TB, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, q := range statements {
		if _, err := db.Exec(q); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
}

func TestOpenAgainFindsEverything(t *testing.T) {
	path := filled(t)
	s := opened(t, path)
	defer s.Close()
	if n := count(t, s, telemetry.Firebox); n != 3600 {
		t.Fatalf("%d samples, want 3600", n)
	}
	fill(t, s, noon, 3600, telemetry.Firebox) // all sent again
	if n := count(t, s, telemetry.Firebox); n != 3600 {
		t.Fatalf("sent again there are %d samples, want 3600", n)
	}
	if err := s.Note(t.Context(), "quillet", []Entry{{At: noon, Kind: "verdict"}}); err != nil {
		t.Fatal(err)
	}
	if n, err := s.VerifyBook(t.Context(), "quillet"); n != 6 || err != nil {
		t.Fatalf("the book has %d entries, %v; want 6", n, err)
	}
}

// TestALockIsGivenBackWhateverSharesIt: a child between fork and exec holds the same open
// file description.
func TestALockIsGivenBackWhateverSharesIt(t *testing.T) {
	path := filled(t)
	s := opened(t, path)
	shared, err := syscall.Dup(int(s.lock.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	defer syscall.Close(shared)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := Open(t.Context(), path)
	if err != nil {
		t.Fatalf("after Close: %v", err)
	}
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestOneProcessWrites(t *testing.T) {
	path := filled(t)
	s := opened(t, path)
	defer s.Close()
	if _, err := Open(t.Context(), path); !errors.Is(err, ErrLocked) {
		t.Fatalf("a second writer got %v, want ErrLocked", err)
	}
	r := opened(t, path, ReadOnly())
	defer r.Close()
	fill(t, s, noon.Add(2*time.Hour), 10, telemetry.Firebox)
	if n := count(t, r, telemetry.Firebox); n != 3610 {
		t.Fatalf("the reader sees %d samples, want 3610", n)
	}
	if err := r.Put(t.Context(), "k", nil); err == nil || !strings.Contains(err.Error(), "reading only") {
		t.Fatalf("the reader could write: %v", err)
	}
	if _, err := Open(t.Context(), path+"no", ReadOnly()); !errors.Is(err, os.ErrNotExist) {
		t.Fatalf("reading a file that is not there: %v", err)
	}
}

func TestOpenRefusesWhatItCannotTrust(t *testing.T) {
	for _, c := range []struct {
		name   string
		spoil  func(t *testing.T, path string)
		is     error
		speaks string
	}{
		{"no database at all", func(t *testing.T, path string) {
			if err := os.WriteFile(path, []byte(strings.Repeat("soot ", 1000)), 0o600); err != nil {
				t.Fatal(err)
			}
		}, ErrDamaged, ".recover"},
		{"a page overwritten", func(t *testing.T, path string) {
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			fi, err := f.Stat()
			if err != nil {
				t.Fatal(err)
			}
			for off := int64(4096 * 3); off < fi.Size(); off += 4096 * 5 {
				if _, err := f.WriteAt([]byte(strings.Repeat("\xa5", 2048)), off); err != nil {
					t.Fatal(err)
				}
			}
		}, ErrDamaged, ".recover"},
		{"cut short", func(t *testing.T, path string) {
			if err := os.Truncate(path, 4096*7); err != nil {
				t.Fatal(err)
			}
		}, ErrDamaged, ".recover"},
		{"another program's", func(t *testing.T, path string) { raw(t, path, "PRAGMA application_id = 17") }, nil, "another program"},
		{"a newer schema", func(t *testing.T, path string) { raw(t, path, "PRAGMA user_version = 99") }, nil, "newer version"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filled(t)
			c.spoil(t, path)
			s, err := Open(t.Context(), path)
			if err == nil {
				s.Close()
				t.Fatal("it was opened")
			}
			if c.is != nil && !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.speaks) || !strings.Contains(err.Error(), path) {
				t.Fatalf("got %v, want it to be %v, to name the file and to speak of %q", err, c.is, c.speaks)
			}
			if _, err := Open(t.Context(), path); errors.Is(err, ErrLocked) {
				t.Fatal("the refused file stays locked")
			}
		})
	}
}

func TestADamagedMinuteIsNamed(t *testing.T) {
	path := filled(t)
	raw(t, path, fmt.Sprintf("UPDATE chunk SET data = zeroblob(length(data)) WHERE id = %d", chunkID(1, noon.Unix()/60+7)))
	s := opened(t, path)
	defer s.Close()
	var last error
	n := 0
	for _, err := range s.Samples(t.Context(), "quillet", telemetry.BoilerPressure, noon.Add(5*time.Minute), time.Time{}) {
		if n, last = n+1, err; err != nil {
			break
		}
	}
	if !errors.Is(last, ErrDamaged) || !strings.Contains(last.Error(), "12:07") {
		t.Fatalf("got %v after %d samples, want ErrDamaged that names 12:07", last, n)
	}
	if n := count(t, s, telemetry.Firebox); n != 3600 {
		t.Fatalf("the other channel has %d samples, want 3600", n)
	}
}

func TestTheBookCannotBeChangedByAccident(t *testing.T) {
	s := opened(t, filled(t))
	defer s.Close()
	for _, q := range []string{"DELETE FROM book", "UPDATE book SET who = 'x' WHERE seq = 1"} {
		if err := s.Update(t.Context(), func(tx *Tx) error { return tx.run(q) }); err == nil || !strings.Contains(err.Error(), "only ever added to") {
			t.Errorf("%s: %v", q, err)
		}
	}
}

func TestReadersDoNotLetTheLogGrow(t *testing.T) {
	const limit = 6 << 20 // above the 4 MB at which SQLite begins by itself
	path := filled(t)
	s := opened(t, path, Logger(slog.New(slog.NewTextHandler(io.Discard, nil))))
	defer s.Close()
	s.logLimit, s.w.logNext = limit, limit
	// Several that read without a pause, so that one always has an old view of the
	// file, and one that dawdles with an iterator.
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			for {
				for range s.All(context.Background(), "quillet", noon, noon.Add(5*time.Minute)) {
					select {
					case <-stop:
						return
					default:
					}
				}
			}
		})
	}
	var most, written int64
	n := 0
	for _, err := range s.Samples(t.Context(), "quillet", telemetry.Firebox, noon, noon.Add(time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		if n++; n%10 != 0 {
			continue
		}
		if err := s.Put(t.Context(), fmt.Sprint(n), make([]byte, 128<<10)); err != nil {
			t.Fatal(err)
		}
		written += 128 << 10
		fi, err := os.Stat(path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		most = max(most, fi.Size())
	}
	close(stop)
	wg.Wait()
	t.Logf("%d kB written, log at most %d kB", written>>10, most>>10)
	// On a busy machine a try can fail; left alone the log grows by all that is written.
	if most > 3*limit {
		t.Fatalf("the log grew to %d bytes, want at most a few times %d", most, limit)
	}
}

func TestAnEndlessReadHoldsTheWriterUpOnlyNowAndThen(t *testing.T) {
	s := opened(t, filled(t), Logger(slog.New(slog.NewTextHandler(io.Discard, nil))))
	defer s.Close()
	const limit = 1 << 20
	s.logLimit, s.w.logNext = limit, limit
	tries := 0
	err := s.read(t.Context(), func(q querier) error {
		var n int
		if err := q.QueryRowContext(t.Context(), "SELECT count(*) FROM chunk").Scan(&n); err != nil {
			return err
		}
		for i := range 30 {
			before := s.w.logNext
			if err := s.Put(t.Context(), fmt.Sprint(i), make([]byte, 128<<10)); err != nil {
				return err
			}
			if s.w.logNext != before {
				tries++
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if tries < 1 || tries > 4 {
		t.Fatalf("%d tries to write 4 MB back at a limit of 1 MB, want one a MB at most", tries)
	}
	if err := s.Put(t.Context(), "k", make([]byte, 1<<20)); err != nil {
		t.Fatal(err)
	}
	if s.w.logNext != limit {
		t.Fatalf("when the reader has gone the log is looked at from %d bytes, want %d", s.w.logNext, limit)
	}
}

func TestAHeldReadDoesNotHoldTheWriterUp(t *testing.T) {
	s := opened(t, filled(t))
	defer s.Close()
	err := s.read(t.Context(), func(q querier) error {
		var before, after int
		if err := q.QueryRowContext(t.Context(), "SELECT count(*) FROM chunk").Scan(&before); err != nil {
			return err
		}
		for m := range 20 {
			fill(t, s, noon.Add(time.Duration(24*60+m)*time.Minute), 60, telemetry.Firebox)
		}
		if err := q.QueryRowContext(t.Context(), "SELECT count(*) FROM chunk").Scan(&after); err != nil {
			return err
		}
		if before != after {
			return fmt.Errorf("the read saw %d chunks, then %d", before, after)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestReadersSeeEachSampleOnceWhileItIsSealed(t *testing.T) {
	s := opened(t, filepath.Join(t.TempDir(), "s.db"))
	defer s.Close()
	fill(t, s, noon, 30, telemetry.Firebox)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for m := 1; m < 100; m++ {
			fill(t, s, noon.Add(time.Duration(m)*30*time.Second), 30, telemetry.Firebox)
		}
	}()
	for running := true; running; {
		select {
		case <-done:
			running = false
		default:
		}
		last := time.Time{}
		n := 0
		for x, err := range s.Samples(t.Context(), "quillet", telemetry.Firebox, noon, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			if want := noon.Add(time.Duration(n) * time.Second); !x.At.Equal(want) {
				t.Fatalf("sample %d is of %s after %s, want %s", n, x.At, last, want)
			}
			n, last = n+1, x.At
		}
		bs, err := s.Buckets(t.Context(), "quillet", telemetry.Firebox, noon, noon.Add(time.Hour), 60)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0
		for _, b := range bs {
			sum += b.Count
		}
		if sum < n || sum%30 != 0 {
			t.Fatalf("the buckets count %d samples, %d were there before", sum, n)
		}
	}
}

func TestAGrid(t *testing.T) {
	for _, c := range []struct {
		from, to int64
		points   int
		width    int64
	}{
		{0, usPerHour, 60, usPerMinute},
		{0, usPerHour, 61, 59_016_394},
		{0, usPerHour, 7, 9 * usPerMinute},
		{0, 24 * usPerHour, 12, 2 * usPerHour},
		{0, 24 * usPerHour, 13, 2 * usPerHour},
		{0, 80 * usPerMinute, 1, 2 * usPerHour},
		{0, 80*usPerMinute - 1, 1, 80 * usPerMinute},
		{0, 79 * usPerMinute, 1, 79 * usPerMinute},
		{-1, 1, 5, 1},
		{0, 365 * 24 * usPerHour, 500, 18 * usPerHour},
		{0, 200 * 24 * usPerHour, 5000, usPerHour},
		{0, 270 * 24 * usPerHour, 5000, 2 * usPerHour},
		{0, longSpan, 1300, 77 * usPerMinute},
		{0, longSpan + 1, 1300, 2 * usPerHour},
		{0, longSpan + 1, 3500, 29 * usPerMinute},
		{0, 1, 1, 1},
		{0, math.MaxInt64 - 2*usPerHour, 1, math.MaxInt64/usPerHour*usPerHour - usPerHour},
	} {
		g := newGrid(c.from, c.to, c.points)
		if g.width != c.width || g.index(c.to-1) >= c.points || g.anchor > c.from {
			t.Errorf("[%d, %d) in %d: width %d, last %d, anchor %d; want width %d", c.from, c.to, c.points, g.width, g.index(c.to-1), g.anchor, c.width)
		}
	}
}
