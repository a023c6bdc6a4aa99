package alarm

import (
	"fmt"
	"time"

	"ashlamp/rules/track"
)

// Settings is how one alarm behaves. Times are in seconds.
type Settings struct {
	// Watch is the id that its changes bear.
	Watch string
	// OnDelayS is for how long the condition must hold before it is raised, OffDelayS
	// for how long it must be clear before it returns.
	OnDelayS, OffDelayS float64
	// ReAlarmS after its acknowledgement it is raised anew if it still holds; 0 never.
	ReAlarmS float64
	// ShelfS is the longest time for which it may be shelved; 0 not at all.
	ShelfS float64
}

// Input is what the process says at one moment.
type Input struct {
	Condition Condition
	// Priority is what the condition calls for now; looked at while it holds. It only
	// rises while the alarm stands, and only after the on-delay.
	Priority Priority
	// Text says what is the matter.
	Text string
	// Suppressed is that the alarm has no meaning now, Why is the reason.
	Suppressed bool
	Why        string
}

// Change says that an alarm is in another state, or presses more, from a moment on.
// Its JSON is the replay line of the contract.
type Change struct {
	At       time.Time `json:"t"`
	Engine   string    `json:"engine"`
	Watch    string    `json:"watch"`
	State    State     `json:"state"`
	Priority Priority  `json:"priority"`
	Text     string    `json:"text"`
	// By is who brought it about; empty where the process or time did.
	By string `json:"by,omitempty"`
	// Raised is that it calls for a person anew: raised, raised again, or of a higher
	// priority than was acknowledged.
	Raised bool `json:"-"`
}

// RefusedError says why an alarm did not take what a person wanted.
type RefusedError struct {
	Watch, Wanted string
	State         State
	Mend          string
}

// Error tells what was refused and what to do.
func (e *RefusedError) Error() string {
	return fmt.Sprintf("alarm %s is %s and cannot be %s; %s", e.Watch, e.State, e.Wanted, e.Mend)
}

// Machine is one alarm. Make it with [New]. It is not safe for concurrent use.
type Machine struct {
	set Settings
	s   Saved
}

// Saved is all that a Machine knows, for keeping over a restart.
type Saved struct {
	Watch string        `json:"watch"`
	State State         `json:"state"`
	Now   track.Instant `json:"now"`
	Since track.Instant `json:"since"`
	// Priority and Text are as last told.
	Priority Priority `json:"priority"`
	Text     string   `json:"text"`
	// In is that the condition counts as holding, delays and deadband considered;
	// InSince is since when.
	In      bool          `json:"in"`
	InSince track.Instant `json:"in_since,omitempty"`
	// Condition and Wants are as last heard. PendingS is how much of the running
	// delay was seen, Least the lowest priority called for meanwhile.
	Condition Condition `json:"condition"`
	Wants     Priority  `json:"wants"`
	PendingS  float64   `json:"pending_s"`
	Least     Priority  `json:"least"`
	// RiseS and RiseLeast are the same of the delay of a higher priority.
	RiseS     float64  `json:"rise_s"`
	RiseLeast Priority `json:"rise_least"`
	// AckAt is when it was acknowledged, ShelvedUntil when the shelf ends.
	AckAt        track.Instant `json:"ack_at,omitempty"`
	ShelvedUntil track.Instant `json:"shelved_until,omitempty"`
	// By and Why are of the person who acknowledged, shelved or took it out.
	By  string `json:"by,omitempty"`
	Why string `json:"why,omitempty"`
	// Suppressed is what was last heard of it, SuppressedFor the reason.
	Suppressed    bool   `json:"suppressed"`
	SuppressedFor string `json:"suppressed_for,omitempty"`
}

// New returns an alarm in the state normal, of which nothing is known.
func New(s Settings) *Machine {
	return &Machine{set: s, s: Saved{Watch: s.Watch, State: Normal, Priority: Low, Wants: Low, Least: Low, RiseLeast: Low}}
}

