package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"ashlamp/daemon/record"
	"ashlamp/dashboard/report"
	"ashlamp/ingest/store"
	"ashlamp/rules/engine"
)

// writeReport draws up a disposal as PDF. It only reads, also while the daemon writes.
func writeReport(ctx context.Context, args []string, _ io.Reader, stdout, _ io.Writer) error {
	f := flags("report")
	path := f.String("c", "", "configuration file")
	data := f.String("data", "data", "folder of the store")
	id := f.String("engine", "", "the engine's id")
	disposal := f.String("disposal", "", "the disposal's id; the newest that has ended where none is given")
	to := f.String("o", "", "file to write")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return &wrongUse{fmt.Sprintf("%q is left over", f.Arg(0))}
	}
	c, err := readConfig(*path)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(c.Engines, func(e engine.Engine) bool { return e.ID == *id })
	if i < 0 {
		return &wrongUse{fmt.Sprintf("engine %q is not in %s; name one that is with --engine", *id, *path)}
	}
	s, err := openToRead(ctx, *data)
	if err != nil {
		return err
	}
	defer s.Close() // nothing was written: there is nothing to lose
	evening, err := record.Gather(ctx, s, c.Shed.Name, c.Engines[i], *disposal)
	if err != nil {
		return unknownDisposal(err)
	}
	var b bytes.Buffer
	if err := report.Write(&b, evening); err != nil {
		return err
	}
	name := *to
	if name == "" {
		name = evening.Engine.ID + "-" + evening.ID + ".pdf"
	}
	return writeTo(name, stdout, func(w io.Writer) error {
		_, err := w.Write(b.Bytes())
		return err
	})
}

// openToRead opens the store of a data folder, perhaps beside a daemon.
func openToRead(ctx context.Context, data string) (*store.Store, error) {
	s, err := store.Open(ctx, filepath.Join(data, "ashlamp.db"), store.ReadOnly())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &wrongUse{fmt.Sprintf("there is no store in %s; name the daemon's data folder with --data", data)}
	}
	return s, err
}

// unknownDisposal makes the one mistake that a person can mend a wrong use.
func unknownDisposal(err error) error {
	var unknown *record.UnknownError
	if errors.As(err, &unknown) {
		return &wrongUse{unknown.Error()}
	}
	return err
}

// writeTo writes a file, or standard output for "-". A file is there whole or not at
// all: one that was there is kept until the new one is complete.
func writeTo(name string, stdout io.Writer, write func(io.Writer) error) (err error) {
	if name == "-" {
		if err := write(stdout); err != nil {
			return fmt.Errorf("write to standard output: %w", err)
		}
		return nil
	}
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+"-*")
	if err != nil {
		return fmt.Errorf("write %s: %w; name a file in a folder that may be written with -o", name, err)
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name()) // the error that led here is the one to tell
		}
	}()
	if err := errors.Join(write(f), f.Chmod(0o644), f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	if err := os.Rename(f.Name(), name); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	return nil
}
