package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"syscall"
	"time"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"ashlamp/rules/telemetry"
)

const (
	// readers is how many reads run at once; more wait. Four are a page of charts
	// and an export; each costs up to 2 MB of page cache (SQLite's default).
	readers = 4
	// busyTimeout is how long a statement waits for a lock that another process
	// holds (a backup, a reader in recovery).
	busyTimeout = 10 * time.Second
	// logPages is after how many pages the log is written back into the file
	// (SQLite's own default, 4 MB).
	logPages = 1000
	// logLimit is the size in bytes to which the log is cut after it was written back.
	logLimit = 8 << 20
	// logTrouble is the size in bytes of the log at which the writer waits for
	// readers to finish, so that the log can start over.
	logTrouble = 32 << 20
	// patience is how long the writer then waits.
	patience = time.Second
)

// ErrDamaged is wrapped by the error of [Open] and of reads that meet content
// which cannot have been written by this program.
var ErrDamaged = errors.New("the store is damaged")

// ErrLocked is wrapped by the error of [Open] when another process has the file.
var ErrLocked = errors.New("the store is in use")

// Store is an open file. Its methods may be called from any goroutine.
type Store struct {
	path string
	log  *slog.Logger
	lock *os.File
	wdb  *sql.DB
	rdb  *sql.DB

	// turn is held by whoever writes; a channel, so that waiting ends with a context.
	turn chan struct{}
	w    writer

	logLimit int64 // see logTrouble
	words    words
}

// writer is what only the holder of the turn may touch.
type writer struct {
	conn *sql.Conn
	stmt map[string]*sql.Stmt
	// The following mirror the file. After a transaction that failed they are
	// loaded again; while stale nothing is written.
	stale     bool
	top       int64 // newest sealed minute
	sealedTo  int64 // bound of the last sealing, a minute; any change seals again
	journal   int64 // last seq
	followers int
	series    map[seriesKey]int64
	flaws     map[flaw]int64
	sources   map[string]int64
	logNext   int64 // size of the log at which something is done about it
}

type seriesKey struct{ engine, channel string }

type flaw struct {
	quality telemetry.Quality
	reason  string
}

// words are rows that never change once committed, by id.
type words struct {
	sync.Mutex
	flaws   map[int64]flaw
	sources map[int64]string
}

type options struct {
	log      *slog.Logger
	readOnly bool
	check    time.Duration
}

// Option changes how [Open] opens.
type Option func(*options)

// Logger sets where troubles that are no errors are told; slog.Default if not set.
func Logger(l *slog.Logger) Option { return func(o *options) { o.log = l } }

// ReadOnly opens a file that exists, perhaps while another process writes it.
// Whatever would write then fails; neither the file nor its log is changed. Where
// no process has it open, SQLite makes its index and an empty log beside it.
func ReadOnly() Option { return func(o *options) { o.readOnly = true } }

// CheckFor sets how long [Open] may spend on checking the whole file (default
// [DefaultCheck]); 0 leaves the check out.
func CheckFor(d time.Duration) Option { return func(o *options) { o.check = d } }

// DefaultCheck is how long [Open] checks the file's structure: enough for about
// a gigabyte on a fast disk. What is not reached is logged, and each chunk carries
// a checksum that is looked at when it is read. Common practice, no source.
const DefaultCheck = 10 * time.Second

