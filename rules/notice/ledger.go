package notice

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/layup"
)

// Figures of what is worth a ring. Common practice, no source, where none stands beside
// one.
const (
	// SettleS is for how long, in seconds, what was proven and lost again must hold
	// before it is told anew: a poor link must not ring all night.
	SettleS = 300
	// FloodN alarms within FloodS seconds are told one by one; those that follow are put
	// together, but for the high ones. EEMUA 191 (from memory) has ten in ten minutes as
	// more than a person can bear; on a phone fewer are.
	FloodN = 3
	FloodS = 60
	// RemindS is for how long a reminder must stand: the crew is about for a while after
	// the engine was housed.
	RemindS = 3600
	// DampS is for how long the air at the steel must be wet (over 80 %RH, ISO 9223).
	DampS = 24 * 3600
	// BatteryLow and BatteryDead are the parts of the charge under which a battery is
	// told and told again; BatteryBack the part from which it is well.
	BatteryLow, BatteryDead, BatteryBack = 0.20, 0.05, 0.30
	// triedS is for how long a cause whose writing failed keeps its beginning.
	triedS = 900
)

const (
	dampTitle  = "The air at the steel has been wet for a day"
	dampAction = "Keep damp air out, or warm the firebox a little."
)

// Several is the subject of the notice that puts alarms together.
const Several = "several"

// Ledger is what has been told of an engine and is not over, and what must have held for
// a while before it is told. The zero value has told nothing. Its JSON is kept over a
// restart. It is not safe for concurrent use.
type Ledger struct {
	// Open are the causes that are not over, as they were last told.
	Open []Cause `json:"open,omitempty"`
	// Begun is the disposal that the following belong to.
	Begun time.Time `json:"begun,omitzero"`
	Cool  Settling  `json:"cool,omitzero"`
	Ready Settling  `json:"ready,omitzero"`
	Moved Moving    `json:"moved,omitzero"`
	// Recent are when the last alarms began, as many as are told one by one.
	Recent [FloodN]time.Time `json:"recent,omitzero"`
	// Ended are the names of the causes that were over at the moment EndedAt: another that
	// begins at the same moment must not bear the name of one.
	Ended   []string  `json:"ended,omitempty"`
	EndedAt time.Time `json:"ended_at,omitzero"`
	// Waiting are reminders that have not stood for long enough.
	Waiting []Pending `json:"waiting,omitempty"`

	tried []tried
}

// Cause is a cause that is not over.
type Cause struct {
	Notice
	// Members are the alarms that it puts together.
	Members []Member `json:"members,omitempty"`
}

// Member is an alarm that was put together with others.
type Member struct {
	Watch    string         `json:"watch"`
	Title    string         `json:"title"`
	Priority alarm.Priority `json:"priority"`
	Seen     bool           `json:"seen,omitempty"`
	Told     bool           `json:"told,omitempty"`
}

// Settling is how something proven was lost in a disposal.
type Settling struct {
	// Lost is when it last was; zero for never. Since is from when it has held again.
	Lost  time.Time `json:"lost,omitzero"`
	Since time.Time `json:"since,omitzero"`
}

// Pending is a reminder that stands since a moment.
type Pending struct {
	ID    string    `json:"id"`
	Since time.Time `json:"since"`
}

type tried struct {
	kind    Kind
	subject string
	began   time.Time
}

// Load reads what was kept of a ledger.
func Load(b []byte) (Ledger, error) {
	var l Ledger
	if err := json.Unmarshal(b, &l); err != nil {
		return Ledger{}, fmt.Errorf("read what has been told: %w", err)
	}
	for _, c := range l.Open {
		if c.Cause == "" || c.N < 1 {
			return Ledger{}, fmt.Errorf("read what has been told: a cause has no name or no turn (%q, %d)", c.Cause, c.N)
		}
	}
	return l, nil
}

// Copy makes l the same as from, using its own memory again. What a cause holds is never
// changed in place, so that both may go on.
func (l *Ledger) Copy(from *Ledger) {
	open, waiting, ended, tries := l.Open[:0], l.Waiting[:0], l.Ended[:0], l.tried[:0]
	*l = *from
	l.Open, l.Waiting = append(open, from.Open...), append(waiting, from.Waiting...)
	l.Ended, l.tried = append(ended, from.Ended...), append(tries, from.tried...)
}

// Failed says that notices of this ledger's successor could not be written: told again,
// their causes keep their names, in case they were written after all.
func (l *Ledger) Failed(ns []Notice) {
	for _, n := range ns {
		same := func(t tried) bool { return t.kind == n.Kind && t.subject == n.Subject }
		if n.Turn == Began && !slices.ContainsFunc(l.tried, same) {
			l.tried = append(l.tried, tried{n.Kind, n.Subject, n.Began})
		}
	}
}

