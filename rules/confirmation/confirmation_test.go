package confirmation

import (
	"fmt"
	"testing"

	"ashlamp/rules/track"
)

const t0 = track.Instant(1_935_586_800_000_000)

// TestLapses is the table of the contract: what ends which word, by itself.
func TestLapses(t *testing.T) {
	const never = 0
	opened := []Cause{Pressure, Water, Fire, FireIn, Ended}
	for _, tt := range []struct {
		ids           []string
		after, idling float64
		ends          []Cause
	}{
		{[]string{"vent-open", "cocks-run-dry", "gauge-tried"}, 12 * 3600, never, opened},
		{[]string{"at-blow-down-place", "people-clear"}, never, 600, []Cause{BlownDown, Ended}},
		{[]string{"ash-pan-shut", "brake-tried"}, 3600, never, []Cause{Ended}},
		{[]string{"glasses-proved"}, 1800, never, []Cause{Ended}},
		{[]string{"fire-dropped", "ash-cleared", "smokebox-ajar", "blower-shut", "drain-clear"}, never, never, []Cause{Fire, Ended}},
		{[]string{"plugs-removed"}, never, never, []Cause{Pressure}},
	} {
		for _, id := range tt.ids {
			t.Run(id, func(t *testing.T) {
				for c := Time + 1; c < causes; c++ {
					s := New()
					s.Give(id, "crew", t0)
					s.Seen(c, t0.Add(1))
					want := true
					for _, e := range tt.ends {
						want = want && e != c
					}
					if _, stands := s.Get(id); stands != want {
						t.Errorf("stands is %v after: %s; want %v", stands, c, want)
					}
				}
				for _, by := range []struct {
					what string
					s    float64
				}{{"time", tt.after}, {"an idle pipe", tt.idling}} {
					if by.s == never {
						continue
					}
					s := New()
					s.Give(id, "crew", t0)
					if l := s.Expire(t0.Add(by.s) - 1); len(l) > 0 {
						t.Errorf("lapsed by %s a microsecond before %g s: %v", by.what, by.s, l)
					}
					if got, want := s.Next(), t0.Add(by.s); got != want {
						t.Errorf("lapses by %s after %g s, want %g", by.what, got.Sub(t0), want.Sub(t0))
					}
					if l := s.Expire(t0.Add(by.s)); len(l) != 1 || l[0].Cause != Time {
						t.Errorf("at %g s the lapses are %v, want one by time", by.s, l)
					}
				}
				if tt.after == never && tt.idling == never {
					s := New()
					s.Give(id, "crew", t0)
					if got := s.Next(); got != track.Never {
						t.Errorf("lapses by time after %g s, want never", got.Sub(t0))
					}
				}
			})
		}
	}
}

func TestTableIsWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, d := range Table() {
		if seen[d.ID] {
			t.Errorf("%s stands in the table twice", d.ID)
		}
		seen[d.ID] = true
		if d.Title == "" || d.Question == "" || d.Question[len(d.Question)-1] != '?' {
			t.Errorf("%s: title %q, question %q; want both, the second with a question mark", d.ID, d.Title, d.Question)
		}
		if d.AfterS == 0 && d.IdleS == 0 && len(d.Ends) == 0 {
			t.Errorf("%s: nothing ends it", d.ID)
		}
	}
	for _, id := range []string{
		"glasses-proved", "fire-dropped", "ash-pan-shut", "brake-tried", "at-blow-down-place", "people-clear", "vent-open", "cocks-run-dry",
		"gauge-tried", "blower-shut", "drain-clear", "ash-cleared", "smokebox-ajar", "plugs-removed",
	} {
		if !seen[id] {
			t.Errorf("%s of the contract is not in the table", id)
		}
	}
	if len(seen) != 14 {
		t.Errorf("the table has %d confirmations, want the contract's 14", len(seen))
	}
}