// Open opens the file, making it and its folder if they are not there, checks
// it and brings it to the newest schema. The error wraps [ErrDamaged] if the
// file's structure is broken and [ErrLocked] if another process writes it.
func Open(ctx context.Context, path string, opts ...Option) (_ *Store, err error) {
	o := options{log: slog.Default(), check: DefaultCheck}
	for _, f := range opts {
		f(&o)
	}
	s := &Store{path: path, log: o.log, turn: make(chan struct{}, 1), logLimit: logTrouble, w: writer{logNext: logTrouble},
		words: words{flaws: map[int64]flaw{}, sources: map[int64]string{}}}
	defer func() {
		if err != nil {
			s.closeAll()
		}
	}()
	if o.readOnly {
		if _, err := os.Stat(path); err != nil {
			return nil, fmt.Errorf("open store %s for reading: %w; run the daemon once, or name the right folder", path, err)
		}
	} else {
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			return nil, fmt.Errorf("make the folder of store %s: %w", path, err)
		}
		if s.lock, err = lockFile(path); err != nil {
			return nil, err
		}
		if err := s.openWriter(ctx, o); err != nil {
			return nil, explain(path, err)
		}
	}
	read := dsn(path, "query_only(1)")
	if o.readOnly {
		read += "&mode=ro" // else the last to close would write the log back into the file
	}
	s.rdb, err = sql.Open("sqlite", read)
	if err != nil {
		return nil, fmt.Errorf("open store %s: %w", path, err)
	}
	s.rdb.SetMaxOpenConns(readers)
	s.rdb.SetMaxIdleConns(readers)
	if o.readOnly {
		if err := s.checkVersion(ctx); err != nil {
			return nil, explain(path, err)
		}
	}
	return s, nil
}

func (s *Store) checkVersion(ctx context.Context) error {
	c, err := s.rdb.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	have, err := schemaVersion(ctx, c, s.path)
	if err != nil {
		return err
	}
	if have < len(migrations) {
		return fmt.Errorf("store %s has schema %d and this program needs %d; start the daemon once, it brings the file up to date", s.path, have, len(migrations))
	}
	return nil
}

func (s *Store) openWriter(ctx context.Context, o options) error {
	var err error
	if s.wdb, err = sql.Open("sqlite", dsn(s.path)+"&_txlock=immediate"); err != nil {
		return err
	}
	s.wdb.SetMaxOpenConns(1)
	if s.w.conn, err = s.wdb.Conn(ctx); err != nil {
		return err
	}
	var mode string
	if err := s.w.conn.QueryRowContext(ctx, "PRAGMA journal_mode = WAL").Scan(&mode); err != nil {
		return err
	}
	if mode != "wal" {
		return fmt.Errorf("store %s: the file system offers no write-ahead log (journal mode is %q); put the data folder on a local disk", s.path, mode)
	}
	for _, q := range []string{
		"PRAGMA synchronous = FULL",
		"PRAGMA foreign_keys = ON",
		fmt.Sprintf("PRAGMA wal_autocheckpoint = %d", logPages),
		fmt.Sprintf("PRAGMA journal_size_limit = %d", logLimit),
	} {
		if _, err := s.w.conn.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	if err := s.checkFile(ctx, o); err != nil {
		return err
	}
	if err := migrate(ctx, s.w.conn, s.path); err != nil {
		return err
	}
	s.w.stmt = map[string]*sql.Stmt{}
	return s.w.load(ctx)
}

// checkFile runs SQLite's own check of the structure, as far as the time goes.
func (s *Store) checkFile(ctx context.Context, o options) error {
	if o.check <= 0 {
		return nil
	}
	limited, cancel := context.WithTimeout(ctx, o.check)
	defer cancel()
	var first string
	err := s.w.conn.QueryRowContext(limited, "PRAGMA quick_check(1)").Scan(&first)
	switch {
	case err != nil && limited.Err() != nil && ctx.Err() == nil:
		s.log.Warn("the store is larger than can be checked at the start; the rest is checked as it is read", "file", s.path, "spent", o.check)
		return nil
	case err != nil:
		return err
	case first != "ok":
		return fmt.Errorf("%w: %s", ErrDamaged, first)
	}
	return nil
}

// explain turns what SQLite says into what is wrong and how to mend it.
func explain(path string, err error) error {
	var se *sqlite.Error
	if errors.As(err, &se) {
		switch se.Code() & 0xff {
		case lib.SQLITE_NOTADB, lib.SQLITE_CORRUPT:
			err = fmt.Errorf("%w: %w", ErrDamaged, err)
		case lib.SQLITE_BUSY, lib.SQLITE_LOCKED:
			err = fmt.Errorf("%w: %w", ErrLocked, err)
		}
	}
	if errors.As(err, &se) && se.Code()&0xff == lib.SQLITE_READONLY {
		return fmt.Errorf("open store %s: %w; its folder may not be written by this user, and even a reader keeps an index beside the file: read as the user that the daemon runs as, or read a copy of the folder", path, err)
	}
	switch {
	case errors.Is(err, ErrDamaged):
		return fmt.Errorf("open store %s: %w; keep a copy of the file and of its -wal, then get out what can be read with: sqlite3 %s .recover | sqlite3 mended.db, and start with the mended file or with an empty folder", path, err, path)
	case errors.Is(err, ErrLocked):
		return fmt.Errorf("open store %s: %w; end the other program that has it open", path, err)
	}
	return fmt.Errorf("open store %s: %w", path, err)
}

// lockFile keeps a second writing process out. The lock is on a file beside the
// store: POSIX drops a process's locks on a file when it closes any handle of it,
// so that a lock of ours on the file itself could drop SQLite's.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path+".lock", os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, fmt.Errorf("open the lock of store %s: %w; the daemon needs to write in its data folder", path, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		return nil, fmt.Errorf("open store %s: %w; end the other daemon, or give this one another data folder", path, ErrLocked)
	}
	return f, nil
}

