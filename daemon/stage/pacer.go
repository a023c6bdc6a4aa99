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
	clock *clock.Stepped
	// speed is how many seconds pass in one; 0 for as fast as it goes.
	speed   float64
	waits   chan wait
	leaving chan struct{}
	players int
	// before is called with the date to come, after with the date that came: all
	// players stand, and go on only when it returns.
	before, after func(context.Context, time.Time) error
	// ready returns when the clock may move: it is asked just before it does.
	ready func(context.Context) error
}

type wait struct {
	date  time.Time
	reach chan struct{}
}

func newPacer(c *clock.Stepped, speed float64, players int) *pacer {
	nothing := func(context.Context, time.Time) error { return nil }
	return &pacer{
		clock: c, speed: speed, waits: make(chan wait), leaving: make(chan struct{}), players: players,
		before: nothing, after: nothing, ready: func(context.Context) error { return nil },
	}
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

// run moves the clock until all players have left or the context ends.
func (p *pacer) run(ctx context.Context) error {
	pace := newPace(p.clock.Now(), p.speed)
	defer pace.timer.Stop()
	var waiting []wait
	for {
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
		if err := p.before(ctx, first); err != nil {
			return err
		}
		if err := pace.wait(ctx, first); err != nil {
			return err
		}
		if err := p.ready(ctx); err != nil {
			return err
		}
		p.clock.Set(first)
		p.clock.Settle()
		if err := p.after(ctx, first); err != nil {
			return err
		}
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
}

// pace says in real time when a date is due.
type pace struct {
	speed float64
	begun time.Time
	from  time.Time
	timer *time.Timer
}

func newPace(from time.Time, speed float64) *pace {
	t := time.NewTimer(time.Hour)
	t.Stop()
	return &pace{speed: speed, begun: time.Now(), from: from, timer: t}
}

func (p *pace) wait(ctx context.Context, date time.Time) error {
	if p.speed == 0 {
		return ctx.Err()
	}
	due := p.begun.Add(time.Duration(float64(date.Sub(p.from)) / p.speed))
	late := time.Since(due)
	switch {
	case late > behind:
		p.begun = p.begun.Add(late)
	case late < 0:
		p.timer.Reset(-late)
		select {
		case <-p.timer.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}
