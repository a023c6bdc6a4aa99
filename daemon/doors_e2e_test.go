package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/judge"
	"ashlamp/daemon/stage"
	"ashlamp/dashboard/page"
	"ashlamp/ingest/door/doortest"
	"ashlamp/ingest/store"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/world"
	example "ashlamp/testdata/config"
)

// patience is how long a test waits for what must come.
const patience = 5 * time.Minute

// shed returns the example's configuration with addresses that are free. Without a
// bus no channel is wired: what the example reads itself comes over MQTT as well.
func shed(t *testing.T, broker string, bus bool) config.Config {
	t.Helper()
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		t.Fatal(err)
	}
	c.Listen = "127.0.0.1:0"
	c.Broker = config.Broker{URL: broker}
	if broker == "" {
		c.Broker.Listen = "127.0.0.1:0"
	}
	if !bus {
		c.Buses, c.Wired = nil, nil
	}
	return c
}

// playing is a daemon in front of a stage, as a demonstration is.
type playing struct {
	config config.Config
	clock  *clock.Stepped
	stage  *stage.Stage
	app    *app.App
	data   string
}

func prepare(t *testing.T, c config.Config, o stage.Options) *playing {
	t.Helper()
	p := &playing{config: c, clock: clock.NewStepped(recordedAt), data: t.TempDir()}
	log := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))
	o.Clock, o.Log, o.Broker = p.clock, log, c.Broker.URL
	var err error
	if p.stage, err = stage.New(c, o); err != nil {
		t.Fatal(err)
	}
	if p.app, err = app.New(t.Context(), app.Options{
		Config: c, Data: p.data, Page: page.Files(), Clock: p.clock, Log: log, Buses: p.stage.Buses(), InStep: true,
	}); err != nil {
		t.Fatal(err)
	}
	return p
}

// run plays until the stage is done and the daemon has ended.
func (p *playing) run(t *testing.T) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	daemon, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- p.app.Run(daemon) }()
	if err := p.stage.Run(ctx, p.app); err != nil {
		t.Errorf("the stage: %v", err)
	}
	stop()
	if err := <-ended; err != nil {
		t.Errorf("the daemon: %v", err)
	}
}

