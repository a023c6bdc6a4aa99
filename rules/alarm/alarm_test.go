package alarm

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/track"
)

var t0 = track.Of(time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC))

func at(s float64) track.Instant { return t0.Add(s) }

var usual = Settings{Watch: "vacuum", OnDelayS: 10, OffDelayS: 20, ReAlarmS: 600, ShelfS: 3600}

// enter brings a machine into a state by 100 s, its condition holding or not.
func enter(t *testing.T, st State, holding bool) *Machine {
	t.Helper()
	m := New(usual)
	m.Judge(at(0), Input{Condition: Clear, Text: "fine"}, nil)
	must := func(_ []Change, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	hold := func(h bool, s float64) {
		c := Clear
		if h {
			c = Holding
		}
		m.Judge(at(s), Input{Condition: c, Priority: Medium, Text: "-0.20 bar"}, nil)
	}
	switch st {
	case Normal:
	case Unacknowledged, Acknowledged:
		hold(true, 0)
		m.Advance(at(20), nil)
		if st == Acknowledged {
			must(m.Acknowledge(at(30), "T. Oxley", nil))
		}
	case ReturnedUnacknowledged:
		hold(true, 0)
		hold(false, 20)
	default:
		hold(holding, 0)
		m.Advance(at(20), nil)
		switch st {
		case Shelved:
			must(m.Shelve(at(30), at(1000), "T. Oxley", "plug leaks, known", nil))
		case Suppressed:
			c := Clear
			if holding {
				c = Holding
			}
			m.Judge(at(30), Input{Condition: c, Priority: Medium, Suppressed: true, Why: "plugs are out"}, nil)
		case OutOfService:
			must(m.TakeOut(at(30), "T. Oxley", "transducer away", nil))
		}
	}
	m.Advance(at(100), nil)
	if m.State() != st {
		t.Fatalf("could not be brought into %s, is %s", st, m.State())
	}
	return m
}

// process says what holds from second s on.
func process(s float64, c Condition, suppressed bool) func(*Machine) ([]Change, error) {
	return func(m *Machine) ([]Change, error) {
		in := Input{Condition: c, Priority: Medium, Text: "-0.20 bar", Suppressed: suppressed}
		if suppressed {
			in.Why = "plugs are out"
		}
		return m.Judge(at(s), in, nil), nil
	}
}

func until(s float64) func(*Machine) ([]Change, error) {
	return func(m *Machine) ([]Change, error) { return m.Advance(at(s), nil), nil }
}

func acknowledge(m *Machine) ([]Change, error) { return m.Acknowledge(at(100), "R. Penhalow", nil) }
func shelve(m *Machine) ([]Change, error) {
	return m.Shelve(at(100), at(400), "R. Penhalow", "known", nil)
}
func unshelve(m *Machine) ([]Change, error) { return m.Unshelve(at(100), "R. Penhalow", nil) }
func takeOut(m *Machine) ([]Change, error) {
	return m.TakeOut(at(100), "R. Penhalow", "being mended", nil)
}
func putBack(m *Machine) ([]Change, error) { return m.PutBack(at(100), "R. Penhalow", nil) }

type act = func(*Machine) ([]Change, error)

// The letters are the states of the diagram in IEC 62682:2014 / ISA-18.2-2016; the
// transitions are as reference material tells them, from memory of the standard.
// E and F (latched) are not used.
func TestTransitionsOfTheStandard(t *testing.T) {
	holds, clears := process(100, Holding, false), process(100, Clear, false)
	for _, c := range []struct {
		name    string
		from    State
		holding bool // for G, H and I
		do      []act
		to      State
		changes int
		raised  bool
	}{
		{"A stays while the condition is clear", Normal, false, []act{clears, until(9e3)}, Normal, 0, false},
		{"A to B: it occurs", Normal, false, []act{holds, until(110)}, Unacknowledged, 1, true},
		{"A stays until the on-delay is over", Normal, false, []act{holds, until(109.9)}, Normal, 0, false},
		{"B to C: acknowledged", Unacknowledged, true, []act{acknowledge}, Acknowledged, 1, false},
		{"B to D: it clears", Unacknowledged, true, []act{clears, until(120)}, ReturnedUnacknowledged, 1, false},
		{"B stays until the off-delay is over", Unacknowledged, true, []act{clears, until(119.9)}, Unacknowledged, 0, false},
		{"C to A: it clears", Acknowledged, true, []act{clears, until(120)}, Normal, 1, false},
		{"C to B: re-alarm", Acknowledged, true, []act{until(630)}, Unacknowledged, 1, true},
		{"C stays until the re-alarm time", Acknowledged, true, []act{until(629.9)}, Acknowledged, 0, false},
		{"D to A: acknowledged", ReturnedUnacknowledged, false, []act{acknowledge}, Normal, 1, false},
		{"D to B: it occurs again", ReturnedUnacknowledged, false, []act{holds, until(110)}, Unacknowledged, 1, true},
		{"D stays for ever by itself", ReturnedUnacknowledged, false, []act{clears, until(1e6)}, ReturnedUnacknowledged, 0, false},

		{"A to G: shelved", Normal, false, []act{shelve}, Shelved, 1, false},
		{"B to G: shelved", Unacknowledged, true, []act{shelve}, Shelved, 1, false},
		{"C to G: shelved", Acknowledged, true, []act{shelve}, Shelved, 1, false},
		{"D to G: shelved", ReturnedUnacknowledged, false, []act{shelve}, Shelved, 1, false},
		{"A to H: suppressed by design", Normal, false, []act{process(100, Clear, true)}, Suppressed, 1, false},
		{"B to H: suppressed by design", Unacknowledged, true, []act{process(100, Holding, true)}, Suppressed, 1, false},
		{"C to H: suppressed by design", Acknowledged, true, []act{process(100, Holding, true)}, Suppressed, 1, false},
		{"D to H: suppressed by design", ReturnedUnacknowledged, false, []act{process(100, Clear, true)}, Suppressed, 1, false},
		{"A to I: out of service", Normal, false, []act{takeOut}, OutOfService, 1, false},
		{"B to I: out of service", Unacknowledged, true, []act{takeOut}, OutOfService, 1, false},
		{"C to I: out of service", Acknowledged, true, []act{takeOut}, OutOfService, 1, false},
		{"D to I: out of service", ReturnedUnacknowledged, false, []act{takeOut}, OutOfService, 1, false},

		{"G to B: the shelf ends and it holds", Shelved, true, []act{until(1000)}, Unacknowledged, 1, true},
		{"G to A: the shelf ends and it is clear", Shelved, false, []act{until(1000)}, Normal, 1, false},
		{"G stays until the shelf ends", Shelved, true, []act{until(999.9)}, Shelved, 0, false},
		{"G to B: taken from the shelf", Shelved, true, []act{unshelve}, Unacknowledged, 1, true},
		{"G to A: taken from the shelf", Shelved, false, []act{unshelve}, Normal, 1, false},
		{"G stays when it clears, and comes back clear", Shelved, true, []act{clears, until(1000)}, Normal, 1, false},
		{"G stays when it occurs, and comes back raised", Shelved, false, []act{holds, until(1000)}, Unacknowledged, 1, true},
		{"H to B: not suppressed any more and it holds", Suppressed, true, []act{holds}, Unacknowledged, 1, true},
		{"H to A: not suppressed any more and it is clear", Suppressed, false, []act{clears}, Normal, 1, false},
		{"H stays when it occurs, and comes back raised", Suppressed, false, []act{process(100, Holding, true), process(111, Holding, false)}, Unacknowledged, 1, true},
		{"I to B: put back and it holds", OutOfService, true, []act{putBack}, Unacknowledged, 1, true},
		{"I to A: put back and it is clear", OutOfService, false, []act{putBack}, Normal, 1, false},
		{"I stays for ever by itself", OutOfService, true, []act{until(1e6)}, OutOfService, 0, false},

		// Between G, H and I: not in the table; ours.
		{"G wins over H, which comes when the shelf ends", Shelved, true, []act{process(100, Holding, true), until(1000)}, Suppressed, 1, false},
		{"G to I: out of service", Shelved, true, []act{takeOut, until(5000)}, OutOfService, 1, false},
		{"H to I: out of service", Suppressed, true, []act{takeOut}, OutOfService, 1, false},
		{"I to H: put back while it is suppressed", OutOfService, true, []act{process(100, Holding, true), putBack}, Suppressed, 1, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := enter(t, c.from, c.holding)
			var all []Change
			for _, do := range c.do {
				got, err := do(m)
				if err != nil {
					t.Fatalf("refused: %v", err)
				}
				all = append(all, got...)
			}
			raised := len(all) > 0 && all[len(all)-1].Raised
			if m.State() != c.to || len(all) != c.changes || raised != c.raised {
				t.Errorf("from %s: is %s with changes %+v, want %s with %d, the last raised %v", c.from, m.State(), all, c.to, c.changes, c.raised)
			}
			if len(all) > 0 && all[len(all)-1].State != m.State() {
				t.Errorf("last change says %s, the state is %s", all[len(all)-1].State, m.State())
			}
		})
	}
}