// following is one look at a standing.
type following struct {
	*Ledger
	s   *Standing
	out []Notice
}

// Follow takes how the engine stands and returns what is to be told, in order. The same
// standing twice tells nothing the second time.
func (l *Ledger) Follow(s *Standing) []Notice {
	f := following{Ledger: l, s: s}
	if !s.At.Equal(l.EndedAt) {
		l.Ended, l.EndedAt = l.Ended[:0], time.Time{}
	}
	l.tried = slices.DeleteFunc(l.tried, func(t tried) bool { return s.At.Sub(t.began).Seconds() > triedS })
	if !s.Begun.IsZero() && !s.Begun.Equal(l.Begun) {
		for _, k := range []Kind{CoolEnough, Ready, Moved} {
			f.over(f.find(k, ""), Facts{Text: "Another putting away has begun."})
		}
		l.Begun, l.Cool, l.Ready, l.Moved = s.Begun, Settling{}, Settling{}, Moving{}
	}
	f.house()
	f.alarms()
	if s.Rested {
		f.rest()
		f.batteries()
	}
	return f.out
}

func (f *following) find(k Kind, subject string) *Cause {
	for i := range f.Open {
		if c := &f.Open[i]; c.Kind == k && c.Subject == subject {
			return c
		}
	}
	return nil
}

// begin tells a new cause.
func (f *following) begin(k Kind, subject string, began time.Time, p alarm.Priority, facts Facts, members []Member) {
	for i, t := range f.tried {
		if t.kind == k && t.subject == subject {
			began = t.began
			f.tried = slices.Delete(f.tried, i, i+1)
			break
		}
	}
	name := f.s.Engine + "/" + string(k)
	if subject != "" {
		name += "/" + subject
	}
	cause := name + began.UTC().Format("/20060102t150405.999999z")
	for slices.Contains(f.Ended, cause) {
		began = began.Add(time.Microsecond)
		cause = name + began.UTC().Format("/20060102t150405.999999z")
	}
	n := Notice{
		Cause: cause, N: 1, Turn: Began, Kind: k, Subject: subject,
		Engine: f.s.Engine, Name: f.s.Name, OfShed: ofShed(k, subject), At: f.s.At, Began: began, Priority: p, Facts: facts,
	}
	f.Open = append(f.Open, Cause{n, members})
	f.out = append(f.out, n)
}

// turn tells that a cause took a turn.
func (f *following) turn(c *Cause, t Turn) {
	c.N++
	c.Turn, c.At, c.Name = t, f.s.At, f.s.Name
	f.out = append(f.out, c.Notice)
}

// over tells that a cause, where there is one, is no longer so. Why is added to what is
// known of it.
func (f *following) over(c *Cause, why Facts) {
	if c == nil {
		return
	}
	c.Facts = Facts{
		Title: c.Facts.Title, Among: c.Facts.Among, Was: c.Facts.Was, ETA: c.Facts.ETA,
		Text: why.Text, By: why.By, Done: why.Done,
	}
	f.turn(c, Over)
	f.Ended, f.EndedAt = append(f.Ended, c.Cause), f.s.At
	i := slices.IndexFunc(f.Open, func(o Cause) bool { return o.Cause == c.Cause })
	f.Open = slices.Delete(f.Open, i, i+1)
}

// house follows cool enough, ready and the forecast.
func (f *following) house() {
	work, why, done := f.s.atWork()
	cool, yet, notCool := f.s.cool()
	ready, notReady := f.s.ready()
	if cool && len(yet) == 0 && !ready {
		cool, notCool = false, notReady // a list and a verdict that disagree prove nothing
	}
	if !work {
		cool, ready, notCool, notReady = false, false, why, why
	}
	switch {
	case !work:
		f.moved(false, Facts{Text: why, Done: done})
	case cool:
		f.moved(false, Facts{Text: "It is cool enough now.", Done: true})
	default:
		f.moved(f.s.Phase == disposal.Emptied || f.s.Phase == disposal.Cooling, Facts{Text: "What is done about it has changed."})
	}
	f.settle(&f.Cool, CoolEnough, cool, Facts{Yet: yet}, Facts{Text: notCool, Done: done && !work})
	f.settle(&f.Ledger.Ready, Ready, ready, Facts{}, Facts{Text: notReady, Done: done && !work})
}

func (f *following) settle(s *Settling, k Kind, holds bool, facts, not Facts) {
	c := f.find(k, "")
	switch {
	case !holds:
		s.Since = time.Time{}
		if c != nil {
			s.Lost = f.s.At
			f.over(c, not)
		}
	case c != nil:
		c.Facts = facts // what is yet to be confirmed grows less; nobody is rung for it
	default:
		if s.Since.IsZero() {
			s.Since = f.s.At
		}
		if s.Lost.IsZero() || f.s.At.Sub(s.Since).Seconds() >= SettleS {
			f.begin(k, "", f.s.At, alarm.Medium, facts, nil)
		}
	}
}

