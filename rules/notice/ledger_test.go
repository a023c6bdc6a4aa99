package notice_test

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/layup"
	"ashlamp/rules/notice"
	"ashlamp/rules/verdict"
)

var start = time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)

// evening is an engine at its putting away, and what it is told of.
type evening struct {
	t *testing.T
	l notice.Ledger
	s notice.Standing
}

const (
	yes    = verdict.Proven
	no     = verdict.NotYet
	unsure = verdict.CannotTell
)

func newEvening(t *testing.T) *evening {
	return &evening{t: t, s: notice.Standing{
		At: start, Engine: "quillet", Name: "Quillet", Phase: disposal.Cooling, Begun: start.Add(-time.Hour), House: no,
		Evidence: []notice.Evidence{
			{Title: "Firebox cool", Verdict: no}, {Title: "Pressure zero", Verdict: yes},
			{Title: "Ash cleared", Verdict: no, Word: true}, {Title: "Ash-pan slide shut", Verdict: no, Word: true},
		},
	}}
}

// told moves the time on by so much, follows, and returns what is told in short.
func (e *evening) told(after time.Duration) string {
	e.t.Helper()
	e.s.At = e.s.At.Add(after)
	var out []string
	for _, n := range e.l.Follow(&e.s) {
		out = append(out, strings.TrimSpace(fmt.Sprintf("%s %s %s", n.Turn, n.Kind, n.Subject)))
		if !n.At.Equal(e.s.At) || n.Engine != "quillet" || n.Name != "Quillet" {
			e.t.Errorf("a notice of %+v at %s", n, e.s.At)
		}
	}
	return strings.Join(out, ", ")
}

func (e *evening) want(after time.Duration, want string) {
	e.t.Helper()
	if got := e.told(after); got != want {
		e.t.Errorf("at %s: told %q, want %q", e.s.At.Format(time.TimeOnly), got, want)
	}
	if again := e.told(0); again != "" {
		e.t.Errorf("at %s: the same told %q once more", e.s.At.Format(time.TimeOnly), again)
	}
}

func (e *evening) alarm(id string, st alarm.State, p alarm.Priority) {
	w := notice.Watch{ID: id, Title: "Title of " + id, Action: "Act.", State: st, Priority: p, Since: e.s.At, By: "N. Bray"}
	for i := range e.s.Alarms {
		if e.s.Alarms[i].ID == id {
			e.s.Alarms[i] = w
			return
		}
	}
	e.s.Alarms = append(e.s.Alarms, w)
}

func TestCoolEnoughThenReadyThenHoused(t *testing.T) {
	e := newEvening(t)
	e.want(0, "")
	e.s.Evidence[0].Verdict = yes
	e.s.At = e.s.At.Add(time.Minute)
	ns := e.l.Follow(&e.s)
	if len(ns) != 1 || ns[0].Kind != notice.CoolEnough || ns[0].Turn != notice.Began || ns[0].N != 1 ||
		ns[0].Cause != "quillet/cool-enough/20310504t170100z" || !slices.Equal(ns[0].Facts.Yet, []string{"Ash cleared", "Ash-pan slide shut"}) {
		t.Fatalf("told %+v", ns)
	}
	e.s.Evidence[2].Verdict, e.s.Evidence[2].Given = yes, true
	e.want(time.Minute, "") // one thing less to confirm rings nobody
	e.s.Evidence[3].Verdict, e.s.Evidence[3].Given, e.s.House = yes, true, yes
	e.want(time.Minute, "began ready")
	e.s.Phase = disposal.Housed
	e.want(time.Minute, "over cool-enough, over ready")
	if !func() bool { l := e.l; return len(l.Open) == 0 }() {
		t.Errorf("open: %+v", e.l.Open)
	}
}