func TestWhatIsRefused(t *testing.T) {
	for _, c := range []struct {
		name    string
		from    State
		holding bool
		do      act
		mend    string
	}{
		{"acknowledging normal", Normal, false, acknowledge, "nothing to acknowledge"},
		{"acknowledging twice", Acknowledged, true, acknowledge, "nothing to acknowledge"},
		{"acknowledging what is shelved", Shelved, true, acknowledge, "nothing to acknowledge"},
		{"acknowledging what is suppressed", Suppressed, true, acknowledge, "nothing to acknowledge"},
		{"acknowledging what is out of service", OutOfService, true, acknowledge, "nothing to acknowledge"},
		{"acknowledging without a name", Unacknowledged, true, func(m *Machine) ([]Change, error) { return m.Acknowledge(at(100), "", nil) }, "say who"},
		{"shelving what is suppressed", Suppressed, true, shelve, "does not sound"},
		{"shelving what is out of service", OutOfService, true, shelve, "does not sound"},
		{"a shelf without a reason", Unacknowledged, true, func(m *Machine) ([]Change, error) { return m.Shelve(at(100), at(200), "T. Oxley", "", nil) }, "why"},
		{"a shelf without a name", Unacknowledged, true, func(m *Machine) ([]Change, error) { return m.Shelve(at(100), at(200), "", "known", nil) }, "who"},
		{"a shelf that ends now", Unacknowledged, true, func(m *Machine) ([]Change, error) { return m.Shelve(at(100), at(100), "T. Oxley", "known", nil) }, "ahead"},
		{"a shelf without end", Unacknowledged, true, func(m *Machine) ([]Change, error) { return m.Shelve(at(100), track.Never, "T. Oxley", "known", nil) }, "1h0m0s at most"},
		{"a shelf too long", Unacknowledged, true, func(m *Machine) ([]Change, error) { return m.Shelve(at(100), at(3701), "T. Oxley", "known", nil) }, "1h0m0s at most"},
		{"unshelving what is not shelved", Unacknowledged, true, unshelve, "not on it"},
		{"putting back what is not out", Unacknowledged, true, putBack, "not out of service"},
		{"taking out twice", OutOfService, true, takeOut, "already"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := enter(t, c.from, c.holding)
			out, err := c.do(m)
			var refused *RefusedError
			if !errors.As(err, &refused) || !strings.Contains(err.Error(), c.mend) || len(out) != 0 || m.State() != c.from {
				t.Errorf("got %v, changes %v, state %s; want a refusal with %q and %s", err, out, m.State(), c.mend, c.from)
			}
		})
	}
	t.Run("one that may not be shelved at all", func(t *testing.T) {
		s := usual
		s.ShelfS = 0
		m := New(s)
		if _, err := m.Shelve(at(0), at(10), "T. Oxley", "known", nil); err == nil || !strings.Contains(err.Error(), "too urgent") {
			t.Errorf("got %v, want a refusal", err)
		}
	})
}

