package judge_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/judge"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
	example "ashlamp/testdata/config"
)

var begun = time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)

// watched is the store's book, with what a test wants to see or to go wrong.
type watched struct {
	*store.Store
	before func([]store.Entry) error
	full   error // what a summary meets
}

func (w *watched) Write(ctx context.Context, engine string, p judge.Page) error {
	if w.before != nil {
		if err := w.before(p.Entries); err != nil {
			return err
		}
	}
	return judge.Book{Store: w.Store}.Write(ctx, engine, p)
}

func (w *watched) PutSummary(ctx context.Context, engine string, d store.Summary) error {
	if w.full != nil {
		return w.full
	}
	return judge.Book{Store: w.Store}.PutSummary(ctx, engine, d)
}

// bench is a loop that runs, before a real store.
type bench struct {
	t      *testing.T
	loop   *judge.Loop
	clock  *clock.Stepped
	book   *watched
	engine engine.Engine

	mu       sync.Mutex
	told     message.Change // the newest
	retained map[string]string
	posted   int
	refuse   error // what the broker says
	noticed  atomic.Int64
	stop     func() // of a loop that a test starts itself
}

func marrow(t *testing.T) engine.Engine {
	t.Helper()
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range c.Engines {
		if e.ID == "marrow" {
			return e
		}
	}
	t.Fatal("marrow is not in the example")
	return engine.Engine{}
}

func newBench(t *testing.T, found ...rules.Change) *bench {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "ashlamp.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	e := marrow(t)
	j, err := rules.New(e)
	if err != nil {
		t.Fatal(err)
	}
	h, err := judge.NewHistory(e)
	if err != nil {
		t.Fatal(err)
	}
	return benchOf(t, e, j, h, s, begun, found...)
}

// benchOf is a bench of parts that are brought up to date already.
func benchOf(t *testing.T, e engine.Engine, j *rules.Judge, h *judge.History, s *store.Store, now time.Time, found ...rules.Change) *bench {
	t.Helper()
	b := bare(t, e, s, now)
	o := b.options()
	o.Found, o.History = found, h
	b.loop = judge.New(j, o)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- b.loop.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the loop ended with %v", err)
		}
	})
	b.settle()
	return b
}

// bare is a bench without a loop.
func bare(t *testing.T, e engine.Engine, s *store.Store, now time.Time) *bench {
	return &bench{t: t, clock: clock.NewStepped(now), engine: e, retained: map[string]string{}, book: &watched{Store: s}}
}

// options are those of a loop on this bench.
func (b *bench) options() judge.Options {
	return judge.Options{
		Engine: b.engine, Shed: "fernhollow", Clock: b.clock, Book: b.book,
		Publish: func(c message.Change) error {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.told = c
			return nil
		},
		Retain: func(topic string, payload []byte) error {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.retained[topic] = string(payload)
			b.posted++
			return b.refuse
		},
		Noticed: func() { b.noticed.Add(1) },
		Log:     slog.New(slog.NewTextHandler(b.t.Output(), nil)), Render: make(chan time.Time),
	}
}

func (b *bench) settle() {
	b.t.Helper()
	if err := b.loop.Settle(b.t.Context()); err != nil {
		b.t.Fatal(err)
	}
}

// set moves the clock and waits until all is judged up to it.
func (b *bench) set(after time.Duration) {
	b.t.Helper()
	b.clock.Set(begun.Add(after))
	b.settle()
}

func (b *bench) say(kind telemetry.Kind, subject string) error {
	_, err := b.loop.Say(b.t.Context(), telemetry.Event{Kind: kind, Subject: subject, By: "T. Oxley"})
	return err
}

func (b *bench) stands(word string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.told.Confirmations == nil {
		return false
	}
	for _, g := range *b.told.Confirmations {
		if g.Confirm == word {
			return true
		}
	}
	return false
}

