package watch_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/watch"
)

var t0 = track.Of(time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC))

func get(t testing.TB, id string) watch.Declaration {
	t.Helper()
	for _, d := range watch.Table() {
		if d.ID == id {
			return d
		}
	}
	t.Fatalf("watch %q is not declared", id)
	return watch.Declaration{}
}

// known is an engine of 10 bar with two tanks of which nothing is measured.
func known(edit ...func(*watch.Known)) *watch.Known {
	k := &watch.Known{
		Engine: engine.Engine{ID: "quillet", WorkingPressure: 10, BoilerVolume: 400, Tanks: 2, Limits: limit.Defaults(10, 400)},
		Phase:  disposal.InSteam, LayUp: telemetry.Dry,
	}
	for _, f := range edit {
		f(k)
	}
	return k
}

func r(v, u float64) watch.Reading { return watch.Reading{Value: v, U: u, Known: true} }

func doubtful(v, u float64) watch.Reading { return watch.Reading{Value: v, U: u, Doubtful: true} }

// dropped lets the fire go an hour before t0, and pressure then fall to a lowest.
func dropped(lowBar float64) func(*watch.Known) {
	return func(k *watch.Known) {
		k.Fire, k.Phase = watch.FireOut, disposal.FireDropped
		k.Marks.FireOut(t0.Add(-3600))
		for i := range 5 {
			k.Marks.Pressure(t0.Add(-3000+float64(i)), lowBar*1e5)
		}
	}
}