func TestAWordThatLapsesEndsReadyAlone(t *testing.T) {
	e := newEvening(t)
	for i := range e.s.Evidence {
		e.s.Evidence[i].Verdict, e.s.Evidence[i].Given = yes, true
	}
	e.s.House = yes
	e.want(0, "began cool-enough, began ready")
	e.s.Evidence[3].Verdict, e.s.Evidence[3].Given, e.s.House = no, false, no
	e.want(time.Hour, "over ready")
	e.s.Evidence[3].Verdict, e.s.Evidence[3].Given, e.s.House = yes, true, yes
	e.want(time.Minute, "") // it must hold for a while before it is told anew
	e.want(4*time.Minute, "")
	e.want(time.Minute, "began ready")
}

func TestWhatEndsCoolEnough(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*notice.Standing)
		text string
		done bool
	}{
		{"a sensor is lost", func(s *notice.Standing) { s.Evidence[0].Verdict = unsure }, "Firebox cool: cannot be told now.", false},
		{"it grows warm", func(s *notice.Standing) { s.Evidence[0].Verdict = no }, "Firebox cool: no longer so.", false},
		{"what is by word is contradicted", func(s *notice.Standing) { s.Evidence[2].Verdict, s.Evidence[2].Given = no, true }, "Ash cleared: no longer so.", false},
		{"what is by word cannot be told", func(s *notice.Standing) { s.Evidence[2].Verdict = unsure }, "Ash cleared: nobody's word stands for it.", false},
		{"a fire is seen", func(s *notice.Standing) { s.Relit = true }, "A fire was seen in it.", false},
		{"it is lit", func(s *notice.Standing) { s.Phase, s.Begun = disposal.LightingUp, time.Time{} }, "A fire is in it.", false},
		{"it is in steam", func(s *notice.Standing) { s.Phase = disposal.InSteam }, "A fire is in it.", false},
		{"it is housed", func(s *notice.Standing) { s.Phase = disposal.Housed }, "It is housed.", true},
		{"the disposal ends", func(s *notice.Standing) { s.Begun = time.Time{} }, "Its putting away was ended.", true},
		{"nothing is known", func(s *notice.Standing) { s.Evidence = nil }, "It cannot be told now.", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := newEvening(t)
			e.s.Evidence[0].Verdict = yes
			e.want(0, "began cool-enough")
			c.do(&e.s)
			e.s.At = e.s.At.Add(time.Minute)
			ns := e.l.Follow(&e.s)
			if len(ns) != 1 || ns[0].Turn != notice.Over || ns[0].N != 2 || ns[0].Facts.Text != c.text || ns[0].Facts.Done != c.done {
				t.Errorf("told %+v, want over with %q", ns, c.text)
			}
		})
	}
}

func TestAnotherDisposalIsAnotherCause(t *testing.T) {
	e := newEvening(t)
	e.s.Evidence[0].Verdict = yes
	e.want(0, "began cool-enough")
	e.s.Begun = e.s.At
	e.want(time.Minute, "over cool-enough, began cool-enough")
}

// TestReadyIsNotToldByAListAlone: the step itself must be proven too.
func TestReadyIsNotToldByAListAlone(t *testing.T) {
	e := newEvening(t)
	for i := range e.s.Evidence {
		e.s.Evidence[i].Verdict = yes
	}
	e.s.House = unsure
	e.want(0, "")
}

func TestAPoorLinkDoesNotRingAllNight(t *testing.T) {
	e := newEvening(t)
	rings := 0
	for i := range 12 * 60 / 4 { // lost for one minute in four
		e.s.Evidence[0].Verdict = yes
		if i%4 == 3 {
			e.s.Evidence[0].Verdict = unsure
		}
		if strings.Contains(e.told(time.Minute), "began") {
			rings++
		}
	}
	if rings != 1 {
		t.Errorf("rang %d times, want once", rings)
	}
}

func (e *evening) foretold(eta, either time.Duration) {
	t := start.Add(eta)
	e.s.Forecast = notice.Expected{ETA: t, Lo: t.Add(-either), Hi: t.Add(either)}
}

