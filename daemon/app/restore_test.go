package app_test

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
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
	"ashlamp/daemon/judge"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/page"
	"ashlamp/ingest/store"
	"ashlamp/rules/evidence"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
	example "ashlamp/testdata/config"
)

var arrival = time.Date(2031, 5, 4, 15, 30, 0, 0, time.UTC)

const engine = "marrow"

func shed(t *testing.T) config.Config {
	t.Helper()
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		t.Fatal(err)
	}
	c.Listen, c.Broker = "127.0.0.1:0", config.Broker{Listen: "127.0.0.1:0"}
	c.Buses, c.Wired = nil, nil // all comes over MQTT
	return c
}

func quiet(t *testing.T) *slog.Logger {
	return slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError}))
}

// evening is a disposal during which the daemon can die and start again; the engine
// and its crew go on.
type evening struct {
	t      *testing.T
	config config.Config
	clock  *clock.Stepped
	node   *node.Node

	data string
	app  *app.App // nil while there is none
	link *node.MQTT
	stop func()
}

func newEvening(t *testing.T) *evening {
	t.Helper()
	e := &evening{t: t, config: shed(t), clock: clock.NewStepped(arrival), data: t.TempDir()}
	props, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	m := world.Marrow()
	m.Start, m.Altitude = arrival, e.config.Shed.AltitudeM
	w, err := world.New(m, props, 7, e, e)
	if err != nil {
		t.Fatal(err)
	}
	e.node = node.New(w, e, node.Intervals{Pressure: 10 * time.Second, Temperature: 20 * time.Second, Tank: 30 * time.Second, Shed: time.Minute}, 7)
	e.node.Pace = func(ctx context.Context, date time.Time) error {
		e.clock.Set(date)
		return e.settle(ctx)
	}
	t.Cleanup(func() {
		if e.app != nil {
			e.stop() // the test's context has ended, and with it the daemon
		}
	})
	return e
}

func (e *evening) settle(ctx context.Context) error {
	if e.app == nil {
		return nil
	}
	return e.app.Settle(ctx)
}

// open makes a daemon on the data folder as it is.
func (e *evening) open() *app.App {
	e.t.Helper()
	a, err := app.New(e.t.Context(), app.Options{
		Config: e.config, Data: e.data, Page: page.Files(), Clock: e.clock, Log: quiet(e.t), InStep: true,
	})
	if err != nil {
		e.t.Fatal(err)
	}
	return a
}

func (e *evening) start() {
	e.t.Helper()
	e.run(e.open())
}