func TestConditions(t *testing.T) {
	nan := math.NaN()
	pressure := func(bar, u float64) func(*watch.Known) {
		return func(k *watch.Known) { k.Pressure = r(bar*1e5, u*1e5) }
	}
	level := func(v, u float64) func(*watch.Known) { return func(k *watch.Known) { k.Level = r(v, u) } }
	phase := func(p disposal.Phase) func(*watch.Known) { return func(k *watch.Known) { k.Phase = p } }
	layUp := func(l telemetry.LayUp) func(*watch.Known) { return func(k *watch.Known) { k.LayUp = l } }
	tanks := func(l, r1 float64) func(*watch.Known) {
		return func(k *watch.Known) { k.TankLeft, k.TankRight = r(l, 0.02), r(r1, 0.02) }
	}
	ppm := func(v, u float64) func(*watch.Known) { return func(k *watch.Known) { k.CO = r(v*1e-6, u*1e-6) } }
	air := func(c, rh float64) func(*watch.Known) {
		return func(k *watch.Known) { k.Air, k.AirHumidity = r(c, 1), r(rh, 3) }
	}
	shells := func(tC ...float64) func(*watch.Known) {
		return func(k *watch.Known) {
			for _, c := range tC {
				k.Shells = append(k.Shells, watch.Shell{Reading: r(c, 2.5)})
			}
		}
	}
	rates := func(kph ...float64) func(*watch.Known) {
		return func(k *watch.Known) {
			for _, c := range kph {
				k.Shells = append(k.Shells, watch.Shell{Reading: r(90, 2.5), Rate: r(c, 3)})
			}
		}
	}
	owner := func(key limit.Key, v float64) func(*watch.Known) {
		return func(k *watch.Known) { k.Engine.Limits[key] = v }
	}
	firebox := func(c float64) func(*watch.Known) { return func(k *watch.Known) { k.Firebox = r(c, 5) } }
	plugs := func(k *watch.Known) { k.PlugsRemoved = true }
	lit := func(k *watch.Known) { k.SaidLit, k.Fire = true, watch.FireIn }
	relit := func(k *watch.Known) { k.Fire = watch.FireRelit; k.Marks.Relit(150) }
	out := func(k *watch.Known) { k.Fire = watch.FireOut }
	found := func(fs ...health.Finding) func(*watch.Known) {
		return func(k *watch.Known) { k.Findings = append(k.Findings, fs...) }
	}
	stale := func(c telemetry.Channel, ago float64) health.Finding {
		return health.Finding{Channel: c, Kind: health.Stale, Since: t0.Add(-ago), Text: "Stale."}
	}
	type edits = []func(*watch.Known)
	for _, c := range []struct {
		name, watch string
		k           edits
		want        string // condition and priority, or "suppressed"
	}{
		// Over-pressure: 10.5 bar, as soon as it may be.
		{"at working pressure", "over-pressure", edits{pressure(10, 0.08)}, "clear high"},
		{"in the deadband", "over-pressure", edits{pressure(10.11, 0.08)}, "between high"},
		{"a step under with its uncertainty", "over-pressure", edits{pressure(10.41, 0.08)}, "between high"},
		{"at the limit with its uncertainty", "over-pressure", edits{pressure(10.42, 0.08)}, "holding high"},
		{"not measured", "over-pressure", nil, "unknown high"},
		{"not a number", "over-pressure", edits{pressure(nan, 0.08)}, "unknown high"},
		{"a doubtful reading may raise it", "over-pressure", edits{func(k *watch.Known) { k.Pressure = doubtful(11e5, 8e3) }}, "holding high"},
		{"a doubtful reading does not clear it", "over-pressure", edits{func(k *watch.Known) { k.Pressure = doubtful(5e5, 8e3) }}, "unknown high"},

		{"water over the limit", "water-low", edits{level(0.31, 0.03)}, "clear high"},
		{"water in the deadband", "water-low", edits{level(0.26, 0.03)}, "between high"},
		{"water at the limit with its uncertainty", "water-low", edits{level(0.23, 0.03)}, "holding high"},
		{"a doubtful low glass", "water-low", edits{func(k *watch.Known) { k.Level = doubtful(0, 0.03) }}, "holding high"},
		{"no water and the fire dropped", "water-low", edits{level(0, 0.03), out, phase(disposal.BlowingDown)}, "suppressed"},
		{"no water and laid up", "water-low", edits{level(0, 0.03), phase(disposal.LaidUp)}, "suppressed"},
		{"no water while lighting up", "water-low", edits{level(0, 0.03), phase(disposal.LightingUp), lit}, "holding high"},
		{"no water and the fire came back", "water-low", edits{level(0, 0.03), phase(disposal.Emptied), relit}, "holding high"},

		{"plugs out and no fire", "lit-open", edits{plugs, firebox(90)}, "clear high"},
		{"plugs out and a fire said to be lit", "lit-open", edits{plugs, lit, firebox(20)}, "holding high"},
		{"plugs out and a fire seen again", "lit-open", edits{plugs, relit, firebox(200)}, "holding high"},
		{"plugs out and a firebox that only a fire explains", "lit-open", edits{plugs, firebox(500)}, "holding high"},
		{"plugs out and a firebox a step under", "lit-open", edits{plugs, firebox(499)}, "clear high"},
		{"plugs out and no firebox measured", "lit-open", edits{plugs}, "unknown high"},
		{"plugs in and a fire", "lit-open", edits{lit, firebox(900)}, "clear high"},

		{"fire out", "fire-relit", edits{out, firebox(120)}, "clear high"},
		{"fire out and not measured", "fire-relit", edits{out}, "unknown high"},
		{"fire seen", "fire-relit", edits{relit, firebox(155)}, "holding high"},
		{"fire seen, and not all gone", "fire-relit", edits{relit, firebox(141)}, "holding high"},
		{"fire seen, and gone again", "fire-relit", edits{relit, firebox(139)}, "clear high"},
		{"fire seen and the couple lost", "fire-relit", edits{relit}, "unknown high"},
		{"fire said to be lit", "fire-relit", edits{lit, firebox(600)}, "suppressed"},
		{"fire in", "fire-relit", edits{firebox(900)}, "suppressed"},

		{"half a bar over the lowest", "pressure-rising", edits{dropped(1), pressure(1.5, 0.08)}, "holding high"},
		{"a step under", "pressure-rising", edits{dropped(1), pressure(1.49, 0.08)}, "between high"},
		{"little over", "pressure-rising", edits{dropped(1), pressure(1.2, 0.08)}, "clear high"},
		{"in the first half hour", "pressure-rising", edits{dropped(1), pressure(3, 0.08), func(k *watch.Known) {
			k.Marks.FireOut(t0.Add(-1799))
			for range 3 {
				k.Marks.Pressure(t0.Add(-1700), 1e5)
			}
		}}, "clear high"},
		{"no pressure was seen since", "pressure-rising", edits{out, pressure(3, 0.08)}, "unknown high"},
		{"fire said to be lit", "pressure-rising", edits{dropped(1), pressure(4, 0.08), lit}, "suppressed"},
		{"with a fire seen again", "pressure-rising", edits{dropped(1), pressure(1.5, 0.08), func(k *watch.Known) { k.Fire = watch.FireRelit }}, "holding high"},

		{"at the limit of vacuum", "vacuum", edits{pressure(-0.10, 0.08)}, "holding medium"},
		{"a step under", "vacuum", edits{pressure(-0.099, 0.08)}, "between medium"},
		{"about zero", "vacuum", edits{pressure(-0.04, 0.08)}, "clear medium"},
		{"left shut with its water", "vacuum", edits{pressure(-0.6, 0.08), layUp(telemetry.Short), phase(disposal.Housed)}, "suppressed"},
		{"left shut with its water, and people at it", "vacuum", edits{pressure(-0.6, 0.08), layUp(telemetry.Short), phase(disposal.Cooling)}, "holding medium"},
		{"emptied and shut", "vacuum", edits{pressure(-0.3, 0.08), phase(disposal.LaidUp)}, "holding medium"},

		{"19 ppm", "co", edits{ppm(19, 3)}, "between low"},
		{"20 ppm advises", "co", edits{ppm(20, 3)}, "holding low"},
		{"46 ppm", "co", edits{ppm(46, 3)}, "holding low"},
		{"50 ppm within its uncertainty is urgent", "co", edits{ppm(47, 3)}, "holding medium"},
		{"96 ppm", "co", edits{ppm(96, 3)}, "holding medium"},
		{"100 ppm within its uncertainty presses to leave", "co", edits{ppm(97, 3)}, "holding high"},
		{"clean air", "co", edits{ppm(2, 3)}, "clear low"},
		{"doubtful 300 ppm", "co", edits{func(k *watch.Known) { k.CO = doubtful(300e-6, 3e-6) }}, "holding high"},
		{"not measured", "co", nil, "unknown low"},

		{"3 °C with water in the tanks", "frost", edits{air(3, 80), tanks(0.4, 0.4), phase(disposal.LaidUp)}, "holding medium"},
		{"3.1 °C", "frost", edits{air(3.1, 80), tanks(0.4, 0.4), phase(disposal.LaidUp)}, "between medium"},
		{"5 °C", "frost", edits{air(5, 80), tanks(0.4, 0.4), phase(disposal.LaidUp)}, "clear medium"},
		{"frost and all empty", "frost", edits{air(-5, 80), tanks(0, 0), level(0, 0.03), phase(disposal.LaidUp), func(k *watch.Known) { k.Emptied = true }}, "clear medium"},
		{"frost and plugs out", "frost", edits{air(-5, 80), tanks(0, 0), phase(disposal.LaidUp), plugs}, "clear medium"},
		{"frost, and nobody saw the boiler run empty", "frost", edits{air(-5, 80), tanks(0, 0), level(0, 0.03), phase(disposal.LaidUp)}, "holding medium"},
		{"frost over a boiler left full", "frost", edits{air(-5, 80), tanks(0, 0), level(0.6, 0.03), layUp(telemetry.Short), phase(disposal.Housed)}, "holding medium"},
		{"frost over an engine in steam", "frost", edits{air(-5, 80), tanks(0.5, 0.5), pressure(8, 0.08), shells(175, 175)}, "suppressed"},
		{"frost over an engine that stands cold and was never said to be anything", "frost", edits{air(-5, 80), level(0.6, 0.03), shells(2, 2)}, "holding medium"},
		{"frost, air not measured", "frost", edits{tanks(0.5, 0.5), phase(disposal.LaidUp)}, "unknown medium"},

		{"tanks 13 % apart", "tanks-unbalanced", edits{tanks(0.40, 0.53)}, "holding low"},
		{"tanks 12 % apart, within their uncertainty", "tanks-unbalanced", edits{tanks(0.40, 0.52)}, "between low"},
		{"tanks equal", "tanks-unbalanced", edits{tanks(0.4, 0.41)}, "clear low"},
		{"one tank not measured", "tanks-unbalanced", edits{func(k *watch.Known) { k.TankLeft = r(0.4, 0.02) }}, "unknown low"},
		{"an engine of one tank", "tanks-unbalanced", edits{func(k *watch.Known) { k.Engine.Tanks = 1 }, tanks(0.4, 0)}, "clear low"},

		// Air of 15 °C and 70 %RH has a dew point of 9.6 °C.
		{"metal 1 K over the dew point", "condensation", edits{air(15, 70), shells(10.5, 20), phase(disposal.LaidUp)}, "holding low"},
		{"metal 1.5 K over", "condensation", edits{air(15, 70), shells(11.1, 20), phase(disposal.LaidUp)}, "between low"},
		{"metal well over", "condensation", edits{air(15, 70), shells(13, 20), phase(disposal.LaidUp)}, "clear low"},
		{"not laid up", "condensation", edits{air(15, 70), shells(5, 5), phase(disposal.Cooling)}, "suppressed"},
		{"no shell measured", "condensation", edits{air(15, 70), phase(disposal.LaidUp)}, "unknown low"},
		{"humidity lost", "condensation", edits{shells(5, 5), phase(disposal.LaidUp), func(k *watch.Known) { k.Air = r(15, 1) }}, "unknown low"},

		{"no limit set", "cooling-too-fast", edits{rates(-300, -20)}, "suppressed"},
		{"faster than the owner's limit", "cooling-too-fast", edits{owner(limit.Cooling, 55), rates(-58.1, -20)}, "holding medium"},
		{"faster, within the uncertainty", "cooling-too-fast", edits{owner(limit.Cooling, 55), rates(-57, -20)}, "between medium"},
		{"slower", "cooling-too-fast", edits{owner(limit.Cooling, 55), rates(-30, -20)}, "clear medium"},
		{"warming", "cooling-too-fast", edits{owner(limit.Cooling, 55), rates(+90, +90)}, "clear medium"},
		{"one end not known", "cooling-too-fast", edits{owner(limit.Cooling, 55), rates(-30), shells(90)}, "unknown medium"},
		{"no limit set", "shell-spread", edits{shells(100, 20)}, "suppressed"},
		{"ends further apart", "shell-spread", edits{owner(limit.Spread, 40), shells(100, 56)}, "holding medium"},
		{"ends 43 K apart, within the uncertainty", "shell-spread", edits{owner(limit.Spread, 40), shells(100, 57)}, "between medium"},
		{"ends together", "shell-spread", edits{owner(limit.Spread, 40), shells(100, 95)}, "clear medium"},
		{"one end only", "shell-spread", edits{owner(limit.Spread, 40), shells(100)}, "unknown medium"},

		{"nothing found", "sensor-fault", nil, "clear low"},
		{"of the boiler", "sensor-fault", edits{found(health.Finding{Channel: telemetry.ShellTop, Kind: health.Detached, Text: "Off."})}, "holding medium"},
		{"of the shed", "sensor-fault", edits{found(health.Finding{Channel: telemetry.AmbientHumidity, Kind: health.Noisy, Text: "Noisy."})}, "holding low"},
		{"a channel just stale", "sensor-fault", edits{found(stale(telemetry.Firebox, 179))}, "clear low"},
		{"a channel long stale", "sensor-fault", edits{found(stale(telemetry.Firebox, 180))}, "holding medium"},
		{"a whole node silent is node-lost", "sensor-fault", edits{found(stale(telemetry.Firebox, 900), health.Finding{Node: "engine", Kind: health.NodeSilent, Text: "Silent."})}, "clear low"},
		{"a disagreement is none", "sensor-fault", edits{found(health.Finding{Channel: telemetry.ShellTop, Kind: health.Disagrees, Text: "X."})}, "clear low"},
		{"a disagreement", "sensors-disagree", edits{found(health.Finding{Channel: telemetry.ShellTop, Kind: health.Disagrees, Text: "X."})}, "holding medium"},
		{"a drift", "sensors-disagree", edits{found(health.Finding{Channel: telemetry.BoilerPressure, Kind: health.Drifting, Text: "X."})}, "holding medium"},

		{"silent", "node-lost", edits{found(health.Finding{Node: "shed", Kind: health.NodeSilent, Text: "Silent."})}, "holding medium"},
		{"said to be down", "node-lost", edits{func(k *watch.Known) { k.Nodes = []watch.Node{{ID: "q1", Up: true}, {ID: "q2"}} }}, "holding medium"},
		{"put away", "node-lost", edits{found(health.Finding{Node: "engine", Kind: health.NodeSilent}), func(k *watch.Known) { k.Nodes = []watch.Node{{ID: "q1", PutAway: true}} }}, "clear medium"},
		{"ahead", "clock-wrong", edits{found(health.Finding{Node: "engine", Kind: health.ClockAhead, Text: "Ahead."})}, "holding low"},
		{"two values for one time", "clock-wrong", edits{func(k *watch.Known) { k.ConflictAt = t0.Add(-599) }}, "holding low"},
		{"two values, ten minutes ago", "clock-wrong", edits{func(k *watch.Known) { k.ConflictAt = t0.Add(-600) }}, "clear low"},
		{"disk full", "store-trouble", edits{func(k *watch.Known) { k.Store = "the disk is full" }}, "holding medium"},
		{"kept", "store-trouble", nil, "clear medium"},
	} {
		t.Run(c.watch+"/"+c.name, func(t *testing.T) {
			d := get(t, c.watch)
			k := known(c.k...)
			in, until := d.Judge(k, t0, true)
			got := fmt.Sprint(in.Condition, " ", in.Priority)
			if in.Suppressed {
				got = "suppressed"
			}
			if got != c.want {
				t.Errorf("got %s (%q %q), want %s", got, in.Text, in.Why, c.want)
			}
			if in.Condition == alarm.Holding && in.Text == "" || in.Suppressed && in.Why == "" {
				t.Errorf("%s says nothing: %q, %q", got, in.Text, in.Why)
			}
			if until <= t0 {
				t.Errorf("until %v is not after now", until)
			}
			if quiet, _ := d.Judge(k, t0, false); quiet.Condition != in.Condition || quiet.Suppressed != in.Suppressed {
				t.Errorf("it depends on whether anybody asks")
			}
		})
	}
}

