package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// How long somebody still wants to be told, from when the letter was written; common
// practice, no source. What is over ends sooner.
const (
	// wantedReady: who was not told by the next day has looked.
	wantedReady = 24 * time.Hour
	// wantedMoved: a forecast that moved so long ago has moved again, or has come.
	wantedMoved = 6 * time.Hour
	// wantedAlarm: what stands so long without a network is told when there is one again;
	// and who was shown something is told so late that it is over.
	wantedAlarm = 14 * 24 * time.Hour
)

func wantedFor(n notice.Notice) time.Duration {
	if n.Turn == notice.Over || n.Turn == notice.Seen {
		return wantedAlarm
	}
	switch n.Kind {
	case notice.CoolEnough, notice.Ready:
		return wantedReady
	case notice.Moved:
		return wantedMoved
	}
	return wantedAlarm
}

// groupsKey is the key of what of the shed is told under one tag, although several
// engines find it.
const groupsKey = "notify/of-shed"

// group is what several engines find of the shed: people are told once.
type group struct {
	// Tag is what the phones show it under; Lead the cause whose turns are told.
	Tag  string `json:"tag"`
	Lead string `json:"lead"`
	// Priority is the most pressing that was told.
	Priority alarm.Priority `json:"priority"`
	// Open are the causes that are not over, Causes all that there were.
	Open   []string `json:"open"`
	Causes []string `json:"causes"`
}

type groups map[string]*group

func readGroups(t Tx) (groups, error) {
	b, ok, err := t.Get(groupsKey)
	out := groups{}
	if err != nil || !ok {
		return out, err
	}
	if json.Unmarshal(b, &out) != nil {
		return groups{}, nil // better told twice than never again
	}
	return out, nil
}

func (g groups) keep(t Tx) error {
	b, err := json.Marshal(g)
	if err != nil {
		return err
	}
	return t.Put(groupsKey, b)
}

// address writes the letters of one notice and that it is addressed, in one transaction.
func (o *Office) address(ctx context.Context, n Numbered) error {
	all := o.people.all() // outside of the transaction: who changes it holds it while writing
	return o.c.Outbox.Update(ctx, func(t Tx) error {
		if n.Cause == "" {
			o.c.Log.Error("a notice cannot be read, and nobody is told of it", "number", n.Seq)
			return t.Address(n.Seq, nil)
		}
		a := addressing{o: o, t: t, all: all, now: o.c.Clock.Now()}
		if err := a.take(n.Notice); err != nil {
			return fmt.Errorf("address notice %d: %w", n.Seq, err)
		}
		return t.Address(n.Seq, a.letters)
	})
}

// addressing is one notice on its way to people.
type addressing struct {
	o       *Office
	t       Tx
	all     map[string]record
	now     time.Time
	letters []Letter
}

// take writes what a notice makes of letters. A later turn that is there already says
// what is; nothing is then written of this one.
func (a *addressing) take(n notice.Notice) error {
	if n.OfShed {
		return a.ofShed(n)
	}
	return a.tell(n, n.Cause, []string{n.Cause})
}

// tell writes the letters of a turn; causes are those that were told under the tag.
func (a *addressing) tell(n notice.Notice, tag string, causes []string) error {
	latest, _, err := a.t.LatestTurn(n.Cause)
	if err != nil {
		return err
	}
	var had []Letter
	for _, c := range causes {
		ls, err := a.t.LettersOf(c)
		if err != nil {
			return err
		}
		had = append(had, ls...)
	}
	for _, c := range causes {
		before := n.N
		if c != n.Cause {
			before = 1 << 30 // of another engine's finding, all that waits
		}
		if err := a.t.EndLetters(c, before, a.now); err != nil {
			return err
		}
	}
	switch {
	case latest.N > n.N:
		return nil
	case n.Turn == notice.Over || n.Turn == notice.Seen:
		return a.takeBack(n, tag, causes, had)
	}
	return a.ring(n, tag, causes, had)
}

// told are the ways to people by which something of it was taken, or may have been.
func told(had []Letter) map[dest]bool {
	out := map[dest]bool{}
	for _, l := range had {
		if l.State == Taken || l.Doubt > 0 {
			out[dest{l.Person, l.Way}] = true
		}
	}
	return out
}

// takeBack tells those who were told, and nobody else, that it is over, or that somebody
// has seen it. The latter goes only where it replaces what is shown, or to a program: a
// mail more would only be one more.
func (a *addressing) takeBack(n notice.Notice, tag string, causes []string, had []Letter) error {
	shown := told(had)
	for _, name := range a.o.people.names {
		r := a.all[name]
		for _, way := range a.o.waysTo(r) {
			if !shown[dest{name, way}] || n.Turn == notice.Seen && way == mail {
				continue
			}
			due := a.now
			if way == mail {
				due = quietUntil(r.Choice, a.o.c.Zone, due)
			}
			if err := a.write(n, tag, causes, dest{name, way}, due); err != nil {
				return err
			}
		}
	}
	return nil
}

// turn is a person who is to be rung, and after how many intervals.
type turn struct {
	name  string
	ways  []string
	after int
}

