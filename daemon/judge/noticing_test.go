package judge_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/notice"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// rung returns what the bench's store has that is worth a ring, in short.
func rung(t *testing.T, s *store.Store) (short []string, all []notice.Notice) {
	t.Helper()
	kept, err := s.Notices(t.Context(), 0, 10_000)
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range kept {
		short = append(short, strings.TrimSpace(fmt.Sprintf("%s %s %s", k.Turn, k.Kind, k.Subject)))
		all = append(all, k.Notice)
	}
	return short, all
}

func vacuum(at time.Time) []telemetry.Sample {
	return []telemetry.Sample{{Channel: telemetry.BoilerPressure, At: at, Value: -0.4e5, Quality: telemetry.Good}}
}

// trouble lets the store be in trouble, and the loop come to a moment.
func (b *bench) trouble(text string, at time.Duration) {
	b.t.Helper()
	b.loop.Store(text)
	b.settle()
	b.set(at)
}

// TestANoticeStandsBesideWhatCausesIt: it is in the store as soon as the alarm is, it was
// told of once it was on disk, and an acknowledgement follows it.
func TestANoticeStandsBesideWhatCausesIt(t *testing.T) {
	b := newBench(t)
	b.trouble("Samples are not stored.", 9*time.Second)
	if short, _ := rung(t, b.book.Store); len(short) != 0 {
		t.Fatalf("before its delay rung for %v", short)
	}
	b.set(10 * time.Second)
	short, all := rung(t, b.book.Store)
	if len(short) != 1 || short[0] != "began alarm store-trouble" || b.noticed.Load() != 1 {
		t.Fatalf("rung for %v, said so %d times", short, b.noticed.Load())
	}
	entries := b.noted(judge.KindAlarm)
	if last := entries[len(entries)-1]; !last.At.Equal(all[0].At) || !strings.Contains(string(last.Body), `"store-trouble"`) {
		t.Errorf("noticed at %s, in the book at %s: %s", all[0].At, last.At, last.Body)
	}
	if err := b.say(telemetry.AlarmAcknowledged, "store-trouble"); err != nil {
		t.Fatal(err)
	}
	short, all = rung(t, b.book.Store)
	if len(short) != 2 || short[1] != "seen alarm store-trouble" || all[1].Cause != all[0].Cause || all[1].N != 2 || all[1].Facts.By != "T. Oxley" {
		t.Errorf("acknowledged: rung for %v, %+v", short, all)
	}
	kept, err := judge.Book{Store: b.book.Store}.Told(t.Context(), b.engine.ID)
	if err != nil || len(kept.Open) != 1 || kept.Open[0].N != 2 {
		t.Errorf("told is %+v, %v", kept, err)
	}
}

// TestWhatCouldNotBeWrittenIsToldWithTheNext: a full disk takes neither entry nor notice;
// the notice comes with the next page that is written, once.
func TestWhatCouldNotBeWrittenIsToldWithTheNext(t *testing.T) {
	b := newBench(t)
	full := errors.New("no space left on device")
	b.settle()
	b.book.before = func([]store.Entry) error { return full }
	b.trouble("Samples are not stored.", 4*time.Minute)
	if short, _ := rung(t, b.book.Store); len(short) != 0 {
		t.Fatalf("with a full disk rung for %v", short)
	}
	b.settle()
	b.book.before = nil
	b.set(4*time.Minute + 10*time.Second)
	short, all := rung(t, b.book.Store)
	if len(short) != 1 || short[0] != "began alarm store-trouble" || all[0].At.Before(begun.Add(4*time.Minute)) || !all[0].Began.Equal(begun.Add(10*time.Second)) {
		t.Errorf("with room again rung for %v, %+v", short, all)
	}
	b.set(6 * time.Minute)
	if short, _ := rung(t, b.book.Store); len(short) != 1 {
		t.Errorf("told again: %v", short)
	}
}

