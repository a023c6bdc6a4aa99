package record_test

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"errors"
	"math"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"ashlamp/daemon/judge"
	"ashlamp/daemon/record"
	"ashlamp/dashboard/report"
	"ashlamp/ingest"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

var begun = time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)

func at(minutes float64) time.Time {
	return begun.Add(time.Duration(minutes * float64(time.Minute)))
}

// kept is a store to write a book and samples into.
type kept struct {
	t    *testing.T
	s    *store.Store
	path string
}

func newKept(t *testing.T) *kept {
	t.Helper()
	k := &kept{t: t, path: filepath.Join(t.TempDir(), "ashlamp.db")}
	s, err := store.Open(t.Context(), k.path)
	if err != nil {
		t.Fatal(err)
	}
	k.s = s
	t.Cleanup(func() { _ = s.Close() })
	return k
}

func (k *kept) note(minutes float64, kind, by string, body any) {
	k.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		k.t.Fatal(err)
	}
	if err := k.s.Note(k.t.Context(), "quillet", []store.Entry{{At: at(minutes), Kind: kind, By: by, Body: b}}); err != nil {
		k.t.Fatal(err)
	}
}

func (k *kept) say(minutes float64, kind telemetry.Kind, subject, by string) {
	k.t.Helper()
	k.note(minutes, kind.String(), by, telemetry.Event{At: at(minutes), Kind: kind, Subject: subject, By: by})
}

func (k *kept) passage(minutes float64, event string, why disposal.Why) {
	k.t.Helper()
	k.note(minutes, judge.KindPassage, "", rules.Passage{At: at(minutes), Engine: "quillet", Phase: disposal.InSteam, Event: event, Why: why})
}

func (k *kept) judged(minutes float64, v verdict.Verdict) {
	k.t.Helper()
	k.note(minutes, judge.KindVerdict, "", verdict.Change{At: at(minutes), Engine: "quillet", Step: "plugs-out", Verdict: v})
}

func (k *kept) sample(minutes, v float64, q telemetry.Quality, reason string) {
	k.t.Helper()
	s := telemetry.Sample{Channel: telemetry.Firebox, At: at(minutes), Value: v, Quality: q, Reason: reason}
	if _, err := k.s.Append(k.t.Context(), []ingest.Batch{{Engine: "quillet", Node: "box", Received: at(minutes), Samples: []telemetry.Sample{s}}}); err != nil {
		k.t.Fatal(err)
	}
}

func quillet() engine.Engine {
	return engine.Engine{ID: "quillet", Name: "Quillet", WorkingPressure: 10, BoilerVolume: 400, LayUp: telemetry.Dry, Limits: limit.Defaults(10, 400)}
}

func (k *kept) gather(id string) report.Evening {
	k.t.Helper()
	e, err := record.Gather(k.t.Context(), k.s, "Fernhollow shed", quillet(), id)
	if err != nil {
		k.t.Fatal(err)
	}
	return e
}

// evening writes one disposal, with something before it and after it.
func evening(t *testing.T) *kept {
	k := newKept(t)
	k.judged(-60, verdict.CannotTell)
	k.note(-60, judge.KindAlarm, "", alarm.Change{At: at(-60), Watch: "frost", State: alarm.Unacknowledged})
	k.passage(0, "begun", disposal.Said)
	k.say(0, telemetry.DisposalBegun, "", "T. Oxley")
	k.sample(10, 900, telemetry.Good, "")
	k.sample(20, math.NaN(), telemetry.Bad, "open couple")
	k.sample(21, math.NaN(), telemetry.Bad, "open couple")
	k.sample(22, 500, telemetry.Uncertain, "doubtful")
	k.say(30, telemetry.Confirmed, "vent-open", "T. Oxley")
	k.say(31, telemetry.Confirmed, "vent-open", "R. Penhalow")
	k.judged(32, verdict.Proven)
	k.say(32, telemetry.Confirmed, "plugs-removed", "T. Oxley")
	k.judged(32, verdict.NotYet)
	k.say(40, telemetry.Withdrawn, "vent-open", "R. Penhalow")
	k.say(41, telemetry.Confirmed, "glasses-proved", "T. Oxley")
	k.note(71, judge.KindLapsed, "T. Oxley", rules.Lapse{At: at(71), Confirm: "glasses-proved", By: "T. Oxley", Why: "its time ran out"})
	k.note(80, "limit-changed", "R. Penhalow", map[string]float64{"fire_out_c": 380})
	k.note(81, "configured", "T. Oxley", map[string]string{"text": "Limits of the engine were changed in the configuration: fire_out_c = 380."})
	k.passage(100, "ended", disposal.Said)
	k.judged(100, verdict.CannotTell)
	return k
}