// State returns the state.
func (m *Machine) State() State { return m.s.State }

// In reports whether the condition counts as holding, delays and deadband considered.
func (m *Machine) In() bool { return m.s.In }

// Saved returns all that is known of it, as of the last moment heard. Where its
// Condition is Unknown, a page says of a standing alarm that its cause cannot be
// seen now.
func (m *Machine) Saved() Saved { return m.s }

// Restore takes up what was saved. The condition is unknown until it is heard again:
// time in which nothing ran counts for no delay. The shelf and the re-alarm go by
// the clock and run on. An error leaves the machine as it was.
func (m *Machine) Restore(s Saved) error {
	switch {
	case s.Watch != m.set.Watch:
		return fmt.Errorf("saved state is of alarm %q, not of %q", s.Watch, m.set.Watch)
	case s.State >= states:
		return fmt.Errorf("saved state %d of alarm %s is none; start it anew", s.State, s.Watch)
	case s.State == Shelved && s.ShelvedUntil == 0:
		return fmt.Errorf("alarm %s was saved as shelved without an end; start it anew", s.Watch)
	}
	s.Condition = Unknown
	m.s = s
	return nil
}

// Advance moves the clock to now and appends what time alone changed, each at its
// own moment. A now in the past changes nothing.
func (m *Machine) Advance(now track.Instant, out []Change) []Change {
	for {
		at := m.Next()
		if at == track.Never || at > now {
			break
		}
		m.pass(at)
		out = m.due(out)
	}
	m.pass(now)
	return out
}

// Judge takes what the process says from now on and appends what changed, what time
// alone changed before it first.
func (m *Machine) Judge(now track.Instant, in Input, out []Change) []Change {
	out = m.Advance(now, out)
	s := &m.s
	m.hear(in)
	// What has no meaning any more is not raised first.
	if in.Suppressed && (!s.Suppressed || s.State == Suppressed && in.Why != s.SuppressedFor) {
		s.Suppressed, s.SuppressedFor = true, in.Why
		switch s.State {
		case Shelved, OutOfService:
			// A person's word stands before the logic's; it is suppressed when that ends.
		default:
			out = m.to(Suppressed, in.Why, "", out)
		}
	}
	out = m.due(out) // a delay of zero, or one that was fulfilled already
	if !in.Suppressed && s.Suppressed {
		s.Suppressed, s.SuppressedFor = false, ""
		if s.State == Suppressed {
			out = m.back("", out)
		}
	}
	return out
}

// pass counts the time up to now.
func (m *Machine) pass(now track.Instant) {
	s := &m.s
	if now <= s.Now {
		return
	}
	d := 0.0
	if s.Now != 0 {
		d = now.Sub(s.Now)
	}
	s.Now = now
	if m.counts() {
		s.PendingS += d
	}
	if m.rises() {
		s.RiseS += d
	}
}

// counts reports whether a delay runs: the condition is the contrary of what counts.
func (m *Machine) counts() bool {
	return !m.s.In && m.s.Condition == Holding || m.s.In && m.s.Condition == Clear
}

// rises reports whether the delay of a higher priority runs.
func (m *Machine) rises() bool {
	return m.s.In && m.s.Condition == Holding && m.s.Wants < m.s.Priority
}

func (m *Machine) delay() float64 {
	if m.s.In {
		return m.set.OffDelayS
	}
	return m.set.OnDelayS
}

// hear takes the condition that holds from now on.
func (m *Machine) hear(in Input) {
	s := &m.s
	s.Condition = in.Condition
	switch in.Condition {
	case Unknown:
		// What was counted is kept.
	case Between:
		s.PendingS, s.RiseS = 0, 0
	case Clear:
		s.RiseS = 0
		if s.In {
			s.Text = in.Text
		} else {
			s.PendingS = 0
		}
	case Holding:
		s.Wants, s.Text = in.Priority, in.Text
		if s.In {
			s.PendingS = 0
			if !m.rises() {
				s.RiseS = 0
			}
		}
		if s.PendingS == 0 {
			s.Least = in.Priority
		}
		if s.RiseS == 0 {
			s.RiseLeast = in.Priority
		}
		s.Least, s.RiseLeast = max(s.Least, in.Priority), max(s.RiseLeast, in.Priority)
	}
}