func TestAForecastThatMoved(t *testing.T) {
	e := newEvening(t)
	e.foretold(9*time.Hour, 20*time.Minute)
	e.want(0, "") // the first is the roughest
	e.foretold(4*time.Hour+30*time.Minute, 20*time.Minute)
	e.want(14*time.Minute, "")
	e.want(time.Minute, "")
	// Four hours are left when it is looked at, of which a quarter is an hour.
	e.foretold(5*time.Hour+29*time.Minute, 20*time.Minute)
	e.want(15*time.Minute, "")
	e.foretold(5*time.Hour+30*time.Minute, 20*time.Minute)
	e.want(0, "")
	e.want(4*time.Minute, "") // not for long enough
	e.s.At = e.s.At.Add(time.Minute)
	ns := e.l.Follow(&e.s)
	if len(ns) != 1 || ns[0].Turn != notice.Began || ns[0].Kind != notice.Moved || !ns[0].Facts.Was.Equal(start.Add(4*time.Hour+30*time.Minute)) ||
		!ns[0].Facts.ETA.Equal(start.Add(5*time.Hour+30*time.Minute)) {
		t.Fatalf("told %+v", ns)
	}
	e.foretold(7*time.Hour, 20*time.Minute)
	e.want(10*time.Minute, "")
	e.want(10*time.Minute, "") // not so soon again
	e.want(10*time.Minute, "worse moved")
	e.s.At = start.Add(6 * time.Hour) // an hour is left
	e.want(0, "")
	e.foretold(7*time.Hour-44*time.Minute, 5*time.Minute)
	e.want(0, "")
	e.want(10*time.Minute, "") // never for less than three quarters of an hour
	e.foretold(7*time.Hour-45*time.Minute, 5*time.Minute)
	e.want(0, "")
	e.want(5*time.Minute, "worse moved")
	e.s.Forecast = notice.Expected{} // nothing honest can be said
	e.want(time.Hour, "")
	e.s.Evidence[0].Verdict = yes
	e.want(time.Minute, "over moved, began cool-enough")
}

func TestAForecastInsideItsIntervalIsNoNews(t *testing.T) {
	e := newEvening(t)
	e.foretold(4*time.Hour, 2*time.Hour)
	e.want(0, "")
	e.want(14*time.Minute, "")
	e.foretold(5*time.Hour, time.Hour)
	e.want(time.Minute, "")
	e.want(time.Hour, "")
}

func TestWhatPeopleDoToAForecastIsNoNews(t *testing.T) {
	e := newEvening(t)
	e.s.Phase = disposal.FireDropped
	e.foretold(14*time.Hour, time.Hour)
	e.want(0, "")
	e.want(time.Hour, "")
	e.s.Phase = disposal.Emptied // the cocks were opened
	e.foretold(4*time.Hour, time.Hour)
	e.want(time.Minute, "")
	e.want(time.Hour, "")
	e.foretold(10*time.Hour, time.Hour)
	e.s.Phase = disposal.Cooling
	e.want(time.Minute, "")
	e.want(time.Hour, "")
}

func TestAnAlarmsLife(t *testing.T) {
	e := newEvening(t)
	e.alarm("vacuum", alarm.Unacknowledged, alarm.Medium)
	e.want(time.Minute, "began alarm vacuum")
	e.alarm("vacuum", alarm.Unacknowledged, alarm.High)
	e.want(time.Minute, "worse alarm vacuum")
	e.alarm("vacuum", alarm.Acknowledged, alarm.High)
	e.want(time.Minute, "seen alarm vacuum")
	e.alarm("vacuum", alarm.Unacknowledged, alarm.High) // raised again
	e.want(time.Minute, "worse alarm vacuum")
	e.alarm("vacuum", alarm.Acknowledged, alarm.High)
	e.want(time.Minute, "seen alarm vacuum")
	e.s.Alarms = nil
	e.want(time.Minute, "over alarm vacuum")
	for _, st := range []alarm.State{alarm.ReturnedUnacknowledged, alarm.Shelved, alarm.Suppressed, alarm.OutOfService} {
		e.alarm("vacuum", alarm.Unacknowledged, alarm.Medium)
		e.want(time.Hour, "began alarm vacuum")
		e.alarm("vacuum", st, alarm.Medium)
		e.want(time.Minute, "over alarm vacuum")
	}
	// Somebody knew of it before it was first looked at.
	e.alarm("vacuum", alarm.Acknowledged, alarm.Medium)
	e.want(time.Minute, "")
}

