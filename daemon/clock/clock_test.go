package clock_test

import (
	"context"
	"errors"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/daemon/clock"
)

var noon = time.Date(2031, 5, 4, 12, 0, 0, 0, time.UTC)

func at(s int) time.Time { return noon.Add(time.Duration(s) * time.Second) }

func closed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

func TestSteppedWakesThoseWhoseTimeHasCome(t *testing.T) {
	for _, c := range []struct {
		name        string
		until, move int
		want        bool
	}{
		{name: "before its time", until: 10, move: 9},
		{name: "at its time", until: 10, move: 10, want: true},
		{name: "past its time", until: 10, move: 3600, want: true},
		{name: "the time is now", until: 0, move: 0, want: true},
		{name: "the time is past", until: -5, move: 0, want: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := clock.NewStepped(noon)
			reached, stop := s.After(at(c.until))
			defer stop()
			s.Set(at(c.move))
			if got := closed(reached); got != c.want {
				t.Errorf("wait until %d s, clock moved to %d s: reached %v, want %v", c.until, c.move, got, c.want)
			}
		})
	}
}

func TestSteppedNeverRunsBack(t *testing.T) {
	s := clock.NewStepped(noon.In(time.FixedZone("", 3600)))
	s.Set(at(10))
	s.Set(at(5))
	if got := s.Now(); !got.Equal(at(10)) || got.Location() != time.UTC {
		t.Errorf("moved to 10 s and then 5 s, the clock shows %v, want %v", got, at(10))
	}
}

func TestAWaitThatIsGivenUpIsNeverReached(t *testing.T) {
	s := clock.NewStepped(noon)
	reached, stop := s.After(at(1))
	stop()
	s.Set(at(2))
	if closed(reached) {
		t.Error("a wait that was given up was reached")
	}
}

// TestTheClockStandsWhileAPollerWorks: whatever moves the clock waits for those who
// joined, from the moment they join.
func TestTheClockStandsWhileAPollerWorks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := clock.NewStepped(noon)
		j := s.Join()
		var moved atomic.Int64
		move := func(to int) {
			go func() {
				s.Set(at(to))
				moved.Store(int64(to))
			}()
			synctest.Wait()
		}
		move(1)
		if moved.Load() != 0 || !s.Now().Equal(noon) {
			t.Fatal("the clock moved before the poller that joined had waited for the first time")
		}
		work := make(chan struct{})
		done := make(chan error, 1)
		go func() {
			defer j.Leave()
			for _, until := range []int{10, 20} {
				if err := j.Wait(t.Context(), at(until)); err != nil {
					done <- err
					return
				}
				<-work
			}
			done <- nil
		}()
		synctest.Wait()
		if moved.Load() != 1 {
			t.Fatal("the clock stood although the poller waits")
		}
		if next, ok := s.Next(); !ok || !next.Equal(at(10)) {
			t.Errorf("next is %v %v, want %v", next, ok, at(10))
		}
		move(10)
		move(11)
		if moved.Load() != 10 || !s.Now().Equal(at(10)) {
			t.Fatalf("the clock shows %v while the poller works, want %v", s.Now(), at(10))
		}
		work <- struct{}{}
		synctest.Wait()
		if moved.Load() != 11 {
			t.Fatal("the clock stood although the poller waits again")
		}
		move(20)
		move(30)
		if moved.Load() != 20 {
			t.Fatal("the clock moved while the poller works")
		}
		work <- struct{}{}
		synctest.Wait()
		if moved.Load() != 30 {
			t.Fatal("the clock stood although the poller has left")
		}
		if err := <-done; err != nil {
			t.Error(err)
		}
		if _, ok := s.Next(); ok {
			t.Error("somebody still waits")
		}
	})
}

