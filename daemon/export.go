package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"ashlamp/daemon/record"
	"ashlamp/ingest/export"
	"ashlamp/ingest/store"
)

// writeExport writes samples as other programs read them. It only reads the store, also
// while the daemon writes.
func writeExport(ctx context.Context, args []string, _ io.Reader, stdout, _ io.Writer) error {
	f := flags("export")
	data := f.String("data", "data", "folder of the store")
	id := f.String("engine", "", "the engine's id")
	disposal := f.String("disposal", "", "the disposal's id")
	from := f.String("from", "", "the first moment, RFC 3339")
	to := f.String("to", "", "the moment before which it ends, RFC 3339")
	format := f.String("format", string(export.CSV), "csv, senml or recording")
	name := f.String("o", "-", "file to write")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return &wrongUse{fmt.Sprintf("%q is left over", f.Arg(0))}
	}
	form, err := export.Parse(*format)
	if err != nil {
		return &wrongUse{"--format: " + err.Error()}
	}
	if *disposal != "" && *from+*to != "" {
		return &wrongUse{"--disposal is a span already; leave out --from and --to"}
	}
	begin, err := instantOf("--from", *from)
	if err != nil {
		return err
	}
	end, err := instantOf("--to", *to)
	if err != nil {
		return err
	}
	if !end.IsZero() && !begin.Before(end) {
		return &wrongUse{fmt.Sprintf("--from %s is not before --to %s; give the earlier first", *from, *to)}
	}
	s, err := openToRead(ctx, *data)
	if err != nil {
		return err
	}
	defer s.Close() // nothing was written: there is nothing to lose
	if err := knownEngine(ctx, s, *id, *data); err != nil {
		return err
	}
	if *from+*to == "" {
		d, err := record.Find(ctx, s, *id, *disposal)
		if err != nil {
			return unknownDisposal(err)
		}
		if begin = d.Begun; !d.Ended.IsZero() {
			end = d.Ended
		}
	}
	return writeTo(*name, stdout, func(w io.Writer) error { return export.Write(ctx, w, s, *id, begin, end, form) })
}

func instantOf(flag, s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return t, &wrongUse{fmt.Sprintf("%s %q is no time; write it as 2031-05-04T17:02:00Z", flag, s)}
	}
	return t.UTC(), nil
}

// knownEngine refuses an engine of which the store has neither samples nor a book: a
// slip in its id must not give an empty file.
func knownEngine(ctx context.Context, s *store.Store, id, data string) error {
	books, err := s.Books(ctx)
	if err != nil {
		return err
	}
	books = slices.DeleteFunc(books, func(b string) bool { return b == "" })
	if slices.Contains(books, id) {
		return nil
	}
	if id != "" {
		channels, err := s.Channels(ctx, id)
		if err != nil || len(channels) > 0 {
			return err
		}
	}
	there := "it knows none yet"
	if len(books) > 0 {
		there = "it knows " + strings.Join(books, ", ")
	}
	return &wrongUse{fmt.Sprintf("the store in %s knows no engine %q; %s", data, id, there)}
}