// due does what the counted time has brought about by now.
func (m *Machine) due(out []Change) []Change {
	s := &m.s
	const slack = 1e-6 // an instant's own resolution
	if m.counts() && s.PendingS >= m.delay()-slack {
		s.In, s.PendingS, s.RiseS = !s.In, 0, 0
		if s.In {
			s.InSince, s.Priority, s.RiseLeast = s.Now, s.Least, s.Wants
		}
		out = m.turned(out)
	}
	if m.rises() && s.RiseS >= m.set.OnDelayS-slack {
		s.Priority, s.RiseS, s.RiseLeast = min(s.Priority, s.RiseLeast), 0, s.Wants
		switch s.State {
		case Unacknowledged, Acknowledged:
			out = m.raise(s.Text, out)
		case Shelved:
			out = m.back("", out) // what was put aside was a lesser matter
		}
	}
	switch {
	case s.State == Shelved && s.Now >= s.ShelvedUntil:
		out = m.back("", out)
	case s.State == Acknowledged && m.set.ReAlarmS > 0 && s.Now >= s.AckAt.Add(m.set.ReAlarmS):
		out = m.raise(s.Text, out)
	}
	return out
}

// turned tells that the condition has come, or gone.
func (m *Machine) turned(out []Change) []Change {
	s := &m.s
	switch {
	case s.In && (s.State == Normal || s.State == ReturnedUnacknowledged): // A→B, D→B
		return m.raise(s.Text, out)
	case !s.In && s.State == Unacknowledged: // B→D
		return m.to(ReturnedUnacknowledged, s.Text, "", out)
	case !s.In && s.State == Acknowledged: // C→A
		return m.to(Normal, s.Text, "", out)
	}
	return out
}

func (m *Machine) raise(text string, out []Change) []Change {
	out = m.to(Unacknowledged, text, "", out)
	out[len(out)-1].Raised = true
	return out
}

func (m *Machine) to(st State, text, by string, out []Change) []Change {
	s := &m.s
	if st != s.State {
		s.Since = s.Now
	}
	s.AckAt, s.ShelvedUntil, s.By, s.Why = 0, 0, "", ""
	s.State = st
	return append(out, Change{At: s.Now.Time(), Watch: s.Watch, State: st, Priority: s.Priority, Text: text, By: by})
}

// back leads from shelved, suppressed or out of service to what the process then
// says: raised as if new if it holds, else normal.
func (m *Machine) back(by string, out []Change) []Change {
	s := &m.s
	switch {
	case s.Suppressed:
		return m.to(Suppressed, s.SuppressedFor, by, out)
	case s.In && s.Condition != Clear:
		out = m.raise(s.Text, out)
		out[len(out)-1].By = by
		return out
	}
	// What is clear already, though not for its delay, calls for nobody.
	s.In, s.PendingS, s.RiseS = false, 0, 0
	return m.to(Normal, "watched again", by, out)
}

// Next returns the first moment at which time alone changes something, or
// [track.Never].
func (m *Machine) Next() track.Instant {
	s := &m.s
	next := track.Never
	if s.Now == 0 {
		return next
	}
	if m.counts() {
		next = min(next, s.Now.Add(max(0, m.delay()-s.PendingS)))
	}
	if m.rises() {
		next = min(next, s.Now.Add(max(0, m.set.OnDelayS-s.RiseS)))
	}
	switch {
	case s.State == Shelved:
		next = min(next, max(s.Now, s.ShelvedUntil))
	case s.State == Acknowledged && m.set.ReAlarmS > 0:
		next = min(next, max(s.Now, s.AckAt.Add(m.set.ReAlarmS)))
	}
	return next
}
