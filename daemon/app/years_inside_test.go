package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/ingest"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

var firstEvening = time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)

func ofPressure() engine.Engine {
	return engine.Engine{
		ID: "quillet", WorkingPressure: 10, BoilerVolume: 400, BlowDownPipe: true, LayUp: telemetry.Dry, EmptiedBy: engine.Empty,
		Limits: limit.Defaults(10, 400),
		Channels: map[telemetry.Channel]engine.Channel{
			telemetry.BoilerPressure: {ID: telemetry.BoilerPressure, Uncertainty: 8000, Low: math.NaN(), High: math.NaN()},
		},
	}
}

// evenings fills a store with disposals of 8 hours, one every third day: a sample each
// 5 s of each channel, an outage of ten minutes in every other, and what was drawn up.
func evenings(t testing.TB, n int, channels ...telemetry.Channel) (*years, []string) {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "s.db"))
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(5, 6))
	var ids []string
	for i := range n {
		begun := firstEvening.Add(time.Duration(i) * 72 * time.Hour)
		ended := begun.Add(8 * time.Hour)
		out, zero := begun.Add(40*time.Minute), begun.Add(3*time.Hour)
		sum := cooldown.Summary{Engine: "quillet", Begun: begun, Ended: &ended, Passed: cooldown.Passed{FireOut: &out, PressureZero: &zero}}
		if i%7 != 3 {
			blow := begun.Add(time.Hour)
			sum.Passed.BlowDownBegun = &blow
		}
		body, err := json.Marshal(sum)
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, judge.DisposalID(begun))
		if err := s.PutSummary(t.Context(), "quillet", store.Summary{ID: ids[i], Begun: begun, Ended: ended, Body: body}); err != nil {
			t.Fatal(err)
		}
		for _, g := range []rules.Passage{{At: begun, Engine: "quillet", Event: passageBegun}, {At: ended, Engine: "quillet", Event: passageEnded}} {
			body, err := json.Marshal(g)
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Note(t.Context(), "quillet", []store.Entry{{At: g.At, Kind: judge.KindPassage, Body: body}}); err != nil {
				t.Fatal(err)
			}
		}
		var bs []ingest.Batch
		for k := 0; k < 8*720; k++ {
			if i%2 == 1 && k >= 1200 && k < 1320 {
				continue
			}
			at := begun.Add(time.Duration(k)*5*time.Second + time.Duration(r.IntN(20_000))*time.Microsecond)
			b := ingest.Batch{Engine: "quillet", Node: "cab", Received: at}
			for c, ch := range channels {
				v := 9e5*math.Exp(-float64(k)/1500)*float64(1+c) + 300*r.NormFloat64()
				b.Samples = append(b.Samples, telemetry.Sample{Channel: ch, At: at, Value: math.Round(v), Quality: telemetry.Good})
			}
			bs = append(bs, b)
		}
		if _, err := s.Append(t.Context(), bs); err != nil {
			t.Fatal(err)
		}
	}
	now := firstEvening.Add(time.Duration(n) * 72 * time.Hour)
	y := newYears(s, []engine.Engine{ofPressure()}, func() time.Time { return now }, slog.New(slog.DiscardHandler))
	t.Cleanup(func() {
		y.close()
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return y, ids
}

// TestCurvesBreakWhereNothingWasHeard: an outage is a null, not a line; what is known
// is told to a tenth of a millibar of a transducer good to 80.
func TestCurvesBreakWhereNothingWasHeard(t *testing.T) {
	y, ids := evenings(t, 2, telemetry.BoilerPressure)
	o, err := y.Overlay(t.Context(), "quillet", api.OverlayQuery{Channel: telemetry.BoilerPressure, Align: api.AlignPressureZero, Points: 1200, Disposals: []string{ids[1], ids[0]}})
	if err != nil {
		t.Fatal(err)
	}
	if o.Disposals[0].ID != ids[1] || o.Disposals[1].ID != ids[0] {
		t.Fatalf("they come as %s, %s; want them as they were asked for", o.Disposals[0].ID, o.Disposals[1].ID)
	}
	breaks := func(d message.OverlayDisposal) (at []float64) {
		for i, m := range d.Mean {
			if m == nil {
				at = append(at, d.S[i])
				continue
			}
			if math.Mod(*m, 100) != 0 {
				t.Fatalf("%g is not in hundreds of pascals", *m)
			}
		}
		return at
	}
	// Ten minutes from 1200 × 5 s after the beginning, 3 h before zero; the bucket of 24 s
	// in which it begins holds samples still.
	got := breaks(o.Disposals[0])
	if len(got) != 1 || math.Abs(got[0]-(6000-3*3600)) > 24 {
		t.Errorf("the curve with an outage breaks at %v s, want once at %d", got, 6000-3*3600)
	}
	if got := breaks(o.Disposals[1]); len(got) != 0 {
		t.Errorf("the curve without one breaks at %v", got)
	}
	if n := len(o.Disposals[1].S); n != 1200 {
		t.Errorf("8 hours are %d points, want 1200", n)
	}
	if first := o.Disposals[1].S[0]; first != 12-3*3600 {
		t.Errorf("the first point is %g s from zero, want the middle of its bucket, %d", first, 12-3*3600)
	}
}

// TestAnEveningWithoutTheMark: it says why, and is not laid by something else.
func TestAnEveningWithoutTheMark(t *testing.T) {
	y, ids := evenings(t, 4, telemetry.BoilerPressure)
	o, err := y.Overlay(t.Context(), "quillet", api.OverlayQuery{Channel: telemetry.BoilerPressure, Align: api.AlignBlowDown, Points: 100, Disposals: ids})
	if err != nil {
		t.Fatal(err)
	}
	for i, d := range o.Disposals {
		if without := i == 3; (d.At == nil) != without || (d.Why != "") != without {
			t.Errorf("%s: at %v, why %q", d.ID, d.At, d.Why)
		}
	}
	if d := o.Disposals[3]; d.S[0] < 0 {
		t.Errorf("without a mark it begins at %g s, want from its beginning on", d.S[0])
	}
}

// TestCurvesAreKeptWithinTheirMemory: what was asked for longest ago goes first.
func TestCurvesAreKeptWithinTheirMemory(t *testing.T) {
	of := func(n int) *curve { return &curve{s: make([]float64, n)} }
	key := func(i int) curveKey { return curveKey{disposal: fmt.Sprint(i)} }
	c := newCurves(3 * of(100).size())
	for i := range 3 {
		c.put(key(i), of(100))
	}
	c.get(key(0))
	c.put(key(3), of(100))
	for i, want := range []bool{true, false, true, true} {
		if got := c.get(key(i)) != nil; got != want {
			t.Errorf("curve %d is there: %v, want %v", i, got, want)
		}
	}
	if c.put(key(4), of(1000)); c.get(key(4)) != nil || c.size > c.most {
		t.Errorf("a curve that is larger than all may be was taken; %d of %d bytes", c.size, c.most)
	}
	if c.put(key(5), of(300)); c.size != of(300).size() || c.order.Len() != 1 || len(c.of) != 1 {
		t.Errorf("%d bytes in %d curves, want the newest alone", c.size, c.order.Len())
	}
}

// TestOneIsJudgedAgainAtATime: beside another it is refused, and with that over it is not.
func TestOneIsJudgedAgainAtATime(t *testing.T) {
	y, ids := evenings(t, 1, telemetry.BoilerPressure)
	y.reruns <- struct{}{}
	if _, err := y.Rerun(t.Context(), "quillet", ids[0], nil, func(float64) { t.Error("it tells a progress") }); !errors.Is(err, api.ErrBusy) {
		t.Fatalf("beside another: %v, want that it is busy", err)
	}
	<-y.reruns
	r, err := y.Rerun(t.Context(), "quillet", ids[0], nil, func(float64) {})
	if err != nil || len(r.Steps) == 0 {
		t.Fatalf("alone: %+v, %v", r, err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	_, err = y.Rerun(ctx, "quillet", ids[0], nil, func(float64) { cancel() })
	if !errors.Is(err, context.Canceled) || len(y.reruns) != 0 {
		t.Errorf("given up: %v with %d running, want it to end", err, len(y.reruns))
	}
	y.close()
	if _, err := y.Rerun(t.Context(), "quillet", ids[0], nil, func(float64) {}); !errors.Is(err, context.Canceled) {
		t.Errorf("after the daemon's end: %v", err)
	}
}

// TestAnEveningWithoutSamples: it is said, and nothing is judged.
func TestAnEveningWithoutSamples(t *testing.T) {
	y, ids := evenings(t, 1)
	if _, err := y.Rerun(t.Context(), "quillet", ids[0], nil, func(float64) { t.Error("it tells a progress") }); !errors.Is(err, api.ErrNothingKept) {
		t.Errorf("%v, want that nothing is kept", err)
	}
}

// TestABrokenBookIsTold: an entry that was changed in the file is found and named.
func TestABrokenBookIsTold(t *testing.T) {
	broken := &store.Broken{Engine: "quillet", Seq: 3, At: firstEvening, Kind: "verdict", Fault: store.Changed, What: "its content is not what its hash was made of"}
	c, err := chainOf(store.Chain{Engine: "quillet", Entries: 2}, fmt.Errorf("wrapped: %w", broken), firstEvening)
	if err != nil || c.State != "broken" || c.Broken == nil || c.Broken.Seq != 3 || c.Broken.Fault != "changed" || c.Broken.Why == "" || c.Entries != 2 || c.Text == "" {
		t.Errorf("%+v, %v", c, err)
	}
	if _, err := chainOf(store.Chain{}, context.Canceled, firstEvening); err == nil {
		t.Error("a book that was not gone through is called whole")
	}
}

// BenchmarkOverlay lays fifty evenings of 8 hours over each other at 1,200 points, read
// from the store, and again from what is kept; with its answer as JSON.
func BenchmarkOverlay(b *testing.B) {
	y, ids := evenings(b, 50, telemetry.BoilerPressure)
	q := api.OverlayQuery{Channel: telemetry.BoilerPressure, Align: api.AlignFireOut, Points: 1200, Disposals: ids}
	ask := func(b *testing.B, before func()) {
		var took []time.Duration
		size := 0
		for b.Loop() {
			before()
			began := time.Now()
			o, err := y.Overlay(b.Context(), "quillet", q)
			if err != nil {
				b.Fatal(err)
			}
			j, err := json.Marshal(o.Whole())
			if err != nil {
				b.Fatal(err)
			}
			took, size = append(took, time.Since(began)), len(j)
		}
		slices.Sort(took)
		b.ReportMetric(float64(took[len(took)*95/100].Milliseconds()), "p95-ms")
		b.ReportMetric(float64(size), "B")
	}
	b.Run("read", func(b *testing.B) { ask(b, func() { y.curves = newCurves(keptCurves) }) })
	b.Run("kept", func(b *testing.B) { ask(b, func() {}) })
}