func TestKindsOfAlarms(t *testing.T) {
	e := newEvening(t)
	for _, id := range []string{"node-lost", "frost", "condensation", "co"} {
		e.alarm(id, alarm.Unacknowledged, alarm.Low)
	}
	e.want(time.Minute, "began lost node-lost, began lay-up frost, began lay-up condensation, began alarm co")
	e.s.Rested = true // that the rest is looked at does not end them
	e.want(time.Minute, "")
	e.s.Alarms = nil
	e.want(time.Minute, "over lost node-lost, over lay-up frost, over lay-up condensation, over alarm co")
}

func TestWhatAPersonCanAnswer(t *testing.T) {
	for _, c := range []struct {
		kind    notice.Kind
		subject string
		want    bool
	}{
		{notice.Alarm, "vacuum", true}, {notice.Alarm, notice.Several, true}, {notice.LayUp, "frost", true}, {notice.Lost, "node-lost", true},
		{notice.LayUp, "ash-pan", false}, {notice.LayUp, "damp", false}, {notice.Battery, "battery.cab", false},
		{notice.CoolEnough, "", false}, {notice.Ready, "", false}, {notice.Moved, "", false},
	} {
		n := notice.Notice{Kind: c.kind, Subject: c.subject, Engine: "quillet"}
		if n.Answerable() != c.want {
			t.Errorf("%s %s: answerable %v", c.kind, c.subject, !c.want)
		}
		if n.Engine = ""; n.Answerable() {
			t.Errorf("%s %s of no engine can be answered", c.kind, c.subject)
		}
	}
}

func TestCoolEnoughIsWithinReadyWhereNothingIsLeft(t *testing.T) {
	e := newEvening(t)
	e.s.Evidence[0].Verdict = yes
	for _, n := range e.l.Follow(&e.s) {
		if _, within := n.Within(); within {
			t.Errorf("%+v is said to be told by another", n.Facts)
		}
	}
	all := newEvening(t)
	for i := range all.s.Evidence {
		all.s.Evidence[i].Verdict, all.s.Evidence[i].Given = yes, true
	}
	all.s.House = yes
	ns := all.l.Follow(&all.s)
	other, within := ns[0].Within()
	if !within || len(ns) != 2 || ns[1].Kind != other || !ns[1].At.Equal(ns[0].At) {
		t.Errorf("told %+v, within %v", ns, within)
	}
	if _, within := ns[1].Within(); within {
		t.Error("ready is within something")
	}
}

func TestAFloodIsPutTogether(t *testing.T) {
	e := newEvening(t)
	for _, id := range []string{"a", "b", "c", "d", "e"} {
		e.alarm(id, alarm.Unacknowledged, alarm.Medium)
	}
	e.alarm("h", alarm.Unacknowledged, alarm.High)
	e.want(time.Minute, "began alarm h, began alarm a, began alarm b, began alarm several")
	e.alarm("f", alarm.Unacknowledged, alarm.Medium)
	e.alarm("g", alarm.Unacknowledged, alarm.High)
	e.want(time.Second, "began alarm g") // a high one is never put together
	e.want(30*time.Second, "")
	e.want(29*time.Second, "worse alarm several")
	for _, id := range []string{"c", "d", "e", "f"} {
		e.alarm(id, alarm.Acknowledged, alarm.Medium)
	}
	e.want(time.Second, "seen alarm several")
	e.alarm("c", alarm.Unacknowledged, alarm.High)
	e.want(time.Minute, "began alarm c")
	e.s.Alarms = e.s.Alarms[:0]
	e.want(time.Second, "over alarm h, over alarm a, over alarm b, over alarm g, over alarm c, over alarm several")
	e.alarm("a", alarm.Unacknowledged, alarm.Medium)
	e.want(2*time.Minute, "began alarm a")
}

