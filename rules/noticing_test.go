package rules_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/engine"
	"ashlamp/rules/notice"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// standing returns how the engine stands, rest and all.
func (v *evening) standing() *notice.Standing {
	v.t.Helper()
	var s notice.Standing
	v.judge.Standing(&s, true)
	return &s
}

// cold lets the boxes come under the limits to house by.
func (v *evening) cold() {
	v.ramp(telemetry.ShellTop, 118, 45, 7200)
	v.ramp(telemetry.ShellBottom, 118, 45, 7200)
	v.ramp(telemetry.Firebox, 200, 44, 7200)
	v.ramp(telemetry.Smokebox, 150, 45, 7200)
	v.run(10800)
}

func inWords(s *notice.Standing) string {
	var b strings.Builder
	for _, e := range s.Evidence {
		fmt.Fprintf(&b, "%s: %s, by word %v, given %v\n", e.Title, e.Verdict, e.Word, e.Given)
	}
	return b.String()
}

func TestCoolEnoughNamesWhatIsYetToBeConfirmed(t *testing.T) {
	v := newEvening(t, quillet())
	v.blownDown()
	v.say("cocks-run-dry", "smokebox-ajar")
	var l notice.Ledger
	if ns := l.Follow(v.standing()); len(ns) != 0 {
		t.Fatalf("told of a hot engine: %+v", ns)
	}
	v.cold()
	s := v.standing()
	ns := l.Follow(s)
	if len(ns) != 1 || ns[0].Kind != notice.CoolEnough || !slices.Equal(ns[0].Facts.Yet, []string{"Ash cleared", "Ash-pan slide shut"}) {
		t.Fatalf("told %+v of\n%s", ns, inWords(s))
	}
	v.say("ash-cleared", "ash-pan-shut")
	if ns := l.Follow(v.standing()); len(ns) != 1 || ns[0].Kind != notice.Ready || ns[0].Turn != notice.Began {
		t.Fatalf("all confirmed: told %+v", ns)
	}
	v.wait(20) // the transducer has said nothing for longer than counts
	ns = l.Follow(v.standing())
	if len(ns) != 2 || ns[0].Turn != notice.Over || ns[1].Turn != notice.Over || ns[0].Facts.Text != "Pressure zero: cannot be told now." {
		t.Fatalf("a channel is lost: told %+v", ns)
	}
	if len(s.Alarms) > 0 && slices.ContainsFunc(s.Alarms, func(w notice.Watch) bool { return w.Title == "" || w.Action == "" }) {
		t.Errorf("alarms without words: %+v", s.Alarms)
	}
}

// TestWhatAWordAndSamplesShowTogetherIsNotByWordAlone: a fire that nobody said was
// dropped is not "yet to be confirmed" on an engine that is cool.
func TestWhatAWordAndSamplesShowTogetherIsNotByWordAlone(t *testing.T) {
	v := newEvening(t, quillet())
	v.event(telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: telemetry.Short, By: "R. Penhalow"})
	v.set(telemetry.BoilerLevel, 0.8)
	v.cold()
	s := v.standing()
	i := slices.IndexFunc(s.Evidence, func(e notice.Evidence) bool { return e.Title == "Fire out" })
	if i < 0 || s.Evidence[i].Word || s.Evidence[i].Verdict == verdict.Proven {
		t.Errorf("the fire was never said to be dropped:\n%s", inWords(s))
	}
	var l notice.Ledger
	if ns := l.Follow(s); slices.ContainsFunc(ns, func(n notice.Notice) bool { return n.Kind == notice.CoolEnough }) {
		t.Errorf("told %+v", ns)
	}
}

func TestWhatStandsByWordInPlaceOfASensor(t *testing.T) {
	v := newEvening(t, quillet(func(e *engine.Engine) {
		e.ByWord = map[string]string{"tanks-empty": "tanks-looked-into"}
		delete(e.Channels, telemetry.TankLeft)
	}))
	v.drop(telemetry.TankLeft)
	v.blownDown()
	v.say("cocks-run-dry")
	v.cold()
	var l notice.Ledger
	s := v.standing()
	ns := l.Follow(s)
	if len(ns) != 1 || !slices.Contains(ns[0].Facts.Yet, "Tanks empty") {
		t.Fatalf("told %+v of\n%s", ns, inWords(s))
	}
	// The word is given, and the other tank is full: it is contradicted.
	v.say("tanks-looked-into")
	v.set(telemetry.TankRight, 0.9)
	v.run(400)
	if ns := l.Follow(v.standing()); len(ns) == 0 || ns[0].Kind != notice.CoolEnough || ns[0].Turn != notice.Over {
		t.Errorf("a full tank: told %+v of\n%s", ns, inWords(v.standing()))
	}
}

// TestABatteryIsHeardOfForADay: nodes send it now and then, and its silence is no fault.
func TestABatteryIsHeardOfForADay(t *testing.T) {
	v := newEvening(t, quillet())
	v.housed()
	say := func(left float64) {
		v.judge.Samples(v.now, []telemetry.Sample{{Channel: "battery.cab", At: v.now, Value: left, Quality: telemetry.Good}})
	}
	say(0.5)
	var l notice.Ledger
	rung := func() (out []string) {
		for _, n := range l.Follow(v.standing()) {
			out = append(out, fmt.Sprint(n.Turn, " ", n.Kind, " ", n.Subject, " ", n.Facts.Text))
		}
		return out
	}
	rung()
	v.rest(5)
	if got := rung(); len(got) != 0 {
		t.Errorf("half full, and silent for hours: rung for %v", got)
	}
	say(0.14)
	if got := rung(); !slices.Equal(got, []string{"began battery battery.cab 14 % left."}) {
		t.Errorf("nearly empty: rung for %v", got)
	}
	if s := v.standing(); len(s.Batteries) != 1 || s.Batteries[0].Name != "cab" {
		t.Errorf("batteries %+v", s.Batteries)
	}
}

// TestRemindersRingOnlyInARestThatBegan: an engine that nobody ever put away here is
// none to be reminded of.
func TestRemindersRingOnlyInARestThatBegan(t *testing.T) {
	v := newEvening(t, quillet())
	v.run(60)
	if s := v.standing(); len(s.Reminders) != 0 || !s.Begun.IsZero() {
		t.Errorf("never put away: %+v", s.Reminders)
	}
	v.housed()
	v.run(3600)
	s := v.standing()
	if slices.ContainsFunc(s.Reminders, func(r notice.Reminder) bool { return r.ID == "plugs-back" }) {
		t.Errorf("what is asked before lighting rings at night: %+v", s.Reminders)
	}
	v.now = v.now.Add(14 * 24 * time.Hour)
	v.judge.Advance(v.now)
	if s := v.standing(); !slices.ContainsFunc(s.Reminders, func(r notice.Reminder) bool { return r.ID == "look" }) {
		t.Errorf("not looked into for two weeks: %+v", s.Reminders)
	}
}

// BenchmarkLook is how an engine stands, followed, as the loop does every ten seconds of
// data.
func BenchmarkLook(b *testing.B) {
	t := &testing.T{}
	v := newEvening(t, quillet())
	v.blownDown()
	v.cold()
	var s notice.Standing
	var l, next notice.Ledger
	b.ReportAllocs()
	for b.Loop() {
		v.judge.Standing(&s, false)
		next.Copy(&l)
		next.Follow(&s)
	}
}
