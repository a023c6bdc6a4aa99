package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	_ "modernc.org/sqlite"

	"ashlamp/ingest"
	"ashlamp/ingest/senml"
	"ashlamp/ingest/store"
)

// bookCommands are what scripts do with books behind the program's back.
func bookCommands() map[string]func(ts *testscript.TestScript, neg bool, args []string) {
	return map[string]func(ts *testscript.TestScript, neg bool, args []string){
		// "book DATA ENGINE FILE [hold]" writes a line of the file for an entry, by the
		// store itself. With hold it stays open for writing, as the daemon has it.
		"book": func(ts *testscript.TestScript, neg bool, args []string) {
			if neg || len(args) < 3 {
				ts.Fatalf("usage: book DATA ENGINE FILE [hold]")
			}
			ctx := context.Background()
			s, err := store.Open(ctx, filepath.Join(ts.MkAbs(args[0]), "ashlamp.db"))
			ts.Check(err)
			for line := range strings.Lines(ts.ReadFile(args[2])) {
				var e struct {
					T        time.Time
					Kind, By string
					Body     json.RawMessage
				}
				ts.Check(json.Unmarshal([]byte(line), &e))
				ts.Check(s.Note(ctx, args[1], []store.Entry{{At: e.T, Kind: e.Kind, By: e.By, Body: e.Body}}))
			}
			if len(args) > 3 {
				ts.Defer(func() { ts.Check(s.Close()) })
				return
			}
			ts.Check(s.Close())
		},
		// "samples DATA ENGINE FILE" stores a SenML pack a line, as heard by the node "box".
		"samples": func(ts *testscript.TestScript, neg bool, args []string) {
			if neg || len(args) != 3 {
				ts.Fatalf("usage: samples DATA ENGINE FILE")
			}
			ctx := context.Background()
			s, err := store.Open(ctx, filepath.Join(ts.MkAbs(args[0]), "ashlamp.db"))
			ts.Check(err)
			for line := range strings.Lines(ts.ReadFile(args[2])) {
				pack, err := senml.DecodeJSON([]byte(line), time.Time{})
				ts.Check(err)
				b := ingest.Batch{Engine: args[1], Node: "box", Samples: pack.Samples}
				for _, x := range pack.Samples {
					b.Received = later(b.Received, x.At)
				}
				_, err = s.Append(ctx, []ingest.Batch{b})
				ts.Check(err)
			}
			ts.Check(s.Close())
		},
		// "tamper DATA SQL" changes the file as anybody can who may write it.
		"tamper": func(ts *testscript.TestScript, neg bool, args []string) {
			if neg || len(args) != 2 {
				ts.Fatalf("usage: tamper DATA SQL")
			}
			db, err := sql.Open("sqlite", filepath.Join(ts.MkAbs(args[0]), "ashlamp.db"))
			ts.Check(err)
			defer db.Close()
			_, err = db.Exec("DROP TRIGGER IF EXISTS book_kept; DROP TRIGGER IF EXISTS book_fixed; " + args[1])
			ts.Check(err)
		},
	}
}

func TestProveBookExitCodes(t *testing.T) {
	data := t.TempDir()
	path := filepath.Join(data, "ashlamp.db")
	s, err := store.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close() // it stays open for writing, as the daemon has it
	at := time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)
	if err := s.Note(t.Context(), "quillet", []store.Entry{{At: at, Kind: "verdict"}, {At: at, Kind: "verdict"}}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, tamper string
		args         []string
		want         int
	}{
		{"unbroken", "", []string{"--data", data}, exitDone},
		{"help", "", []string{"--help"}, exitDone},
		{"no store", "", []string{"--data", data + "no"}, exitUsage},
		{"unknown flag", "", []string{"--dat", data}, exitUsage},
		{"unknown engine", "", []string{"--data", data, "--engine", "penny"}, exitUsage},
		{"mark without an engine", "", []string{"--data", data, "--noted", "1:ab"}, exitUsage},
		{"broken", "DROP TRIGGER book_fixed; UPDATE book SET body = x'32'", []string{"--data", data, "--engine", "quillet"}, exitFail},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.tamper != "" {
				db, err := sql.Open("sqlite", path)
				if err != nil {
					t.Fatal(err)
				}
				defer db.Close()
				if _, err := db.Exec(c.tamper); err != nil {
					t.Fatal(err)
				}
			}
			var stdout, stderr bytes.Buffer
			if got := dispatch(t.Context(), append([]string{"prove-book"}, c.args...), strings.NewReader(""), &stdout, &stderr); got != c.want {
				t.Errorf("%v\ngot exit code %d, want %d\n%s%s", c.args, got, c.want, &stdout, &stderr)
			}
			if (stderr.Len() > 0) != (c.want != exitDone) {
				t.Errorf("%v\nsaid on standard error: %q", c.args, &stderr)
			}
		})
	}
}