// noted returns the book's entries of the kinds, all if none is given.
func (b *bench) noted(kinds ...string) []store.BookEntry {
	b.t.Helper()
	var out []store.BookEntry
	for e, err := range b.book.Book(b.t.Context(), b.engine.ID, time.Time{}, time.Time{}, kinds...) {
		if err != nil {
			b.t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}

func TestAWordIsInTheBookBeforeItCounts(t *testing.T) {
	b := newBench(t)
	seen := 0
	b.book.before = func(entries []store.Entry) error {
		for _, e := range entries {
			if e.Kind == "confirmed" {
				seen++
				if b.stands("vent-open") {
					t.Error("the word stood before it was written down")
				}
			}
		}
		return nil
	}
	if err := b.say(telemetry.Confirmed, "vent-open"); err != nil {
		t.Fatal(err)
	}
	if seen != 1 || !b.stands("vent-open") {
		t.Fatalf("written down %d times, stands %v; want once and true", seen, b.stands("vent-open"))
	}
	e := b.noted("confirmed")
	if len(e) != 1 || e[0].By != "T. Oxley" || !e[0].At.Equal(begun) || !bytes.Contains(e[0].Body, []byte(`"vent-open"`)) {
		t.Errorf("the book has %+v", e)
	}
}

func TestAWordThatCannotBeWrittenDownDoesNotCount(t *testing.T) {
	full := errors.New("no space left on device")
	b := newBench(t)
	b.book.before = func([]store.Entry) error { return full }
	if err := b.say(telemetry.Confirmed, "vent-open"); !errors.Is(err, full) {
		t.Errorf("said with a full disk: got %v, want %v", err, full)
	}
	b.settle()
	if b.stands("vent-open") {
		t.Error("a word that is not in the book stands")
	}
	b.book.before = nil
	if err := b.say(telemetry.Confirmed, "vent-open"); err != nil || !b.stands("vent-open") {
		t.Errorf("said again with room on the disk: %v, stands %v", err, b.stands("vent-open"))
	}
}

func TestWhatDoesNotFitIsRefusedAndLeavesNoTrace(t *testing.T) {
	for _, c := range []struct {
		name    string
		first   func(b *bench)
		kind    telemetry.Kind
		subject string
		want    error
	}{
		{name: "an unknown confirmation", kind: telemetry.Confirmed, subject: "kettle-on", want: api.ErrUnknownConfirmation},
		{name: "an empty confirmation", kind: telemetry.Confirmed, want: api.ErrUnknownConfirmation},
		{name: "an unknown one taken back", kind: telemetry.Withdrawn, subject: "kettle-on", want: api.ErrUnknownConfirmation},
		{name: "one that was not given", kind: telemetry.Withdrawn, subject: "vent-open", want: api.ErrNotGiven},
		{name: "one that was taken back already", kind: telemetry.Withdrawn, subject: "vent-open", want: api.ErrNotGiven, first: func(b *bench) {
			for _, k := range []telemetry.Kind{telemetry.Confirmed, telemetry.Withdrawn} {
				if err := b.say(k, "vent-open"); err != nil {
					b.t.Fatal(err)
				}
			}
		}},
		{name: "one whose time has just run out", kind: telemetry.Withdrawn, subject: "people-clear", want: api.ErrNotGiven, first: func(b *bench) {
			if err := b.say(telemetry.Confirmed, "people-clear"); err != nil {
				b.t.Fatal(err)
			}
			b.clock.Set(begun.Add(10*time.Minute + time.Second)) // and nothing has judged it yet
		}},
		{name: "housed without a disposal", kind: telemetry.DisposalEnded, want: api.ErrNotNow},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			if c.first != nil {
				c.first(b)
			}
			before := len(b.noted(c.kind.String()))
			if err := b.say(c.kind, c.subject); !errors.Is(err, c.want) {
				t.Errorf("%s %q: got %v, want %v", c.kind, c.subject, err, c.want)
			}
			if n := len(b.noted(c.kind.String())); n != before {
				t.Errorf("%s %q is in the book although it was refused", c.kind, c.subject)
			}
		})
	}
}

// TestChangesAreKeptInOrder: a whole evening, judged live, leaves in the book what
// the rules by themselves find, entry by entry, and nothing else.
func TestChangesAreKeptInOrder(t *testing.T) {
	b := newBench(t)
	alone, err := rules.New(b.engine)
	if err != nil {
		t.Fatal(err)
	}
	both := &beside{bench: b, alone: alone, now: map[string]verdict.Verdict{}}
	both.found(alone.Advance(begun))
	both.found(alone.Changes())
	e := world.Marrow()
	e.Start = begun
	err = node.Record(t.Context(), io.Discard, node.Recording{
		Engine: e, Seed: 3, Lamp: both, Also: both,
		Intervals: node.Intervals{Pressure: 5 * time.Second, Temperature: 10 * time.Second, Tank: 30 * time.Second, Shed: 2 * time.Minute},
		Linger:    40 * time.Minute, Limit: 8 * time.Hour,
	})
	if err != nil {
		t.Fatal(err)
	}
	got := b.noted()
	for i := range min(len(got), len(both.want)) {
		if line := fmt.Sprintf("%s %s %s", got[i].At.Format(time.RFC3339Nano), got[i].Kind, got[i].Body); line != both.want[i] {
			t.Fatalf("entry %d:\ngot  %s\nwant %s", i, line, both.want[i])
		}
	}
	if len(got) != len(both.want) {
		t.Fatalf("the book has %d entries, the rules found %d", len(got), len(both.want))
	}
	if _, err := b.book.VerifyBook(t.Context(), b.engine.ID); err != nil {
		t.Error(err)
	}
	if !both.housed {
		t.Error("house was never proven; the evening did not come to its end")
	}
	if n := len(b.noted(judge.KindLapsed)); n == 0 {
		t.Error("no word lapsed in a whole evening")
	}
	t.Logf("%d entries", len(got))
}

