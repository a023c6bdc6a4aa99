package main

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/setup"
	"ashlamp/daemon/stage"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/page"
	"ashlamp/ingest"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// errSeen ends an evening of which enough was seen.
var errSeen = errors.New("enough was seen")

// TestTheThirdEngineAddsNothing: that Osier stands in steam and nobody sets it up changes
// no verdict on the two others, in nothing and at no moment.
func TestTheThirdEngineAddsNothing(t *testing.T) {
	t.Parallel()
	seen := func(engines []stage.Engine) map[string][]verdict.Change {
		p := prepare(t, shed(t, "", true), stage.Options{
			Engines: engines,
			Before: func(_ context.Context, date time.Time) error {
				if date.Sub(recordedAt) > 75*time.Minute {
					return errSeen
				}
				return nil
			},
		})
		ctx, stop := context.WithTimeout(t.Context(), patience)
		defer stop()
		daemon, end := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- p.app.Run(daemon) }()
		begun := time.Now()
		if err := p.stage.Run(ctx, p.app); !errors.Is(err, errSeen) {
			t.Fatalf("the stage: %v", err)
		}
		t.Logf("75 minutes of %d engines in %s", len(engines), time.Since(begun).Round(100*time.Millisecond))
		end()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		out := map[string][]verdict.Change{}
		for _, e := range []string{"quillet", "marrow", "osier"} {
			out[e] = verdicts(t, p.data, e)
		}
		return out
	}
	two, three := seen(stage.Example(1, "")), seen(stage.Demonstration(1, ""))
	for _, e := range []string{"quillet", "marrow"} {
		if len(two[e]) == 0 {
			t.Fatalf("%s: no verdict in 75 minutes", e)
		}
		if len(two[e]) != len(three[e]) {
			t.Errorf("%s: %d verdicts beside a third engine, want %d", e, len(three[e]), len(two[e]))
			continue
		}
		for i := range two[e] {
			if a, b := two[e][i], three[e][i]; !a.At.Equal(b.At) || a.Step != b.Step || a.Verdict != b.Verdict {
				t.Errorf("%s: verdict %d beside a third engine is %s %s at %s, want %s %s at %s", e, i, b.Step, b.Verdict, b.At, a.Step, a.Verdict, a.At)
			}
		}
	}
	if n := len(three["osier"]); n > 0 {
		t.Errorf("%d verdicts on an engine that nobody has set up", n)
	}
}