// contract are the watches that the outside contract names.
const contract = "pressure-rising over-pressure water-low fire-relit lit-open vacuum tanks-unbalanced frost condensation co sensor-fault sensors-disagree node-lost clock-wrong store-trouble cooling-too-fast shell-spread"

func TestEveryWatchOfTheContractIsWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, d := range watch.Table() {
		if seen[d.ID] {
			t.Errorf("%s is declared twice", d.ID)
		}
		seen[d.ID] = true
		for name, s := range map[string]string{"title": d.Title, "consequence": d.Consequence, "action": d.Action, "deadband": d.Deadband, "source": d.Source} {
			if s == "" {
				t.Errorf("%s has no %s", d.ID, name)
			}
			for _, no := range []string{"safe ", "all clear", "you may"} {
				if strings.Contains(strings.ToLower(s), no) {
					t.Errorf("%s of %s says %q", name, d.ID, s)
				}
			}
		}
		if !(d.RespondS > 0) || d.OnDelayS < 0 || d.OffDelayS <= 0 {
			t.Errorf("%s: respond %v, on-delay %v, off-delay %v", d.ID, d.RespondS, d.OnDelayS, d.OffDelayS)
		}
		if d.Priority == alarm.High && d.ShelfS > 3600 {
			t.Errorf("%s is high and may be shelved for %v s", d.ID, d.ShelfS)
		}
		if d.Priority == alarm.High && d.RespondS < d.OnDelayS {
			t.Errorf("%s: the delay of %v s leaves no time to act of %v s", d.ID, d.OnDelayS, d.RespondS)
		}
		if len(d.SuppressedIn) > 0 && d.SuppressedFor == "" {
			t.Errorf("%s is suppressed and does not say why", d.ID)
		}
		// Whatever is not known is neither told nor taken for well.
		in, _ := d.Judge(&watch.Known{}, t0, true)
		if in.Condition == alarm.Holding {
			t.Errorf("%s holds of an engine of which nothing is known: %q", d.ID, in.Text)
		}
	}
	for _, id := range strings.Fields(contract) {
		if !seen[id] {
			t.Errorf("%s of the contract is not declared", id)
		}
	}
	if len(seen) != len(strings.Fields(contract)) {
		t.Errorf("%d watches, the contract has %d", len(seen), len(strings.Fields(contract)))
	}
}

