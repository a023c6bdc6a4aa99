// Package devicetest is the suite that every driver runs: with its chip well it
// gives the right number; with each fault injected at the chip's registers it
// gives that fault's reason and never a number; once mended it gives the number
// again.
package devicetest

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"ashlamp/hardware"
	"ashlamp/rules/telemetry"
)

// Clock is a simulated clock: waiting moves it on. It serves one goroutine.
type Clock struct{ at time.Time }

// NewClock returns a clock that stands at a fixed moment.
func NewClock() *Clock { return &Clock{at: time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)} }

// Now returns the moment at which the clock stands.
func (c *Clock) Now() time.Time { return c.at }

// Wait moves the clock on by d at once, unless ctx is over.
func (c *Clock) Wait(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c.at = c.at.Add(d)
	return nil
}

// Rig is one driver over one simulated chip.
type Rig struct {
	// Read reads the device once.
	Read func(context.Context) (hardware.Reading, error)
	// Want is what the device should read, Within the allowed difference.
	Want, Within float64
}

// Injection is one fault, put in at the chip's registers or on the wires.
type Injection struct {
	Name string
	// Inject puts the fault in and returns how to take it out.
	Inject func() (mend func())
	Want   hardware.Reason
	// Readings is how often the device may read before the fault must show; 0
	// counts as 1. More than 1 is for a chip that stops and still holds a number
	// that is not yet old: the test states how long that lasts.
	Readings int
}

// recovery is how many readings after a fault was taken out the number must be
// back: one may still report what the fault left behind (settings lost, an old
// conversion).
const recovery = 2

// Run runs the suite. open builds a fresh device for each case and lists its
// faults; [hardware.BusError] and [hardware.NotReady] must be among them.
func Run(t *testing.T, open func(t *testing.T) (Rig, []Injection)) {
	t.Helper()
	t.Run("well", func(t *testing.T) {
		rig, _ := open(t)
		for range 3 {
			number(t, rig)
		}
	})
	t.Run("cancelled is not a fault of the device", func(t *testing.T) {
		rig, _ := open(t)
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		r, err := rig.Read(ctx)
		if err == nil {
			return // a device that needs no wait may finish
		}
		if !errors.Is(err, context.Canceled) || hardware.ReasonOf(err) != hardware.Unnamed || r != (hardware.Reading{}) {
			t.Fatalf("read with a cancelled context = %+v, %v; want the context's error", r, err)
		}
	})
	_, list := open(t)
	seen := map[hardware.Reason]bool{}
	for i, f := range list {
		seen[f.Want] = true
		t.Run(f.Name, func(t *testing.T) {
			rig, list := open(t)
			number(t, rig)
			mend := list[i].Inject()
			for n := 1; ; n++ {
				r, err := rig.Read(t.Context())
				if err == nil && n < f.Readings {
					continue
				}
				if r != (hardware.Reading{}) {
					t.Fatalf("reading %d with the fault in gave %+v; want no number", n, r)
				}
				if got := hardware.ReasonOf(err); got != f.Want {
					t.Fatalf("reading %d with the fault in: error %v (reason %q), want %q", n, err, got, f.Want)
				}
				break
			}
			mend()
			for n := 1; ; n++ {
				if _, err := rig.Read(t.Context()); err == nil {
					break
				} else if n == recovery {
					t.Fatalf("reading %d after the fault was taken out: %v", n, err)
				}
			}
			number(t, rig)
		})
	}
	for _, must := range []hardware.Reason{hardware.BusError, hardware.NotReady} {
		if !seen[must] {
			t.Errorf("no injection wants %q; every device can have it", must)
		}
	}
}

func number(t *testing.T, rig Rig) {
	t.Helper()
	r, err := rig.Read(t.Context())
	if err != nil {
		t.Fatalf("read: %v", err)
	}
	if r.Quality != telemetry.Good || !(math.Abs(r.Value-rig.Want) <= rig.Within) || !(r.Standard > 0) {
		t.Fatalf("read %+v, want %v ± %v, good, with an uncertainty", r, rig.Want, rig.Within)
	}
}
