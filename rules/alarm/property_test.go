package alarm

import (
	"encoding/json"
	"reflect"
	"testing"

	"ashlamp/rules/track"
	"pgregory.net/rapid"
)

// reachable are the transitions that there are, from the standard's diagram and, by
// ours, between shelved, suppressed and out of service. The same state twice is a
// priority that rose, a shelf renewed or another reason.
var reachable = map[State][]State{
	Normal:                 {Unacknowledged, Shelved, Suppressed, OutOfService},
	Unacknowledged:         {Unacknowledged, Acknowledged, ReturnedUnacknowledged, Shelved, Suppressed, OutOfService},
	Acknowledged:           {Normal, Unacknowledged, Shelved, Suppressed, OutOfService},
	ReturnedUnacknowledged: {Normal, Unacknowledged, Shelved, Suppressed, OutOfService},
	Shelved:                {Normal, Unacknowledged, Shelved, Suppressed, OutOfService},
	Suppressed:             {Normal, Unacknowledged, Suppressed, OutOfService},
	OutOfService:           {Normal, Unacknowledged, Suppressed},
}

func has(list []State, s State) bool {
	for _, l := range list {
		if l == s {
			return true
		}
	}
	return false
}

// step lets one drawn thing happen to each of the machines, at the same moment, and
// returns what changed on the first.
func step(t *rapid.T, now track.Instant, machines ...*Machine) []Change {
	kind := rapid.IntRange(0, 8).Draw(t, "kind")
	in := Input{
		Condition: Condition(rapid.IntRange(0, 3).Draw(t, "condition")), Priority: Priority(rapid.IntRange(0, 2).Draw(t, "priority")),
		Text: "x", Suppressed: rapid.IntRange(0, 4).Draw(t, "suppressed") == 0,
	}
	length := rapid.Float64Range(-10, 120).Draw(t, "shelf")
	var all [][]Change
	for _, m := range machines {
		var out []Change
		switch kind {
		case 0:
			out, _ = m.Acknowledge(now, "T. Oxley", nil)
		case 1:
			out, _ = m.Shelve(now, now.Add(length), "T. Oxley", "known", nil)
		case 2:
			out, _ = m.Unshelve(now, "T. Oxley", nil)
		case 3:
			out, _ = m.TakeOut(now, "T. Oxley", "mended", nil)
		case 4:
			out, _ = m.PutBack(now, "T. Oxley", nil)
		case 5:
			out = m.Advance(now, nil)
		default:
			out = m.Judge(now, in, nil)
		}
		all = append(all, out)
	}
	for i := range all {
		if !reflect.DeepEqual(all[i], all[0]) {
			t.Fatalf("two machines in the same state answered %+v and %+v", all[0], all[i])
		}
	}
	return all[0]
}

func drawSettings(t *rapid.T) Settings {
	return Settings{
		Watch: "vacuum", OnDelayS: rapid.SampledFrom([]float64{0, 0.3, 10, 60}).Draw(t, "on"), OffDelayS: rapid.SampledFrom([]float64{0, 7, 30}).Draw(t, "off"),
		ReAlarmS: rapid.SampledFrom([]float64{0, 45, 600}).Draw(t, "realarm"), ShelfS: 100,
	}
}

