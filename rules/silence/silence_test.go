package silence_test

import (
	"strings"
	"testing"
	"time"

	"ashlamp/rules/notice"
	"ashlamp/rules/silence"
)

var (
	start  = time.Date(2031, 5, 4, 16, 0, 0, 0, time.UTC)
	london = func() *time.Location {
		z, err := time.LoadLocation("Europe/London")
		if err != nil {
			panic(err)
		}
		return z
	}()
)

// ear is a neighbour that is looked at as the daemon does.
type ear struct {
	t   *testing.T
	n   *silence.Neighbour
	now time.Time
	// said is every turn, at its moment.
	said []notice.Notice
	kept silence.Told
	// refuse is that nothing can be kept.
	refuse bool
}

func listen(t *testing.T, told silence.Told) *ear {
	e := &ear{t: t, now: start, kept: told}
	e.n = silence.Follow("millrace", "Millrace", london, told, start)
	e.n.Link(true)
	return e
}

// pass lets time pass, with a word every ten seconds where up.
func (e *ear) pass(d time.Duration, up bool) {
	for until := e.now.Add(d); e.now.Before(until); {
		e.now = e.now.Add(silence.LookEvery)
		if up && e.now.Sub(start)%(10*time.Second) == 0 {
			e.up()
		}
		e.look()
	}
}

func (e *ear) up() {
	// The other's clock is an hour off: only the span counts.
	at := e.now.Add(-time.Hour)
	e.n.Hear(silence.Word{Up: true, At: at, Until: at.Add(silence.Grace)}, e.now)
}

func (e *ear) look() {
	n, told, ok := e.n.Look(e.now)
	if !ok {
		return
	}
	again, _, _ := e.n.Look(e.now)
	if again.Cause != n.Cause || again.N != n.N {
		e.t.Errorf("looked at again before it was kept: %+v, then %+v", n, again)
	}
	if e.refuse {
		return
	}
	e.n.Tell(told)
	e.kept = told
	e.said = append(e.said, n)
}

func (e *ear) want(turns ...notice.Turn) {
	e.t.Helper()
	ok := len(turns) == len(e.said)
	for i := range turns {
		ok = ok && e.said[i].Turn == turns[i] && e.said[i].N == i+1 && e.said[i].Cause == e.said[0].Cause
	}
	if !ok {
		e.t.Fatalf("told %+v, want %v of one cause", e.said, turns)
	}
}

func TestANeighbourThatDiesIsTold(t *testing.T) {
	e := listen(t, silence.Told{})
	e.pass(10*time.Minute, true)
	e.want()
	// The broker speaks its last will, the moment after its last word but one.
	last := e.now
	e.n.Hear(silence.Word{}, e.now)
	e.pass(10*time.Minute, false)
	e.want(notice.Began)
	n := e.said[0]
	if d := n.At.Sub(last); d > silence.FoundWithin || d < 10*time.Second {
		t.Errorf("found %s after the death, want within %s and no sooner than a restart takes", d, silence.FoundWithin)
	}
	if n.Kind != notice.Lost || n.Engine != "" || n.Name != "Millrace" || n.Subject != "daemon/millrace" || !strings.HasPrefix(n.Cause, "/lost/daemon/millrace/20310504t16") {
		t.Errorf("notice %+v", n)
	}
	if n.Facts.Text != "Last heard 17:10. It ended without a goodbye." || !strings.Contains(n.Facts.Action, "look at its board") {
		t.Errorf("says %q, %q", n.Facts.Text, n.Facts.Action)
	}
	// It comes up again, and stays.
	e.up()
	e.look()
	e.want(notice.Began, notice.Over)
	e.pass(10*time.Minute, true)
	e.want(notice.Began, notice.Over)
	if e.kept.Cause != "" {
		t.Errorf("kept as told is %+v, want nothing", e.kept)
	}
	// The next time is a cause of its own.
	e.pass(time.Minute, false)
	if len(e.said) != 3 || e.said[2].Cause == n.Cause || e.said[2].N != 1 || e.said[2].Turn != notice.Began {
		t.Errorf("told %+v, want a new cause", e.said[2:])
	}
}