func TestARestingEngine(t *testing.T) {
	e := newEvening(t)
	e.s.Phase, e.s.Begun, e.s.Rested = disposal.LaidUp, time.Time{}, true
	e.s.Reminders = []notice.Reminder{{ID: "ash-pan", Text: "Ash pan: nobody."}}
	e.want(0, "")
	e.want(59*time.Minute, "")
	e.s.Rested = false
	e.want(time.Minute, "") // not looked at
	e.s.Rested = true
	e.want(0, "began lay-up ash-pan")
	e.s.Reminders = nil
	e.want(time.Hour, "over lay-up ash-pan")

	e.s.Damp = layup.Wet
	e.want(time.Hour, "")
	e.s.Damp = layup.NotKnown
	e.want(23*time.Hour, "")
	e.want(time.Hour, "") // what is not known tells nothing
	e.s.Damp = layup.Wet
	e.want(time.Minute, "began lay-up damp")
	for _, d := range []layup.Dampness{layup.Act, layup.NotKnown} {
		e.s.Damp = d
		e.want(time.Minute, "")
	}
	e.s.Damp = layup.Watch
	e.want(time.Minute, "over lay-up damp")
	e.s.Damp = layup.Wet
	e.want(time.Minute, "")
	e.s.Damp = layup.Good
	e.want(time.Hour, "")
	e.s.Damp = layup.Wet
	e.want(23*time.Hour, "") // the day begins anew
	e.want(24*time.Hour, "began lay-up damp")
	e.s.Phase = disposal.LightingUp
	e.want(time.Minute, "over lay-up damp")
}

func TestABatteryRunsDown(t *testing.T) {
	e := newEvening(t)
	e.s.Rested = true
	set := func(left float64) { e.s.Batteries = []notice.Charge{{ID: "battery.cab", Name: "cab", Left: left}} }
	for _, c := range []struct {
		left float64
		want string
	}{
		{0.2, ""}, {math.NaN(), ""}, {-0.1, ""}, {0.19, "began battery battery.cab"}, {math.NaN(), ""}, {0.25, ""}, {0.1, ""},
		{0.04, "worse battery battery.cab"}, {0.01, ""}, {5, ""}, {0.3, ""}, {0.31, "over battery battery.cab"}, {0.21, ""},
	} {
		set(c.left)
		e.want(time.Hour, c.want)
	}
}

// TestAFailedWriteTellsItAgainByTheSameName: what may have been written after all is
// told a second time as the same.
func TestAFailedWriteTellsItAgainByTheSameName(t *testing.T) {
	e := newEvening(t)
	e.s.Evidence[0].Verdict = yes
	var next notice.Ledger
	next.Copy(&e.l)
	first := next.Follow(&e.s)
	e.l.Failed(first)
	e.s.At = e.s.At.Add(10 * time.Second)
	next.Copy(&e.l)
	again := next.Follow(&e.s)
	if len(first) != 1 || len(again) != 1 || again[0].Cause != first[0].Cause || !again[0].At.Equal(e.s.At) {
		t.Fatalf("told %+v, then %+v", first, again)
	}
	e.l.Copy(&next)
	e.s.Evidence[0].Verdict = no
	e.want(time.Minute, "over cool-enough")
	e.s.Evidence[0].Verdict = yes
	e.told(time.Minute)
	e.s.At = e.s.At.Add(5 * time.Minute)
	if ns := e.l.Follow(&e.s); len(ns) != 1 || ns[0].Cause == first[0].Cause {
		t.Errorf("the next occurrence is told as %+v", ns)
	}
}

func TestWhatIsNotALedgerIsRefused(t *testing.T) {
	for _, b := range []string{"", "{", `{"open":[{"cause":"","n":1}]}`, `{"open":[{"cause":"a","n":0}]}`, `{"open":[{"cause":"a","n":1,"t":5}]}`} {
		if _, err := notice.Load([]byte(b)); err == nil {
			t.Errorf("%q was loaded", b)
		}
	}
	if l, err := notice.Load([]byte("{}")); err != nil || len(l.Open) != 0 {
		t.Errorf("an empty ledger: %+v, %v", l, err)
	}
}

