package store

import (
	"context"
	"database/sql"
	"fmt"
)

// applicationID marks our files in the header of SQLite (PRAGMA application_id);
// file(1) shows it. "ashl" in ASCII.
const applicationID = 0x6173686c

// migrations are run in order, each in a transaction of its own; PRAGMA
// user_version counts those that a file has had. A line once released is never
// edited, only followed by another.
var migrations = [...]string{
	`
CREATE TABLE series (
  id      INTEGER PRIMARY KEY,
  engine  TEXT NOT NULL,            -- '' for the shed's own
  channel TEXT NOT NULL,
  UNIQUE (engine, channel)
) STRICT;

-- Why a sample is not good. Row 0 is "good": an id that is not found here reads as bad.
CREATE TABLE flaw (
  id      INTEGER PRIMARY KEY,
  quality INTEGER NOT NULL,         -- 0 bad, 1 uncertain, 2 good
  reason  TEXT NOT NULL,
  UNIQUE (quality, reason)
) STRICT;
INSERT INTO flaw VALUES (0, 2, '');

CREATE TABLE source (
  id   INTEGER PRIMARY KEY,
  node TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO source VALUES (0, '');

-- Samples of the minutes not yet sealed.
CREATE TABLE fresh (
  at     INTEGER NOT NULL,          -- µs since 1970 UTC
  series INTEGER NOT NULL,
  value  REAL,                      -- NULL: no number
  flaw   INTEGER NOT NULL,
  source INTEGER NOT NULL,
  lag    INTEGER NOT NULL,          -- received less at, µs
  PRIMARY KEY (at, series)
) STRICT, WITHOUT ROWID;

-- Sealed samples: one row a series and minute. id = series * 2^40 + 2^39 + minutes since 1970.
CREATE TABLE chunk (
  id   INTEGER PRIMARY KEY,
  data BLOB NOT NULL
) STRICT;

-- Sums over sealed samples, keyed as chunk; hour counts hours in place of minutes.
CREATE TABLE minute (
  id    INTEGER PRIMARY KEY,
  n     INTEGER NOT NULL,           -- samples that have a number and are not bad
  lo    REAL, hi REAL, sum REAL,    -- NULL where n is 0
  worst INTEGER NOT NULL
) STRICT;
CREATE TABLE hour (
  id    INTEGER PRIMARY KEY,
  n     INTEGER NOT NULL,
  lo    REAL, hi REAL, sum REAL,
  worst INTEGER NOT NULL
) STRICT;

-- Who is handed the samples in order of arrival, and how far each has come.
CREATE TABLE follower (
  name    TEXT PRIMARY KEY,
  seq     INTEGER NOT NULL,         -- journal rows up to this are done
  chunk   INTEGER,                  -- chunks up to this are done; NULL: no history left to hand out
  upto    INTEGER NOT NULL          -- history is the minutes up to this
) STRICT, WITHOUT ROWID;

-- What was appended, in order, as long as a follower needs it.
CREATE TABLE journal (
  seq     INTEGER PRIMARY KEY,
  only    TEXT,                     -- for this follower alone
  samples BLOB NOT NULL
) STRICT;

CREATE TABLE book (
  id     INTEGER PRIMARY KEY,
  engine TEXT NOT NULL,
  seq    INTEGER NOT NULL,          -- 1, 2, 3 ... within the engine
  at     INTEGER NOT NULL,
  kind   TEXT NOT NULL,
  who    TEXT NOT NULL,
  body   BLOB NOT NULL,
  hash   BLOB NOT NULL,
  UNIQUE (engine, seq)
) STRICT;
CREATE INDEX book_at ON book (engine, at);
CREATE TRIGGER book_kept BEFORE DELETE ON book BEGIN SELECT RAISE(ABORT, 'the book is only ever added to'); END;
CREATE TRIGGER book_fixed BEFORE UPDATE ON book BEGIN SELECT RAISE(ABORT, 'the book is only ever added to'); END;

CREATE TABLE state (
  key   TEXT PRIMARY KEY,
  value BLOB NOT NULL
) STRICT, WITHOUT ROWID;
`,
	`
-- Each disposal as it was drawn up; written anew as more becomes known of it.
CREATE TABLE summary (
  engine TEXT NOT NULL,
  begun  INTEGER NOT NULL,          -- µs since 1970 UTC
  ended  INTEGER,                   -- NULL while it is open
  name   TEXT NOT NULL,             -- its id for the outside
  body   BLOB NOT NULL,             -- JSON
  PRIMARY KEY (engine, begun)
) STRICT;
`,
	`
-- What is worth a ring, in the order in which it was found. A number is never given
-- twice, even where all before it were let go: how far they are addressed goes by it.
CREATE TABLE notice (
  seq    INTEGER PRIMARY KEY AUTOINCREMENT,
  cause  TEXT NOT NULL,
  n      INTEGER NOT NULL,          -- 1, 2, 3 ... within the cause
  turn   TEXT NOT NULL,             -- of rules/notice
  at     INTEGER NOT NULL,          -- µs since 1970 UTC
  body   BLOB NOT NULL,             -- JSON
  UNIQUE (cause, n)
) STRICT;

-- What one person is told by one way, and what became of it.
CREATE TABLE letter (
  seq      INTEGER PRIMARY KEY AUTOINCREMENT,
  id       TEXT NOT NULL UNIQUE,
  cause    TEXT NOT NULL,
  n        INTEGER NOT NULL,
  person   TEXT NOT NULL,
  way      TEXT NOT NULL,
  body     BLOB NOT NULL,           -- JSON
  written  INTEGER NOT NULL,        -- µs since 1970 UTC, as all that follow
  due      INTEGER NOT NULL,
  until    INTEGER NOT NULL,
  attempts INTEGER NOT NULL,
  doubt    INTEGER NOT NULL,        -- attempts that may have been taken, although nobody said so
  state    TEXT NOT NULL,           -- waiting, taken, over, given-up
  ended    INTEGER,                 -- when it was taken, over or given up
  failed   INTEGER,                 -- when an attempt at it first failed
  trouble  TEXT NOT NULL,
  UNIQUE (cause, n, person, way)
) STRICT;
CREATE INDEX letter_due ON letter (due) WHERE state = 'waiting';
CREATE INDEX letter_person ON letter (person, seq);
`,
}