func TestDelaysAndDeadband(t *testing.T) {
	type step struct {
		s float64
		c Condition
	}
	for _, c := range []struct {
		name  string
		steps []step
		end   float64
		want  string // state@second of each change
	}{
		{"above for the whole on-delay", []step{{0, Holding}}, 60, "unacknowledged@10"},
		{"interrupted by a moment of clear", []step{{0, Holding}, {8, Clear}, {8.1, Holding}}, 60, "unacknowledged@18.1"},
		{"interrupted by a moment within the deadband", []step{{0, Holding}, {8, Between}, {9, Holding}}, 60, "unacknowledged@19"},
		{"the deadband alone raises nothing", []step{{0, Between}}, 1e5, ""},
		{"the deadband does not clear", []step{{0, Holding}, {20, Between}}, 1e4, "unacknowledged@10"},
		{"clear by the deadband for the whole off-delay", []step{{0, Holding}, {20, Clear}}, 60, "unacknowledged@10 returned-unacknowledged@40"},
		{"off-delay interrupted within the deadband", []step{{0, Holding}, {20, Clear}, {35, Between}, {36, Clear}}, 80, "unacknowledged@10 returned-unacknowledged@56"},
		{"unknown raises nothing", []step{{0, Unknown}}, 1e5, ""},
		{"unknown clears nothing", []step{{0, Holding}, {15, Unknown}}, 1e5, "unacknowledged@10"},
		{"unknown stops the on-delay and does not void it", []step{{0, Holding}, {6, Unknown}, {1000, Holding}}, 2000, "unacknowledged@1004"},
		{"a link that comes and goes does not keep it from being raised", []step{{0, Holding}, {4, Unknown}, {10, Holding}, {14, Unknown}, {20, Holding}}, 60, "unacknowledged@22"},
		{"unknown stops the off-delay", []step{{0, Holding}, {20, Clear}, {30, Unknown}, {500, Clear}}, 900, "unacknowledged@10 returned-unacknowledged@510"},
		{"unknown and then the contrary", []step{{0, Holding}, {6, Unknown}, {100, Clear}, {110, Holding}}, 200, "unacknowledged@120"},
		{"held longer than no samples came", []step{{0, Holding}}, 9.999, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := New(usual)
			var out []Change
			for _, s := range c.steps {
				out = m.Judge(at(s.s), Input{Condition: s.c, Priority: Low, Text: "x"}, out)
			}
			out = m.Advance(at(c.end), out)
			var got []string
			for _, ch := range out {
				got = append(got, fmt.Sprintf("%s@%g", ch.State, track.Of(ch.At).Sub(t0)))
			}
			if s := strings.Join(got, " "); s != c.want {
				t.Errorf("got %q, want %q", s, c.want)
			}
		})
	}
}