// draw makes any standing, near the one before.
func draw(t *rapid.T, s *notice.Standing) {
	s.At = s.At.Add(time.Duration(rapid.IntRange(0, 600).Draw(t, "later")) * time.Second)
	chance := func(n int, label string) bool { return rapid.IntRange(1, n).Draw(t, label) == 1 }
	if chance(10, "another phase") {
		s.Phase = rapid.SampledFrom([]disposal.Phase{disposal.InSteam, disposal.FireDropped, disposal.Emptied, disposal.Cooling, disposal.Cooling,
			disposal.Housed, disposal.LaidUp, disposal.LightingUp, ""}).Draw(t, "phase")
	}
	if chance(20, "a disposal begins") {
		s.Begun = s.At
	}
	if chance(20, "it ends") {
		s.Begun = time.Time{}
	}
	s.Relit = chance(20, "relit")
	for i := range s.Evidence {
		if chance(3, "an evidence changes") {
			e := &s.Evidence[i]
			e.Verdict = rapid.SampledFrom([]verdict.Verdict{yes, yes, yes, no, unsure}).Draw(t, "verdict")
			e.Given = e.Word && (e.Verdict == yes || chance(5, "contradicted"))
		}
	}
	s.House = rapid.SampledFrom([]verdict.Verdict{yes, yes, no, unsure}).Draw(t, "house")
	s.Forecast = notice.Expected{}
	if chance(2, "forecast") {
		eta := s.At.Add(time.Duration(rapid.IntRange(0, 600).Draw(t, "eta")) * time.Minute)
		s.Forecast = notice.Expected{ETA: eta, Lo: eta.Add(-10 * time.Minute), Hi: eta.Add(10 * time.Minute)}
	}
	var alarms []notice.Watch
	for _, id := range []string{"vacuum", "co", "node-lost", "frost", "w1", "w2", "w3", "w4", "w5"} {
		i := slices.IndexFunc(s.Alarms, func(w notice.Watch) bool { return w.ID == id })
		w := notice.Watch{ID: id, Title: "T", Action: "A.", State: alarm.Normal, Since: s.At}
		if i >= 0 {
			w = s.Alarms[i]
		}
		if chance(4, "an alarm changes") {
			w.State, w.Since = alarm.State(rapid.IntRange(0, 6).Draw(t, "state")), s.At
			w.Priority = alarm.Priority(rapid.IntRange(0, 2).Draw(t, "priority"))
		}
		if w.State != alarm.Normal {
			alarms = append(alarms, w)
		}
	}
	s.Alarms = alarms
	s.Rested = chance(2, "rested")
	s.Damp = rapid.SampledFrom([]layup.Dampness{layup.NotKnown, layup.Good, layup.Wet, layup.Wet}).Draw(t, "damp")
	s.Reminders = nil
	if chance(2, "reminded") {
		s.Reminders = []notice.Reminder{{ID: "ash-pan", Text: "Ash pan: see to it."}}
	}
	s.Batteries = []notice.Charge{{ID: "battery.cab", Name: "cab", Left: float64(rapid.IntRange(0, 10).Draw(t, "left")) / 10}}
}