// TestWhatIsOnDiskIsOfThisMoment: not before the first look is kept, nor while the last
// one could not be.
func TestWhatIsOnDiskIsOfThisMoment(t *testing.T) {
	long := time.Hour // of real time, which is not looked at here
	b := newBench(t)
	if b.settle(); !b.loop.Current(long) {
		t.Error("a loop that has looked and kept it is not current")
	}
	if b.loop.Current(-time.Second) {
		t.Error("a loop that has been silent for longer than it may is current")
	}
	b.book.before = func([]store.Entry) error { return errors.New("no space left on device") }
	if b.trouble("Samples are not stored.", 10*time.Second); b.loop.Current(long) {
		t.Error("a loop whose last look could not be kept is current")
	}
	b.settle()
	b.book.before = nil
	if b.set(20 * time.Second); !b.loop.Current(long) {
		t.Error("with room again it is not current")
	}
}

// TestAPageIsWrittenWhollyOrNotAtAll: a notice that the store refuses takes its
// entries with it.
func TestAPageIsWrittenWhollyOrNotAtAll(t *testing.T) {
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "ashlamp.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	book := judge.Book{Store: s}
	p := judge.Page{
		Entries: []store.Entry{{At: begun, Kind: "alarm"}}, Saved: []byte("{}"), Ledger: []byte(`{"begun":"2031-05-04T15:30:00Z"}`),
		Notices: []notice.Notice{{Cause: "a", N: 1, At: begun}, {}},
	}
	if err := book.Write(t.Context(), "marrow", p); err == nil {
		t.Fatal("a notice without a cause was written")
	}
	_, saved, err1 := book.Saved(t.Context(), "marrow")
	told, err2 := book.Told(t.Context(), "marrow")
	n, err3 := s.VerifyBook(t.Context(), "marrow")
	short, _ := rung(t, s)
	if saved || !told.Begun.IsZero() || n != 0 || len(short) != 0 || errors.Join(err1, err2, err3) != nil {
		t.Errorf("left behind: saved %v, told %+v, %d entries, notices %v; %v", saved, told, n, short, errors.Join(err1, err2, err3))
	}
	p.Notices = p.Notices[:1]
	if err := book.Write(t.Context(), "marrow", p); err != nil {
		t.Fatal(err)
	}
	told, err = book.Told(t.Context(), "marrow")
	if short, _ := rung(t, s); len(short) != 1 || !told.Begun.Equal(begun) || err != nil {
		t.Errorf("written: notices %v, told %+v, %v", short, told, err)
	}
	if err := s.Put(t.Context(), "notice/marrow", []byte("{")); err != nil {
		t.Fatal(err)
	}
	if told, err := book.Told(t.Context(), "marrow"); err == nil || len(told.Open) != 0 || !told.Begun.IsZero() {
		t.Errorf("a ledger that is none: %+v, %v", told, err)
	}
}

// torn is an evening whose loop is stopped and started, and whose disk fails, at random.
type torn struct {
	*bench
	j      *rules.Judge
	chance *rand.Rand // nil for nothing that goes wrong
	full   bool       // the disk fails too
	// restarts and failures are how often it was, fails that the disk fails now.
	restarts, failures int
	fails              atomic.Bool
}

func (x *torn) Verdict(step string) string {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, s := range x.told.Steps {
		if s.ID == step {
			return s.Verdict.String()
		}
	}
	return ""
}

// restart ends the loop and starts another from what the store has.
func (x *torn) restart(stop func()) func() {
	stop()
	told, err := judge.Book{Store: x.book.Store}.Told(x.t.Context(), x.engine.ID)
	if err != nil {
		x.t.Fatal(err)
	}
	o := x.options()
	o.Told = told
	x.loop = judge.New(x.j, o)
	ctx, cancel := context.WithCancel(x.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- x.loop.Run(ctx) }()
	return func() {
		cancel()
		if err := <-ended; err != nil {
			x.t.Errorf("the loop ended with %v", err)
		}
	}
}

func (x *torn) Carry(ctx context.Context, p node.Pack) error {
	if x.chance != nil {
		x.fails.Store(x.full && x.chance.IntN(4) == 0)
		if x.fails.Load() {
			x.failures++
		}
		if x.chance.IntN(60) == 0 {
			x.stop = x.restart(x.stop)
			x.restarts++
		}
	}
	x.clock.Set(p.Sent)
	x.loop.Samples(ctx, p.Sent, slices.Clone(p.Samples))
	x.settle()
	return nil
}