// beside judges what the loop judges, by the rules alone.
type beside struct {
	*bench
	alone *rules.Judge
	now   map[string]verdict.Verdict
	want  []string
	// housed is that house was proven once; when the disposal ends its words lapse.
	housed bool
}

func (x *beside) line(kind string, at time.Time, body any) {
	b, err := json.Marshal(body)
	if err != nil {
		x.t.Fatal(err)
	}
	x.want = append(x.want, fmt.Sprintf("%s %s %s", at.UTC().Format(time.RFC3339Nano), kind, b))
}

func (x *beside) found(changes []rules.Change) {
	for _, c := range changes {
		switch {
		case c.Step != nil:
			x.now[c.Step.Step] = c.Step.Verdict
			x.housed = x.housed || c.Step.Step == "house" && c.Step.Verdict == verdict.Proven
			x.line("verdict", c.Step.At, c.Step)
		case c.Lapse != nil:
			x.line("lapsed", c.Lapse.At, c.Lapse)
		case c.Passage != nil:
			x.line("passage", c.Passage.At, c.Passage)
		case c.Alarm != nil:
			x.line("alarm", c.Alarm.At, c.Alarm)
		}
	}
}

func (x *beside) Verdict(step string) string { return x.now[step].String() }

func (x *beside) Carry(ctx context.Context, p node.Pack) error {
	x.clock.Set(p.Sent)
	samples := slices.Clone(p.Samples)
	x.loop.Samples(ctx, p.Sent, samples)
	x.settle()
	x.found(x.alone.Samples(p.Sent, samples))
	return nil
}

func (x *beside) Say(ctx context.Context, ev telemetry.Event) error {
	x.clock.Set(ev.At)
	kept, err := x.loop.Say(ctx, ev)
	if err != nil {
		return err
	}
	x.found(x.alone.Advance(kept.At))
	x.line(kept.Kind.String(), kept.At, kept)
	changes, err := x.alone.Hear(kept)
	x.found(changes)
	return err
}

// step is what a reader finds at the broker.
type step struct {
	verdict.Change
	Until time.Time `json:"until"`
}

func (b *bench) atBroker() map[string]step {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	out := map[string]step{}
	for topic, payload := range b.retained {
		if strings.Contains(topic, "/alarms/") {
			continue
		}
		var s step
		if err := json.Unmarshal([]byte(payload), &s); err != nil {
			b.t.Fatalf("%s has %s: %v", topic, payload, err)
		}
		if topic != "sheds/fernhollow/engines/marrow/steps/"+s.Step {
			b.t.Errorf("%s of engine %s was published on %s", s.Step, s.Engine, topic)
		}
		out[s.Step] = s
	}
	return out
}

func TestStepsAtTheBrokerSayHowLongTheyMayBeBelieved(t *testing.T) {
	b := newBench(t)
	steps := len(b.atBroker())
	if steps != 9 {
		t.Fatalf("%d steps are published, want 9", steps)
	}
	for _, after := range []time.Duration{0, 10 * time.Second, 20 * time.Second} {
		b.set(after)
		for _, s := range b.atBroker() {
			if at := begun.Add(after); !s.At.Equal(at) || !s.Until.Equal(at.Add(30*time.Second)) {
				t.Errorf("at %s after the start, %s has t %s and until %s; want now and 30 s ahead", after, s.Step, s.At, s.Until)
			}
		}
	}
	b.mu.Lock()
	before := b.posted
	b.mu.Unlock()
	for s := 21; s < 30; s++ {
		b.set(time.Duration(s) * time.Second)
	}
	b.mu.Lock()
	if b.posted != before {
		t.Errorf("%d steps were published between two renewals although nothing changed", b.posted-before)
	}
	b.mu.Unlock()
	// A change goes at once.
	if err := b.say(telemetry.Confirmed, "plugs-removed"); err != nil {
		t.Fatal(err)
	}
	at := begun.Add(29 * time.Second)
	if s := b.atBroker()["seal-dry"]; !s.At.Equal(at) || !s.Until.Equal(at.Add(30*time.Second)) {
		t.Errorf("a word that changes seal-dry at %s: the broker has t %s, until %s", at, s.At, s.Until)
	}
}

func TestABrokerThatRefusesHoldsNothingUp(t *testing.T) {
	b := newBench(t)
	b.mu.Lock()
	b.refuse = errors.New("not connected")
	b.mu.Unlock()
	b.set(10 * time.Second)
	if err := b.say(telemetry.Confirmed, "vent-open"); err != nil || !b.stands("vent-open") {
		t.Errorf("said while the broker refuses: %v, stands %v", err, b.stands("vent-open"))
	}
}

