package node_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/simulators/node"
)

func TestAtSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pace, err := node.AtSpeed(60)
		if err != nil {
			t.Fatal(err)
		}
		date := time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)
		start := time.Now()
		step := func(d time.Duration) {
			date = date.Add(d)
			if err := pace(context.Background(), date); err != nil {
				t.Fatal(err)
			}
		}
		step(0)
		for range 1800 {
			step(2 * time.Second)
		}
		if got := time.Since(start); (got - time.Minute).Abs() > time.Millisecond {
			t.Errorf("an hour at speed 60 took %v, want 1 min", got)
		}
		// The far end holds everything up for 10 s of the wall: no hurry after it.
		time.Sleep(10 * time.Second)
		held := time.Now()
		step(2 * time.Second)
		for range 30 {
			step(2 * time.Second)
		}
		if got := time.Since(held); (got - time.Second).Abs() > time.Millisecond {
			t.Errorf("a minute after a break took %v, want 1 s", got)
		}
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		if err := pace(ctx, date.Add(time.Hour)); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled: got %v", err)
		}
	})
	for _, bad := range []float64{0, -1, 2e6} {
		if _, err := node.AtSpeed(bad); err == nil {
			t.Errorf("speed %v was taken", bad)
		}
	}
}