func dsn(path string, pragmas ...string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	q := url.Values{}
	q.Add("_pragma", fmt.Sprintf("busy_timeout(%d)", busyTimeout.Milliseconds()))
	for _, p := range pragmas {
		q.Add("_pragma", p)
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String()
}

// Close waits for a write under way, writes the log back and closes the file.
func (s *Store) Close() error {
	s.turn <- struct{}{} // never given back: nothing writes after Close
	return s.closeAll()
}

func (s *Store) closeAll() error {
	var errs []error
	if s.rdb != nil {
		errs = append(errs, s.rdb.Close())
	}
	for _, st := range s.w.stmt {
		errs = append(errs, st.Close())
	}
	if s.w.conn != nil {
		errs = append(errs, s.w.conn.Close())
	}
	if s.wdb != nil {
		errs = append(errs, s.wdb.Close())
	}
	if s.lock != nil {
		// Given back by name: a child that this process is just starting shares the lock
		// until it has become another program, and closing alone would leave it held.
		errs = append(errs, syscall.Flock(int(s.lock.Fd()), syscall.LOCK_UN), s.lock.Close())
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("close store %s: %w", s.path, err)
	}
	return nil
}

// load reads what the writer mirrors.
func (w *writer) load(ctx context.Context) error {
	w.series, w.flaws, w.sources = map[seriesKey]int64{}, map[flaw]int64{{quality: telemetry.Good}: 0}, map[string]int64{"": 0}
	w.top, w.sealedTo, w.stale = minMinute, minMinute, true
	rows, err := w.conn.QueryContext(ctx, "SELECT id, engine, channel FROM series")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var k seriesKey
		if err := rows.Scan(&id, &k.engine, &k.channel); err != nil {
			return err
		}
		w.series[k] = id
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for _, id := range w.series {
		var last sql.NullInt64
		if err := w.conn.QueryRowContext(ctx, "SELECT max(id) FROM chunk WHERE id BETWEEN ? AND ?", chunkID(id, minMinute), chunkID(id, maxMinute)).Scan(&last); err != nil {
			return err
		}
		if last.Valid {
			w.top = max(w.top, minuteOf(last.Int64))
		}
	}
	if err := w.conn.QueryRowContext(ctx, "SELECT max(coalesce((SELECT max(seq) FROM journal), 0), coalesce((SELECT max(seq) FROM follower), 0)), (SELECT count(*) FROM follower)").Scan(&w.journal, &w.followers); err != nil {
		return err
	}
	w.stale = false
	return nil
}

// Tx is a transaction that writes. It is good only within the function given to
// [Store.Update].
type Tx struct {
	s   *Store
	w   *writer
	ctx context.Context
}

// Update runs f in one transaction: all that f does through the [Tx] is on disk
// when Update returns nil, and nothing of it is if Update returns an error. Only
// one runs at a time; f must not call methods of the Store that write.
func (s *Store) Update(ctx context.Context, f func(*Tx) error) error {
	if s.wdb == nil {
		return fmt.Errorf("store %s was opened for reading only; open it for writing", s.path)
	}
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-s.turn }()
	if err := ctx.Err(); err != nil {
		return err
	}
	// Once begun it is carried through: a statement broken off half way gains
	// nothing, and a context that can end costs a goroutine a statement.
	t := &Tx{s: s, w: &s.w, ctx: context.WithoutCancel(ctx)}
	if s.w.stale {
		if err := s.w.load(t.ctx); err != nil {
			return fmt.Errorf("read store %s after a write that failed: %w", s.path, err)
		}
	}
	if err := t.run("BEGIN IMMEDIATE"); err != nil {
		return fmt.Errorf("write to store %s: %w", s.path, err)
	}
	done := false
	defer func() {
		if done {
			return
		}
		_ = t.run("ROLLBACK") // SQLite may have rolled back by itself
		s.w.stale = true
	}()
	if err := f(t); err != nil {
		return err
	}
	if err := t.run("COMMIT"); err != nil {
		return fmt.Errorf("commit to store %s: %w; see whether the disk is full or failing", s.path, err)
	}
	done = true
	s.boundLog(t)
	return nil
}