func TestGiveAndWithdraw(t *testing.T) {
	s := New()
	if s.Give("hope", "crew", t0) {
		t.Error("a word that is not known was taken")
	}
	if _, ok := s.Withdraw("hope", t0); ok {
		t.Error("a word that is not known was taken back")
	}
	if _, ok := s.Withdraw("vent-open", t0); ok {
		t.Error("a word that nobody gave was taken back")
	}
	s.Give("vent-open", "R. Penhalow", t0)
	s.Give("vent-open", "T. Oxley", t0.Add(60))
	if g, ok := s.Get("vent-open"); !ok || g.By != "T. Oxley" || g.At != t0.Add(60) {
		t.Errorf("given twice: %v, %v; want the second", g, ok)
	}
	if l, ok := s.Withdraw("vent-open", t0.Add(90)); !ok || l.Cause != TakenBack || l.When != t0.Add(90) {
		t.Errorf("taken back: %v, %v", l, ok)
	}
	if _, ok := s.Get("vent-open"); ok {
		t.Error("stands after it was taken back")
	}
	if l, ok := s.Last("vent-open"); !ok || l.By != "T. Oxley" {
		t.Errorf("last lapse %v, %v; want that of T. Oxley's word", l, ok)
	}
	s.Give("vent-open", "R. Penhalow", t0.Add(120))
	if _, ok := s.Last("vent-open"); ok {
		t.Error("has lapsed, and stands again")
	}
}

// TestWordsAndWhatIsSeenOutOfOrder: what is seen after a word ends it, whichever
// of the two is heard first.
func TestWordsAndWhatIsSeenOutOfOrder(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(s *Standing)
		want bool
	}{
		{"seen a minute before the word", func(s *Standing) { s.Seen(Pressure, t0.Add(-60)); s.Give("vent-open", "", t0) }, true},
		{"seen as it is given", func(s *Standing) { s.Seen(Pressure, t0); s.Give("vent-open", "", t0) }, true},
		{"seen after the moment of a word heard late", func(s *Standing) { s.Seen(Pressure, t0.Add(60)); s.Give("vent-open", "", t0) }, false},
		{"something else seen after it", func(s *Standing) { s.Seen(BlownDown, t0.Add(60)); s.Give("vent-open", "", t0) }, true},
		{"the newest sample, a little older than the word", func(s *Standing) { s.Give("vent-open", "", t0); s.Seen(Pressure, t0.Add(-2)) }, false},
		{"a late sample from before the word", func(s *Standing) { s.Give("vent-open", "", t0); s.SeenLate(Pressure, t0.Add(-2)) }, true},
		{"a late sample from after the word", func(s *Standing) { s.Give("vent-open", "", t0); s.SeenLate(Pressure, t0.Add(2)) }, false},
	} {
		s := New()
		tt.do(s)
		if _, got := s.Get("vent-open"); got != tt.want {
			t.Errorf("%s: stands is %v, want %v", tt.name, got, tt.want)
		}
	}
}

func TestARunningPipeKeepsTheWordsAboutThePlace(t *testing.T) {
	s := New()
	s.Give("people-clear", "", t0)
	s.PipeRunning(t0.Add(599))
	s.PipeRunning(t0.Add(300)) // heard late
	if l := s.Expire(t0.Add(1198)); len(l) > 0 {
		t.Errorf("lapsed %v while the pipe ran 599 s before", l)
	}
	if l := s.Expire(t0.Add(1199)); len(l) != 1 || l[0].When != t0.Add(1199) {
		t.Errorf("lapses %v, want one at 1199 s", l)
	}
}

func TestLapsesComeInTheOrderOfTheTable(t *testing.T) {
	for range 20 {
		s := New(Declaration{ID: "tanks-dipped", Ends: []Cause{Ended}})
		for _, id := range []string{"drain-clear", "tanks-dipped", "glasses-proved", "vent-open", "ash-cleared"} {
			s.Give(id, "", t0)
		}
		var got []string
		for _, l := range s.Seen(Ended, t0) {
			got = append(got, l.ID)
		}
		if want := "[glasses-proved ash-cleared vent-open drain-clear tanks-dipped]"; fmt.Sprint(got) != want {
			t.Fatalf("lapsed in the order %v, want %s", got, want)
		}
		if all := s.All(); len(all) != 0 {
			t.Fatalf("%v stand, want none", all)
		}
	}
}

func TestAWordOfItsOwn(t *testing.T) {
	s := New(Declaration{ID: "tanks-dipped", AfterS: 60})
	if d, ok := s.Declared("tanks-dipped"); !ok || d.AfterS != 60 {
		t.Errorf("declared %v, %v", d, ok)
	}
	if _, ok := New().Declared("tanks-dipped"); ok {
		t.Error("known to an engine that does not name it")
	}
	if got := s.Until("tanks-dipped"); got != track.Never {
		t.Errorf("a word that does not stand lapses at %d, want never", got)
	}
}
