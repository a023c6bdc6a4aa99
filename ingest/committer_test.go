package ingest_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/ingest"
	"ashlamp/rules/telemetry"
)

// memory keeps samples as a store would. It fails while fail says so.
type memory struct {
	mu      sync.Mutex
	held    map[string]telemetry.Sample
	commits []int
	fail    func([]ingest.Batch) error
	before  func()
}

func (m *memory) Append(_ context.Context, batches []ingest.Batch) ([]ingest.Appended, error) {
	if m.before != nil {
		m.before()
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fail != nil {
		if err := m.fail(batches); err != nil {
			return nil, err
		}
	}
	if m.held == nil {
		m.held = make(map[string]telemetry.Sample)
	}
	m.commits = append(m.commits, len(batches))
	var out []ingest.Appended
	for _, b := range batches {
		a := ingest.Appended{Batch: b}
		for _, s := range b.Samples {
			key := fmt.Sprint(b.Engine, s.Channel, s.At.UnixMicro())
			switch old, had := m.held[key]; {
			case !had:
				m.held[key] = s
				a.Fresh = append(a.Fresh, s)
			case old.Value == s.Value:
				a.Duplicates++
			default:
				a.Conflicts = append(a.Conflicts, s)
			}
		}
		out = append(out, a)
	}
	return out, nil
}

func newCommitter(t testing.TB, c ingest.CommitterConfig) *ingest.Committer {
	t.Helper()
	if c.Gate == nil {
		c.Gate = newGate(t, nil)
	}
	got, err := ingest.NewCommitter(c)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func batch(v float64, done func(error)) ingest.Batch {
	return ingest.Batch{Engine: "quillet", Samples: []telemetry.Sample{sample(telemetry.Firebox, v)}, Done: done}
}

func TestWhatWaitsIsOneTransaction(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var order []string
		store := &memory{}
		c := newCommitter(t, ingest.CommitterConfig{Store: store, Next: func(_ context.Context, a ingest.Appended) {
			order = append(order, fmt.Sprintf("next %d fresh %d double %d other", len(a.Fresh), a.Duplicates, len(a.Conflicts)))
		}})
		ctx, stop := context.WithCancel(context.Background())
		defer stop()
		done := func(name string) func(error) {
			return func(err error) { order = append(order, fmt.Sprint(name, " ", err)) }
		}
		for i, v := range []float64{1, 1, 2} {
			if err := c.Offer(ctx, batch(v, done(string(rune('a'+i))))); err != nil {
				t.Fatal(err)
			}
		}
		if len(order) != 0 {
			t.Fatalf("got %q before any commit", order)
		}
		go func() {
			if err := c.Run(ctx); err != nil {
				t.Error(err)
			}
		}()
		synctest.Wait()
		want := "[a <nil> b <nil> c <nil> next 1 fresh 0 double 0 other next 0 fresh 1 double 0 other next 0 fresh 0 double 1 other]"
		if got := fmt.Sprint(order); got != want {
			t.Errorf("got\n%s\nwant\n%s", got, want)
		}
		if fmt.Sprint(store.commits) != "[3]" {
			t.Errorf("got transactions of %v batches, want one of 3", store.commits)
		}
		stop()
		synctest.Wait()
		if err := c.Offer(context.Background(), batch(3, nil)); !errors.Is(err, ingest.ErrClosed) {
			t.Errorf("after the end Offer gives %v, want ErrClosed", err)
		}
	})
}

func TestWhatWaitsAtTheEndIsStored(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memory{}
		c := newCommitter(t, ingest.CommitterConfig{Store: store})
		ctx, stop := context.WithCancel(context.Background())
		stop()
		acked := 0
		for v := range 3 {
			if err := c.Offer(context.Background(), batch(float64(v), func(err error) {
				if err == nil {
					acked++
				}
			})); err != nil {
				t.Fatal(err)
			}
		}
		if err := c.Run(ctx); err != nil || acked != 3 {
			t.Errorf("got %v and %d acknowledged, want 3", err, acked)
		}
	})
}

func TestAFullQueueHoldsTheDoorsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memory{}
		c := newCommitter(t, ingest.CommitterConfig{Store: store})
		ctx, stop := context.WithCancel(context.Background())
		defer stop()
		big := ingest.Batch{Engine: "quillet", Samples: make([]telemetry.Sample, 40000)}
		if err := c.Offer(ctx, big); err != nil {
			t.Fatal(err)
		}
		offered, refused := false, error(nil)
		go func() {
			if err := c.Offer(ctx, big); err == nil {
				offered = true
			}
		}()
		short, cancel := context.WithTimeout(ctx, time.Second)
		defer cancel()
		refused = c.Offer(short, big)
		if !errors.Is(refused, context.DeadlineExceeded) || offered {
			t.Fatalf("got %v, offered %v; want both held back", refused, offered)
		}
		go func() { _ = c.Run(ctx) }()
		synctest.Wait()
		if !offered {
			t.Error("the held back offer did not go on when there was room")
		}
		stop()
		synctest.Wait()
	})
}

func TestAFailingStoreIsToldAndNothingIsAcknowledged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		full := errors.New("no space left on device")
		failing := true
		store := &memory{fail: func([]ingest.Batch) error {
			if failing {
				return full
			}
			return nil
		}}
		var told []string
		g := newGate(t, nil)
		c := newCommitter(t, ingest.CommitterConfig{Store: store, Gate: g, Trouble: func(err error) { told = append(told, fmt.Sprint(err)) }})
		ctx, stop := context.WithCancel(context.Background())
		defer stop()
		go func() { _ = c.Run(ctx) }()
		acks := map[string]int{}
		offer := func(n int) {
			for v := range n {
				if err := c.Offer(ctx, batch(float64(v), func(err error) { acks[fmt.Sprint(err)]++ })); err != nil {
					t.Fatal(err)
				}
			}
			time.Sleep(time.Minute) // on the bubble's clock
			synctest.Wait()
		}
		offer(1)
		if fmt.Sprint(acks) != "map[no space left on device:1]" || fmt.Sprint(told) != "[no space left on device]" {
			t.Fatalf("got %v, told %v", acks, told)
		}
		offer(10)
		if acks["no space left on device"] != 11 {
			t.Fatalf("got %v, want 11 refused", acks)
		}
		failing, told = false, nil
		offer(2)
		if acks["<nil>"] != 2 || fmt.Sprint(told) != "[<nil>]" {
			t.Errorf("got %v, told %v, want 2 stored and the trouble ended", acks, told)
		}
		if g.Counters().FailedCommits.Load() == 0 || g.Counters().Trouble(ingest.NotStored) == 0 {
			t.Error("failures were not counted")
		}
		stop()
		synctest.Wait()
	})
}

func TestOneBatchThatCannotBeStoredKeepsNoOtherOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memory{fail: func(batches []ingest.Batch) error {
			for _, b := range batches {
				if b.Samples[0].Value == 13 {
					return errors.New("poison")
				}
			}
			return nil
		}}
		c := newCommitter(t, ingest.CommitterConfig{Store: store})
		ctx, stop := context.WithCancel(context.Background())
		got := map[float64]error{}
		for _, v := range []float64{1, 13, 2} {
			b := batch(v, func(err error) { got[v] = err })
			b.Samples[0].At = now.Add(time.Duration(v) * time.Second)
			if err := c.Offer(ctx, b); err != nil {
				t.Fatal(err)
			}
		}
		stop()
		if err := c.Run(ctx); err != nil {
			t.Fatal(err)
		}
		if len(got) != 3 || got[1] != nil || got[2] != nil || got[13] == nil || len(store.held) != 2 {
			t.Errorf("got %v and %d held, want all but 13", got, len(store.held))
		}
	})
}

func BenchmarkCommitter(b *testing.B) {
	c := newCommitter(b, ingest.CommitterConfig{Store: nothing{}})
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); _ = c.Run(ctx) }()
	var wg sync.WaitGroup
	b.ReportAllocs()
	for b.Loop() {
		wg.Add(1)
		if err := c.Offer(ctx, ingest.Batch{Engine: "quillet", Samples: []telemetry.Sample{sample(telemetry.Firebox, 1)}, Done: func(error) { wg.Done() }}); err != nil {
			b.Fatal(err)
		}
	}
	wg.Wait()
	stop()
	<-ended
}

// nothing takes all and keeps none: the ceiling of the way to the store.
type nothing struct{}

func (nothing) Append(_ context.Context, batches []ingest.Batch) ([]ingest.Appended, error) {
	out := make([]ingest.Appended, len(batches))
	for i, b := range batches {
		out[i] = ingest.Appended{Batch: b, Fresh: b.Samples}
	}
	return out, nil
}