func TestMarksKnowTheLowest(t *testing.T) {
	var m watch.Marks
	m.Pressure(t0, 1e5)
	if _, ok := m.Lowest(); ok {
		t.Error("a lowest while the fire is in")
	}
	m.FireOut(t0)
	for i, bar := range []float64{5, 4.9, 4.8, -0.9, 4.7, 4.6, math.NaN(), 4.8} {
		m.Pressure(t0.Add(float64(i)), bar*1e5)
	}
	if low, ok := m.Lowest(); !ok || math.Abs(low-4.6e5) > 1 && math.Abs(low-4.7e5) > 1 {
		t.Errorf("lowest %v, want 4.6 or 4.7 bar and not the spike", low/1e5)
	}
	m.FireIn()
	if _, ok := m.Lowest(); ok || m.FireOutAt() != 0 {
		t.Error("a lowest after the fire was lit")
	}
}

func TestReadTellsDoubtful(t *testing.T) {
	u := func(float64) float64 { return 1 }
	tr := track.New(telemetry.BoilerPressure, 15)
	if got := watch.Read(nil, t0, u); got.Known || got.Doubtful {
		t.Errorf("no track gives %+v", got)
	}
	add := func(s float64, v float64, q telemetry.Quality) {
		tr.Add(telemetry.Sample{Channel: telemetry.BoilerPressure, At: t0.Add(s).Time(), Value: v, Quality: q, Reason: "x"})
	}
	add(0, 5, telemetry.Good)
	if got := watch.Read(tr, t0.Add(15), u); !got.Known || got.Value != 5 || got.U != 1 {
		t.Errorf("fresh and good gives %+v", got)
	}
	add(2, 9, telemetry.Uncertain)
	if got := watch.Read(tr, t0.Add(3), u); got.Known || !got.Doubtful || got.Value != 9 {
		t.Errorf("an uncertain one after it gives %+v", got)
	}
	if got := watch.Read(tr, t0.Add(17.1), u); got.Known || got.Doubtful {
		t.Errorf("too old gives %+v", got)
	}
	add(4, 6, telemetry.Good)
	if got := watch.Read(tr, t0.Add(5), u); !got.Known || got.Value != 6 {
		t.Errorf("good again gives %+v", got)
	}
}