func (x *torn) Say(ctx context.Context, ev telemetry.Event) error {
	x.fails.Store(false) // a word that is not kept does not count, and would be another evening
	x.clock.Set(ev.At)
	_, err := x.loop.Say(ctx, ev)
	x.settle() // the pages are told after who said it
	return err
}

// TestATornEveningTellsTheSame: with restarts at random, and every fourth write failing,
// an evening is told as it is without, each turn once. On the good evening the disk holds:
// the crew houses the engine in the moment in which that is proven, and what could not be
// written by then is rightly never told.
func TestATornEveningTellsTheSame(t *testing.T) {
	tell := func(t *testing.T, fault string, seed uint64, chance *rand.Rand) []string {
		e := marrow(t)
		j, err := rules.New(e)
		if err != nil {
			t.Fatal(err)
		}
		s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "ashlamp.db"))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = s.Close() })
		x := &torn{bench: bare(t, e, s, begun), j: j, chance: chance, full: fault != ""}
		x.book.before = func([]store.Entry) error {
			if x.fails.Load() {
				return errors.New("the disk is full")
			}
			return nil
		}
		x.stop = x.restart(func() {})
		w := world.Marrow()
		w.Start = begun
		err = node.Record(t.Context(), io.Discard, node.Recording{
			Engine: w, Seed: seed, Fault: fault, Lamp: x, Also: x,
			Intervals: node.Intervals{Pressure: 5 * time.Second, Temperature: 10 * time.Second, Tank: 30 * time.Second, Shed: 2 * time.Minute},
			Linger:    40 * time.Minute, Limit: 5 * time.Hour,
		})
		if err != nil {
			t.Fatal(err)
		}
		x.fails.Store(false)
		x.clock.Set(x.j.Now().Add(10 * time.Second))
		x.settle()
		x.stop()
		short, all := rung(t, s)
		turns := map[string]notice.Notice{}
		for _, n := range all {
			was, known := turns[n.Cause]
			if known != (n.Turn != notice.Began) || n.N != was.N+1 || was.Turn == notice.Over {
				t.Errorf("turn %d (%s) of %s after turn %d (%s)", n.N, n.Turn, n.Cause, was.N, was.Turn)
			}
			turns[n.Cause] = n
		}
		// The store and what the loop believes to have told agree.
		told, err := judge.Book{Store: s}.Told(t.Context(), e.ID)
		if err != nil {
			t.Fatal(err)
		}
		open := 0
		for _, n := range turns {
			if n.Turn != notice.Over {
				open++
			}
		}
		if open != len(told.Open) {
			t.Errorf("%d causes are open in the store, %d in the ledger", open, len(told.Open))
		}
		if chance != nil && (x.restarts < 10 || x.full && x.failures < 100) {
			t.Errorf("%d restarts and %d failures; nothing was torn", x.restarts, x.failures)
		}
		return short
	}
	for seed, fault := range []string{"", "pressure-stuck"} {
		want := tell(t, fault, uint64(seed), nil)
		if len(want) == 0 {
			t.Fatalf("an evening with the fault %q told nothing", fault)
		}
		got := tell(t, fault, uint64(seed), rand.New(rand.NewPCG(uint64(seed), 6)))
		if strings.Join(got, "\n") != strings.Join(want, "\n") {
			t.Errorf("%q: torn, it told\n%s\nelse\n%s", fault, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		t.Logf("%q: %s", fault, strings.Join(want, ", "))
	}
}

// TestLookingCostsLittle: a pack that changes nothing is not looked at but every ten
// seconds of data, and then without forming a sentence.
func TestLookingCostsLittle(t *testing.T) {
	e := marrow(t)
	j, err := rules.New(e)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Foretell(nil); err != nil {
		t.Fatal(err)
	}
	j.Samples(begun, vacuum(begun))
	var s notice.Standing
	var l, next notice.Ledger
	j.Standing(&s, false)
	l.Follow(&s)
	n := testing.AllocsPerRun(100, func() {
		j.Standing(&s, false)
		next.Copy(&l)
		next.Follow(&s)
	})
	if n > 2 {
		t.Errorf("a look takes %v allocations, want 2 at most", n)
	}
	t.Logf("%v allocations a look", n)
}
