// Package export writes what a store holds in forms that other programs read: CSV
// (RFC 4180), SenML (RFC 8428), and a recording that "ashlamp replay" judges again.
//
// Samples are written as they come out of the store, so that memory does not grow with
// the span. A span is [from, to) of the samples' own times; a zero to means no end.
package export

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"iter"
	"math"
	"strconv"
	"strings"
	"time"

	"ashlamp/ingest/senml"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
)

// Form is how samples are written.
type Form string

// The forms.
const (
	// CSV is a line a sample, with a header.
	CSV Form = "csv"
	// SenML is one array of resolved records, a record a line.
	SenML Form = "senml"
	// Recording is the lines of "ashlamp replay": packs and words in order of receipt.
	Recording Form = "recording"
)

// Forms returns all forms.
func Forms() []Form { return []Form{CSV, SenML, Recording} }

// MediaType returns the form's media type, "" for an unknown form.
func (f Form) MediaType() string {
	switch f {
	case CSV:
		return "text/csv; charset=utf-8; header=present"
	case SenML:
		return "application/senml+json"
	case Recording:
		return "application/x-ndjson"
	}
	return ""
}

// Parse returns the form of a name; the error names those that there are.
func Parse(name string) (Form, error) {
	var names []string
	for _, f := range Forms() {
		if string(f) == name {
			return f, nil
		}
		names = append(names, string(f))
	}
	return "", fmt.Errorf("format %q is not known; use one of %s", name, strings.Join(names, ", "))
}

// source is what this package needs of a store.
type source interface {
	All(ctx context.Context, engine string, from, to time.Time) iter.Seq2[store.Record, error]
	Book(ctx context.Context, engine string, from, to time.Time, kinds ...string) iter.Seq2[store.BookEntry, error]
	Channels(ctx context.Context, engine string) ([]telemetry.Channel, error)
}

// flushAt is how many bytes are gathered before they are written: a few packets, so
// that the first come at once and the many cost few calls.
const flushAt = 16 << 10

// Write writes the samples of the engine and of its shed within the span. The error
// names the form where a channel has a name that it cannot have, before anything is
// written; one from w or from the store may come after a part was.
func Write(ctx context.Context, w io.Writer, s source, engine string, from, to time.Time, f Form) error {
	if f != CSV {
		for _, e := range []string{engine, ""} {
			channels, err := s.Channels(ctx, e)
			if err != nil {
				return err
			}
			for _, c := range channels {
				if why := senml.NameTrouble(string(c)); why != "" {
					return fmt.Errorf("channel %q cannot be written in SenML: its name %s; use CSV", c, why)
				}
			}
		}
	}
	out := &buffered{w: w}
	var err error
	switch f {
	case CSV:
		err = writeCSV(out, s.All(ctx, engine, from, to))
	case SenML:
		err = writeSenML(out, s.All(ctx, engine, from, to))
	case Recording:
		err = writeRecording(ctx, out, s, engine, from, to)
	default:
		_, err = Parse(string(f))
	}
	if err != nil {
		return err
	}
	return out.flush()
}

// buffered gathers lines. Unlike a [bufio.Writer] it hands out its buffer to append to.
type buffered struct {
	w     io.Writer
	b     []byte
	begun bool
}

// line says that a line is complete. The first of all goes out at once.
func (o *buffered) line() error {
	if o.begun && len(o.b) < flushAt {
		return nil
	}
	o.begun = true
	return o.flush()
}

func (o *buffered) flush() error {
	if len(o.b) == 0 {
		return nil
	}
	_, err := o.w.Write(o.b)
	o.b = o.b[:0]
	return err
}

// Header is the first line of CSV, without its end. Times are RFC 3339 in UTC; an empty
// value is a sample without a number; flaw says why the quality is not good.
const Header = `time,channel,value,unit,quality,flaw,node,received`

const lineEnd = "\r\n" // RFC 4180 section 2

func writeCSV(o *buffered, rows iter.Seq2[store.Record, error]) error {
	o.b = append(append(o.b, Header...), lineEnd...)
	if err := o.line(); err != nil {
		return err
	}
	for r, err := range rows {
		if err != nil {
			return err
		}
		o.b = append(appendTime(o.b, r.At), ',')
		o.b = append(appendText(o.b, string(r.Channel)), ',')
		if !math.IsNaN(r.Value) {
			o.b = strconv.AppendFloat(o.b, r.Value, 'g', -1, 64)
		}
		o.b = append(o.b, ',')
		unit, _ := telemetry.UnitOf(r.Channel)
		o.b = append(appendText(o.b, string(unit)), ',')
		o.b = append(append(o.b, r.Quality.String()...), ',')
		o.b = append(appendText(o.b, r.Reason), ',')
		o.b = append(appendText(o.b, r.Node), ',')
		o.b = append(appendTime(o.b, r.Received), lineEnd...)
		if err := o.line(); err != nil {
			return err
		}
	}
	return nil
}

// appendTime writes RFC 3339 in UTC, to the microsecond where there is one.
func appendTime(b []byte, t time.Time) []byte { return t.UTC().AppendFormat(b, time.RFC3339Nano) }

// appendText writes a field in quotes; nothing at all for an empty one. A text that a
// spreadsheet would take for a formula gets an apostrophe before it: reasons and names
// of nodes come from outside.
func appendText(b []byte, s string) []byte {
	if s == "" {
		return b
	}
	b = append(b, '"')
	if strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		b = append(b, '\'')
	}
	for i := range len(s) {
		if s[i] == '"' {
			b = append(b, '"')
		}
		b = append(b, s[i])
	}
	return append(b, '"')
}

func writeSenML(o *buffered, rows iter.Seq2[store.Record, error]) error {
	o.b = append(o.b, '[', '\n')
	if err := o.line(); err != nil {
		return err
	}
	var one []byte
	first := true
	for r, err := range rows {
		if err != nil {
			return err
		}
		if one, err = senml.AppendJSON(one[:0], []telemetry.Sample{r.Sample}); err != nil {
			return err
		}
		if !first {
			o.b = append(o.b, ',', '\n')
		}
		first = false
		o.b = append(o.b, bytes.Trim(one, "[]")...)
		if err := o.line(); err != nil {
			return err
		}
	}
	o.b = append(o.b, "\n]\n"...)
	return nil
}