// boundLog makes the log start over when readers have kept it from doing so by
// itself. If they still do, it tries again only when the log has grown by as much
// again, so that a reader that never ends costs the writer a second now and then.
func (s *Store) boundLog(t *Tx) {
	fi, err := os.Stat(s.path + "-wal")
	if err != nil || fi.Size() < s.w.logNext {
		return
	}
	var busy, inLog, back int
	err = errors.Join(
		t.run(fmt.Sprintf("PRAGMA busy_timeout = %d", patience.Milliseconds())),
		t.w.conn.QueryRowContext(t.ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &inLog, &back),
		t.run(fmt.Sprintf("PRAGMA busy_timeout = %d", busyTimeout.Milliseconds())))
	s.w.logNext = s.logLimit
	if err != nil || busy != 0 {
		s.w.logNext = fi.Size() + s.logLimit
		s.log.Warn("the store's log could not be written back; some program reads the file without an end", "file", s.path, "bytes", fi.Size(), "pages", inLog, "written back", back, "err", err)
	}
}

// prepared returns the statement, made once.
func (t *Tx) prepared(q string) (*sql.Stmt, error) {
	if st, ok := t.w.stmt[q]; ok {
		return st, nil
	}
	st, err := t.w.conn.PrepareContext(t.ctx, q)
	if err != nil {
		return nil, err
	}
	t.w.stmt[q] = st
	return st, nil
}

func (t *Tx) exec(q string, args ...any) (sql.Result, error) {
	st, err := t.prepared(q)
	if err != nil {
		return nil, err
	}
	return st.ExecContext(t.ctx, args...)
}

func (t *Tx) run(q string, args ...any) error {
	_, err := t.exec(q, args...)
	return err
}

// row scans the only row of the query into dst; false if there is none.
func (t *Tx) row(q string, args []any, dst ...any) (bool, error) {
	st, err := t.prepared(q)
	if err != nil {
		return false, err
	}
	err = st.QueryRowContext(t.ctx, args...).Scan(dst...)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, err
}

// Put keeps value under key.
func (t *Tx) Put(key string, value []byte) error {
	if value == nil {
		value = []byte{}
	}
	if err := t.run("INSERT INTO state VALUES (?, ?) ON CONFLICT DO UPDATE SET value = excluded.value", key, value); err != nil {
		return fmt.Errorf("keep state %q: %w", key, err)
	}
	return nil
}

// Get returns what is kept under key as this transaction sees it; false if nothing is.
func (t *Tx) Get(key string) (value []byte, ok bool, err error) {
	ok, err = t.row("SELECT value FROM state WHERE key = ?", []any{key}, &value)
	if err != nil {
		return nil, false, fmt.Errorf("read state %q: %w", key, err)
	}
	return value, ok, nil
}

// Delete forgets what is kept under key; nothing there is no error.
func (t *Tx) Delete(key string) error {
	if err := t.run("DELETE FROM state WHERE key = ?", key); err != nil {
		return fmt.Errorf("forget state %q: %w", key, err)
	}
	return nil
}

// Put keeps value under key in a transaction of its own.
func (s *Store) Put(ctx context.Context, key string, value []byte) error {
	return s.Update(ctx, func(t *Tx) error { return t.Put(key, value) })
}

