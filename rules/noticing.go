package rules

import (
	"math"
	"strings"

	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/forecast"
	"ashlamp/rules/notice"
	"ashlamp/rules/telemetry"
)

// forecastLookS is how old, in seconds of data, a forecast may be by which it is judged
// whether one moved: that takes minutes.
const forecastLookS = 60

// Standing fills in how the engine stands, as far as it can be worth a ring; with rest,
// also what a resting engine is in need of, which changes over hours. It forms no
// sentences and uses the memory of s again, so that it can be asked often.
func (j *Judge) Standing(s *notice.Standing, rest bool) {
	s.Clear()
	s.At, s.Engine, s.Name, s.Phase = j.now.Time(), j.engine.ID, j.engine.Name, j.d.Phase()
	if begun, open := j.d.Open(); open {
		s.Begun = begun.Time()
	}
	s.Relit = j.fireSeen()
	for i := range j.steps {
		if j.steps[i].step.ID == "house" {
			j.houseStanding(s, &j.steps[i])
		}
	}
	if p := s.Phase; j.f != nil && !s.Begun.IsZero() && (p == disposal.Emptied || p == disposal.Cooling) {
		last := j.f.last
		if last == nil || j.now.Sub(j.f.made) >= forecastLookS {
			last = j.Forecasts()
		}
		for _, f := range last {
			if f.Target == forecast.House && f.Assuming == forecast.AsIs {
				s.Forecast = notice.Expected{ETA: timeOf(f.ETA), Lo: timeOf(f.Lo), Hi: timeOf(f.Hi)}
			}
		}
	}
	table := j.w.board.Table()
	for i := range table {
		m := j.w.board.Panel.At(i)
		if m.State() == alarm.Normal {
			continue
		}
		a := m.Saved()
		w := notice.Watch{
			ID: a.Watch, Title: table[i].Title, Action: table[i].Action, State: a.State, Priority: a.Priority,
			Since: a.Since.Time(), Text: a.Text, By: a.By,
		}
		switch {
		case a.State == alarm.Suppressed:
			w.Text = a.SuppressedFor
		case a.Why != "":
			w.Text = a.Why
		}
		s.Alarms = append(s.Alarms, w)
	}
	if rest {
		j.restStanding(s)
	}
}

func (j *Judge) houseStanding(s *notice.Standing, house *stepState) {
	s.House = house.verdict
	for _, i := range house.wasFor {
		n := &j.needs[i]
		e := notice.Evidence{Title: n.decl.Title, Verdict: n.finding.Verdict}
		// What samples and a word show together is not by word alone.
		if word := n.decl.WordNow(j.k); word != "" && n.decl.ID != "fire-out" {
			e.Word, e.Given = true, j.stands(word)
		}
		s.Evidence = append(s.Evidence, e)
	}
}

func (j *Judge) restStanding(s *notice.Standing) {
	s.Rested = true
	r := j.Rest()
	if r.Known {
		s.Damp = r.Air.Band
	}
	for _, m := range r.Reminders {
		// Those of the morning are for who lights the fire; and of a rest that nobody said
		// begins nothing is known that would be worth a ring.
		if m.Before == "" && !r.Since.IsZero() {
			s.Reminders = append(s.Reminders, notice.Reminder{ID: m.ID, Text: m.Text})
		}
	}
	for _, t := range j.k.Tracks() {
		name, ok := strings.CutPrefix(string(t.ID()), telemetry.BatteryPrefix)
		if !ok {
			continue
		}
		left := math.NaN()
		if v, fresh := t.Fresh(j.now); fresh {
			left = v
		}
		s.Batteries = append(s.Batteries, notice.Charge{ID: string(t.ID()), Name: name, Left: left})
	}
}