// TestACancelledWaitHoldsNothing: whether the context or the time came first, the
// clock goes on.
func TestACancelledWaitHoldsNothing(t *testing.T) {
	for _, c := range []struct {
		name string
		move bool
	}{{"before the time", false}, {"at the same moment as the time", true}} {
		t.Run(c.name, func(t *testing.T) {
			// Which of the two the wait sees first is drawn by the run time, so often.
			for range 200 {
				synctest.Test(t, func(t *testing.T) {
					s := clock.NewStepped(noon)
					ctx, cancel := context.WithCancel(t.Context())
					j := s.Join()
					go func() {
						defer j.Leave()
						if err := j.Wait(ctx, at(1)); err != nil && !errors.Is(err, context.Canceled) {
							t.Errorf("wait: got %v, want the context's error", err)
						}
					}()
					synctest.Wait()
					cancel()
					if c.move {
						s.Set(at(1))
					}
					synctest.Wait()
					s.Set(at(2))
					s.Settle()
					if !s.Now().Equal(at(2)) {
						t.Error("the clock stands")
					}
				})
			}
		})
	}
}

func TestLeavingTwiceIsLeavingOnce(t *testing.T) {
	s := clock.NewStepped(noon)
	a, b := s.Join(), s.Join()
	a.Leave()
	a.Leave()
	b.Leave()
	s.Set(at(1))
	if !s.Now().Equal(at(1)) {
		t.Error("the clock stands")
	}
}

func TestSettleWaitsForAllWhoWereWoken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := clock.NewStepped(noon)
		var busy atomic.Int64
		ctx, cancel := context.WithCancel(t.Context())
		for range 3 {
			j := s.Join()
			go func() {
				defer j.Leave()
				for {
					if j.Wait(ctx, j.Now().Add(time.Second)) != nil {
						return
					}
					busy.Add(1)
					time.Sleep(time.Millisecond) // of the bubble's clock: other work goes on
					busy.Add(-1)
				}
			}()
		}
		for i := range 5 {
			s.Set(at(i + 1))
			s.Settle()
			if n := busy.Load(); n != 0 {
				t.Errorf("settled with %d at work", n)
			}
		}
		cancel()
		synctest.Wait()
	})
}

// TestThoseWhoWakeAtOnceWorkInOneOrder: by the time that they wait for, then by the
// order in which they joined.
func TestThoseWhoWakeAtOnceWorkInOneOrder(t *testing.T) {
	for range 50 {
		synctest.Test(t, func(t *testing.T) {
			s := clock.NewStepped(noon)
			var mu sync.Mutex
			var order []string
			for _, p := range []struct {
				name  string
				until int
			}{{"c", 3}, {"b", 2}, {"d", 3}, {"a", 1}, {"e", 3}} {
				j := s.Join()
				go func() {
					defer j.Leave()
					if j.Wait(t.Context(), at(p.until)) != nil {
						return
					}
					for range 3 {
						runtime.Gosched() // gives another the chance to come between
						mu.Lock()
						order = append(order, p.name)
						mu.Unlock()
					}
				}()
			}
			s.Set(at(5))
			s.Settle()
			if got := strings.Join(order, ""); got != "aaabbbcccdddeee" {
				t.Errorf("they worked in the order %s", got)
			}
		})
	}
}

func TestWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := clock.NewStepped(noon)
		done := make(chan error, 1)
		go func() { done <- clock.Wait(t.Context(), s, at(1)) }()
		synctest.Wait()
		s.Set(at(1))
		if err := <-done; err != nil {
			t.Error(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		go func() { done <- clock.Wait(ctx, s, at(9)) }()
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("a cancelled wait gave %v", err)
		}
	})
}

func TestBoardWakesAtItsTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := clock.Waiter{Clock: clock.Board{}}
		begun := w.Now()
		if err := w.Wait(t.Context(), begun.Add(90*time.Second)); err != nil {
			t.Fatal(err)
		}
		if got := w.Now().Sub(begun); got != 90*time.Second {
			t.Errorf("waited %v, want 90 s", got)
		}
		if err := w.Wait(t.Context(), begun); err != nil {
			t.Errorf("a time that is past: %v", err)
		}
		w.Leave()
		if w.Now().Location() != time.UTC {
			t.Error("the time is not UTC")
		}
	})
}
