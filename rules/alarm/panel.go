package alarm

import (
	"fmt"

	"ashlamp/rules/track"
)

// Panel is all the alarms of one engine, with the figures of how they are borne.
// Make it with [NewPanel]. It is not safe for concurrent use.
type Panel struct {
	engine string
	all    []*Machine
	at     map[string]int
	rings  []ring
	tally  tally
}

// ring holds the last moments at which one watch was raised.
type ring struct {
	at [ChatterN]track.Instant
	n  int
}

func (r *ring) add(at track.Instant) {
	copy(r.at[:], r.at[1:])
	r.at[ChatterN-1] = at
	r.n++
}

// chattering reports whether the last ChatterN were within ChatterS, and no longer
// ago than that.
func (r *ring) chattering(now track.Instant) bool {
	last := r.at[ChatterN-1]
	return r.n >= ChatterN && last.Sub(r.at[0]) <= ChatterS && now.Sub(last) <= ChatterS
}

// UnknownError says that there is no such watch on this engine.
type UnknownError struct{ Watch string }

// Error names the watch.
func (e *UnknownError) Error() string {
	return fmt.Sprintf("watch %q is not known; the known ones are in the documentation, under Watches", e.Watch)
}

// NewPanel returns a panel of an engine with an alarm for each of the settings, in
// their order. Two of one watch are an error.
func NewPanel(engine string, settings []Settings) (*Panel, error) {
	p := &Panel{engine: engine, at: map[string]int{}, rings: make([]ring, len(settings))}
	for _, s := range settings {
		if _, twice := p.at[s.Watch]; twice {
			return nil, fmt.Errorf("watch %q is declared twice", s.Watch)
		}
		p.at[s.Watch] = len(p.all)
		p.all = append(p.all, New(s))
	}
	return p, nil
}

// Get returns the alarm of a watch, nil where there is none. Whoever lets a person
// act on it goes through [Panel.Do].
func (p *Panel) Get(watch string) *Machine {
	if i, ok := p.at[watch]; ok {
		return p.all[i]
	}
	return nil
}

// At returns the i-th alarm, in the order of the settings.
func (p *Panel) At(i int) *Machine { return p.all[i] }

// took counts what an alarm's changes from the n-th on tell, and names the engine.
func (p *Panel) took(i int, out []Change, n int) []Change {
	for k := n; k < len(out); k++ {
		out[k].Engine = p.engine
		if !out[k].Raised {
			continue
		}
		at := track.Of(out[k].At)
		p.tally.raised(at, out[k].Priority)
		if p.rings[i].add(at); p.rings[i].chattering(at) {
			p.tally.chatters++
		}
	}
	return out
}

// Judge hands the i-th alarm what the process says from now on, and appends what
// changed. The caller has advanced the panel to now.
func (p *Panel) Judge(now track.Instant, i int, in Input, out []Change) []Change {
	n := len(out)
	p.tally.pass(now)
	return p.took(i, p.all[i].Judge(now, in, out), n)
}

// Advance moves all alarms to now and appends what time alone changed, in order of
// time.
func (p *Panel) Advance(now track.Instant, out []Change) []Change {
	for {
		next := min(p.Next(), now)
		for i, m := range p.all {
			n := len(out)
			out = p.took(i, m.Advance(next, out), n)
		}
		if next == now {
			p.tally.pass(now)
			return out
		}
	}
}

// Next returns the first moment at which time alone changes one of them, or
// [track.Never].
func (p *Panel) Next() track.Instant {
	next := track.Never
	for _, m := range p.all {
		next = min(next, m.Next())
	}
	return next
}

// Do lets a person act on a watch by one of the functions of its [Machine]. An
// unknown watch is an [*UnknownError].
func (p *Panel) Do(watch string, act func(*Machine, []Change) ([]Change, error), out []Change) ([]Change, error) {
	i, ok := p.at[watch]
	if !ok {
		return out, &UnknownError{watch}
	}
	n := len(out)
	out, err := act(p.all[i], out)
	return p.took(i, out, n), err
}

// Saved returns all that is known of every alarm, in order.
func (p *Panel) Saved() []Saved {
	out := make([]Saved, len(p.all))
	for i, m := range p.all {
		out[i] = m.Saved()
	}
	return out
}

// Restore takes up what was saved. A watch that is not on the panel any more is left
// out and named in the error, after all others were restored; one that was not saved
// starts anew.
func (p *Panel) Restore(saved []Saved) error {
	var first error
	for _, s := range saved {
		var err error = &UnknownError{s.Watch}
		if i, ok := p.at[s.Watch]; ok {
			err = p.all[i].Restore(s)
		}
		if err != nil && first == nil {
			first = err
		}
	}
	return first
}

// Figures returns what the alarms come to at now.
func (p *Panel) Figures(now track.Instant) Figures {
	f := p.tally.figures(now)
	for i, m := range p.all {
		id := m.s.Watch
		switch m.s.State {
		case Unacknowledged, Acknowledged:
			f.Standing = append(f.Standing, id)
			if now.Sub(m.s.InSince) > StaleS {
				f.Stale = append(f.Stale, id)
			}
		case Shelved:
			f.Shelved = append(f.Shelved, id)
		case Suppressed:
			f.Suppressed = append(f.Suppressed, id)
		case OutOfService:
			f.OutOfService = append(f.OutOfService, id)
		}
		if p.rings[i].chattering(now) {
			f.Chattering = append(f.Chattering, id)
		}
	}
	return f
}
