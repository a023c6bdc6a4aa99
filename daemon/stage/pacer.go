package stage

import (
	"context"
	"time"

	"ashlamp/daemon/clock"
)

// behind is how far the world may lag behind its pace before the lag is forgiven
// instead of being made up in a rush.
const behind = time.Second

// pacer lets several worlds move on together: the clock goes to the earliest date
// that any of them waits for, once all of them wait, and no faster than the pace.
type pacer struct {
	clock   *clock.Stepped
	speed   float64
	waits   chan wait
	leaving chan struct{}
	players int
}

type wait struct {
	date  time.Time
	reach chan struct{}
}

func newPacer(c *clock.Stepped, speed float64, players int) *pacer {
	return &pacer{clock: c, speed: speed, waits: make(chan wait), leaving: make(chan struct{}), players: players}
}

// until returns when the clock has come to the date.
func (p *pacer) until(ctx context.Context, date time.Time) error {
	w := wait{date, make(chan struct{})}
	select {
	case p.waits <- w:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-w.reach:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// leave lets the others go on without one.
func (p *pacer) leave(ctx context.Context) {
	select {
	case p.leaving <- struct{}{}:
	case <-ctx.Done():
	}
}

func (p *pacer) run(ctx context.Context) error {
	begun, from := time.Now(), p.clock.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	<-timer.C
	var waiting []wait
	for p.players > 0 {
		for len(waiting) < p.players {
			select {
			case w := <-p.waits:
				waiting = append(waiting, w)
			case <-p.leaving:
				p.players--
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if p.players == 0 {
			return nil
		}
		first := waiting[0].date
		for _, w := range waiting {
			if w.date.Before(first) {
				first = w.date
			}
		}
		due := begun.Add(time.Duration(float64(first.Sub(from)) / p.speed))
		if late := time.Since(due); late > behind {
			begun = begun.Add(late)
		} else if late < 0 {
			timer.Reset(-late)
			select {
			case <-timer.C:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		p.clock.Set(first)
		rest := waiting[:0]
		for _, w := range waiting {
			if w.date.After(first) {
				rest = append(rest, w)
			} else {
				close(w.reach)
			}
		}
		waiting = rest
	}
	return nil
}