// verdicts returns the verdicts of an engine's steps in the order in which the book
// of a daemon that has ended has them.
func verdicts(t *testing.T, data, engine string) []verdict.Change {
	t.Helper()
	s, err := store.Open(t.Context(), data+"/ashlamp.db", store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	var out []verdict.Change
	for e, err := range s.Book(t.Context(), engine, time.Time{}, time.Time{}, judge.KindVerdict) {
		if err != nil {
			t.Fatal(err)
		}
		var c verdict.Change
		if err := json.Unmarshal(e.Body, &c); err != nil {
			t.Fatalf("entry %d: %v", e.Seq, err)
		}
		out = append(out, c)
	}
	return out
}

// turn is a step that took another verdict.
type turn struct {
	at      time.Time
	verdict verdict.Verdict
}

// turns leaves out the entries at which only an evidence changed.
func turns(changes []verdict.Change) map[string][]turn {
	out := map[string][]turn{}
	for _, c := range changes {
		ts := out[c.Step]
		if len(ts) > 0 && ts[len(ts)-1].verdict == c.Verdict {
			continue
		}
		out[c.Step] = append(ts, turn{c.At, c.Verdict})
	}
	return out
}

func words(ts []turn) string {
	out := make([]string, len(ts))
	for i, t := range ts {
		out[i] = t.verdict.String()
	}
	return strings.Join(out, " ")
}

func timed(ts []turn) string {
	out := make([]string, len(ts))
	for i, t := range ts {
		out[i] = fmt.Sprintf("%s %s", t.at.Format("15:04:05"), t.verdict)
	}
	return strings.Join(out, ", ")
}

// TestSameDisposalThroughEachDoor: one engine, one crew and one seed, heard in three
// ways, as fast as it goes.
//
// Through either broker the samples are the same, and so is every verdict of every
// step and every evidence, with its moment. The bus reads at moments of its own, in
// steps of the converters: there each step must come to the same verdicts in the same
// order, from the first to the last, and twice the same.
func TestSameDisposalThroughEachDoor(t *testing.T) {
	const engine = "marrow"
	t.Parallel()
	play := func(t *testing.T, broker string, door stage.Door) []verdict.Change {
		p := prepare(t, shed(t, broker, door == stage.I2C), stage.Options{
			Engines: []stage.Engine{{World: world.Marrow(), Door: door, Seed: 7}}, Linger: 5 * time.Minute,
		})
		begun := time.Now()
		p.run(t)
		v := verdicts(t, p.data, engine)
		t.Logf("%s of the engine's time in %s; %d entries of verdicts", p.clock.Now().Sub(recordedAt).Round(time.Minute), time.Since(begun).Round(100*time.Millisecond), len(v))
		return v
	}
	var built, outside, bus, again []verdict.Change
	t.Run("built-in broker", func(t *testing.T) { built = play(t, "", stage.MQTT) })
	t.Run("outside broker", func(t *testing.T) {
		outside = play(t, doortest.StartMosquitto(t, "allow_anonymous true").URL(), stage.MQTT)
	})
	t.Run("bus", func(t *testing.T) { bus = play(t, "", stage.I2C) })
	t.Run("bus again", func(t *testing.T) { again = play(t, "", stage.I2C) })

	a, b, c := turns(built), turns(outside), turns(bus)
	for _, step := range []string{"drop-fire", "move-under-steam", "blow-down", "plugs-out", "open-smokebox", "drain-tanks", "house"} {
		if !strings.Contains(words(a[step]), "proven") {
			t.Errorf("%s was never proven: %s", step, timed(a[step]))
		}
	}
	for step := range a {
		if words(c[step]) != words(a[step]) {
			t.Errorf("%s: through the bus it was %s; over MQTT it was %s", step, timed(c[step]), timed(a[step]))
		}
	}
	if len(b) != len(a) || len(c) != len(a) {
		t.Errorf("%d, %d and %d steps were judged", len(a), len(b), len(c))
	}
	same(t, "built-in", built, "outside", outside)
	same(t, "bus", bus, "bus again", again)
}

// same compares two books' verdicts of steps and evidence with their moments. What
// one step came to within one moment counts as one entry, and sentences do not
// count: where a word runs out at the very moment of a sample, either may be judged
// first, and the last figure in a sentence with it.
func same(t *testing.T, a string, as []verdict.Change, b string, bs []verdict.Change) {
	t.Helper()
	as, bs = oneAMoment(as), oneAMoment(bs)
	for i := range min(len(as), len(bs)) {
		if x, y := line(t, as[i]), line(t, bs[i]); x != y {
			t.Errorf("entry %d differs:\n%s %s\n%s %s", i, a, x, b, y)
			return
		}
	}
	if len(as) != len(bs) {
		t.Errorf("%s has %d verdicts, %s %d", a, len(as), b, len(bs))
	}
}

// oneAMoment leaves the last entry of each step at each moment, without sentences, in
// order of time and step.
func oneAMoment(changes []verdict.Change) []verdict.Change {
	type key struct {
		at   int64
		step string
	}
	last := map[key]verdict.Change{}
	for _, c := range changes {
		c.Because = slices.Clone(c.Because)
		for i := range c.Because {
			c.Because[i].Text = ""
		}
		last[key{c.At.UnixMicro(), c.Step}] = c
	}
	out := slices.Collect(maps.Values(last))
	slices.SortFunc(out, func(x, y verdict.Change) int {
		return cmp.Or(x.At.Compare(y.At), strings.Compare(x.Step, y.Step))
	})
	return out
}

func line(t *testing.T, c verdict.Change) string {
	t.Helper()
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