// A vacuum that nobody lets out, until somebody opens the vent.
func ExampleBoard() {
	b, err := watch.NewBoard("quillet")
	if err != nil {
		fmt.Println(err)
		return
	}
	k := known()
	var out []alarm.Change
	for s := 0.0; s <= 600; s += 5 {
		k.Pressure = r(-20000, 8000)
		if s > 300 {
			k.Pressure = r(0, 8000)
		}
		out = b.Evaluate(k, t0.Add(s), out)
	}
	for _, c := range out {
		if c.Watch == "vacuum" {
			fmt.Println(c.At.Format("15:04:05"), c.State, c.Priority, c.Text)
		}
	}
	// Output:
	// 17:02:00 unacknowledged medium -0.20 bar in the boiler
	// 17:06:05 returned-unacknowledged medium 0.00 bar in the boiler
}

func BenchmarkEvaluate(bb *testing.B) {
	b, err := watch.NewBoard("quillet")
	if err != nil {
		bb.Fatal(err)
	}
	k := known(dropped(1), func(k *watch.Known) {
		k.Pressure, k.Level, k.Firebox, k.TankLeft, k.TankRight = r(1e5, 8e3), r(0.5, 0.03), r(200, 2.5), r(0.4, 0.02), r(0.4, 0.02)
		k.Air, k.AirHumidity, k.CO = r(12, 1), r(70, 3), r(2e-6, 3e-6)
		k.Shells = []watch.Shell{{Reading: r(110, 2.5), Rate: r(-10, 3)}, {Reading: r(110, 2.5), Rate: r(-10, 3)}}
	})
	at := t0
	var out []alarm.Change
	bb.ReportAllocs()
	for bb.Loop() {
		at = at.Add(2)
		out = b.Evaluate(k, at, out[:0])
	}
}
