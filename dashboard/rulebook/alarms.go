package rulebook

import (
	"ashlamp/rules/alarm"
	"ashlamp/rules/track"
)

// State is one state of an alarm, and how it leaves it.
type State struct {
	ID, Title, Means string
	Moves            []Move
}

// Move is one way from a state to another.
type Move struct {
	When string
	To   string
}

const (
	begin   = track.Instant(1e15)
	reAlarm = 600
	shelf   = 3600
)

// stimulus is something that can happen to an alarm.
type stimulus struct {
	name string
	do   func(m *alarm.Machine, now track.Instant, is alarm.Condition)
}

// stimuli are all that can happen to an alarm.
func stimuli() []stimulus {
	judge := func(in alarm.Input) func(*alarm.Machine, track.Instant, alarm.Condition) {
		return func(m *alarm.Machine, now track.Instant, _ alarm.Condition) { m.Judge(now, in, nil) }
	}
	// Where a person is refused, the alarm stays as it was: no move.
	return []stimulus{
		{"what it tells of comes about, and lasts for the on-delay", judge(alarm.Input{Condition: alarm.Holding, Priority: alarm.Low})},
		{"what it tells of is over, and stays so for the off-delay", judge(alarm.Input{Condition: alarm.Clear, Priority: alarm.Low})},
		{"it comes to press more than before", func(m *alarm.Machine, now track.Instant, is alarm.Condition) {
			if is == alarm.Holding {
				m.Judge(now, alarm.Input{Condition: is, Priority: alarm.High}, nil)
			}
		}},
		{"a person acknowledges it", func(m *alarm.Machine, now track.Instant, _ alarm.Condition) {
			_, _ = m.Acknowledge(now, "R. Penhalow", nil)
		}},
		{"its time to be raised again has come", func(m *alarm.Machine, now track.Instant, is alarm.Condition) {
			if m.State() == alarm.Acknowledged {
				m.Advance(now.Add(reAlarm), nil)
			}
		}},
		{"a person shelves it, with a reason and an end", func(m *alarm.Machine, now track.Instant, _ alarm.Condition) {
			if m.State() != alarm.Shelved {
				_, _ = m.Shelve(now, now.Add(shelf), "R. Penhalow", "looked into", nil)
			}
		}},
		{"a person takes it from the shelf", func(m *alarm.Machine, now track.Instant, _ alarm.Condition) {
			_, _ = m.Unshelve(now, "R. Penhalow", nil)
		}},
		{"the end of the shelf comes", func(m *alarm.Machine, now track.Instant, _ alarm.Condition) {
			if m.State() == alarm.Shelved {
				m.Advance(now.Add(shelf), nil)
			}
		}},
		{"it becomes meaningless by design", func(m *alarm.Machine, now track.Instant, is alarm.Condition) {
			m.Judge(now, alarm.Input{Condition: is, Priority: alarm.Low, Suppressed: true, Why: "by design"}, nil)
		}},
		{"it has a meaning again", func(m *alarm.Machine, now track.Instant, is alarm.Condition) {
			if m.State() == alarm.Suppressed {
				m.Judge(now, alarm.Input{Condition: is, Priority: alarm.Low}, nil)
			}
		}},
		{"a person takes it out of service, with a reason", func(m *alarm.Machine, now track.Instant, _ alarm.Condition) {
			_, _ = m.TakeOut(now, "R. Penhalow", "away", nil)
		}},
		{"a person puts it back into service", func(m *alarm.Machine, now track.Instant, _ alarm.Condition) {
			_, _ = m.PutBack(now, "R. Penhalow", nil)
		}},
	}
}

// in returns an alarm brought into a state while its condition is so; false where the
// two do not go together.
func in(want alarm.State, is alarm.Condition) (*alarm.Machine, bool) {
	m := alarm.New(alarm.Settings{Watch: "any", ReAlarmS: reAlarm, ShelfS: shelf})
	hear := func(c alarm.Condition, suppressed bool) {
		m.Judge(begin, alarm.Input{Condition: c, Priority: alarm.Low, Suppressed: suppressed, Why: "by design"}, nil)
	}
	var err error
	switch want {
	case alarm.Normal, alarm.Unacknowledged:
		hear(is, false)
	case alarm.Acknowledged:
		hear(is, false)
		_, err = m.Acknowledge(begin, "R. Penhalow", nil)
	case alarm.ReturnedUnacknowledged:
		hear(alarm.Holding, false)
		hear(is, false)
	case alarm.Shelved:
		hear(is, false)
		_, err = m.Shelve(begin, begin.Add(shelf), "R. Penhalow", "looked into", nil)
	case alarm.Suppressed:
		hear(is, true)
	case alarm.OutOfService:
		hear(is, false)
		_, err = m.TakeOut(begin, "R. Penhalow", "away", nil)
	}
	return m, err == nil && m.State() == want
}

// means says what each state is, for people.
func means(s alarm.State) string {
	switch s {
	case alarm.Normal:
		return "There is nothing to tell."
	case alarm.Unacknowledged:
		return "It holds, and nobody has said that they know."
	case alarm.Acknowledged:
		return "It holds, and a person knows of it. Where the watch says so it is raised again after a time."
	case alarm.ReturnedUnacknowledged:
		return "It is over, and nobody knew of it: it stays listed until somebody does."
	case alarm.Shelved:
		return "A person has put it aside, by name and with a reason, until a set time. It is still there, and the list says who did so."
	case alarm.Suppressed:
		return "By design it means nothing now: the phase of the engine makes it so, or its owner has set no limit."
	case alarm.OutOfService:
		return "A person has taken it out of service until a person puts it back, as a node that is put away for the winter."
	}
	return ""
}

// states tells every state of an alarm and every way out of it, found by making the
// machine itself go each way.
func states() []State {
	order := []alarm.State{alarm.Normal, alarm.Unacknowledged, alarm.Acknowledged, alarm.ReturnedUnacknowledged, alarm.Shelved, alarm.Suppressed, alarm.OutOfService}
	var out []State
	for _, from := range order {
		s := State{ID: "alarm-" + from.String(), Title: upper(plain(from.String())), Means: means(from)}
		for _, does := range stimuli() {
			to := map[alarm.Condition]alarm.State{}
			for _, is := range []alarm.Condition{alarm.Holding, alarm.Clear} {
				m, ok := in(from, is)
				if !ok {
					continue
				}
				does.do(m, begin.Add(1), is)
				to[is] = m.State()
			}
			holds, h := to[alarm.Holding]
			over, o := to[alarm.Clear]
			switch {
			case h && o && holds == over:
				s.move(does.name, from, over)
			case h && o:
				s.move(does.name+", and it still holds", from, holds)
				s.move(does.name+", and it is over", from, over)
			case h:
				s.move(does.name, from, holds)
			case o:
				s.move(does.name, from, over)
			}
		}
		out = append(out, s)
	}
	return out
}

func (s *State) move(when string, from, to alarm.State) {
	if from != to {
		s.Moves = append(s.Moves, Move{upper(when), plain(to.String())})
	}
}