// TestTheDemonstrationIsSetUpAnew: an engine that stands there unknown is added to the
// configuration twenty minutes into the evening, and its channels after it. The daemon is
// replaced each time, in front of the same evening: no sample of the others is lost, and
// the third crew goes to work.
func TestTheDemonstrationIsSetUpAnew(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	path := filepath.Join(data, demoFile)
	c, err := demoConfig(path, "127.0.0.1:0", true)
	if err != nil {
		t.Fatal(err)
	}
	var logged bytes.Buffer
	log := slog.New(&quieter{slog.NewTextHandler(&logged, &slog.HandlerOptions{Level: slog.LevelWarn}), stage.Demonstration(1, "")})
	step := clock.NewStepped(recordedAt)
	var up *setup.Setup
	edits := 0
	edit := func(ctx context.Context, do func(s message.Setup) error) error {
		s, err := up.Setup(ctx)
		if err != nil {
			return err
		}
		edits++
		was := step.Now()
		if err := do(s); err != nil {
			return err
		}
		if !step.Now().Equal(was) {
			t.Errorf("the clock went from %s to %s while the daemon was replaced", was, step.Now())
		}
		return nil
	}
	bar, litres, tanks, pipe, dry, empty := 9.0, 250.0, 2, true, "dry", "empty"
	engine := func(p message.SetupEnginePut) func(message.Setup) error {
		return func(s message.Setup) error {
			p.Hash = s.File.Hash
			return up.PutEngine(t.Context(), "osier", p)
		}
	}
	before := func(ctx context.Context, date time.Time) error {
		switch since := date.Sub(recordedAt); {
		case since > 20*time.Minute && edits == 0:
			s, err := up.Setup(ctx)
			if err != nil {
				return err
			}
			if i := slices.IndexFunc(s.Nodes, func(n message.SetupNode) bool { return n.ID == "osier-box" }); i < 0 || len(s.Nodes[i].Sends) < 8 || s.Nodes[i].Sends[0].Taken {
				t.Errorf("the third engine is not heard as a node without an engine: %+v", s.Nodes)
			}
			if len(s.Buses) != 1 || len(s.Buses[0].Devices) != 6 {
				t.Errorf("the simulated board is seen as %+v, want one bus with six chips", s.Buses)
			}
			return edit(ctx, engine(message.SetupEnginePut{WorkingPressureBar: &bar, BoilerVolumeL: &litres, Tanks: &tanks, BlowDownPipe: &pipe, LayUp: &dry, EmptiedBy: &empty}))
		case since > 25*time.Minute && edits == 1:
			if v := verdicts(t, data, "osier"); slices.ContainsFunc(v, func(c verdict.Change) bool { return c.Verdict == verdict.Proven }) || len(v) == 0 {
				t.Errorf("an engine that has no channels yet was judged as %+v, want verdicts and none proven", v)
			}
			p := message.SetupEnginePut{Limits: map[string]float64{"blow_down_min_bar": 0.5, "blow_down_max_bar": 2.5, "blow_down_bore_mm": 24}}
			for _, id := range []telemetry.Channel{
				telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.BoilerLevel, telemetry.Firebox,
				telemetry.Smokebox, telemetry.BlowdownPipe, telemetry.TankLeft, telemetry.TankRight,
			} {
				set := message.SetupChannelSet{}
				if id == telemetry.BoilerPressure {
					u := 0.06e5
					set.Uncertainty = &u
				}
				p.Channels = append(p.Channels, message.SetupChannelAs{ID: string(id), Set: set})
			}
			return edit(ctx, engine(p))
		case since > 90*time.Minute:
			return errSeen
		}
		return nil
	}
	s, err := stage.New(c, stage.Options{Clock: step, Engines: stage.Demonstration(1, ""), Before: before, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	runs := 0
	if up, err = setup.Open(setup.Options{
		Path: path, Data: data, Page: page.Files(), Clock: step, Log: log, Random: random,
		OpenBuses: s.OpenBuses, Machine: setup.Machine{Buses: s.BusNames, Open: s.OpenBus}, InStep: true,
		Runs: func(ctx context.Context, a *app.App, c config.Config) {
			runs++
			s.Face(ctx, a, c)
		},
	}); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), patience)
	defer stop()
	daemon, end := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- up.Run(daemon) }()
	if err := s.Play(ctx); !errors.Is(err, errSeen) {
		t.Errorf("the stage: %v", err)
	}
	end()
	if err := <-ended; err != nil {
		t.Errorf("the daemon: %v", err)
	}
	if runs != 3 {
		t.Errorf("the daemon was made %d times, want 3: as it was, and for each edit", runs)
	}
	if text := logged.String(); strings.Contains(text, ingest.UnknownEngine) {
		t.Errorf("the log is filled by what the demonstration brings about itself:\n%s", text)
	}
	kept, err := os.ReadFile(path)
	if err != nil || !bytes.Contains(kept, []byte(`id = "osier"`)) || !bytes.Contains(kept, []byte("# A node that speaks something else is mapped")) {
		t.Errorf("the file that was edited: %v\n%s", err, kept)
	}
	var proven []string
	for _, c := range verdicts(t, data, "osier") {
		if c.Verdict == verdict.Proven && !slices.Contains(proven, c.Step) {
			proven = append(proven, c.Step)
		}
	}
	if want := []string{"drop-fire", "move-under-steam", "blow-down"}; !slices.Equal(proven[:min(3, len(proven))], want) {
		t.Errorf("of the third engine were proven %v, want %v first", proven, want)
	}
	book, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = book.Close() }()
	// The crew waited for what the steps need, not for a name.
	for e, err := range book.Book(t.Context(), "osier", time.Time{}, time.Time{}, telemetry.DisposalBegun.String()) {
		if err != nil {
			t.Fatal(err)
		}
		if since := e.At.Sub(recordedAt); since < 25*time.Minute || since > 26*time.Minute {
			t.Errorf("the third crew began %s into the evening, want at once after its channels were given", since)
		}
	}
	// The node sends again what was not acknowledged; the pollers begin a round anew.
	for engine, most := range map[string]time.Duration{"quillet": 2 * time.Second, "marrow": 4 * time.Second} {
		var last time.Time
		n := 0
		for x, err := range book.Samples(t.Context(), engine, telemetry.BoilerPressure, time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			if gap := x.At.Sub(last); n > 0 && (gap > most || gap <= 0) {
				t.Errorf("%s: the pressure of %s comes %s after the one before it, want at most %s", engine, x.At, gap, most)
			}
			last = x.At
			n++
		}
		if n < 90*60/4 {
			t.Errorf("%s: %d samples in 90 minutes", engine, n)
		}
	}
}

func TestTheDemonstrationsConfiguration(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "new", demoFile)
	c, err := demoConfig(path, "127.0.0.1:8099", false)
	if err != nil {
		t.Fatal(err)
	}
	if c.Listen != "127.0.0.1:8099" || c.Broker.Listen == config.DefaultBroker || len(c.Engines) != 2 {
		t.Errorf("an empty folder: %s, %+v, %d engines; want the example's at the given page, with a broker at a port of its own", c.Listen, c.Broker, len(c.Engines))
	}
	text, err := os.ReadFile(path)
	if err != nil || !bytes.Contains(text, []byte("# The shed of the Fernhollow Light Railway")) {
		t.Fatalf("the file: %v\n%s", err, text)
	}
	again, err := demoConfig(path, config.DefaultListen, false)
	if now, _ := os.ReadFile(path); err != nil || again.Listen != c.Listen || again.Broker != c.Broker || !bytes.Equal(now, text) {
		t.Errorf("started again: %s, %+v, %v; want the file as it was", again.Listen, again.Broker, err)
	}
	if moved, err := demoConfig(path, "127.0.0.1:8098", true); err != nil || moved.Listen != "127.0.0.1:8098" {
		t.Errorf("another address of the page: %s, %v", moved.Listen, err)
	}
	if err := os.WriteFile(path, []byte("[shed]\nid = 3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var faults config.Faults
	if _, err := demoConfig(path, config.DefaultListen, false); !errors.As(err, &faults) {
		t.Errorf("a wrong file: %v, want its faults", err)
	}
}

func TestFarewell(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		home, standing []string
		want           string
	}{
		{[]string{"Quillet", "Marrow"}, []string{"Osier"}, "Quillet and Marrow are housed and the night is over; the clock stands. Start again for another evening. Osier still stands in steam: nobody has set it up."},
		{[]string{"Quillet", "Marrow", "Osier"}, nil, "Quillet, Marrow and Osier are housed and the night is over; the clock stands. Start again for another evening."},
		{[]string{"Marrow"}, nil, "Marrow is housed and the night is over; the clock stands. Start again for another evening."},
	} {
		if got := farewell(c.home, c.standing); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}
