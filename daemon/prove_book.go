package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"time"

	"ashlamp/ingest/store"
)

// proveBook goes through the engines' books and names in each the first entry that
// is not as it was written. It only reads, also while the daemon writes.
func proveBook(ctx context.Context, args []string, _ io.Reader, stdout, stderr io.Writer) error {
	f := flags("prove-book")
	data := f.String("data", "data", "folder of the store")
	id := f.String("engine", "", "the engine's id; all where none is given")
	noted := f.String("noted", "", "an entry's number and hash, as printed earlier")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return &wrongUse{fmt.Sprintf("%q is left over", f.Arg(0))}
	}
	var marks []store.Mark
	if *noted != "" {
		m, err := store.ParseMark(*noted)
		if err != nil {
			return &wrongUse{"--noted: " + err.Error()}
		}
		if *id == "" {
			return &wrongUse{"--noted belongs to one engine's book; name the engine with --engine"}
		}
		marks = append(marks, m)
	}
	s, err := store.Open(ctx, filepath.Join(*data, "ashlamp.db"), store.ReadOnly())
	if errors.Is(err, fs.ErrNotExist) {
		return &wrongUse{fmt.Sprintf("there is no store in %s; name the daemon's data folder with --data", *data)}
	}
	if err != nil {
		return err
	}
	defer s.Close() // nothing was written: there is nothing to lose
	books, err := s.Books(ctx)
	if err != nil {
		return err
	}
	if *id != "" {
		if !slices.Contains(books, *id) {
			return &wrongUse{fmt.Sprintf("engine %q has no book in %s; name one that has with --engine", *id, *data)}
		}
		books = []string{*id}
	}
	w := bufio.NewWriter(stdout)
	whole, err := proveEach(ctx, s, books, marks, w, stderr)
	if err := errors.Join(err, w.Flush()); err != nil {
		return err
	}
	if !whole {
		return errTold
	}
	return nil
}

// proveEach tells of each book, and reports whether all are whole.
func proveEach(ctx context.Context, s *store.Store, books []string, noted []store.Mark, stdout, stderr io.Writer) (whole bool, err error) {
	whole = true
	for _, b := range books {
		name := "engine " + b
		if b == "" {
			name = "shed"
		}
		c, err := s.ProveBook(ctx, b, noted...)
		var broken *store.Broken
		switch {
		case errors.As(err, &broken):
			whole = false
			fmt.Fprintf(stdout, "%s: BROKEN at entry %d; before it %s\n", name, broken.Seq, entries(c))
			fmt.Fprintf(stderr, "ashlamp prove-book: %s\n", broken)
		case err != nil:
			return false, err
		default:
			fmt.Fprintf(stdout, "%s: %s, unbroken\n", name, entries(c))
			if c.Entries > 0 {
				fmt.Fprintf(stdout, "  last entry and hash %s\n", c.Head)
			}
		}
	}
	if len(books) == 0 {
		fmt.Fprintln(stdout, "nothing was written into any book yet")
		return true, nil
	}
	fmt.Fprint(stdout, `
Unbroken: every entry is there, in its place and as it was written, up to the one
that was kept as the last. Whoever may write the file can also write a whole book
anew, and nothing in the file shows it. Note the last entry and its hash on paper;
later, --noted with what was noted shows it.
`)
	return whole, nil
}

func entries(c store.Chain) string {
	switch c.Entries {
	case 0:
		return "no entries"
	case 1:
		return "1 entry, of " + moment(c.First)
	}
	return fmt.Sprintf("%d entries, %s to %s", c.Entries, moment(c.First), moment(c.Last))
}

// moment is in UTC, as it is kept: a time zone could be changed later.
func moment(t time.Time) string { return t.Format(time.RFC3339) }