func TestWhatIsNoSilence(t *testing.T) {
	for _, tt := range []struct {
		name string
		play func(*ear)
	}{
		{"a restart", func(e *ear) {
			e.n.Hear(silence.Word{At: e.now}, e.now)
			e.pass(15*time.Second, false)
		}},
		{"two words that went astray", func(e *ear) { e.pass(28*time.Second, false) }},
		{"this board slept", func(e *ear) { e.now = e.now.Add(8 * time.Hour); e.look() }},
		{"this clock was set back", func(e *ear) { e.now = e.now.Add(-time.Hour); e.look(); e.pass(20*time.Second, false) }},
		{"a broker away for a moment", func(e *ear) { e.n.Link(false); e.pass(20*time.Second, false); e.n.Link(true) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := listen(t, silence.Told{})
			e.pass(time.Minute, true)
			tt.play(e)
			e.up()
			e.pass(10*time.Minute, true)
			e.want()
		})
	}
}

func TestWhatIsSilence(t *testing.T) {
	for _, tt := range []struct {
		name   string
		play   func(*ear)
		text   string
		within time.Duration // from the end of play
	}{
		{"never heard", func(*ear) {}, "It has never been heard.", silence.FoundWithin},
		{"a word that the broker had kept", func(e *ear) {
			e.n.Hear(silence.Word{Up: true, At: e.now.Add(-48 * time.Hour), Until: e.now.Add(time.Hour), Kept: true}, e.now)
		}, "Last heard Fri 2 May 17:00.", silence.FoundWithin},
		{"a kept word over and over", func(e *ear) {
			for range 20 {
				e.n.Hear(silence.Word{Up: true, Kept: true}, e.now)
				e.pass(2*time.Second, false)
			}
		}, "It has not been heard for a while.", 2 * time.Second},
		{"a hung daemon: its word runs out, no will comes", func(e *ear) { e.pass(time.Minute, true) }, "Last heard 17:01.", silence.FoundWithin},
		{"stopped by somebody", func(e *ear) {
			e.pass(time.Minute, true)
			e.n.Hear(silence.Word{At: e.now}, e.now)
		}, "Stopped 17:01. It has not come back.", silence.FoundWithin},
		{"killed with its broker", func(e *ear) { e.pass(time.Minute, true); e.n.Link(false) }, "Last heard 17:01. Its broker does not answer.", silence.FoundWithin},
		{"an until of a year", func(e *ear) {
			e.n.Hear(silence.Word{Up: true, At: e.now, Until: e.now.AddDate(1, 0, 0)}, e.now)
		}, "Last heard 17:00.", silence.FoundWithin},
		{"an until before its time", func(e *ear) {
			e.n.Hear(silence.Word{Up: true, At: e.now, Until: e.now.Add(-time.Hour)}, e.now)
		}, "Last heard 17:00.", silence.FoundWithin},
		{"a will, then the clock set on and back", func(e *ear) {
			e.pass(time.Minute, true)
			e.n.Hear(silence.Word{}, e.now)
			e.now = e.now.Add(-10 * time.Second)
			e.look()
		}, "Last heard 17:01. It ended without a goodbye.", silence.FoundWithin},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := listen(t, silence.Told{})
			tt.play(e)
			from := e.now
			if len(e.said) > 0 && !strings.Contains(tt.name, "over and over") {
				t.Fatalf("told already: %+v", e.said)
			}
			e.pass(10*time.Minute, false)
			e.want(notice.Began)
			if d := e.said[0].At.Sub(from); d > tt.within {
				t.Errorf("found after %s, want within %s", d, tt.within)
			}
			if e.said[0].Facts.Text != tt.text {
				t.Errorf("says %q, want %q", e.said[0].Facts.Text, tt.text)
			}
		})
	}
}

