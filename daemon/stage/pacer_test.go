package stage

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/daemon/clock"
)

var noon = time.Date(2031, 5, 4, 12, 0, 0, 0, time.UTC)

func after(s float64) time.Time { return noon.Add(time.Duration(s * float64(time.Second))) }

// walker plays dates of its own, notes what the clock showed at each, and leaves.
func walker(ctx context.Context, p *pacer, dates []float64, saw func(want, got time.Time)) error {
	defer p.leave(ctx)
	for _, d := range dates {
		if err := p.until(ctx, after(d)); err != nil {
			return err
		}
		saw(after(d), p.clock.Now())
	}
	return nil
}

func TestTheClockGoesToTheEarliestDateOnceAllWait(t *testing.T) {
	for _, c := range []struct {
		name    string
		players [][]float64
		want    []float64 // what the clock showed, in order
	}{
		{name: "one", players: [][]float64{{1, 2, 5}}, want: []float64{1, 2, 5}},
		{name: "two in turn", players: [][]float64{{2, 4}, {1, 3}}, want: []float64{1, 2, 3, 4}},
		{name: "two at once", players: [][]float64{{2, 4}, {2, 3}}, want: []float64{2, 3, 4}},
		{name: "one leaves early", players: [][]float64{{1}, {2, 3}, {10}}, want: []float64{1, 2, 3, 10}},
		{name: "one leaves before it ever waits", players: [][]float64{{}, {2}}, want: []float64{2}},
		{name: "all leave before they wait", players: [][]float64{{}, {}}},
		{name: "nobody"},
		{name: "a date that is past", players: [][]float64{{-5, 1}}, want: []float64{0, 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := clock.NewStepped(noon)
			p := newPacer(s, 0, len(c.players))
			var mu sync.Mutex
			var shown, before []time.Time
			p.before = func(_ context.Context, date time.Time) error {
				before = append(before, date)
				return nil
			}
			p.after = func(context.Context, time.Time) error {
				shown = append(shown, s.Now())
				return nil
			}
			var all sync.WaitGroup
			for _, dates := range c.players {
				all.Go(func() {
					err := walker(t.Context(), p, dates, func(want, got time.Time) {
						mu.Lock()
						defer mu.Unlock()
						if got.Before(want) || want.After(noon) && !got.Equal(want) {
							t.Errorf("waited until %s, found the clock at %s", want, got)
						}
					})
					if err != nil {
						t.Error(err)
					}
				})
			}
			if err := p.run(t.Context()); err != nil {
				t.Fatal(err)
			}
			all.Wait()
			var want []time.Time
			for _, d := range c.want {
				want = append(want, after(d))
			}
			if !slices.Equal(shown, want) {
				t.Errorf("the clock showed %v, want %v", shown, want)
			}
			if len(before) != len(want) {
				t.Errorf("before was called %d times, want %d", len(before), len(want))
			}
		})
	}
}

func TestThePaceIsKeptAndLagIsForgiven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begun := time.Now()
		p := newPacer(clock.NewStepped(noon), 60, 1)
		var came []time.Duration
		go func() {
			defer p.leave(t.Context())
			for i, d := range []float64{60, 120, 180, 240, 300} {
				if p.until(t.Context(), after(d)) != nil {
					return
				}
				came = append(came, time.Since(begun))
				if i == 2 {
					time.Sleep(10 * time.Second) // of the bubble's clock: a machine that is late
				}
			}
		}()
		if err := p.run(t.Context()); err != nil {
			t.Fatal(err)
		}
		want := []time.Duration{1 * time.Second, 2 * time.Second, 3 * time.Second, 13 * time.Second, 14 * time.Second}
		if !slices.Equal(came, want) {
			t.Errorf("minutes of the world at 60 times the pace came after %v, want %v: what was late is not made up in a rush", came, want)
		}
	})
}

func TestAPacerEndsWithItsContext(t *testing.T) {
	for _, c := range []struct {
		name  string
		speed float64
		play  func(ctx context.Context, p *pacer)
	}{
		{name: "while it waits for players", play: func(context.Context, *pacer) {}},
		{name: "while it waits for the pace", speed: 1, play: func(ctx context.Context, p *pacer) { _ = p.until(ctx, after(3600)) }},
		{name: "while it is busy", play: func(ctx context.Context, p *pacer) {
			for d := 1.0; p.until(ctx, after(d)) == nil; d++ {
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			p := newPacer(clock.NewStepped(noon), c.speed, 1)
			ended := make(chan error, 1)
			go func() { ended <- p.run(ctx) }()
			played := make(chan struct{})
			go func() {
				defer close(played)
				c.play(ctx, p)
				p.leave(ctx) // does not hang where nobody listens any more
			}()
			if c.name == "while it waits for players" {
				<-played
				if err := <-ended; err != nil {
					t.Errorf("the only player left: %v", err)
				}
				cancel()
				return
			}
			cancel()
			<-played
			if err := <-ended; !errors.Is(err, context.Canceled) {
				t.Errorf("got %v, want the context's error", err)
			}
		})
	}
}

func TestWhatBeforeAndAfterSayEndsThePlay(t *testing.T) {
	over := errors.New("over")
	for _, c := range []struct {
		name string
		set  func(p *pacer)
		at   time.Time
	}{
		{name: "before", set: func(p *pacer) { p.before = func(context.Context, time.Time) error { return over } }, at: noon},
		{name: "after", set: func(p *pacer) { p.after = func(context.Context, time.Time) error { return over } }, at: after(1)},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			s := clock.NewStepped(noon)
			p := newPacer(s, 0, 1)
			c.set(p)
			go func() { _ = p.until(ctx, after(1)) }()
			if err := p.run(ctx); !errors.Is(err, over) {
				t.Errorf("got %v, want %v", err, over)
			}
			if !s.Now().Equal(c.at) {
				t.Errorf("the clock shows %v, want %v", s.Now(), c.at)
			}
		})
	}
}

// TestNothingMovesBeforeThePollersAreDone: after the clock has moved, players wait
// for those whom it woke.
func TestNothingMovesBeforeThePollersAreDone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := clock.NewStepped(noon)
		p := newPacer(s, 0, 1)
		j := s.Join()
		work := make(chan struct{})
		go func() {
			defer j.Leave()
			if j.Wait(t.Context(), after(1)) == nil {
				<-work
			}
		}()
		passed := make(chan struct{})
		go func() {
			if p.until(t.Context(), after(1)) == nil {
				close(passed)
			}
			p.leave(t.Context())
		}()
		ended := make(chan error, 1)
		go func() { ended <- p.run(t.Context()) }()
		synctest.Wait()
		select {
		case <-passed:
			t.Fatal("the world moved on while a poller that the clock had woken was at work")
		default:
		}
		close(work)
		<-passed
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}