func TestGather(t *testing.T) {
	k := evening(t)
	e := k.gather("")
	if e.ID != "20310504t153000" || !e.Begun.Equal(begun) || !e.Ended.Equal(at(100)) || !e.Until.Equal(at(100)) || e.HowBegun != disposal.Said || e.HowEnded != disposal.Said {
		t.Errorf("it is %s from %s to %s until %s, %s and %s", e.ID, e.Begun, e.Ended, e.Until, e.HowBegun, e.HowEnded)
	}
	var said []string
	for _, s := range e.Said {
		ended := ""
		if !s.EndedAt.IsZero() {
			ended = " ended " + s.EndedAt.Format("15:04") + " " + s.EndedWhy + " " + s.EndedBy
		}
		said = append(said, s.At.Format("15:04 ")+s.Kind.String()+" "+s.Subject+" "+s.By+ended)
	}
	want := []string{
		"15:30 disposal-begun  T. Oxley",
		"16:00 confirmed vent-open T. Oxley ended 16:10 taken back R. Penhalow",
		"16:01 confirmed vent-open R. Penhalow ended 16:10 taken back R. Penhalow",
		"16:02 confirmed plugs-removed T. Oxley",
		"16:10 withdrawn vent-open R. Penhalow",
		"16:11 confirmed glasses-proved T. Oxley ended 16:41 its time ran out ",
	}
	if !reflect.DeepEqual(said, want) {
		t.Errorf("said\n%s\nwant\n%s", strings.Join(said, "\n"), strings.Join(want, "\n"))
	}
	// The word was given while the step stood proven, though all was at one moment.
	if w := e.Said[3]; w.After != 2 || e.Verdicts[w.After-1].Verdict != verdict.Proven {
		t.Errorf("the word came after %d verdicts, the last %v; want 2, proven", w.After, e.Verdicts[w.After-1])
	}
	if len(e.Verdicts) != 4 || e.Verdicts[0].At.After(begun) || len(e.Alarms) != 1 {
		t.Errorf("%d verdicts and %d alarms, want 4, the first as it stood before, and 1", len(e.Verdicts), len(e.Alarms))
	}
	if len(e.Others) != 2 || e.Others[0].Kind != "limit-changed" || e.Others[0].Text != "" {
		t.Errorf("other entries %v, want the limit that was changed", e.Others)
	} else if o := e.Others[1]; o.By != "T. Oxley" || o.Text != "Limits of the engine were changed in the configuration: fire_out_c = 380." {
		t.Errorf("the change of the configuration is told as %+v, want its sentence", o)
	}
	if len(e.Tallies) != 1 {
		t.Fatalf("tallies %v", e.Tallies)
	}
	f := e.Tallies[0]
	if f.Good != 1 || f.Bad != 2 || f.Uncertain != 1 || f.Lowest != 500 || f.Highest != 900 || f.Longest() != 78*time.Minute || !f.LongestFrom.Equal(at(22)) {
		t.Errorf("tally %+v", f)
	}
	if len(f.Flaws) != 2 || f.Flaws[0].Reason != "open couple" || f.Flaws[0].Samples != 2 || !f.Flaws[0].Last.Equal(at(21)) {
		t.Errorf("flaws %+v", f.Flaws)
	}
	if b := e.Book; b.First != 3 || b.Last != 16 || !b.Unbroken || b.Broken != "" {
		t.Errorf("the book is %d to %d, unbroken %t %s; want 3 to 16", b.First, b.Last, b.Unbroken, b.Broken)
	}
	if e.Summary != nil {
		t.Error("there is a summary that nobody drew up")
	}
}