// TestWhateverHappensIsToldOnceAndEndsOnce: any standings in any order, with restarts at
// any point and writes that fail, and every turn of every cause is told once and in order,
// nothing that is not so is left open, and nothing that is so is left untold.
func TestWhateverHappensIsToldOnceAndEndsOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newEvening(nil).s
		var l, plain notice.Ledger // plain is never restarted
		turns := map[string]notice.Notice{}
		for range rapid.IntRange(1, 60).Draw(t, "looks") {
			draw(t, &s)
			before, err := json.Marshal(&l)
			if err != nil {
				t.Fatal(err)
			}
			var next notice.Ledger
			next.Copy(&l)
			ns := next.Follow(&s)
			if rapid.IntRange(1, 5).Draw(t, "the write fails") == 1 {
				after, err := json.Marshal(&l)
				if err != nil || string(after) != string(before) {
					t.Fatalf("a look that came to nothing changed the ledger\nfrom %s\nto   %s (%v)", before, after, err)
				}
				l.Failed(ns)
				plain.Failed(ns)
				next.Copy(&l)
				ns = next.Follow(&s) // now it is written
			}
			if also := plain.Follow(&s); !same(also, ns) {
				t.Fatalf("a ledger that was restarted told\n%s\none that was not\n%s", inShort(ns), inShort(also))
			}
			for _, n := range ns {
				was, known := turns[n.Cause]
				switch {
				case !known && (n.Turn != notice.Began || n.N != 1), known && (n.Turn == notice.Began || n.N != was.N+1 || was.Turn == notice.Over):
					t.Fatalf("turn %d (%s) of %s after %+v", n.N, n.Turn, n.Cause, was)
				case n.Turn == notice.Seen && was.Acknowledged:
					t.Fatalf("%s was seen twice", n.Cause)
				}
				turns[n.Cause] = n
				if line := notice.Line(n, notice.Units{}, nil); line == "" {
					t.Fatalf("no line for %+v", n)
				}
			}
			l.Copy(&next)
			if again := l.Follow(&s); len(again) > 0 {
				t.Fatalf("the same standing told %s once more", inShort(again))
			}
			plain.Follow(&s)
			truth(t, &s, turns)
			if rapid.IntRange(1, 4).Draw(t, "restart") == 1 {
				b, err := json.Marshal(&l)
				if err != nil {
					t.Fatal(err)
				}
				if l, err = notice.Load(b); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}

func same(a, b []notice.Notice) bool { return inShort(a) == inShort(b) }

func inShort(ns []notice.Notice) string {
	b, _ := json.Marshal(ns)
	return string(b)
}

// truth holds what stands told against how the engine stands.
func truth(t *rapid.T, s *notice.Standing, turns map[string]notice.Notice) {
	open := map[string]bool{}
	for _, n := range turns {
		if n.Turn == notice.Over {
			continue
		}
		key := strings.TrimSpace(string(n.Kind) + " " + n.Subject)
		if open[key] {
			t.Fatalf("%s stands told twice", key)
		}
		open[key] = true
	}
	work := !s.Begun.IsZero() && !s.Relit && (s.Phase == disposal.FireDropped || s.Phase == disposal.Emptied || s.Phase == disposal.Cooling || s.Phase == "")
	all, sensed := s.House == yes, true
	for _, e := range s.Evidence {
		all = all && e.Verdict == yes
		sensed = sensed && (e.Verdict == yes || e.Word && !e.Given && e.Verdict == no)
	}
	if open["cool-enough"] && !(work && sensed) {
		t.Fatalf("cool enough stands told of %+v", s)
	}
	if open["ready"] && !(work && all) {
		t.Fatalf("ready stands told of %+v", s)
	}
	states := map[string]alarm.State{}
	for _, w := range s.Alarms {
		states[w.ID] = w.State
		key := "alarm " + w.ID
		switch w.ID {
		case "node-lost":
			key = "lost node-lost"
		case "frost":
			key = "lay-up frost"
		}
		if w.State == alarm.Unacknowledged && !open[key] && !(open["alarm several"] && w.Priority != alarm.High) {
			t.Fatalf("%s calls for a person and is not told", w.ID)
		}
		if (w.State == alarm.Normal || w.State > alarm.Acknowledged) && open[key] {
			t.Fatalf("%s is %s and stands told", w.ID, w.State)
		}
	}
}

// TestALedgerIsCopiedWhole: a field that the copy forgot would be lost at the next turn.
func TestALedgerIsCopiedWhole(t *testing.T) {
	e := newEvening(t)
	for _, id := range []string{"a", "b", "c", "d"} {
		e.alarm(id, alarm.Unacknowledged, alarm.Low)
	}
	e.s.Rested, e.s.Phase = true, disposal.LaidUp
	e.s.Reminders = []notice.Reminder{{ID: "look", Text: "Look."}}
	e.told(0)
	var c notice.Ledger
	c.Copy(&e.l)
	if !reflect.DeepEqual(c.Open, e.l.Open) || inJSON(t, &c) != inJSON(t, &e.l) {
		t.Errorf("copied %s\nfrom   %s", inJSON(t, &c), inJSON(t, &e.l))
	}
	if n := testing.AllocsPerRun(100, func() { c.Copy(&e.l) }); n != 0 {
		t.Errorf("a copy takes %v allocations, want none", n)
	}
}

func inJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
