package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/report/reporttest"
	"ashlamp/ingest/export"
	"ashlamp/ingest/senml"
	"ashlamp/ingest/store"
	"ashlamp/rules/caution"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// lossAt is from when on the left tank is not heard for a while, so that there is an
// alarm to tell of.
const (
	lossAt  = 20 * time.Minute
	lossFor = 15 * time.Minute
)

// filed is one evening of one engine and its crew, heard by a daemon that still runs when
// its records are drawn up.
type filed struct {
	t     *testing.T
	p     *process
	node  *node.Node
	now   time.Time
	acked bool
}

func (f *filed) Verdict(step string) string {
	for _, s := range f.p.state(putAway).Steps {
		if s.ID == step {
			return s.Verdict.String()
		}
	}
	return verdict.CannotTell.String()
}

func (f *filed) Say(_ context.Context, ev telemetry.Event) error {
	f.p.say(putAway, ev)
	return nil
}

func (f *filed) Carry(ctx context.Context, p node.Pack) error {
	p.Samples = slices.DeleteFunc(slices.Clone(p.Samples), func(s telemetry.Sample) bool {
		since := s.At.Sub(recordedAt)
		return s.Channel == telemetry.TankLeft && since >= lossAt && since < lossAt+lossFor
	})
	if len(p.Samples) == 0 {
		return nil
	}
	// In the order in which the store gives them back: within one moment no order is
	// the right one.
	slices.SortFunc(p.Samples, func(a, b telemetry.Sample) int { return strings.Compare(string(a.Channel), string(b.Channel)) })
	if err := f.p.link.Carry(ctx, p); err != nil {
		return err
	}
	f.p.to(f.now)
	return nil
}

// evening plays it until the disposal has ended.
func evening(t *testing.T) *filed {
	f := &filed{t: t, p: newProcess(t, "the daemon"), now: recordedAt}
	props, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	m := world.Quillet()
	m.Start, m.Altitude = recordedAt, 120
	w, err := world.New(m, props, 7, f, f)
	if err != nil {
		t.Fatal(err)
	}
	f.node = node.New(w, f, node.Intervals{Pressure: 10 * time.Second, Temperature: 20 * time.Second, Tank: 30 * time.Second, Shed: time.Minute}, 7)
	f.node.Pace = func(_ context.Context, date time.Time) error {
		f.now = date
		f.p.to(date)
		return nil
	}
	f.p.start(f.now)
	f.p.dial(t.Context(), putAway, func() time.Time { return f.now })
	f.p.to(f.now)
	home := time.Time{}
	for limit := recordedAt.Add(8 * time.Hour); home.IsZero() || f.now.Before(home.Add(35*time.Minute)); {
		if f.now.After(limit) {
			t.Fatal("the engine was not housed within eight hours")
		}
		if err := f.node.Step(t.Context()); err != nil {
			t.Fatal(err)
		}
		if home.IsZero() && w.Home() {
			home = f.now
		}
		if !f.acked && f.now.Sub(recordedAt) > lossAt {
			for _, a := range f.p.state(putAway).Alarms {
				if a.State == "unacknowledged" {
					f.p.post("/alarms/"+a.ID+"/acknowledge", message.Acknowledgement{By: "T. Oxley"}, http.StatusOK)
					f.acked = true
				}
			}
		}
	}
	if !f.acked {
		t.Fatal("no alarm was raised while the left tank was not heard")
	}
	return f
}

// get asks the daemon for a file.
func (f *filed) get(path string) (*http.Response, []byte) {
	f.t.Helper()
	r, err := http.Get("http://" + f.p.o.Page + api.Prefix + "/engines/" + putAway + path)
	if err != nil {
		f.t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		f.t.Fatalf("%s: %d %s, %v", path, r.StatusCode, b, err)
	}
	return r, b
}

// command runs one of the tool's commands, which must do its work and say nothing more.
func done(t *testing.T, args ...string) []byte {
	t.Helper()
	var out, errs bytes.Buffer
	if code := dispatch(t.Context(), args, strings.NewReader(""), &out, &errs); code != exitDone || errs.Len() > 0 {
		t.Fatalf("%v: exit code %d, said %q", args, code, errs.String())
	}
	return out.Bytes()
}

