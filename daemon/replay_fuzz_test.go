package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/config"
	"ashlamp/rules/alarm"
	"ashlamp/rules/engine"
	"ashlamp/rules/verdict"
	example "ashlamp/testdata/config"
)

// replayed is what a recording gave.
type replayed struct {
	out, told string
	wrong     int
}

func replayLines(t *testing.T, e engine.Engine, text []byte) replayed {
	t.Helper()
	var out, told bytes.Buffer
	p, err := newPlayer(e, config.DefaultSkew, &out, &told)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.file(context.Background(), "-", bytes.NewReader(text)); err != nil {
		t.Fatalf("in %q\nstopped: %v", text, err)
	}
	return replayed{out.String(), told.String(), p.wrong}
}

// FuzzReplay holds of any recording: two runs say the same; a refused line is named
// by number and changes nothing, the rest reads as if it were not there; what comes
// out is in order of time; nothing is proven without its reasons.
func FuzzReplay(f *testing.F) {
	recorded, err := os.ReadFile(filepath.Join("..", "testdata", "disposals", "quillet-evening.ndjson"))
	if err != nil {
		f.Fatal(err)
	}
	lines := bytes.SplitAfter(recorded, []byte("\n"))
	f.Add(bytes.Join(lines[:6], nil))
	var said [][]byte
	for _, l := range lines {
		if bytes.HasPrefix(l, []byte("{")) {
			said = append(said, l)
		}
	}
	f.Add(bytes.Join(append([][]byte{lines[0], lines[1]}, said...), nil))
	for _, s := range []string{
		"{\"t\":\"2031-05-04T17:02:00Z\",\"confirm\":\"vent-open\",\"by\":\"T. Oxley\"}\n{\"t\":\"2031-05-04T17:03:00Z\",\"withdraw\":\"vent-open\"}\n",
		"[{\"n\":\"boiler.pressure\",\"t\":1935675000,\"v\":0}]\n{\"t\":\"2031-05-04T17:02:00Z\",\"confirm\":\"hope\"}\n[{\"n\":\"firebox\",\"t\":1935675060,\"vs\":\"open\"}]\n",
		"{\"t\":\"2031-05-04T15:30:00Z\",\"pack\":[{\"n\":\"boiler.pressure\",\"v\":5}]}\n{\"t\":\"2031-05-04T15:31:00Z\",\"pack\":[{\"n\":\"boiler.level\",\"t\":1935675000,\"v\":0.5}]}",
		"{\"t\":\"2031-05-04T17:02:00Z\",\"fire\":\"lit\"}\r\n\n{\"t\":\"2030-05-04T17:02:00+01:00\",\"node\":\"box-1\",\"put_away\":true}\n",
		"[{\"n\":\"ambient.co\",\"t\":1935675000,\"v\":1e-4}]\n{\"t\":\"2031-05-04T15:31:00Z\",\"acknowledge\":\"co\",\"by\":\"T. Oxley\"}\n{\"t\":\"2031-05-04T15:32:00Z\",\"acknowledge\":\"co\"}\n{\"t\":\"2031-05-04T15:33:00Z\",\"shelve\":\"hope\"}\n",
		"{\"t\":\"9999-12-31T23:59:59Z\"}\n{\"t\":\"0000-01-01T00:00:00Z\",\"disposal\":\"begin\",\"lay_up\":\"wet\"}\n",
		"[{\"n\":\"boiler.pressure\",\"t\":4294967295,\"v\":1e308},{\"n\":\"boiler.pressure\",\"t\":268435456,\"v\":-1e308}]\n",
	} {
		f.Add([]byte(s))
	}
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		f.Fatal(err)
	}
	quillet := c.Engines[0]
	f.Fuzz(func(t *testing.T, text []byte) {
		got := replayLines(t, quillet, text)

		// A second run, line by line, says the same, and now it is known which lines
		// were refused.
		var out, told bytes.Buffer
		p, err := newPlayer(quillet, config.DefaultSkew, &out, &told)
		if err != nil {
			t.Fatal(err)
		}
		var taken []byte
		wrong := 0
		for i, line := range bytes.SplitAfter(text, []byte("\n")) {
			p.name, p.line = "-", i+1
			before := out.Len()
			err := p.take(bytes.TrimSpace(line))
			var late *alarm.RefusedError
			if errors.As(err, &late) {
				// What an alarm does not take now is refused at its moment, which came.
				wrong++
				taken = fmt.Appendf(taken, "{\"t\":%q}\n", p.now.Format(time.RFC3339Nano))
				continue
			}
			if err != nil {
				wrong++
				if out.Len() != before {
					t.Fatalf("in %q\nline %q was refused (%v) and still gave %s", text, line, err, out.Bytes()[before:])
				}
				if first, _, _ := strings.Cut(err.Error(), "\n"); !strings.Contains(got.told, fmt.Sprintf("-:%d: %s", i+1, first)) {
					t.Fatalf("in %q\nline %d (%v) is not named in %s", text, i+1, err, got.told)
				}
				continue
			}
			taken = append(taken, line...)
		}
		if out.String() != got.out || wrong != got.wrong {
			t.Fatalf("in %q\nas a file  %d wrong, %s\nby the line %d wrong, %s", text, got.wrong, got.out, wrong, out.String())
		}
		if wrong > 0 {
			if without := replayLines(t, quillet, taken); without.out != got.out || without.wrong != 0 {
				t.Fatalf("in %q\nwith %d refused lines %s\nwithout %d, %s", text, wrong, got.out, without.wrong, without.out)
			}
		}
		inOrder(t, text, got.out)
	})
}

// inOrder reads what came out as a program outside would.
func inOrder(t *testing.T, text []byte, out string) {
	t.Helper()
	var last time.Time
	d := json.NewDecoder(strings.NewReader(out))
	for {
		var line struct {
			T       time.Time         `json:"t"`
			Engine  string            `json:"engine"`
			Step    string            `json:"step"`
			Watch   string            `json:"watch"`
			Verdict verdict.Verdict   `json:"verdict"`
			Because []json.RawMessage `json:"because"`
		}
		err := d.Decode(&line)
		if err == io.EOF {
			return
		}
		if err != nil {
			t.Fatalf("in %q\nout %q: %v", text, out, err)
		}
		if line.T.Before(last) || line.Engine != "quillet" || line.Step == "" && line.Watch == "" {
			t.Fatalf("in %q\nout of order or without its name after %s: %+v", text, last, line)
		}
		if line.Step != "" && len(line.Because) == 0 {
			t.Fatalf("in %q\n%s is %s without a reason", text, line.Step, line.Verdict)
		}
		last = line.T
	}
}