func TestAPriorityRisesWhileItStands(t *testing.T) {
	m := New(Settings{Watch: "co", OnDelayS: 30, OffDelayS: 60})
	co := func(s float64, p Priority, text string) []Change {
		return m.Judge(at(s), Input{Condition: Holding, Priority: p, Text: text}, nil)
	}
	co(0, Low, "25 ppm")
	if out := co(29, High, "a spike"); len(out) != 0 {
		t.Errorf("raised early: %v", out)
	}
	out := co(30.5, Low, "26 ppm")
	if len(out) != 1 || out[0].Priority != Low {
		t.Errorf("a spike within the delay made it %v, want low", out)
	}
	if _, err := m.Acknowledge(at(40), "T. Oxley", nil); err != nil {
		t.Fatal(err)
	}
	co(50, High, "a spike")
	co(52, Low, "27 ppm")
	if out := m.Advance(at(500), nil); len(out) != 0 || m.State() != Acknowledged {
		t.Errorf("a spike of 2 s raised it again: %v", out)
	}
	co(500, Medium, "60 ppm")
	co(520, High, "130 ppm")
	out = m.Advance(at(530), nil)
	if len(out) != 1 || !out[0].Raised || out[0].Priority != Medium || m.State() != Unacknowledged {
		t.Errorf("30 s at medium or more after it was acknowledged: %+v, want it raised again at medium", out)
	}
	out = m.Advance(at(560), nil)
	if len(out) != 1 || out[0].Priority != High || !strings.Contains(out[0].Text, "130") {
		t.Errorf("30 s at high: %+v, want it raised at high with its text", out)
	}
	co(600, Low, "30 ppm")
	if m.Advance(at(5000), nil); m.Saved().Priority != High {
		t.Errorf("it fell to %s while it stands, want high until it has returned", m.Saved().Priority)
	}
}

func TestAShelfHoldsOnlyWhatWasPutAside(t *testing.T) {
	m := New(Settings{Watch: "co", OnDelayS: 30, OffDelayS: 60, ShelfS: 7200})
	m.Judge(at(0), Input{Condition: Holding, Priority: Low, Text: "25 ppm"}, nil)
	m.Advance(at(30), nil)
	if _, err := m.Shelve(at(40), at(7000), "T. Oxley", "the coke stove next door", nil); err != nil {
		t.Fatal(err)
	}
	m.Judge(at(100), Input{Condition: Holding, Priority: High, Text: "120 ppm"}, nil)
	if out := m.Advance(at(130), nil); len(out) != 1 || m.State() != Unacknowledged || out[0].Priority != High {
		t.Errorf("got %+v, state %s; want it raised from the shelf at high", out, m.State())
	}
}