func (e *evening) run(a *app.App) {
	e.t.Helper()
	ctx, cancel := context.WithCancel(e.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	link, err := node.DialMQTT(ctx, node.MQTTConfig{
		Broker: "tcp://" + a.Broker().String(), Shed: e.config.Shed.ID, Engine: engine, Node: "box", Now: e.clock.Now,
	})
	if err != nil {
		e.t.Fatal(err)
	}
	e.app, e.link = a, link
	e.stop = func() {
		cancel()
		if err := <-ended; err != nil {
			e.t.Errorf("the daemon ended with %v", err)
		}
	}
	if err := a.Settle(ctx); err != nil {
		e.t.Fatal(err)
	}
}

// die leaves the data folder as a daemon that was killed at this moment leaves it:
// what it writes while it stops goes elsewhere.
func (e *evening) die() {
	e.t.Helper()
	left := e.t.TempDir()
	for _, name := range []string{"ashlamp.db", "ashlamp.db-wal"} {
		b, err := os.ReadFile(filepath.Join(e.data, name))
		if err != nil {
			e.t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(left, name), b, 0o640); err != nil {
			e.t.Fatal(err)
		}
	}
	e.stop()
	e.data, e.app, e.link = left, nil, nil
}

// Carry implements [node.Carrier]: without a daemon what was measured is lost. The
// pack comes in the order in which the store gives it back: where one moment's
// samples come in another, a pipe may be seen to run a sample earlier or later.
func (e *evening) Carry(ctx context.Context, p node.Pack) error {
	if e.link == nil {
		return nil
	}
	slices.SortFunc(p.Samples, func(a, b telemetry.Sample) int { return cmp.Compare(a.Channel, b.Channel) })
	if err := e.link.Carry(ctx, p); err != nil {
		return err
	}
	return e.settle(ctx)
}

// Verdict implements the crew's lamp.
func (e *evening) Verdict(step string) string {
	if e.app == nil {
		return verdict.CannotTell.String()
	}
	for _, s := range e.state().Steps {
		if s.ID == step {
			return s.Verdict.String()
		}
	}
	return verdict.CannotTell.String()
}

// Say implements the crew's voice.
func (e *evening) Say(ctx context.Context, ev telemetry.Event) error {
	if e.app == nil {
		return fmt.Errorf("%s %s was said while there was no daemon", ev.Kind, ev.Subject)
	}
	_, err := e.app.Say().Say(ctx, engine, ev)
	return err
}

func (e *evening) state() message.State {
	e.t.Helper()
	s, ok := e.app.Hub().State(engine)
	if !ok {
		e.t.Fatalf("%s has no state", engine)
	}
	return s
}

func (e *evening) step() {
	e.t.Helper()
	if err := e.node.Step(e.t.Context()); err != nil {
		e.t.Fatal(err)
	}
}

// until steps until so, for some hours at most.
func (e *evening) until(what string, so func() bool) {
	e.t.Helper()
	for limit := e.clock.Now().Add(8 * time.Hour); !so(); e.step() {
		if e.clock.Now().After(limit) {
			e.t.Fatalf("gave up waiting: %s", what)
		}
	}
}

// essence is what a state says, without what is told to the pages only when they are
// next drawn: sentences, readings, and until when a word stands as things are.
func essence(t *testing.T, s message.State) string {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "%s, lay-up %s, in front %s\n", s.Phase, s.LayUp, s.Front)
	line := func(v any) {
		j, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s\n", j)
	}
	line(s.Disposal)
	for _, g := range s.Confirmations {
		g.Until = nil
		line(g)
	}
	for _, a := range s.Asks {
		line(a)
	}
	for _, st := range s.Steps {
		st.Because = slices.Clone(st.Because) // the state is shared
		for i := range st.Because {
			st.Because[i].Text = ""
		}
		line(st)
	}
	return b.String()
}

// turns are the verdicts of each step, each with the moment at which it came.
func turns(t *testing.T, data string) map[string][]string {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	out, now := map[string][]string{}, map[string]verdict.Verdict{}
	for e, err := range s.Book(t.Context(), engine, time.Time{}, time.Time{}, judge.KindVerdict) {
		if err != nil {
			t.Fatal(err)
		}
		var c verdict.Change
		if err := json.Unmarshal(e.Body, &c); err != nil {
			t.Fatal(err)
		}
		if was, ok := now[c.Step]; !ok || was != c.Verdict {
			now[c.Step] = c.Verdict
			out[c.Step] = append(out[c.Step], c.At.Format("15:04:05.000 ")+c.Verdict.String())
		}
	}
	return out
}

// lapsesAndPassages are the other findings in the book.
func lapsesAndPassages(t *testing.T, data string) []string {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	var out []string
	for e, err := range s.Book(t.Context(), engine, time.Time{}, time.Time{}, judge.KindLapsed, judge.KindPassage) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, string(e.Body))
	}
	return out
}