// kindOf returns as what the alarm of a watch is told.
func kindOf(watch string) Kind {
	switch watch {
	case "node-lost":
		return Lost
	case "frost", "condensation":
		return LayUp
	}
	return Alarm
}

// ofShed reports whether it is the shed's own, which every engine's judgement finds.
func ofShed(k Kind, subject string) bool {
	return k == Alarm && (subject == "co" || subject == "store-trouble")
}

// Answerable reports whether a person can acknowledge it, and so spare others: it is an
// alarm of an engine, or several.
func (n Notice) Answerable() bool {
	_, watch := briefs[n.Subject]
	return n.Engine != "" && (n.Kind == Alarm || watch && n.Kind == kindOf(n.Subject))
}

// Within reports whether another notice of the same moment says all that this one does:
// cool enough, with nothing left to confirm, beside ready. Who is told that one need not
// be told this.
func (n Notice) Within() (other Kind, yes bool) {
	return Ready, n.Kind == CoolEnough && n.Turn == Began && len(n.Facts.Yet) == 0
}

func stands(s alarm.State) bool { return s == alarm.Unacknowledged || s == alarm.Acknowledged }

func (f *following) alarms() {
	var begins []*Watch
	for i := range f.s.Alarms {
		w := &f.s.Alarms[i]
		if !stands(w.State) {
			continue
		}
		c := f.find(kindOf(w.ID), w.ID)
		facts := Facts{Title: w.Title, Action: w.Action, Text: w.Text}
		switch {
		case c == nil:
			if w.State == alarm.Unacknowledged && !f.together(w) {
				begins = append(begins, w)
			}
		case w.State == alarm.Unacknowledged && (c.Acknowledged || w.Priority < c.Priority):
			c.Acknowledged, c.Priority, c.Facts = false, w.Priority, facts
			f.turn(c, Worse)
		case w.State == alarm.Acknowledged && !c.Acknowledged:
			c.Acknowledged, c.Facts = true, facts
			c.Facts.By = w.By
			f.turn(c, Seen)
		}
	}
	// What ended first: it makes room for what begins.
	for i := 0; i < len(f.Open); {
		c := &f.Open[i]
		if c.Subject == Several || c.Kind != kindOf(c.Subject) {
			i++
			continue // no alarm of its own
		}
		w := f.watch(c.Subject)
		if w != nil && stands(w.State) {
			i++
			continue
		}
		why := Facts{}
		if w != nil && w.State != alarm.ReturnedUnacknowledged {
			why.Text, why.By = w.Text, w.By
		}
		f.over(c, why)
	}
	slices.SortStableFunc(begins, func(a, b *Watch) int { return int(a.Priority) - int(b.Priority) })
	var more []Member
	for _, w := range begins {
		if k := kindOf(w.ID); k == Alarm && w.Priority != alarm.High && f.flooded() {
			more = append(more, Member{Watch: w.ID, Title: w.Title, Priority: w.Priority})
			continue
		} else if k == Alarm {
			copy(f.Recent[:], f.Recent[1:])
			f.Recent[FloodN-1] = f.s.At
		}
		f.begin(kindOf(w.ID), w.ID, w.Since, w.Priority, Facts{Title: w.Title, Action: w.Action, Text: w.Text}, nil)
	}
	f.several(more)
}

func (f *following) watch(id string) *Watch {
	for i := range f.s.Alarms {
		if f.s.Alarms[i].ID == id {
			return &f.s.Alarms[i]
		}
	}
	return nil
}

// flooded reports whether so many alarms began just now that more must not ring alone.
func (f *following) flooded() bool {
	return !f.Recent[0].IsZero() && f.s.At.Sub(f.Recent[0]).Seconds() < FloodS
}

// together reports whether an alarm has been put together with others and is to stay
// there: one that has become high is told by itself.
func (f *following) together(w *Watch) bool {
	c := f.find(Alarm, Several)
	if c == nil {
		return false
	}
	i := slices.IndexFunc(c.Members, func(m Member) bool { return m.Watch == w.ID })
	if i < 0 {
		return false
	}
	if w.Priority == alarm.High {
		c.Members = slices.Delete(slices.Clone(c.Members), i, i+1)
		return false
	}
	return true
}

