package export_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ashlamp/ingest"
	"ashlamp/ingest/export"
	"ashlamp/ingest/senml"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
)

var evening = time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)

func good(ch telemetry.Channel, at time.Duration, v float64) telemetry.Sample {
	return telemetry.Sample{Channel: ch, At: evening.Add(at), Value: v, Quality: telemetry.Good}
}

// few are samples with all that a form may stumble over.
func few() []telemetry.Sample {
	return []telemetry.Sample{
		good("boiler.pressure", 0, -0.1), good("boiler.pressure", 1500*time.Microsecond, 1e-9), good("boiler.pressure", time.Hour, 123456.789),
		good("firebox", 0, 300), telemetry.Lost("firebox", evening.Add(time.Second), `open, "couple" off`),
		telemetry.Lost("firebox", evening.Add(2*time.Second), "=1+1"), telemetry.Lost("firebox", evening.Add(3*time.Second), "-60 °C is no firebox"),
		{Channel: "smokebox", At: evening, Value: 88.5, Quality: telemetry.Uncertain, Reason: "signal below its span"},
		good("wind", 0, 3.25),
	}
}

func filled(t testing.TB, samples []telemetry.Sample) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "ashlamp.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	if _, err := s.Append(t.Context(), []ingest.Batch{
		{Engine: "quillet", Node: "box", Received: evening.Add(250 * time.Millisecond), Samples: samples},
		{Node: "shed", Received: evening.Add(time.Second), Samples: []telemetry.Sample{good("ambient.co", 0, 0.000004)}},
		{Engine: "marrow", Node: "box", Received: evening, Samples: []telemetry.Sample{good("firebox", 0, 1)}},
	}); err != nil {
		t.Fatal(err)
	}
	return s
}