// rings are what the store has that is worth a ring, each with its moment.
func rings(t *testing.T, data string) (out []string) {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	ns, err := s.Notices(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range ns {
		out = append(out, fmt.Sprintf("%s %s %d %s", n.At.Format(time.TimeOnly), n.Cause, n.N, n.Turn))
	}
	return out
}

// TestADaemonThatDiesComesBackToTheSameJudgement: killed and started again every
// 13 minutes of an evening, the daemon knows each time what it knew, and the
// evening ends as one in which it never died, to the moment.
func TestADaemonThatDiesComesBackToTheSameJudgement(t *testing.T) {
	play := func(t *testing.T, deaths bool) (data string) {
		e := newEvening(t)
		e.start()
		died := 0
		next := arrival.Add(13 * time.Minute)
		e.until("the engine to be housed", func() bool {
			if deaths && !e.clock.Now().Before(next) {
				next = next.Add(13 * time.Minute)
				was := essence(t, e.state())
				e.die()
				a := e.open()
				s, _ := a.Hub().State(engine)
				if is := essence(t, s); is != was {
					a.Close()
					t.Fatalf("%s: it comes back to something else\nwas %s\nis  %s", e.clock.Now().Format("15:04:05"), was, is)
				}
				e.run(a)
				died++
			}
			return e.node.World.Home()
		})
		e.die()
		t.Logf("%d deaths until %s", died, e.clock.Now().Format("15:04:05"))
		return e.data
	}
	want, got := play(t, false), play(t, true)
	a, b := turns(t, want), turns(t, got)
	for step := range a {
		if x, y := strings.Join(a[step], ", "), strings.Join(b[step], ", "); x != y {
			t.Errorf("%s:\nnever died %s\ndied       %s", step, x, y)
		}
	}
	if x, y := strings.Join(rings(t, want), "\n"), strings.Join(rings(t, got), "\n"); x != y || !strings.Contains(x, "/cool-enough/") || !strings.Contains(x, "/ready/") {
		t.Errorf("what it rings for differs, or is not all:\nnever died\n%s\ndied\n%s", x, y)
	} else {
		t.Logf("it rang for\n%s", x)
	}
	if x, y := lapsesAndPassages(t, want), lapsesAndPassages(t, got); strings.Join(x, "\n") != strings.Join(y, "\n") {
		t.Errorf("lapses and passages differ:\nnever died\n%s\ndied\n%s", strings.Join(x, "\n"), strings.Join(y, "\n"))
	}
	if n := len(a["house"]); n == 0 || !strings.HasSuffix(a["house"][n-1], "proven") {
		t.Errorf("house was %v; the evening did not come to its end", a["house"])
	}
}

func because(s message.State, step, ev string) message.Reason {
	for _, st := range s.Steps {
		for _, r := range st.Because {
			if st.ID == step && r.Evidence == ev {
				return r
			}
		}
	}
	return message.Reason{}
}

// TestAfterAGapWordsStandAndHoldsBeginAnew: the daemon dies as the plugs are proven
// to be ready, and is away for longer than a hold.
func TestAfterAGapWordsStandAndHoldsBeginAnew(t *testing.T) {
	const away = 6 * time.Minute
	e := newEvening(t)
	e.start()
	e.until("plugs-out to be proven", func() bool { return e.Verdict("plugs-out") == "proven" })
	before := e.state()
	e.die()
	died := e.clock.Now()
	e.until("the gap to pass", func() bool { return e.clock.Now().Sub(died) >= away })

	a := e.open()
	back, _ := a.Hub().State(engine)
	a.Close()
	for _, st := range back.Steps {
		if st.Verdict == verdict.Proven {
			t.Errorf("%s is proven %s after the last sample", st.ID, away)
		}
		for _, r := range st.Because {
			if r.Evidence != "barrel-dry" && r.Evidence != "air-clear" && evidence.Borne(r.Evidence) && r.Verdict != verdict.CannotTell {
				t.Errorf("%s of %s is %s %s after the last sample: %s", r.Evidence, st.ID, r.Verdict, away, r.Text)
			}
		}
	}
	stands := map[string]bool{}
	for _, g := range back.Confirmations {
		stands[g.Confirm] = true
	}
	for _, g := range before.Confirmations {
		lapsed := g.Until != nil && !g.Until.After(e.clock.Now())
		if stands[g.Confirm] == lapsed {
			t.Errorf("%s stood until %v; after the gap it stands: %v", g.Confirm, g.Until, stands[g.Confirm])
		}
	}
	if back.Disposal == nil || before.Disposal == nil || back.Disposal.ID != before.Disposal.ID || back.Disposal.Ended != nil {
		t.Errorf("the disposal was %+v and is %+v", before.Disposal, back.Disposal)
	}

	e.start()
	e.step()
	first := e.clock.Now()
	e.until("the empty boiler to be known", func() bool {
		return because(e.state(), "plugs-out", "nothing-left-to-boil").Verdict == verdict.Proven
	})
	if d, want := e.clock.Now().Sub(first), e.limit(limit.Hold); d > want+25*time.Second {
		t.Errorf("that the boiler was seen to run empty was known again %s after the first sample, want the hold of the empty glass, %s", d, want)
	}
	hold := e.limit(limit.ZeroHold)
	e.until("pressure-zero to be proven again", func() bool {
		return because(e.state(), "plugs-out", "pressure-zero").Verdict == verdict.Proven
	})
	if d := e.clock.Now().Sub(first); d < hold || d > hold+25*time.Second {
		t.Errorf("pressure-zero was proven %s after the first sample, want its hold of %s", d, hold)
	}
	if e.Verdict("plugs-out") != "proven" {
		t.Errorf("plugs-out is %s: %+v", e.Verdict("plugs-out"), e.state().Steps[3].Because)
	}
}

func (e *evening) limit(k limit.Key) time.Duration {
	e.t.Helper()
	for _, x := range e.config.Engines {
		if x.ID == engine {
			return time.Duration(x.Limits.At(k) * float64(time.Second))
		}
	}
	e.t.Fatalf("%s is not in the example", engine)
	return 0
}

// TestWhatWasStoredAndNeverJudgedIsWrittenDown: samples that are on disk when the
// daemon dies before it judged them bring a lapse; it is in the book afterwards.
func TestWhatWasStoredAndNeverJudgedIsWrittenDown(t *testing.T) {
	e := newEvening(t)
	e.start()
	e.until("the crew to have said something", func() bool { return len(e.state().Confirmations) > 0 })
	if _, err := e.app.Say().Say(t.Context(), engine, telemetry.Event{Kind: telemetry.Confirmed, Subject: "people-clear", By: "T. Oxley"}); err != nil {
		t.Fatal(err)
	}
	e.die()
	said := e.clock.Now()
	e.clock.Set(said.Add(time.Hour))
	had := len(lapsesAndPassages(t, e.data))
	e.start()
	found := lapsesAndPassages(t, e.data)[had:]
	want := fmt.Sprintf(`"t":%q,"engine":"marrow","confirm":"people-clear"`, said.Add(10*time.Minute).Format(time.RFC3339))
	for _, l := range found {
		if strings.Contains(l, want) {
			return
		}
	}
	t.Errorf("a word lapsed while there was no daemon; the book has %v, want one with %s", found, want)
}

func (e *evening) alarm(watch string) message.Alarm {
	for _, a := range e.state().Alarms {
		if a.Watch == watch {
			return a
		}
	}
	return message.Alarm{State: "normal"}
}

func (e *evening) say(ev telemetry.Event) {
	e.t.Helper()
	ev.By = "T. Oxley"
	if _, err := e.app.Say().Say(e.t.Context(), engine, ev); err != nil {
		e.t.Fatal(err)
	}
	if err := e.app.Settle(e.t.Context()); err != nil {
		e.t.Fatal(err)
	}
}

// TestAlarmsAndWordsOutlastWhatIsJudgedAgain: the daemon is away for longer than the
// span of samples that a restart judges again, so that what it kept must carry them.
func TestAlarmsAndWordsOutlastWhatIsJudgedAgain(t *testing.T) {
	for _, c := range []struct {
		name string
		// does is done to the alarm of the silent node before the daemon dies.
		does func(e *evening)
		want string
	}{
		{"acknowledged", func(e *evening) {
			e.say(telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "node-lost"})
		}, "acknowledged"},
		{"nobody did anything", func(*evening) {}, "unacknowledged"},
		{"its node put away", func(e *evening) {
			e.say(telemetry.Event{Kind: telemetry.NodePutAway, Subject: "box"})
		}, "out-of-service"},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := newEvening(t)
			e.start()
			for range 30 {
				e.step()
			}
			for limit := e.clock.Now().Add(time.Hour); e.alarm("node-lost").State != "unacknowledged"; {
				if e.clock.Now().After(limit) {
					t.Fatal("the silent node is not told")
				}
				e.clock.Set(e.clock.Now().Add(10 * time.Second))
				if err := e.app.Settle(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			e.say(telemetry.Event{Kind: telemetry.RepairBooked, Subject: "left clack weeps"})
			wanted := e.clock.Now().AddDate(0, 2, 0).Truncate(time.Hour)
			e.say(telemetry.Event{Kind: telemetry.NextWanted, Until: wanted})
			c.does(e)
			was := e.alarm("node-lost")
			if was.State != c.want {
				t.Fatalf("node-lost is %s before the daemon dies, want %s", was.State, c.want)
			}
			e.die()
			e.clock.Set(e.clock.Now().AddDate(0, 0, 21))
			e.start()
			is := e.alarm("node-lost")
			if is.State != was.State || is.By != was.By || is.Priority != was.Priority || !is.T.Equal(was.T) {
				t.Errorf("three weeks later node-lost is %s %s by %q since %s, was %s %s by %q since %s",
					is.State, is.Priority, is.By, is.T, was.State, was.Priority, was.By, was.T)
			}
			r := e.state().Rest
			if !slices.Contains(r.Repairs, "left clack weeps") || r.Wanted == nil || !r.Wanted.Equal(wanted) {
				t.Errorf("three weeks later repairs are %v and it is wanted %v, want what was said", r.Repairs, r.Wanted)
			}
		})
	}
}