// ring writes to all who want to be told, one after another where a person can answer.
// The turns count from the first that anybody has: if nobody is rung at once, somebody
// who waits for nobody is.
func (a *addressing) ring(n notice.Notice, tag string, causes []string, had []Letter) error {
	var turns []turn
	first := 0
	for _, name := range a.o.people.names {
		r := a.all[name]
		ways := a.o.waysTo(r)
		if len(ways) == 0 || !wants(r.Choice, n) {
			continue
		}
		if len(turns) == 0 || r.Choice.After < first {
			first = r.Choice.After
		}
		turns = append(turns, turn{name, ways, r.Choice.After})
	}
	shown := told(had)
	for _, t := range turns {
		due := a.now
		if n.Answerable() {
			due = due.Add(time.Duration(t.after-first) * a.o.c.Escalate)
		}
		for _, way := range t.ways {
			to, at := dest{t.name, way}, due
			for _, l := range had {
				// Whose turn was coming is not put off by its getting worse.
				if (dest{l.Person, l.Way}) == to && l.State == Waiting && l.Due.Before(at) {
					at = l.Due
				}
			}
			if n.Acknowledged && !shown[to] {
				continue // somebody knows of it; what others were shown is kept true
			}
			if shown[to] || at.Before(a.now) {
				at = a.now
			}
			if !presses(n) {
				at = quietUntil(a.all[t.name].Choice, a.o.c.Zone, at)
			}
			if err := a.write(n, tag, causes, to, at); err != nil {
				return err
			}
		}
	}
	return nil
}

func (a *addressing) write(n notice.Notice, tag string, causes []string, to dest, due time.Time) error {
	u := units(a.all[to.person].Choice)
	b, err := json.Marshal(body{
		Tag: tag, Line: notice.Line(n, u, a.o.c.Zone), Tail: notice.Tail(n, u), Place: placeOf(n), Causes: causes, Notice: n,
	})
	if err != nil {
		return err
	}
	a.letters = append(a.letters, Letter{
		ID: letterID(n.Cause, n.N, to), Cause: n.Cause, N: n.N, Person: to.person, Way: to.way, Body: b,
		Written: a.now, Due: due, Until: due.Add(wantedFor(n)), State: Waiting,
	})
	return nil
}

// placeOf is where the page shows what a notice is about.
func placeOf(n notice.Notice) string {
	if n.Engine == "" || n.OfShed {
		return "#/shed"
	}
	return "#/pit?engine=" + url.QueryEscape(n.Engine)
}

// ofShed tells once what several engines find of the shed: the first who finds it leads,
// and it is over when it is so for all.
func (a *addressing) ofShed(n notice.Notice) error {
	all, err := readGroups(a.t)
	if err != nil {
		return err
	}
	key := string(n.Kind) + "/" + n.Subject
	g := all[key]
	tell := false
	switch {
	case n.Turn == notice.Over && g == nil:
		return nil // nothing was told of it
	case n.Turn == notice.Over:
		g.Open = slices.DeleteFunc(slices.Clone(g.Open), func(c string) bool { return c == n.Cause })
		if len(g.Open) > 0 {
			if g.Lead == n.Cause {
				err = a.handOver(n, g)
			}
			break
		}
		delete(all, key)
		tell = true
	case n.Turn == notice.Seen:
		tell = g != nil
	case g == nil:
		g = &group{Tag: n.Cause, Lead: n.Cause, Priority: n.Priority, Open: []string{n.Cause}, Causes: []string{n.Cause}}
		all[key] = g
		tell = true
	default:
		if !slices.Contains(g.Open, n.Cause) {
			g.Open = append(g.Open, n.Cause)
		}
		if !slices.Contains(g.Causes, n.Cause) {
			g.Causes = append(g.Causes, n.Cause)
		}
		if tell = n.Cause == g.Lead || n.Priority < g.Priority; tell {
			g.Lead, g.Priority = n.Cause, min(g.Priority, n.Priority)
		}
	}
	if err == nil && tell {
		err = a.tell(n, g.Tag, g.Causes)
	}
	if err != nil {
		return err
	}
	return all.keep(a.t)
}

// handOver lets another engine's finding lead where the one that led is over. Who was
// told stays so: of the shed it is as it was. Who was not yet is told by the new one.
func (a *addressing) handOver(over notice.Notice, g *group) error {
	g.Lead = g.Open[0]
	n, ok, err := a.t.LatestTurn(g.Lead)
	if err != nil {
		return err
	}
	var had []Letter
	for _, c := range g.Causes {
		ls, err := a.t.LettersOf(c)
		if err != nil {
			return err
		}
		had = append(had, ls...)
	}
	if err := a.t.EndLetters(over.Cause, over.N, a.now); err != nil || !ok || n.Turn == notice.Seen || n.Turn == notice.Over || n.Acknowledged {
		return err
	}
	before := len(a.letters)
	if err := a.ring(n, g.Tag, g.Causes, had); err != nil {
		return err
	}
	shown := told(had)
	a.letters = append(a.letters[:before], slices.DeleteFunc(a.letters[before:], func(l Letter) bool { return shown[dest{l.Person, l.Way}] })...)
	return nil
}