func write(t *testing.T, s *store.Store, f export.Form) string {
	t.Helper()
	var b bytes.Buffer
	if err := export.Write(t.Context(), &b, s, "quillet", evening, evening.Add(24*time.Hour), f); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func all(t *testing.T, s *store.Store) (out []store.Record) {
	t.Helper()
	for r, err := range s.All(t.Context(), "quillet", evening, evening.Add(24*time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

func TestCSVReadsBack(t *testing.T) {
	s := filled(t, few())
	text := write(t, s, export.CSV)
	if strings.Count(text, "\n") != strings.Count(text, "\r\n") {
		t.Error("a line does not end as RFC 4180 has it")
	}
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], ","); got != export.Header {
		t.Errorf("header %s, want %s", got, export.Header)
	}
	want := all(t, s)
	if len(rows)-1 != len(want) || len(want) != len(few())+1 {
		t.Fatalf("%d rows, want %d, the shed's with them", len(rows)-1, len(want))
	}
	for i, w := range want {
		got := rows[i+1]
		reason := w.Reason
		if strings.HasPrefix(reason, "=") || strings.HasPrefix(reason, "-") {
			reason = "'" + reason // never a formula
		}
		value := ""
		if !math.IsNaN(w.Value) {
			value = fmt.Sprint(w.Value)
		}
		unit, _ := telemetry.UnitOf(w.Channel)
		if line := []string{w.At.Format(time.RFC3339Nano), string(w.Channel), value, string(unit), w.Quality.String(), reason, w.Node, w.Received.Format(time.RFC3339Nano)}; fmt.Sprint(got) != fmt.Sprint(line) {
			t.Errorf("row %d is %q, want %q", i+1, got, line)
		}
	}
}

func TestSenMLReadsBack(t *testing.T) {
	s := filled(t, few())
	pack, err := senml.Options{Times: senml.AbsoluteTimes}.DecodeJSON([]byte(write(t, s, export.SenML)), evening)
	if err != nil || len(pack.Problems) > 0 {
		t.Fatalf("%v, problems %v", err, pack.Problems)
	}
	want := all(t, s)
	if len(pack.Samples) != len(want) {
		t.Fatalf("%d samples, want %d", len(pack.Samples), len(want))
	}
	for i, got := range pack.Samples {
		w := want[i].Sample
		if w.Quality != telemetry.Good {
			w = telemetry.Lost(w.Channel, w.At, w.Reason) // a number without its doubt would read as good
		}
		if fmt.Sprint(got) != fmt.Sprint(w) {
			t.Errorf("sample %d is %v, want %v", i, got, w)
		}
	}
}

func TestNothingIsStillWhole(t *testing.T) {
	s := filled(t, nil)
	for f, want := range map[export.Form]string{export.CSV: export.Header + "\r\n", export.SenML: "[\n\n]\n", export.Recording: ""} {
		var b bytes.Buffer
		if err := export.Write(t.Context(), &b, s, "quillet", evening.Add(time.Hour), evening.Add(2*time.Hour), f); err != nil || b.String() != want {
			t.Errorf("%s of nothing is %q, %v; want %q", f, b.String(), err, want)
		}
	}
}

// TestRecordingIsInOrderOfReceipt: words and packs are merged, and what came late comes
// when it came.
func TestRecordingIsInOrderOfReceipt(t *testing.T) {
	s := filled(t, few()[:2])
	if _, err := s.Append(t.Context(), []ingest.Batch{
		{Engine: "quillet", Node: "box", Received: evening.Add(time.Minute), Samples: []telemetry.Sample{good("firebox", 30*time.Second, 1)}},
		{Engine: "quillet", Node: "box", Received: evening.Add(10 * time.Minute), Samples: []telemetry.Sample{good("firebox", 20*time.Second, 2)}},
		{Engine: "quillet", Node: "box", Received: evening.Add(2 * time.Minute), Samples: []telemetry.Sample{good("firebox", 110*time.Second, 3)}},
	}); err != nil {
		t.Fatal(err)
	}
	until := evening.Add(4 * time.Hour)
	said := []telemetry.Event{
		{At: evening, Kind: telemetry.DisposalBegun, LayUp: telemetry.Dry, By: "T. Oxley"},
		{At: evening.Add(90 * time.Second), Kind: telemetry.Confirmed, Subject: "vent-open", By: "T. Oxley"},
		{At: evening.Add(5 * time.Minute), Kind: telemetry.Withdrawn, Subject: "vent-open", By: "T. Oxley"},
		{At: evening.Add(6 * time.Minute), Kind: telemetry.NodePutAway, Subject: "box"},
		{At: evening.Add(7 * time.Minute), Kind: telemetry.AlarmShelved, Subject: "frost", Until: until, Why: "drained"},
		{At: evening.Add(20 * time.Minute), Kind: telemetry.NextWanted, Until: until},
		{At: evening.Add(21 * time.Minute), Kind: telemetry.NextWanted},
		{At: evening.Add(22 * time.Minute), Kind: telemetry.RepairDone, Subject: "left glass"},
	}
	for _, ev := range said {
		body, err := json.Marshal(ev)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Note(t.Context(), "quillet", []store.Entry{{At: ev.At, Kind: ev.Kind.String(), By: ev.By, Body: body}}); err != nil {
			t.Fatal(err)
		}
	}
	want := `{"t":"2031-05-04T17:02:00Z","disposal":"begin","lay_up":"dry","by":"T. Oxley"}
{"t":"2031-05-04T17:02:00.25Z","pack":[{"n":"boiler.pressure","t":1935680520,"u":"Pa","v":-0.1},{"n":"boiler.pressure","t":1935680520.0015,"u":"Pa","v":1e-09}]}
{"t":"2031-05-04T17:02:01Z","pack":[{"n":"ambient.co","t":1935680520,"u":"/","v":4e-06}]}
{"t":"2031-05-04T17:03:00Z","pack":[{"n":"firebox","t":1935680550,"u":"Cel","v":1}]}
{"t":"2031-05-04T17:03:30Z","confirm":"vent-open","by":"T. Oxley"}
{"t":"2031-05-04T17:04:00Z","pack":[{"n":"firebox","t":1935680630,"u":"Cel","v":3}]}
{"t":"2031-05-04T17:07:00Z","withdraw":"vent-open","by":"T. Oxley"}
{"t":"2031-05-04T17:08:00Z","node":"box","put_away":true}
{"t":"2031-05-04T17:09:00Z","shelve":"frost","until":"2031-05-04T21:02:00Z","why":"drained"}
{"t":"2031-05-04T17:12:00Z","pack":[{"n":"firebox","t":1935680540,"u":"Cel","v":2}]}
{"t":"2031-05-04T17:22:00Z","wanted":"2031-05-04T21:02:00Z"}
{"t":"2031-05-04T17:23:00Z"}
{"t":"2031-05-04T17:24:00Z","repair":"left glass","done":true}
`
	if got := write(t, s, export.Recording); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestAnyTextSurvivesCSV: whatever a node sends as its reason comes back, but for what
// would be a formula.
func TestAnyTextSurvivesCSV(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		reason := senml.Reason(rapid.String().Draw(t, "reason"))
		one := &alone{telemetry.Lost("firebox", evening, reason)}
		var b bytes.Buffer
		if err := export.Write(context.Background(), &b, one, "quillet", evening, time.Time{}, export.CSV); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatalf("%d rows, %v", len(rows), err)
		}
		if got := rows[1][5]; got != reason && (got != "'"+reason || !strings.ContainsAny(reason[:1], "=+-@")) {
			t.Fatalf("%q came back as %q", reason, got)
		}
	})
}