// TestARestartTellsNothingTwice: of the silence, nor of its end, and loses neither.
func TestARestartTellsNothingTwice(t *testing.T) {
	e := listen(t, silence.Told{})
	e.refuse = true // a full disk
	e.pass(5*time.Minute, false)
	e.want()
	e.refuse = false
	e.pass(5*time.Minute, false)
	e.want(notice.Began)
	if d := e.said[0].Began.Sub(start); d != silence.Grace {
		t.Errorf("kept late, it began %s after the start, want %s: the cause keeps its name", d, silence.Grace)
	}
	again := listen(t, e.kept)
	again.pass(5*time.Minute, false)
	again.want()
	again.up()
	again.look()
	if len(again.said) != 1 || again.said[0].Turn != notice.Over || again.said[0].N != 2 || again.said[0].Cause != e.said[0].Cause {
		t.Errorf("told %+v, want the end of %s", again.said, e.said[0].Cause)
	}
	// A kept word, or this board's sleep, ends no silence.
	third := listen(t, e.kept)
	third.n.Hear(silence.Word{Up: true, At: third.now, Until: third.now.Add(time.Minute), Kept: true}, third.now)
	third.look()
	third.now = third.now.Add(time.Hour)
	third.pass(10*time.Second, false)
	third.want()
	if n, ok := silence.Dropped("millrace", e.kept, start); !ok || n.Turn != notice.Over || n.N != 2 || n.Cause != e.said[0].Cause {
		t.Errorf("dropped: %+v, %t", n, ok)
	}
	if _, ok := silence.Dropped("millrace", silence.Told{}, start); ok {
		t.Error("a neighbour of which nothing was told is told to be over")
	}
}

// life is a daemon's run after run on one disk.
type life struct {
	t    *testing.T
	disk silence.Mark
	said []notice.Notice
}

// run looks every two seconds for so long, by a clock that stands at first and is put
// right by so much after a while.
func (l *life) run(first time.Time, d, after, by time.Duration, judging func(time.Duration) bool, part bool) {
	o := silence.Start("fernhollow", "Fernhollow shed", london, l.disk)
	now := first
	for running := time.Duration(0); running <= d; running += silence.LookEvery {
		now = first.Add(running)
		if running >= after {
			now = now.Add(by)
		}
		m, mark, n, tell := o.Look(now, running, judging == nil || judging(running))
		if tell && !mark {
			l.t.Fatal("something is told and nothing marked: it would be told again")
		}
		if mark {
			l.disk = m
			if tell {
				l.said = append(l.said, n)
			}
			o.Marked(m, tell, running)
		}
	}
	if m, ok := o.Part(now); part && ok {
		l.disk = m
	}
}