// Get returns what is kept under key; false if nothing is.
func (s *Store) Get(ctx context.Context, key string) (value []byte, ok bool, err error) {
	err = s.rdb.QueryRowContext(ctx, "SELECT value FROM state WHERE key = ?", key).Scan(&value)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("read state %q: %w", key, err)
	}
	return value, true, nil
}

// seriesOf returns the id of a series, making it at first use.
func (t *Tx) seriesOf(engine string, ch telemetry.Channel) (int64, error) {
	k := seriesKey{engine, string(ch)}
	if id, ok := t.w.series[k]; ok {
		return id, nil
	}
	var id int64
	if _, err := t.row("INSERT INTO series (engine, channel) VALUES (?, ?) RETURNING id", []any{k.engine, k.channel}, &id); err != nil {
		return 0, fmt.Errorf("enter channel %s of engine %q: %w", ch, engine, err)
	}
	t.w.series[k] = id
	return id, nil
}

// wordLimit bounds the mirrors of reasons and nodes, since both come from outside.
const wordLimit = 4096

func (t *Tx) flawOf(q telemetry.Quality, reason string) (int64, error) {
	k := flaw{q, reason}
	if id, ok := t.w.flaws[k]; ok {
		return id, nil
	}
	var id int64
	// The update that changes nothing makes RETURNING give the row that is there.
	if _, err := t.row("INSERT INTO flaw (quality, reason) VALUES (?, ?) ON CONFLICT DO UPDATE SET reason = reason RETURNING id", []any{int64(q), reason}, &id); err != nil {
		return 0, fmt.Errorf("enter reason %q: %w", reason, err)
	}
	if len(t.w.flaws) >= wordLimit {
		t.w.flaws = map[flaw]int64{{quality: telemetry.Good}: 0}
	}
	t.w.flaws[k] = id
	return id, nil
}

func (t *Tx) sourceOf(node string) (int64, error) {
	if id, ok := t.w.sources[node]; ok {
		return id, nil
	}
	var id int64
	if _, err := t.row("INSERT INTO source (node) VALUES (?) ON CONFLICT DO UPDATE SET node = node RETURNING id", []any{node}, &id); err != nil {
		return 0, fmt.Errorf("enter node %q: %w", node, err)
	}
	if len(t.w.sources) >= wordLimit {
		t.w.sources = map[string]int64{"": 0}
	}
	t.w.sources[node] = id
	return id, nil
}

// flawByID and sourceByID are for readers: they see committed rows only, which
// never change, so that what was read once holds.
func (s *Store) flawByID(ctx context.Context, q querier, id int64) (flaw, error) {
	s.words.Lock()
	f, ok := s.words.flaws[id]
	s.words.Unlock()
	if ok {
		return f, nil
	}
	err := q.QueryRowContext(ctx, "SELECT quality, reason FROM flaw WHERE id = ?", id).Scan(&f.quality, &f.reason)
	if errors.Is(err, sql.ErrNoRows) {
		return flaw{telemetry.Bad, "the reason is lost: entry " + strconv.FormatInt(id, 10) + " is missing from the store"}, nil
	}
	if err != nil {
		return flaw{}, err
	}
	s.words.Lock()
	defer s.words.Unlock()
	if len(s.words.flaws) >= wordLimit {
		clear(s.words.flaws)
	}
	s.words.flaws[id] = f
	return f, nil
}

func (s *Store) sourceByID(ctx context.Context, q querier, id int64) (string, error) {
	s.words.Lock()
	n, ok := s.words.sources[id]
	s.words.Unlock()
	if ok {
		return n, nil
	}
	err := q.QueryRowContext(ctx, "SELECT node FROM source WHERE id = ?", id).Scan(&n)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	s.words.Lock()
	defer s.words.Unlock()
	if len(s.words.sources) >= wordLimit {
		clear(s.words.sources)
	}
	s.words.sources[id] = n
	return n, nil
}

// querier is a connection or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// read runs f on the file as it is at this moment.
func (s *Store) read(ctx context.Context, f func(querier) error) error {
	tx, err := s.rdb.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("read store %s: %w", s.path, err)
	}
	defer tx.Rollback()
	return f(tx)
}