// TestWhatWasFoundBeforeIsWrittenFirst: what the daemon stored and never judged
// before it died.
func TestWhatWasFoundBeforeIsWrittenFirst(t *testing.T) {
	lapse := rules.Lapse{At: begun.Add(-time.Hour), Engine: "marrow", Confirm: "vent-open", By: "T. Oxley", Why: "a fire was seen"}
	b := newBench(t, rules.Change{Lapse: &lapse})
	e := b.noted()
	if len(e) == 0 || e[0].Kind != judge.KindLapsed || e[0].By != "T. Oxley" || !e[0].At.Equal(lapse.At) {
		t.Errorf("the book begins with %+v, want the lapse of an hour ago", e)
	}
}

// TestSamplesAreJudgedBeforeTimeIs: a loop that is behind must not find stale what
// was stored before the moment that it comes to.
func TestSamplesAreJudgedBeforeTimeIs(t *testing.T) {
	b := newBench(t)
	for s := range 20 {
		at := begun.Add(time.Duration(s*10) * time.Second)
		b.clock.Set(at)
		b.loop.Samples(t.Context(), at, []telemetry.Sample{{Channel: telemetry.BoilerPressure, At: at, Value: 6e5, Quality: telemetry.Good}})
	}
	b.settle()
	for _, e := range b.noted(judge.KindVerdict) {
		if !e.At.After(begun) { // before the first sample nothing could be told
			continue
		}
		var c verdict.Change
		if err := json.Unmarshal(e.Body, &c); err != nil {
			t.Fatal(err)
		}
		for _, r := range c.Because {
			if r.Evidence == "pressure-in-range" && r.Verdict == verdict.CannotTell {
				t.Errorf("at %s: %s", e.At, r.Text)
			}
		}
	}
}

func TestWaitingForTheLoopEndsWithTheContext(t *testing.T) {
	j, err := rules.New(marrow(t))
	if err != nil {
		t.Fatal(err)
	}
	l := judge.New(j, judge.Options{Clock: clock.NewStepped(begun)}) // it never runs
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := l.Settle(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("settle: got %v", err)
	}
	if _, err := l.Say(ctx, telemetry.Event{Kind: telemetry.Confirmed, Subject: "vent-open"}); !errors.Is(err, context.Canceled) {
		t.Errorf("say: got %v", err)
	}
	for range 1000 { // more than it queues: blocks for ever if the context does not end it
		l.Samples(ctx, begun, nil)
	}
}

func TestALoopThatStandsStillIsFoundSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := marrow(t)
		j, err := rules.New(e)
		if err != nil {
			t.Fatal(err)
		}
		hold := make(chan struct{})
		var stuck atomic.Bool
		l := judge.New(j, judge.Options{
			Engine: e, Shed: "fernhollow", Clock: clock.Board{}, Book: nowhere{},
			Publish: func(message.Change) error {
				if stuck.Load() {
					<-hold
				}
				return nil
			},
			Retain: func(string, []byte) error { return nil }, Log: slog.New(slog.DiscardHandler),
		})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- l.Run(ctx) }()
		time.Sleep(time.Minute) // of the bubble's clock
		if d := l.Silent(); d > time.Second {
			t.Errorf("a loop at work was silent for %s", d)
		}
		stuck.Store(true)
		time.Sleep(20 * time.Second)
		if d := l.Silent(); d < 5*time.Second {
			t.Errorf("a loop that hangs was silent for %s only", d)
		}
		stuck.Store(false)
		close(hold)
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// nowhere keeps nothing: a bubble's clock stands while a disk works.
type nowhere struct{}

func (nowhere) Write(context.Context, string, judge.Page) error { return nil }

func (nowhere) PutSummary(context.Context, string, store.Summary) error { return nil }

func TestTheStepsOfThePageAreThoseOfTheBroker(t *testing.T) {
	b := newBench(t)
	if err := b.say(telemetry.DisposalBegun, ""); err != nil {
		t.Fatal(err)
	}
	b.mu.Lock()
	told := b.told
	b.mu.Unlock()
	var page []string
	for _, s := range told.Steps {
		page = append(page, s.ID)
	}
	slices.Sort(page)
	broker := slices.Sorted(maps.Keys(b.atBroker()))
	if strings.Join(page, " ") != strings.Join(broker, " ") {
		t.Errorf("the page has %v, the broker %v", page, broker)
	}
	if told.Disposal == nil || told.Disposal.ID != judge.DisposalID(begun) || told.Disposal.Ended != nil {
		t.Errorf("a disposal was said to begin; the page was told %+v", told.Disposal)
	}
}