// No sequence loses an alarm: what was raised stays listed until a person has
// acknowledged it or put it aside, or the design suppressed it; and every change is
// one that the diagram has, in order of time.
func TestNoSequenceLosesAnAlarmOrReachesAnUnreachableState(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := New(drawSettings(t))
		now, state := t0, m.State()
		owed, last := false, track.Instant(0)
		for range rapid.IntRange(1, 80).Draw(t, "steps") {
			now = now.Add(rapid.Float64Range(0, 40).Draw(t, "later"))
			for _, c := range step(t, now, m) {
				if !has(reachable[state], c.State) {
					t.Fatalf("went from %s to %s", state, c.State)
				}
				at := track.Of(c.At)
				if at < last || at > now {
					t.Fatalf("a change at %v after one at %v, now %v", at, last, now)
				}
				last = at
				// Who may end what is owed: a person, or the design.
				if owed && c.State != Unacknowledged && c.State != ReturnedUnacknowledged && c.State != Suppressed && c.By == "" {
					t.Fatalf("%s became %s with nobody having seen it", state, c.State)
				}
				state = c.State
				owed = state == Unacknowledged || state == ReturnedUnacknowledged
			}
			if m.State() != state {
				t.Fatalf("the state is %s, the changes led to %s", m.State(), state)
			}
			s := m.Saved()
			if s.In && state == Normal {
				t.Fatalf("normal while it holds")
			}
			if !s.In && (state == Unacknowledged || state == Acknowledged) {
				t.Fatalf("%s while it is clear", state)
			}
			if next := m.Next(); next <= now && next != track.Never {
				t.Fatalf("next is %v, not after now %v", next, now)
			}
			if (state == Shelved) != (s.ShelvedUntil != 0) {
				t.Fatalf("%s with a shelf until %v", state, s.ShelvedUntil)
			}
		}
		// And from wherever it is, a condition that holds is told of in the end.
		if state == OutOfService {
			if _, err := m.PutBack(now, "T. Oxley", nil); err != nil {
				t.Fatal(err)
			}
		}
		m.Judge(now, Input{Condition: Holding, Text: "x"}, nil)
		m.Advance(now.Add(1000), nil)
		if s := m.State(); s != Unacknowledged && s != Acknowledged {
			t.Fatalf("it holds, and the state is %s", s)
		}
	})
}

// A machine that is saved and restored at any moment goes on as one that ran on
// with its condition unknown from there.
func TestSavedAndRestoredIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set := drawSettings(t)
		m := New(set)
		now := t0
		later := func() { now = now.Add(rapid.Float64Range(0, 40).Draw(t, "later")) }
		for range rapid.IntRange(0, 30).Draw(t, "before") {
			later()
			step(t, now, m)
		}
		b, err := json.Marshal(m.Saved())
		if err != nil {
			t.Fatal(err)
		}
		var s Saved
		if err := json.Unmarshal(b, &s); err != nil {
			t.Fatal(err)
		}
		again := New(set)
		if err := again.Restore(s); err != nil {
			t.Fatal(err)
		}
		m.hear(Input{Condition: Unknown})
		for range rapid.IntRange(0, 30).Draw(t, "after") {
			later()
			step(t, now, m, again)
			if m.Saved() != again.Saved() {
				t.Fatalf("restored %+v, ran on %+v", again.Saved(), m.Saved())
			}
			if m.Next() != again.Next() {
				t.Fatalf("next differs")
			}
		}
	})
}

// However the clock is moved, in one stride or to every moment in between, the
// same changes come at the same moments.
func TestStridesOfTheClockDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set := drawSettings(t)
		a, b := New(set), New(set)
		now := t0
		var one, many []Change
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			next := now.Add(rapid.Float64Range(0, 200).Draw(t, "later"))
			for at := now; at < next; at = at.Add(7) {
				many = b.Advance(at, many)
			}
			now = next
			in := Input{Condition: Condition(rapid.IntRange(0, 3).Draw(t, "condition")), Priority: Priority(rapid.IntRange(0, 2).Draw(t, "priority")), Text: "x"}
			one, many = a.Judge(now, in, one), b.Judge(now, in, many)
		}
		if len(one) != len(many) {
			t.Fatalf("%d changes in strides, %d in steps:\n%+v\n%+v", len(one), len(many), one, many)
		}
		for i := range one {
			d := one[i].At.Sub(many[i].At)
			if one[i].State != many[i].State || d > 50000 || d < -50000 {
				t.Fatalf("change %d: %+v and %+v", i, one[i], many[i])
			}
		}
	})
}