// alone is a source of one sample.
type alone struct{ telemetry.Sample }

func (f *alone) Channels(context.Context, string) ([]telemetry.Channel, error) { return nil, nil }

func (f *alone) Book(context.Context, string, time.Time, time.Time, ...string) iter.Seq2[store.BookEntry, error] {
	return func(func(store.BookEntry, error) bool) {}
}

func (f *alone) All(context.Context, string, time.Time, time.Time) iter.Seq2[store.Record, error] {
	return func(yield func(store.Record, error) bool) {
		yield(store.Record{Sample: f.Sample, Received: evening}, nil)
	}
}

// endless gives samples for ever; it stands in for no part, only for more than memory holds.
type endless struct{ handed int }

func (e *endless) Channels(context.Context, string) ([]telemetry.Channel, error) { return nil, nil }

func (e *endless) Book(context.Context, string, time.Time, time.Time, ...string) iter.Seq2[store.BookEntry, error] {
	return func(func(store.BookEntry, error) bool) {}
}

func (e *endless) All(context.Context, string, time.Time, time.Time) iter.Seq2[store.Record, error] {
	return func(yield func(store.Record, error) bool) {
		for yield(store.Record{Sample: good("firebox", time.Duration(e.handed)*time.Second, 1), Received: evening.Add(time.Duration(e.handed) * time.Second)}, nil) {
			e.handed++
		}
	}
}

var errFull = errors.New("full")

// limited takes so many bytes, and remembers after how many samples the first came.
type limited struct {
	source *endless
	first  int
	n      int
	left   int
}

func (l *limited) Write(b []byte) (int, error) {
	if l.n++; l.n == 1 {
		l.first = l.source.handed
	}
	if l.left -= len(b); l.left < 0 {
		return 0, errFull
	}
	return len(b), nil
}

// TestItIsStreamed: the first bytes come before the first sample is asked for or just
// after, the rest as they are read, and a reader that goes away ends it.
func TestItIsStreamed(t *testing.T) {
	for f, soon := range map[export.Form]int{export.CSV: 0, export.SenML: 0, export.Recording: 100} {
		e := &endless{}
		w := &limited{source: e, left: 1 << 20}
		if err := export.Write(t.Context(), w, e, "quillet", evening, time.Time{}, f); !errors.Is(err, errFull) {
			t.Errorf("%s: %v, want that the reader is full", f, err)
		}
		if w.first > soon {
			t.Errorf("%s: the first bytes came after %d samples, want %d at most", f, w.first, soon)
		}
		if e.handed > 40_000 {
			t.Errorf("%s: %d samples were read for a megabyte", f, e.handed)
		}
	}
}

func TestANameThatSenMLCannotHave(t *testing.T) {
	s := filled(t, []telemetry.Sample{good("left side", 0, 1)})
	for _, f := range []export.Form{export.SenML, export.Recording} {
		var b bytes.Buffer
		err := export.Write(t.Context(), &b, s, "quillet", evening, time.Time{}, f)
		if err == nil || b.Len() > 0 || !strings.Contains(err.Error(), "use CSV") {
			t.Errorf("%s: %v after %d bytes, want a refusal with its mend before any", f, err, b.Len())
		}
	}
	if text := write(t, s, export.CSV); !strings.Contains(text, `"left side"`) {
		t.Errorf("as CSV it is %s", text)
	}
}

func TestUnknownForm(t *testing.T) {
	if _, err := export.Parse("xls"); err == nil || !strings.Contains(err.Error(), "csv, senml, recording") {
		t.Errorf("%v, want the forms that there are", err)
	}
}
