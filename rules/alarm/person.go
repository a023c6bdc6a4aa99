package alarm

import (
	"fmt"
	"time"

	"ashlamp/rules/track"
)

func (m *Machine) refuse(wanted, mend string) error {
	return &RefusedError{Watch: m.s.Watch, Wanted: wanted, State: m.s.State, Mend: mend}
}

// Acknowledge says that a person knows of it (B→C, D→A). Anything else is a
// [*RefusedError].
func (m *Machine) Acknowledge(now track.Instant, by string, out []Change) ([]Change, error) {
	out = m.Advance(now, out)
	s := &m.s
	switch {
	case by == "":
		return out, m.refuse("acknowledged", "say who acknowledges it")
	case s.State == Unacknowledged:
		out = m.to(Acknowledged, s.Text, by, out)
		s.AckAt, s.By = s.Now, by
		return out, nil
	case s.State == ReturnedUnacknowledged:
		return m.to(Normal, s.Text, by, out), nil
	}
	return out, m.refuse("acknowledged", "there is nothing to acknowledge")
}

// Shelve puts it aside until a moment (A, B, C, D→G), by whom and why. A shelf
// without an end, without a name or a reason, or longer than the alarm allows is a
// [*RefusedError]. An alarm that is shelved already is shelved anew. A shelf ends by
// itself, and before its time if the matter comes to press more than when it was put
// aside.
func (m *Machine) Shelve(now, until track.Instant, by, why string, out []Change) ([]Change, error) {
	out = m.Advance(now, out)
	s := &m.s
	switch {
	case by == "" || why == "":
		return out, m.refuse("shelved", "say who shelves it, and why")
	case s.State == Suppressed || s.State == OutOfService:
		return out, m.refuse("shelved", "it does not sound now")
	case m.set.ShelfS <= 0:
		return out, m.refuse("shelved", "this one is too urgent to be put aside; acknowledge it")
	case until <= s.Now:
		return out, m.refuse("shelved", "give an end that lies ahead")
	case until.Sub(s.Now) > m.set.ShelfS:
		return out, m.refuse("shelved", fmt.Sprintf("shelve it for %v at most", time.Duration(m.set.ShelfS*float64(time.Second))))
	}
	out = m.to(Shelved, "shelved until "+until.Time().Format(time.RFC3339)+": "+why, by, out)
	s.ShelvedUntil, s.By, s.Why = until, by, why
	return out, nil
}

// Unshelve ends a shelf before its time. If there is none it is a [*RefusedError].
func (m *Machine) Unshelve(now track.Instant, by string, out []Change) ([]Change, error) {
	out = m.Advance(now, out)
	if by == "" {
		return out, m.refuse("taken from the shelf", "say who does it")
	}
	if m.s.State != Shelved {
		return out, m.refuse("taken from the shelf", "it is not on it")
	}
	return m.back(by, out), nil
}

// TakeOut takes it out of service (any→I), by whom and why, until [Machine.PutBack].
// Without a name or a reason, or where it is out already, it is a [*RefusedError].
func (m *Machine) TakeOut(now track.Instant, by, why string, out []Change) ([]Change, error) {
	out = m.Advance(now, out)
	if by == "" || why == "" {
		return out, m.refuse("taken out of service", "say who does it, and why")
	}
	if m.s.State == OutOfService {
		return out, m.refuse("taken out of service", "it is already")
	}
	out = m.to(OutOfService, "out of service: "+why, by, out)
	m.s.By, m.s.Why = by, why
	return out, nil
}

// PutBack puts it back into service. If it is not out it is a [*RefusedError].
func (m *Machine) PutBack(now track.Instant, by string, out []Change) ([]Change, error) {
	out = m.Advance(now, out)
	if by == "" {
		return out, m.refuse("put back", "say who does it")
	}
	if m.s.State != OutOfService {
		return out, m.refuse("put back", "it is not out of service")
	}
	return m.back(by, out), nil
}