// TestWhatCameAndWentIsNotForgotten: carbon monoxide rose and fell, and nobody has
// acknowledged it; weeks later no sample tells of it any more.
func TestWhatCameAndWentIsNotForgotten(t *testing.T) {
	e := newEvening(t)
	e.start()
	e.step()
	for minute := range 20 {
		ratio := 130e-6
		if minute >= 5 {
			ratio = 0
		}
		e.clock.Set(e.clock.Now().Add(time.Minute))
		if err := e.Carry(t.Context(), node.Pack{Shed: true, Sent: e.clock.Now(), Samples: []telemetry.Sample{
			{Channel: telemetry.AmbientCO, At: e.clock.Now(), Value: ratio, Quality: telemetry.Good},
		}}); err != nil {
			t.Fatal(err)
		}
	}
	was := e.alarm("co")
	if was.State != "returned-unacknowledged" {
		t.Fatalf("co is %+v before the daemon dies, want returned-unacknowledged", was)
	}
	e.die()
	e.clock.Set(e.clock.Now().AddDate(0, 0, 21))
	e.start()
	if is := e.alarm("co"); is.State != was.State || is.Priority != was.Priority || !is.T.Equal(was.T) {
		t.Errorf("three weeks later co is %s %s since %s, was %s %s since %s", is.State, is.Priority, is.T, was.State, was.Priority, was.T)
	}
	e.say(telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "co"})
	e.die()
	e.start()
	if is := e.alarm("co"); is.State != "normal" {
		t.Errorf("acknowledged, killed and started again, co is %s, want normal", is.State)
	}
}