// several follows the alarms that are put together, more of them joining.
func (f *following) several(more []Member) {
	c := f.find(Alarm, Several)
	if c == nil {
		if len(more) > 0 {
			for i := range more {
				more[i].Told = true
			}
			f.begin(Alarm, Several, f.s.At, most(more), among(more), more)
		}
		return
	}
	var left []Member
	fresh := false
	for _, m := range append(slices.Clone(c.Members), more...) {
		w := f.watch(m.Watch)
		if w == nil || !stands(w.State) {
			continue
		}
		// Raised again after somebody knew of it, or pressing more.
		if seen := w.State == alarm.Acknowledged; m.Seen && !seen || w.Priority < m.Priority {
			m.Told = false
		}
		m.Seen, m.Priority = w.State == alarm.Acknowledged, w.Priority
		fresh = fresh || !m.Told && !m.Seen
		left = append(left, m)
	}
	seen := !slices.ContainsFunc(left, func(m Member) bool { return !m.Seen })
	switch {
	case len(left) == 0:
		f.over(c, Facts{})
	case fresh && (most(left) < c.Priority || f.s.At.Sub(c.At).Seconds() >= FloodS):
		for i := range left {
			left[i].Told = true
		}
		c.Members, c.Priority, c.Facts, c.Acknowledged = left, most(left), among(left), false
		f.turn(c, Worse)
	case seen && !c.Acknowledged:
		c.Members, c.Facts, c.Acknowledged = left, among(left), true
		c.Facts.By = f.watch(left[0].Watch).By
		f.turn(c, Seen)
	default:
		c.Members = left
	}
}

func most(ms []Member) alarm.Priority {
	p := alarm.Low
	for _, m := range ms {
		p = min(p, m.Priority)
	}
	return p
}

func among(ms []Member) (f Facts) {
	for _, m := range ms {
		f.Among = append(f.Among, m.Title)
	}
	f.Action = "Look at the page."
	return f
}

// rest follows what a resting engine is in need of.
func (f *following) rest() {
	resting := f.s.Phase == disposal.Housed || f.s.Phase == disposal.LaidUp
	for i := 0; i < len(f.Open); {
		c := &f.Open[i]
		if c.Kind != LayUp || kindOf(c.Subject) == LayUp { // frost and condensation are alarms
			i++
			continue
		}
		if c.Subject == "damp" {
			dry := f.s.Damp == layup.Good || f.s.Damp == layup.Watch
			if resting && !dry {
				i++
				continue
			}
			why := Facts{Text: "The air at the steel is drier again."}
			if !dry {
				why = Facts{Text: "It rests no longer.", Done: true}
			}
			f.over(c, why)
			continue
		}
		if f.reminded(c.Subject) {
			i++
			continue
		}
		f.over(c, Facts{Done: true})
	}
	was := f.Waiting
	f.Waiting = nil
	wait := func(id, text, action string, forS float64) {
		if f.find(LayUp, id) != nil {
			return
		}
		p := Pending{id, f.s.At}
		if i := slices.IndexFunc(was, func(p Pending) bool { return p.ID == id }); i >= 0 {
			p = was[i]
		}
		if f.s.At.Sub(p.Since).Seconds() >= forS {
			f.begin(LayUp, id, f.s.At, alarm.Low, Facts{Title: text, Action: action}, nil)
			return
		}
		f.Waiting = append(f.Waiting, p)
	}
	if !resting {
		return
	}
	if f.s.Damp == layup.Wet || f.s.Damp == layup.NotKnown && slices.ContainsFunc(was, func(p Pending) bool { return p.ID == "damp" }) {
		// What is not known now neither counts nor ends it; it is not told by it either.
		forS := float64(DampS)
		if f.s.Damp != layup.Wet {
			forS = math.Inf(1)
		}
		wait("damp", dampTitle, dampAction, forS)
	}
	for _, r := range f.s.Reminders {
		wait(r.ID, r.Text, "", RemindS)
	}
}

func (f *following) reminded(id string) bool {
	return slices.ContainsFunc(f.s.Reminders, func(r Reminder) bool { return r.ID == id })
}

// batteries follows what batteries say of themselves. What is not known neither begins
// nor ends anything.
func (f *following) batteries() {
	for _, b := range f.s.Batteries {
		c := f.find(Battery, b.ID)
		text := ""
		if b.Left >= 0 && b.Left <= 1 {
			text = fmt.Sprintf("%.0f %% left.", 100*b.Left)
		}
		facts := Facts{Title: "Battery of " + b.Name + " low", Action: "Charge or change it.", Text: text}
		presses := alarm.Low
		if b.Left < BatteryDead {
			presses = alarm.Medium
		}
		switch {
		case text == "":
		case c == nil && b.Left < BatteryLow:
			f.begin(Battery, b.ID, f.s.At, presses, facts, nil)
		case c != nil && presses < c.Priority:
			c.Priority, c.Facts = presses, facts
			f.turn(c, Worse)
		case c != nil && b.Left > BatteryBack:
			f.over(c, Facts{Text: text})
		}
	}
}