// TestWhatComesLaterChangesNothing: an earlier paper can be printed again.
func TestWhatComesLaterChangesNothing(t *testing.T) {
	k := evening(t)
	draw := func() []byte {
		var b bytes.Buffer
		if err := report.Write(&b, k.gather("20310504t153000")); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	before := draw()
	k.passage(10000, "begun", disposal.Found)
	k.judged(10001, verdict.Proven)
	k.say(10002, telemetry.Confirmed, "vent-open", "T. Oxley")
	k.note(10003, judge.KindLapsed, "", rules.Lapse{At: at(10003), Confirm: "plugs-removed", Why: "its time ran out"})
	k.sample(10001, 3, telemetry.Good, "")
	if !bytes.Equal(before, draw()) {
		t.Error("what was written after its end changed the report of a disposal")
	}
}

func TestFindAndUntil(t *testing.T) {
	k := newKept(t)
	var unknown *record.UnknownError
	if _, err := record.Find(t.Context(), k.s, "quillet", ""); !errors.As(err, &unknown) || !strings.Contains(err.Error(), "has no disposal in this store") {
		t.Errorf("in an empty store: %v", err)
	}
	k.passage(0, "begun", disposal.Found)
	if d, err := record.Find(t.Context(), k.s, "quillet", ""); err != nil || d.ID != "20310504t153000" {
		t.Errorf("where none has ended it is %v, %v; want the one that is open", d, err)
	}
	k.passage(100, "ended", disposal.Superseded)
	k.passage(100, "begun", disposal.Said)
	d, err := record.Find(t.Context(), k.s, "quillet", "")
	if err != nil || d.ID != "20310504t153000" || d.HowEnded != disposal.Superseded {
		t.Errorf("it is %v, %v; want the newest that has ended", d, err)
	}
	open, err := record.Find(t.Context(), k.s, "quillet", "20310504t171000")
	if err != nil || !open.Ended.IsZero() {
		t.Errorf("by its id it is %v, %v", open, err)
	}
	k.sample(130, 1, telemetry.Good, "")
	if until, err := record.Until(t.Context(), k.s, "quillet", open); err != nil || !until.Equal(at(130)) {
		t.Errorf("anything is known until %s, %v; want the newest sample", until, err)
	}
	k.judged(140, verdict.NotYet)
	if until, err := record.Until(t.Context(), k.s, "quillet", open); err != nil || !until.Equal(at(140)) {
		t.Errorf("anything is known until %s, %v; want the newest entry", until, err)
	}
	if _, err := record.Find(t.Context(), k.s, "quillet", "1"); !errors.As(err, &unknown) || !strings.Contains(err.Error(), "the newest are 20310504t171000, 20310504t153000") {
		t.Errorf("an id that is none: %v", err)
	}
}

func TestSummaryAndBrokenBook(t *testing.T) {
	k := evening(t)
	body, err := json.Marshal(cooldown.Summary{Engine: "quillet", Begun: begun, Samples: 4})
	if err != nil {
		t.Fatal(err)
	}
	if err := k.s.PutSummary(t.Context(), "quillet", store.Summary{ID: "20310504t153000", Begun: begun, Body: body}); err != nil {
		t.Fatal(err)
	}
	k.judged(10000, verdict.Proven) // entry 17, of another day
	if e := k.gather(""); e.Summary == nil || e.Summary.Samples != 4 {
		t.Errorf("summary %v", e.Summary)
	}
	db, err := sql.Open("sqlite", k.path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	tamper := func(q string) {
		if _, err := db.Exec("DROP TRIGGER IF EXISTS book_fixed; " + q); err != nil {
			t.Fatal(err)
		}
	}
	tamper("UPDATE book SET who = 'somebody' WHERE seq = 17")
	if b := k.gather("").Book; !b.Unbroken || !strings.Contains(b.Broken, "entry 17") {
		t.Errorf("broken after the disposal: unbroken %t, %s", b.Unbroken, b.Broken)
	}
	tamper("UPDATE book SET who = 'somebody' WHERE seq = 9")
	if b := k.gather("").Book; b.Unbroken || !strings.Contains(b.Broken, "entry 9") {
		t.Errorf("broken within it: unbroken %t, %s", b.Unbroken, b.Broken)
	}
}