func TestADeadDaemonIsToldOnce(t *testing.T) {
	always := time.Duration(1 << 62)
	for _, tt := range []struct {
		name string
		play func(*life)
		want string // title and text of the only notice; empty for none
	}{
		{"the first start of all", func(l *life) { l.run(start, time.Hour, always, 0, nil, false) }, ""},
		{"killed and started at once", func(l *life) {
			l.run(start, time.Hour, always, 0, nil, false)
			l.run(start.Add(time.Hour+20*time.Second), time.Hour, always, 0, nil, false)
		}, ""},
		{"dead for an hour and a half", func(l *life) {
			l.run(start, time.Hour, always, 0, nil, false)
			l.run(start.Add(150*time.Minute), time.Hour, always, 0, nil, false)
			l.run(start.Add(210*time.Minute+time.Minute), time.Hour, always, 0, nil, false)
		}, "Nothing was judged from 18:00 to 19:30. The daemon did not run, and was not stopped by anybody"},
		{"stopped overnight", func(l *life) {
			l.run(start, time.Hour, always, 0, nil, true)
			l.run(start.Add(16*time.Hour), time.Hour, always, 0, nil, true)
		}, "Nothing was judged from Sun 4 May 18:00 to 09:00. The daemon had been stopped."},
		{"killed before its first mark is made again", func(l *life) {
			l.run(start, time.Hour, always, 0, nil, false)
			l.run(start.Add(2*time.Hour), time.Hour, always, 0, func(time.Duration) bool { return false }, false)
			l.run(start.Add(4*time.Hour), time.Hour, always, 0, nil, false)
		}, "Nothing was judged from 18:00 to 21:00. "},
		{"a board without a clock, put right after a minute", func(l *life) {
			l.run(start, time.Hour, always, 0, nil, false)
			l.run(start.Add(40*time.Minute), time.Hour, time.Minute, 80*time.Minute, nil, false)
		}, "Nothing was judged from 18:00 to 19:00. "},
		{"a board without a clock that is never put right", func(l *life) {
			l.run(start, time.Hour, always, 0, nil, false)
			l.run(start.Add(-24*time.Hour), time.Hour, always, 0, nil, false)
			if !l.disk.At.Equal(start.Add(-23 * time.Hour)) {
				l.t.Errorf("marked last %s: the clock was not taken at its word", l.disk.At)
			}
		}, ""},
		{"the clock put on by a day in the evening", func(l *life) { l.run(start, time.Hour, 30*time.Minute, 24*time.Hour, nil, false) }, ""},
		{"a judgement that stood still", func(l *life) {
			l.run(start, time.Hour, always, 0, func(d time.Duration) bool { return d < 20*time.Minute || d > 30*time.Minute }, false)
		}, "Nothing was judged from 17:19 to 17:30. The daemon ran and its judgement stood still"},
		{"a judgement that stood still for a moment", func(l *life) {
			l.run(start, time.Hour, always, 0, func(d time.Duration) bool { return d < 20*time.Minute || d > 21*time.Minute }, false)
		}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := &life{t: t}
			tt.play(l)
			if tt.want == "" {
				if len(l.said) > 0 {
					t.Errorf("told %+v, want nothing", l.said)
				}
				return
			}
			if len(l.said) != 1 {
				t.Fatalf("told %d times, want once: %+v", len(l.said), l.said)
			}
			n := l.said[0]
			if got := n.Facts.Title + ". " + n.Facts.Text; !strings.HasPrefix(got, tt.want) {
				t.Errorf("says %q, want %q", got, tt.want)
			}
			if n.Kind != notice.Lost || n.Engine != "" || n.Name != "Fernhollow shed" || n.Turn != notice.Began || n.N != 1 || !strings.HasPrefix(n.Cause, "/lost/daemon/fernhollow/") {
				t.Errorf("notice %+v", n)
			}
		})
	}
}

func TestTheLinesSayEnough(t *testing.T) {
	e := listen(t, silence.Told{})
	e.pass(time.Minute, true)
	e.pass(time.Minute, false)
	e.up()
	e.look()
	l := &life{t: t}
	l.run(start, time.Hour, 1<<62, 0, nil, false)
	l.run(start.Add(150*time.Minute), time.Minute, 1<<62, 0, nil, false)
	for i, tt := range []struct {
		n    notice.Notice
		want string
	}{
		{e.said[0], "Millrace: its daemon is heard no longer. Last heard 17:01. Nobody judges there: look at its board."},
		{e.said[1], "Millrace: no longer so: its daemon's silence. Heard again at 17:02."},
		{l.said[0], "Fernhollow shed: nothing was judged from 18:00 to 19:30. Look at each engine again."},
	} {
		if got := notice.Line(tt.n, notice.Units{}, london); !strings.HasPrefix(got, tt.want[:20]) || len([]rune(got)) > notice.LineMax {
			t.Errorf("line %d: %q", i, got)
		} else {
			t.Log(got)
			if got != tt.want {
				t.Errorf("line %d:\n%s\nwant\n%s", i, got, tt.want)
			}
		}
	}
}