func TestWordsGoThroughJSON(t *testing.T) {
	b, err := json.Marshal(Change{At: t0.Time(), Engine: "quillet", Watch: "vacuum", State: ReturnedUnacknowledged, Priority: Medium, Text: "x", Raised: true})
	want := `{"t":"2031-05-04T17:00:00Z","engine":"quillet","watch":"vacuum","state":"returned-unacknowledged","priority":"medium","text":"x"}`
	if err != nil || string(b) != want {
		t.Errorf("got %s, %v; want %s", b, err, want)
	}
	for s := range states {
		var back State
		if err := back.UnmarshalText([]byte(s.String())); err != nil || back != s {
			t.Errorf("%s came back as %s, %v", s, back, err)
		}
	}
	var s State
	if s != Unacknowledged || s.UnmarshalText([]byte("quiet")) == nil || State(99).String() != "unacknowledged" {
		t.Error("what is none must read as unacknowledged, and be refused")
	}
	var p Priority
	if p != High || p.UnmarshalText([]byte("urgent")) == nil || Priority(9).String() != "high" {
		t.Error("what is none must read as high, and be refused")
	}
	var c Condition
	if c != Unknown || c.UnmarshalText([]byte("maybe")) == nil || Condition(9).String() != "unknown" {
		t.Error("what is none must read as unknown, and be refused")
	}
}

func TestRestoreRefusesWhatIsNotItsOwn(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*Saved)
	}{
		{"of another watch", func(s *Saved) { s.Watch = "co" }},
		{"of no state", func(s *Saved) { s.State = 42 }},
		{"shelved without an end", func(s *Saved) { s.State, s.ShelvedUntil = Shelved, 0 }},
	} {
		m := enter(t, Unacknowledged, true)
		s := m.Saved()
		before := s
		c.edit(&s)
		if err := m.Restore(s); err == nil || !reflect.DeepEqual(m.Saved(), before) {
			t.Errorf("%s: got %v, want an error and nothing changed", c.name, err)
		}
	}
}

func TestADelayIsNotCountedOverARestart(t *testing.T) {
	m := New(usual)
	m.Judge(at(0), Input{Condition: Holding, Text: "x"}, nil)
	m.Advance(at(6), nil)
	b, err := json.Marshal(m.Saved())
	if err != nil {
		t.Fatal(err)
	}
	var s Saved
	if err := json.Unmarshal(b, &s); err != nil {
		t.Fatal(err)
	}
	again := New(usual)
	if err := again.Restore(s); err != nil {
		t.Fatal(err)
	}
	out := again.Judge(at(3600), Input{Condition: Holding, Text: "x"}, nil)
	if len(out) != 0 {
		t.Errorf("raised over an hour without data: %v", out)
	}
	if out = again.Advance(at(3604), nil); len(out) != 1 || again.State() != Unacknowledged {
		t.Errorf("after the 4 s that were missing: %v, want it raised", out)
	}
}

