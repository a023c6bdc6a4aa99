package node

import (
	"context"
	"fmt"
	"time"
)

// AtSpeed returns a [Node.Pace] at which the world's clock goes speed times as
// fast as the wall's. A world that has fallen behind, because the far end was
// slow to acknowledge, does not hurry to catch up: it goes on from there. It
// refuses a speed that is not above 0.
func AtSpeed(speed float64) (func(context.Context, time.Time) error, error) {
	if !(speed > 0 && speed <= 1e6) {
		return nil, fmt.Errorf("speed %v is outside 0..1000000; give how many simulated seconds pass in one", speed)
	}
	var wall, world time.Time
	return func(ctx context.Context, date time.Time) error {
		now := time.Now()
		if wall.IsZero() {
			wall, world = now, date
			return ctx.Err()
		}
		due := wall.Add(time.Duration(float64(date.Sub(world)) / speed))
		left := due.Sub(now)
		if left <= 0 {
			if left < -time.Second {
				wall, world = now, date
			}
			return ctx.Err()
		}
		timer := time.NewTimer(left)
		defer timer.Stop()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
			return nil
		}
	}, nil
}
