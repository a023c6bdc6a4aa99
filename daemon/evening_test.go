package main

import (
	"bytes"
	"context"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/config"
	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
	example "ashlamp/testdata/config"
)

var update = flag.Bool("update", false, "write the recordings and their expected verdicts anew")

// recordedAt is when the recorded evenings begin: a date that no clock comes near.
var recordedAt = time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)

// lamp is the judgement beside a simulated engine, at data speed: it hears what
// the node sends and what the crew says, and the crew reads its verdicts.
type lamp struct {
	t     *testing.T
	judge *rules.Judge
	now   map[string]verdict.Verdict
	// order is each step in the order in which it first became proven.
	order []string
	said  []telemetry.Event
}

func newLamp(t *testing.T, e engine.Engine) *lamp {
	t.Helper()
	j, err := rules.New(e)
	if err != nil {
		t.Fatal(err)
	}
	return &lamp{t: t, judge: j, now: map[string]verdict.Verdict{}}
}

func (l *lamp) take(changes []rules.Change) {
	for _, c := range changes {
		if c.Step == nil {
			continue
		}
		if c.Step.Verdict == verdict.Proven && !l.proven(c.Step.Step) {
			l.order = append(l.order, c.Step.Step)
		}
		l.now[c.Step.Step] = c.Step.Verdict
	}
}

func (l *lamp) proven(step string) bool {
	for _, s := range l.order {
		if s == step {
			return true
		}
	}
	return false
}

func (l *lamp) Verdict(step string) string { return l.now[step].String() }

func (l *lamp) Carry(_ context.Context, p node.Pack) error {
	l.take(l.judge.Samples(p.Sent, append([]telemetry.Sample(nil), p.Samples...)))
	return nil
}

func (l *lamp) Say(_ context.Context, e telemetry.Event) error {
	l.said = append(l.said, e)
	changes, err := l.judge.Hear(e)
	l.take(changes)
	return err
}

func exampleEngine(t *testing.T, id string) engine.Engine {
	t.Helper()
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range c.Engines {
		if e.ID == id {
			return e
		}
	}
	t.Fatalf("engine %s is not in the example", id)
	return engine.Engine{}
}

// play lets a simulated crew put an engine away by the lamp and returns the lamp.
func play(t *testing.T, e world.Engine, seed uint64, fault string, w io.Writer) *lamp {
	t.Helper()
	l := newLamp(t, exampleEngine(t, e.ID))
	e.Start = recordedAt
	err := node.Record(context.Background(), w, node.Recording{
		Engine: e, Seed: seed, Fault: fault, Lamp: l, Also: l,
		Intervals: node.Intervals{Pressure: 5 * time.Second, Temperature: 10 * time.Second, Tank: 30 * time.Second, Shed: 2 * time.Minute},
		Linger:    5 * time.Minute, Limit: 16 * time.Hour,
	})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func demoEngines() map[string]func() world.Engine {
	return map[string]func() world.Engine{"quillet": world.Quillet, "marrow": world.Marrow}
}

// TestAnEveningPassesFromFireInToHoused: by the crew's own eyes and the lamp, each
// step first not proven, then proven, in working order.
func TestAnEveningPassesFromFireInToHoused(t *testing.T) {
	for name, make := range demoEngines() {
		t.Run(name, func(t *testing.T) {
			l := play(t, make(), 1, "", io.Discard)
			want := []string{"drop-fire", "move-under-steam", "blow-down", "plugs-out", "house"}
			var got []string
			for _, s := range l.order {
				for _, w := range want {
					if s == w {
						got = append(got, s)
					}
				}
			}
			if strings.Join(got, " ") != strings.Join(want, " ") {
				t.Errorf("steps were proven in the order %v, want %v", got, want)
				for _, s := range l.judge.State().Steps {
					t.Logf("%s %s since %s", s.ID, s.Verdict, s.Since)
					for _, b := range s.Because {
						t.Logf("    %s %s: %s", b.Evidence, b.Verdict, b.Text)
					}
				}
				for _, e := range l.said {
					t.Logf("said %s %s %s", e.At.Format("15:04:05"), e.Kind, e.Subject)
				}
			}
			t.Logf("at the end %s", l.judge.Now())
		})
	}
}

// TestFaultsNeverProvePlugsOut holds the two faults of the demonstration.
func TestFaultsNeverProvePlugsOut(t *testing.T) {
	for name, make := range demoEngines() {
		for _, fault := range []string{"pressure-stuck", "cock-shut-early"} {
			for seed := range uint64(4) {
				l := play(t, make(), seed, fault, io.Discard)
				if l.proven("plugs-out") {
					t.Errorf("%s with %s, seed %d: plugs-out was proven", name, fault, seed)
				}
			}
		}
	}
}

// TestRecordedDisposal replays a recorded evening twice: the same bytes, and those
// that were looked at and kept.
func TestRecordedDisposal(t *testing.T) {
	recording := filepath.Join("..", "testdata", "disposals", "quillet-evening.ndjson")
	golden := filepath.Join("..", "testdata", "disposals", "quillet-evening.verdicts.ndjson")
	if *update {
		var b bytes.Buffer
		play(t, world.Quillet(), 1, "", &b)
		if err := os.WriteFile(recording, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	run := func() string {
		var out, errs bytes.Buffer
		code := dispatch(context.Background(), []string{"replay", "-c", filepath.Join("..", "testdata", "config", "fernhollow.toml"), "--engine", "quillet", recording}, strings.NewReader(""), &out, &errs)
		if code != exitDone || errs.Len() > 0 {
			t.Fatalf("replay: exit code %d, said %q; want 0 and nothing", code, errs.String())
		}
		return out.String()
	}
	first, second := run(), run()
	if first != second {
		t.Error("two replays of one recording differ")
	}
	if *update {
		if err := os.WriteFile(golden, []byte(first), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if first != string(want) {
		t.Errorf("the verdicts are not those that were kept; look at what differs, and if it is right write them anew with -update\n%s", firstDifference(first, string(want)))
	}
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return "got  " + g[i] + "\nwant " + w[i]
		}
	}
	return "one is longer than the other"
}