// TestADisposalLeavesTheStore plays an evening, and while the daemon has the store open
// has it drawn up on paper and written in every form, by the commands and by the calls.
func TestADisposalLeavesTheStore(t *testing.T) {
	f := evening(t)
	s, err := store.Open(t.Context(), filepath.Join(f.p.o.Data, "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	var list []message.PastDisposal
	_, b := f.get("/disposals")
	if err := json.Unmarshal(b, &list); err != nil || len(list) != 1 || list[0].Ended == nil {
		t.Fatalf("disposals %s, %v; want one that has ended", b, err)
	}
	d := list[0]
	var want []store.Record
	for r, err := range s.All(t.Context(), putAway, d.Begun, *d.Ended) {
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, r)
	}
	if len(want) < 5000 {
		t.Fatalf("the store has %d samples of the disposal, want thousands", len(want))
	}
	t.Run("CSV", func(t *testing.T) { f.csv(t, d, want) })
	t.Run("SenML", func(t *testing.T) { f.senml(t, d, want) })
	t.Run("recording", func(t *testing.T) { f.recording(t, s) })
	t.Run("report", func(t *testing.T) { f.report(t, s, d) })
}

func (f *filed) csv(t *testing.T, d message.PastDisposal, want []store.Record) {
	out := done(t, "export", "--data", f.p.o.Data, "--engine", putAway, "--disposal", d.ID)
	r, b := f.get("/disposals/" + d.ID + "/samples.csv")
	if !bytes.Equal(out, b) {
		t.Errorf("the command writes %d bytes and the call gives %d; want the same", len(out), len(b))
	}
	if got := r.Header.Get(api.RowsHeader); got != strconv.Itoa(len(want)) {
		t.Errorf("%s is %q, want %d", api.RowsHeader, got, len(want))
	}
	_, b = f.get("/samples.csv?from=" + d.Begun.Format(time.RFC3339Nano) + "&to=" + d.Ended.Format(time.RFC3339Nano))
	if !bytes.Equal(out, b) {
		t.Errorf("the same span by its times gives %d bytes, want %d", len(b), len(out))
	}
	rows, err := csv.NewReader(bytes.NewReader(out)).ReadAll()
	if err != nil || len(rows) != len(want)+1 || strings.Join(rows[0], ",") != export.Header {
		t.Fatalf("%d rows under %v, %v; want %d under %s", len(rows), rows[0], err, len(want)+1, export.Header)
	}
	for i, w := range want {
		value := ""
		if w.Value == w.Value {
			value = strconv.FormatFloat(w.Value, 'g', -1, 64)
		}
		unit, _ := telemetry.UnitOf(w.Channel)
		line := []string{w.At.Format(time.RFC3339Nano), string(w.Channel), value, string(unit), w.Quality.String(), w.Reason, w.Node, w.Received.Format(time.RFC3339Nano)}
		if !slices.Equal(rows[i+1], line) {
			t.Fatalf("row %d is %q, want %q", i+1, rows[i+1], line)
		}
	}
}

func (f *filed) senml(t *testing.T, d message.PastDisposal, want []store.Record) {
	out := done(t, "export", "--data", f.p.o.Data, "--engine", putAway, "--disposal", d.ID, "--format", "senml")
	r, b := f.get("/disposals/" + d.ID + "/samples.senml.json")
	if !bytes.Equal(out, b) || r.Header.Get("Content-Type") != "application/senml+json" {
		t.Errorf("the command writes %d bytes, the call gives %d as %s", len(out), len(b), r.Header.Get("Content-Type"))
	}
	var records []json.RawMessage
	if err := json.Unmarshal(out, &records); err != nil || len(records) != len(want) {
		t.Fatalf("%d records, %v; want one array of %d", len(records), err, len(want))
	}
	// The codec takes so many at a time.
	i := 0
	for part := range slices.Chunk(records, senml.MaxRecords) {
		text, err := json.Marshal(part)
		if err != nil {
			t.Fatal(err)
		}
		pack, err := senml.Options{Times: senml.AbsoluteTimes, MaxBytes: len(text)}.DecodeJSON(text, *d.Ended)
		if err != nil || len(pack.Problems) > 0 {
			t.Fatalf("read back: %v, problems %v", err, pack.Problems)
		}
		for _, got := range pack.Samples {
			w := want[i].Sample
			if w.Quality != telemetry.Good { // SenML has no word for uncertain
				w = telemetry.Lost(w.Channel, w.At, w.Reason)
			}
			if fmt.Sprint(got) != fmt.Sprint(w) {
				t.Fatalf("record %d is %v, want %v", i, got, w)
			}
			i++
		}
	}
	// A replay takes the file as it is, a record a line.
	name := filepath.Join(t.TempDir(), "evening.senml.json")
	done(t, "export", "--data", f.p.o.Data, "--engine", putAway, "--disposal", d.ID, "--format", "senml", "-o", name)
	lines := done(t, "replay", "-c", exampleFile, "--engine", putAway, name)
	if n := bytes.Count(lines, []byte(`"verdict":"proven"`)); n == 0 {
		t.Error("a replay of the samples alone proves nothing of any evidence")
	}
}

var exampleFile = filepath.Join("..", "testdata", "config", "fernhollow.toml")

// recording replays what was written, and holds each verdict of a step to the book.
func (f *filed) recording(t *testing.T, s *store.Store) {
	name := filepath.Join(t.TempDir(), "evening.ndjson")
	done(t, "export", "--data", f.p.o.Data, "--engine", putAway, "--from", recordedAt.Format(time.RFC3339), "--format", "recording", "-o", name)
	type change struct {
		T       time.Time       `json:"t"`
		Step    string          `json:"step"`
		Verdict verdict.Verdict `json:"verdict"`
	}
	said := func(c change) string {
		return fmt.Sprint(c.T.UTC().Format(time.RFC3339Nano), " ", c.Step, " ", c.Verdict)
	}
	now := map[string]verdict.Verdict{}
	var replayed, booked []string
	take := func(c change, into *[]string) {
		if was, ok := now[c.Step]; c.Step != "" && (!ok || was != c.Verdict) {
			now[c.Step] = c.Verdict
			// As it starts the daemon judges once before it hears anything.
			if c.T.After(recordedAt) {
				*into = append(*into, said(c))
			}
		}
	}
	for line := range bytes.Lines(done(t, "replay", "-c", exampleFile, "--engine", putAway, name)) {
		var c change
		if err := json.Unmarshal(line, &c); err != nil {
			t.Fatal(err)
		}
		take(c, &replayed)
	}
	clear(now)
	last := time.Time{}
	for e, err := range s.Book(t.Context(), putAway, time.Time{}, time.Time{}, judge.KindVerdict) {
		if err != nil {
			t.Fatal(err)
		}
		var c change
		if err := json.Unmarshal(e.Body, &c); err != nil {
			t.Fatal(err)
		}
		take(c, &booked)
		last = e.At
	}
	if len(booked) < 20 {
		t.Fatalf("the book has %d verdicts by %s, want a whole evening of them", len(booked), last)
	}
	if !slices.Equal(replayed, booked) {
		t.Errorf("replayed and as the book has them:\n%s", firstDifference(strings.Join(replayed, "\n"), strings.Join(booked, "\n")))
	}
}

func squeezed(s string) string { return strings.Join(strings.Fields(s), " ") }

func (f *filed) report(t *testing.T, s *store.Store, d message.PastDisposal) {
	dir := t.TempDir()
	one, two := filepath.Join(dir, "one.pdf"), filepath.Join(dir, "two.pdf")
	for _, name := range []string{one, two} {
		done(t, "report", "--data", f.p.o.Data, "-c", exampleFile, "--engine", putAway, "-o", name)
	}
	a, err := os.ReadFile(one)
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(two)
	if err != nil || !bytes.Equal(a, b) {
		t.Errorf("two reports of one evening differ, %v", err)
	}
	r, c := f.get("/disposals/" + d.ID + "/report.pdf")
	if !bytes.Equal(a, c) || r.Header.Get("Content-Type") != "application/pdf" {
		t.Errorf("the call gives %d bytes as %s, the command writes %d", len(c), r.Header.Get("Content-Type"), len(a))
	}
	pages := reporttest.Read(t, one)
	if len(pages) < 4 || len(pages) > 8 {
		t.Errorf("the report has %d pages, want about six", len(pages))
	}
	advice := squeezed(caution.AdviceLine)
	for i, p := range pages {
		// The number of the page stands beside the first line of it.
		flat := strings.ReplaceAll(squeezed(p), fmt.Sprintf(" Page %d of %d", i+1, len(pages)), "")
		if !strings.Contains(flat, advice) || flat == squeezed(p) {
			t.Errorf("page %d has not both the advice line and its number:\n%s", i+1, p)
		}
	}
	whole := squeezed(strings.Join(pages, "\n"))
	for _, words := range []string{
		"Disposal of Quillet", "Fernhollow shed", "Record " + d.ID, "times of Europe/London (BST, UTC+01:00)",
		"One alarm was raised", "Remains to be looked at", "Proven, and by what", "Said by a person", "T. Oxley",
		"A sensor is not to be relied upon", "R. Penhalow", "The cooldown in figures", "95 % interval", "Limits", "°C ± 2.5", "±0.06",
		"The chain from entry 1 to entry", "Disposed by (name, signature)", "Examined by (name, signature)",
	} {
		if !strings.Contains(whole, words) {
			t.Errorf("the report does not say %q", words)
		}
	}
	// First of all it says what was not proven.
	if _, after, ok := strings.Cut(squeezed(pages[0]), "UTC+01:00) "); !ok || !regexp.MustCompile(`^([A-Z][a-z ]+ was (not|never|proven)|Nothing was done unproven)`).MatchString(after) {
		t.Errorf("the first page begins with\n%s", pages[0])
	}
	if m := regexp.MustCompile(`(?i)\b(all clear|you may|guaranteed|certified|interlock)\b|\bis safe\b`).FindString(whole); m != "" {
		t.Errorf("the report says %q", m)
	}
	f.reportTimes(t, s, d, whole)
}

// reportTimes holds what is printed to the summary and the book.
func (f *filed) reportTimes(t *testing.T, s *store.Store, d message.PastDisposal, whole string) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	kept, err := s.Summaries(t.Context(), putAway, 1)
	if err != nil || len(kept) != 1 {
		t.Fatalf("summaries %v, %v", kept, err)
	}
	var sum cooldown.Summary
	if err := json.Unmarshal(kept[0].Body, &sum); err != nil {
		t.Fatal(err)
	}
	for name, at := range map[string]*time.Time{
		"Fire out": sum.Passed.FireOut, "Blow-down finished": sum.Passed.BlowDownFinished, "Pressure in its zero band": sum.Passed.PressureZero,
		"Firebox cool enough to house": sum.Passed.FireboxCool, "Plugs removed": sum.Passed.PlugsRemoved,
	} {
		if at == nil {
			t.Errorf("%s was not passed", name)
		} else if line := name + " " + at.In(zone).Format("15:04"); !strings.Contains(whole, line) {
			t.Errorf("the report does not say %q", line)
		}
	}
	var last store.BookEntry
	for e, err := range s.Book(t.Context(), putAway, time.Time{}, d.Ended.Add(time.Microsecond)) {
		if err != nil {
			t.Fatal(err)
		}
		last = e
	}
	mark := store.Mark{Seq: last.Seq, Hash: last.Hash}
	if !strings.Contains(whole, mark.String()) {
		t.Errorf("the report does not have the mark %s", mark)
	}
	// What it says about proving the book is so.
	done(t, "prove-book", "--data", f.p.o.Data, "--engine", putAway, "--noted", mark.String())
}