// migrate brings the file to the newest schema.
func migrate(ctx context.Context, c *sql.Conn, path string) error {
	have, err := schemaVersion(ctx, c, path)
	if err != nil {
		return err
	}
	for v := have; v < len(migrations); v++ {
		if err := step(ctx, c, v); err != nil {
			return fmt.Errorf("bring store %s from schema %d to %d: %w", path, v, v+1, err)
		}
	}
	return nil
}

func step(ctx context.Context, c *sql.Conn, v int) error {
	tx, err := c.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, q := range []string{
		migrations[v],
		fmt.Sprintf("PRAGMA user_version = %d", v+1),
		fmt.Sprintf("PRAGMA application_id = %d", applicationID),
	} {
		if _, err := tx.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// schemaVersion also refuses files that are not ours, or newer than we are.
func schemaVersion(ctx context.Context, c *sql.Conn, path string) (int, error) {
	var version, app, tables int
	if err := c.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return 0, err
	}
	if err := c.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return 0, err
	}
	if err := c.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return 0, err
	}
	switch {
	case tables == 0 && version == 0:
	case app != applicationID:
		return 0, fmt.Errorf("%s is a database of another program; name a file of our own, or one that does not exist yet", path)
	case version > len(migrations):
		return 0, fmt.Errorf("store %s has schema %d and this program knows only up to %d; install the newer version that wrote it, or name another file", path, version, len(migrations))
	}
	return version, nil
}