func TestFigures(t *testing.T) {
	var s []Settings
	for i := range 12 {
		s = append(s, Settings{Watch: fmt.Sprint("w", i), ShelfS: 3600})
	}
	p, err := NewPanel("quillet", s)
	if err != nil {
		t.Fatal(err)
	}
	set := func(sec float64, i int, c Condition) {
		p.Judge(at(sec), i, Input{Condition: c, Priority: Priority(i % 3), Text: "x"}, nil)
	}
	for i := range 12 {
		set(0, i, Clear)
	}
	if f := p.Figures(at(100)); f.Raised != 0 || f.PerTenMin != 0 || f.Flood || len(f.Standing) != 0 {
		t.Errorf("nothing happened, got %+v", f)
	}
	for i := range 10 {
		set(1000+float64(i)*10, i, Holding)
	}
	if f := p.Figures(at(1100)); f.LastTenMin != 10 || f.PeakTenMin != 10 || f.Flood || f.ByPriority != [3]int{4, 3, 3} || len(f.Standing) != 10 {
		t.Errorf("ten within ten minutes are no flood, got %+v", f)
	}
	set(1110, 10, Holding)
	if f := p.Figures(at(1110)); !f.Flood || f.Floods != 1 || f.PeakTenMin != 11 {
		t.Errorf("eleven within ten minutes are one, got %+v", f)
	}
	f := p.Figures(at(1110 + 1000))
	if f.Flood || f.LastTenMin != 0 || f.PeakTenMin != 11 || !(f.FloodS > 500 && f.FloodS < 600) {
		t.Errorf("the flood is over once no more than five are in the window, got %+v", f)
	}
	if want := 11.0 / (2110.0 / 600); math.Abs(f.PerTenMin-want) > 1e-9 {
		t.Errorf("average %v per 10 min, want %v", f.PerTenMin, want)
	}
	for i := range 3 {
		set(5000+float64(i)*20, 11, Holding)
		set(5010+float64(i)*20, 11, Clear)
	}
	if f := p.Figures(at(5060)); !reflect.DeepEqual(f.Chattering, []string{"w11"}) || f.Chatters != 1 {
		t.Errorf("three within a minute chatter, got %v, %d", f.Chattering, f.Chatters)
	}
	if f := p.Figures(at(5200)); len(f.Chattering) != 0 {
		t.Errorf("a minute later it does not, got %v", f.Chattering)
	}
	if f := p.Figures(at(1010 + 24*3600)); !reflect.DeepEqual(f.Stale, []string{"w0"}) {
		t.Errorf("stale after more than 24 h: %v, want w0 alone", f.Stale)
	}
	if _, err := p.Do("w3", func(m *Machine, out []Change) ([]Change, error) {
		return m.TakeOut(at(90000), "T. Oxley", "mended", out)
	}, nil); err != nil {
		t.Fatal(err)
	}
	var unknown *UnknownError
	if _, err := p.Do("nothing", nil, nil); !errors.As(err, &unknown) {
		t.Errorf("an unknown watch gave %v", err)
	}
	if f := p.Figures(at(90000)); len(f.OutOfService) != 1 || f.Standing[0] != "w0" {
		t.Errorf("got %+v", f)
	}
	if _, err := NewPanel("quillet", append(s, s[0])); err == nil {
		t.Error("a watch twice was taken")
	}
}

// Changes of different alarms come in order of time, and each bears its engine.
func TestPanelKeepsTheOrderOfTime(t *testing.T) {
	p, err := NewPanel("marrow", []Settings{{Watch: "late", OnDelayS: 50}, {Watch: "early", OnDelayS: 10}})
	if err != nil {
		t.Fatal(err)
	}
	p.Judge(at(0), 0, Input{Condition: Holding}, nil)
	p.Judge(at(0), 1, Input{Condition: Holding}, nil)
	if p.Next() != at(10) {
		t.Errorf("next is %v", p.Next().Sub(t0))
	}
	out := p.Advance(at(100), nil)
	if len(out) != 2 || out[0].Watch != "early" || out[1].Watch != "late" || out[0].Engine != "marrow" {
		t.Errorf("got %+v", out)
	}
	saved := p.Saved()
	again, _ := NewPanel("marrow", []Settings{{Watch: "late", OnDelayS: 50}})
	if err := again.Restore(saved); err == nil || again.Get("late").State() != Unacknowledged {
		t.Errorf("restore of a panel with one watch less: %v, %s; want it named and the other restored", err, again.Get("late").State())
	}
}

// A vacuum builds in a sealed boiler, is acknowledged, and is over when the vent
// is opened.
func Example() {
	m := New(Settings{Watch: "vacuum", OnDelayS: 120, OffDelayS: 60})
	show := func(out []Change) {
		for _, c := range out {
			fmt.Println(strings.TrimSpace(fmt.Sprintln(c.At.Format("15:04:05"), c.State, c.Text, c.By)))
		}
	}
	show(m.Judge(at(0), Input{Condition: Holding, Priority: Medium, Text: "-0.15 bar: open the vent"}, nil))
	show(m.Advance(at(300), nil))
	out, err := m.Acknowledge(at(310), "R. Penhalow", nil)
	if err != nil {
		fmt.Println(err)
	}
	show(out)
	show(m.Judge(at(400), Input{Condition: Clear, Text: "0.00 bar"}, nil))
	show(m.Advance(at(1000), nil))
	// Output:
	// 17:02:00 unacknowledged -0.15 bar: open the vent
	// 17:05:10 acknowledged -0.15 bar: open the vent R. Penhalow
	// 17:07:40 normal 0.00 bar
}
