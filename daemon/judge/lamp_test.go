package judge_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/judge"
	"ashlamp/dashboard/message"
	"ashlamp/hardware/pulse"
	"ashlamp/rules"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/chip"
)

// shiftable is the board's clock, which a hand may set.
type shiftable struct {
	clock.Board
	by atomic.Int64
}

func (s *shiftable) Now() time.Time { return s.Board.Now().Add(time.Duration(s.by.Load())) }

func (s *shiftable) After(until time.Time) (<-chan struct{}, func()) {
	return s.Board.After(until.Add(-time.Duration(s.by.Load())))
}

// lampBench is a loop that runs by the bubble's clock, its pin, and the lamp behind it.
type lampBench struct {
	t     *testing.T
	clock *shiftable
	mono  *chip.Monostable
	loop  *judge.Loop
	log   *bytes.Buffer
	hold  atomic.Pointer[chan struct{}] // while not nil the pages take nothing
	end   func()
}

func newLampBench(t *testing.T) *lampBench {
	t.Helper()
	e := marrow(t)
	// Of what this step needs, all is by word: the words are what the test gives.
	delete(e.Channels, telemetry.BoilerHumidity)
	e.ByWord = map[string]string{"barrel-dry": "barrel-looked-in"}
	j, err := rules.New(e)
	if err != nil {
		t.Fatal(err)
	}
	b := &lampBench{t: t, clock: &shiftable{}, log: &bytes.Buffer{}}
	b.mono = chip.NewMonostable(clock.Board{}, "GPIO17", pulse.Hold)
	train, err := pulse.New(b.mono)
	if err != nil {
		t.Fatal(err)
	}
	b.loop = judge.New(j, judge.Options{
		Engine: e, Shed: "fernhollow", Clock: b.clock, Book: nowhere{},
		Publish: func(message.Change) error {
			if hold := b.hold.Load(); hold != nil {
				<-*hold
			}
			return nil
		},
		Retain: func(string, []byte) error { return nil }, Log: slog.New(slog.NewTextHandler(b.log, nil)),
		Lamp: train, LampStep: "seal-dry",
	})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- b.loop.Run(ctx) }()
	b.end = func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	return b
}

func (b *lampBench) say(kind telemetry.Kind, word string) {
	b.t.Helper()
	if _, err := b.loop.Say(b.t.Context(), telemetry.Event{Kind: kind, Subject: word}); err != nil {
		b.t.Fatal(err)
	}
}

// burns looks 20 times a second for as long.
func (b *lampBench) burns(d time.Duration, why string) {
	b.t.Helper()
	for until := time.Now().Add(d); time.Now().Before(until); time.Sleep(50 * time.Millisecond) {
		if !b.mono.Lit() {
			b.t.Fatalf("the lamp is dark %s", why)
		}
	}
}

// dark looks after the longest that it may burn on, and then for as long.
func (b *lampBench) dark(d time.Duration, why string) {
	b.t.Helper()
	time.Sleep(pulse.DarkWithin)
	for until := time.Now().Add(d); time.Now().Before(until); time.Sleep(50 * time.Millisecond) {
		if b.mono.Lit() {
			b.t.Fatalf("the lamp burns %s", why)
		}
	}
}

func (b *lampBench) prove() {
	b.t.Helper()
	b.say(telemetry.Confirmed, "plugs-removed")
	b.say(telemetry.Confirmed, "barrel-looked-in")
	time.Sleep(2 * pulse.Every)
	b.burns(10*time.Second, "while the step is proven")
}

// hang blocks the loop where it tells the pages; the returned function frees it.
func (b *lampBench) hang() (free func()) {
	hold := make(chan struct{})
	b.hold.Store(&hold)
	b.loop.Samples(b.t.Context(), b.clock.Now(), nil) // now it has something to tell
	return func() {
		b.hold.Store(nil)
		close(hold)
	}
}

func TestTheLampBurnsOnlyWhileTheStepIsProven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newLampBench(t)
		defer b.end()
		b.dark(10*time.Second, "before anything was said")
		b.say(telemetry.Confirmed, "plugs-removed")
		b.dark(10*time.Second, "by half of what the step needs")
		b.prove()
		b.say(telemetry.Withdrawn, "plugs-removed")
		b.dark(10*time.Second, "after a word was taken back")
		b.prove()
		// The word lapses by time alone, an hour after it was given.
		b.burns(time.Hour-11*time.Second, "before the word lapses")
		time.Sleep(time.Second)
		b.dark(time.Minute, "after the word has lapsed")
	})
}

// TestALoopThatHangsLightsNothing: the lamp is dark within 2 s whatever the level was
// that the loop left the pin at.
func TestALoopThatHangsLightsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newLampBench(t)
		defer b.end()
		left := map[bool]int{}
		for range 6 {
			b.prove()
			time.Sleep(pulse.Every) // another phase of the train each time
			free := b.hang()
			b.dark(time.Minute, "while the loop hangs")
			high, _ := b.mono.Level()
			left[high]++
			free()
			time.Sleep(3 * pulse.Every)
			b.burns(time.Second, "when the loop turns again")
		}
		if left[true] == 0 || left[false] == 0 {
			t.Errorf("the pin was left high %d times and low %d times; want some of each", left[true], left[false])
		}
	})
}

func TestAClockThatWasSetBackLightsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newLampBench(t)
		defer b.end()
		b.prove()
		b.clock.by.Store(-int64(20 * time.Minute))
		b.dark(10*time.Minute, "though nothing grows old by this clock")
		b.clock.by.Store(0)
		time.Sleep(3 * pulse.Every)
		b.burns(time.Second, "by the right clock")
		// Set on, the word lapses at once.
		b.clock.by.Store(int64(2 * time.Hour))
		b.dark(time.Minute, "two hours on")
	})
}

func TestTheLampIsDarkAtTheEndAndByABrokenPin(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newLampBench(t)
		b.prove()
		b.mono.Break(errors.New("operation not permitted"))
		b.dark(10*time.Second, "by a pin that refuses")
		b.mono.Break(nil)
		time.Sleep(3 * pulse.Every)
		b.burns(time.Second, "by a pin that was mended")
		b.end()
		if said := b.log.String(); strings.Count(said, "stays dark") != 1 || strings.Count(said, "can be driven again") != 1 {
			t.Errorf("said once each that it cannot be driven, and can again? The log:\n%s", said)
		}
		if high, driven := b.mono.Level(); high || !driven {
			t.Errorf("the pin was left high %t, driven %t; want it driven low", high, driven)
		}
		b.dark(time.Second, "after the end")
	})
}
