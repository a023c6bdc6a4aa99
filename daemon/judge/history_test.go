package judge_test

import (
	"encoding/json"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/telemetry"
)

// drawn returns the summaries that the store has of the bench's engine, the newest first.
func (b *bench) drawn() []cooldown.Summary {
	b.t.Helper()
	kept, err := b.book.Summaries(b.t.Context(), b.engine.ID, 10)
	if err != nil {
		b.t.Fatal(err)
	}
	out := make([]cooldown.Summary, len(kept))
	for i, k := range kept {
		if err := json.Unmarshal(k.Body, &out[i]); err != nil {
			b.t.Fatal(err)
		}
		if k.ID != judge.DisposalID(out[i].Begun) || !k.Begun.Equal(out[i].Begun) {
			b.t.Errorf("kept as %s of %s, and is of %s", k.ID, k.Begun, out[i].Begun)
		}
	}
	return out
}

// housed says all of a short evening that ends 90 minutes after it began.
func (b *bench) housed(from time.Duration) {
	b.t.Helper()
	say := func(kind telemetry.Kind, word string) {
		if err := b.say(kind, word); err != nil {
			b.t.Fatal(err)
		}
	}
	say(telemetry.DisposalBegun, "")
	b.set(from + 10*time.Minute)
	say(telemetry.Confirmed, "fire-dropped")
	b.set(from + 50*time.Minute)
	say(telemetry.Confirmed, "plugs-removed")
	b.set(from + time.Hour)
	say(telemetry.DisposalEnded, "")
	b.set(from + 90*time.Minute)
}

func TestADisposalIsWrittenAsItEndsAndAgainForALaterMark(t *testing.T) {
	b := newBench(t)
	b.housed(0)
	got := b.drawn()
	if len(got) != 1 || got[0].Ended == nil || !got[0].Ended.Equal(begun.Add(90*time.Minute)) ||
		got[0].Passed.FireOut == nil || !got[0].Passed.FireOut.Equal(begun.Add(10*time.Minute)) || got[0].Passed.BarrelDry != nil {
		t.Fatalf("as it ended there is %+v, want one with its end and the fire out", got)
	}
	for at := 2 * time.Hour; at < 30*time.Hour; at += 5 * time.Minute {
		b.clock.Set(begun.Add(at))
		now := begun.Add(at)
		b.loop.Samples(t.Context(), now, []telemetry.Sample{{Channel: telemetry.BoilerHumidity, At: now, Value: 30, Quality: telemetry.Good}})
		b.settle()
	}
	got = b.drawn()
	if len(got) != 1 || got[0].Passed.BarrelDry == nil || !got[0].Passed.BarrelDry.Equal(begun.Add(2*time.Hour)) || got[0].DryingH == nil {
		t.Fatalf("a day later there is %+v, want the same with the barrel dry", got)
	}
	b.set(31 * time.Hour)
	b.housed(31 * time.Hour)
	if got = b.drawn(); len(got) != 2 || got[1].Passed.BarrelDry == nil || got[0].Passed.BarrelDry != nil {
		t.Errorf("after another evening there are %+v, want two, each with its own marks", got)
	}
}

func TestADisposalThatIsSupersededEnds(t *testing.T) {
	b := newBench(t)
	if err := b.say(telemetry.DisposalBegun, ""); err != nil {
		t.Fatal(err)
	}
	b.set(time.Hour)
	if err := b.say(telemetry.DisposalBegun, ""); err != nil {
		t.Fatal(err)
	}
	got := b.drawn()
	if len(got) != 2 || got[1].Ended == nil || !got[1].Ended.Equal(begun.Add(time.Hour)) || got[0].Ended != nil {
		t.Errorf("drawn up are %+v, want the first with its end and the second without", got)
	}
}

func TestASummaryThatCouldNotBeWrittenIsTriedAgain(t *testing.T) {
	b := newBench(t)
	b.book.full = errors.New("no space left on device")
	b.housed(0)
	if got := b.drawn(); len(got) != 0 {
		t.Fatalf("with a full disk there is %+v", got)
	}
	b.book.full = nil
	b.set(2 * time.Hour)
	if got := b.drawn(); len(got) != 1 || got[0].Ended == nil {
		t.Errorf("with room again there is %+v, want the disposal that ended", got)
	}
}

// TestAfterALongRest: a daemon that is started again when the disposal is no longer among
// the samples that are fed again goes on from what was written of it.
func TestAfterALongRest(t *testing.T) {
	e := marrow(t)
	feed := func(h *judge.History, j *rules.Judge, at time.Time, kind telemetry.Kind, word string) {
		ev := telemetry.Event{At: at, Kind: kind, Subject: word}
		changes, err := j.Hear(ev)
		if err != nil {
			t.Fatal(err)
		}
		h.Changes(changes, j)
		h.Hear(ev)
	}
	for _, tt := range []struct {
		name string
		kept bool
	}{{"written before", true}, {"never written", false}} {
		t.Run(tt.name, func(t *testing.T) {
			j, err := rules.New(e)
			if err != nil {
				t.Fatal(err)
			}
			h, err := judge.NewHistory(e)
			if err != nil {
				t.Fatal(err)
			}
			feed(h, j, begun, telemetry.DisposalBegun, "")
			feed(h, j, begun.Add(time.Minute), telemetry.Confirmed, "fire-dropped")
			feed(h, j, begun.Add(time.Hour), telemetry.DisposalEnded, "")
			h.Changes(j.Advance(begun.Add(48*time.Hour)), j)
			ended, plugs := begun.Add(90*time.Minute), begun.Add(50*time.Minute)
			var kept []cooldown.Summary
			if tt.kept {
				kept = []cooldown.Summary{{
					Engine: e.ID, Begun: begun, Ended: &ended, HeatLoss: &cooldown.Rate{Value: 0.04}, Passed: cooldown.Passed{PlugsRemoved: &plugs},
				}}
			}
			h.Resume(kept, begun.Add(12*time.Hour))
			s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "ashlamp.db"))
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = s.Close() })
			b := benchOf(t, e, j, h, s, begun.Add(48*time.Hour))
			if !tt.kept {
				if got := b.drawn(); len(got) != 0 {
					t.Fatalf("nothing was recorded of it, and %+v is written", got)
				}
				return
			}
			for at := 48 * time.Hour; at < 73*time.Hour; at += 5 * time.Minute {
				now := begun.Add(at)
				b.clock.Set(now)
				b.loop.Samples(t.Context(), now, []telemetry.Sample{{Channel: telemetry.BoilerHumidity, At: now, Value: 30, Quality: telemetry.Good}})
				b.settle()
			}
			got := b.drawn()
			if len(got) != 1 || got[0].HeatLoss == nil || got[0].Passed.FireOut == nil || got[0].Passed.BarrelDry == nil || !got[0].Passed.PlugsRemoved.Equal(plugs) {
				t.Errorf("written is %+v, want what was there and the barrel dry", got)
			}
		})
	}
}
