package notify

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/notice"
)

const (
	// newestLetters is how many letters a person is shown. Common practice, no source.
	newestLetters = 50
	// failingAfter is for how long a way fails before the person is told: a single attempt
	// that broke off is none of theirs. Common practice, no source.
	failingAfter = time.Minute
)

var _ api.Alerts = (*Office)(nil)

// Alerts implements [api.Alerts].
func (o *Office) Alerts(ctx context.Context, person string) (message.Alerts, error) {
	r, err := o.recordOf(person)
	if err != nil {
		return message.Alerts{}, err
	}
	letters, err := o.c.Outbox.LettersTo(ctx, person, newestLetters)
	if err != nil {
		return message.Alerts{}, err
	}
	records, err := o.c.Outbox.Records(ctx)
	if err != nil {
		return message.Alerts{}, err
	}
	out := message.Alerts{Person: person, Choice: r.Choice, PushKey: o.c.PushKey, Ways: o.waysOf(r), Watcher: o.c.Watcher()}
	for _, l := range letters {
		out.Letters = append(out.Letters, letterOf(l))
	}
	for i := range out.Ways {
		w := &out.Ways[i]
		for _, k := range records {
			if k.Person == person && k.Way == w.ID {
				w.Taken, w.Failed = pointer(k.Taken), pointer(k.Failed)
			}
		}
	}
	out.Failing = o.failing(r, out)
	return out.Whole(), nil
}

func (o *Office) recordOf(person string) (record, error) {
	r, ok := o.people.all()[person]
	if ok {
		return r, nil
	}
	mend := "Name the shed's people in set-up, or under [shed] people in its configuration."
	if len(o.people.names) > 0 {
		mend = "The people of this shed are " + strings.Join(o.people.names, ", ") + "."
	}
	return r, &api.Refusal{Kind: problem.UnknownPerson, Detail: fmt.Sprintf("%q is not among the shed's people.", clip(person)), Mend: mend}
}

// waysOf are the ways to a person, open or not, as the page shows them.
func (o *Office) waysOf(r record) []message.AlertsWay {
	var out []message.AlertsWay
	for _, b := range r.Browsers {
		out = append(out, o.way(pushPrefix+b.ID, b.Name, ""))
	}
	text := ""
	if r.Choice.Mail == "" {
		text = "No address is given."
	}
	return append(out, o.way(mail, "", text), o.way(webhook, "", ""))
}

// way is one of them; text says why it is not open to this person, empty where it is.
func (o *Office) way(id, name, text string) message.AlertsWay {
	if o.c.Ways[kindOf(id)] == nil {
		text = o.c.Why[kindOf(id)]
		if text == "" {
			text = "The shed does not have this way."
		}
	}
	return message.AlertsWay{ID: id, Name: name, Open: text == "", Text: text}
}

func letterOf(l Letter) message.AlertsLetter {
	var b body
	if json.Unmarshal(l.Body, &b) != nil {
		b = body{Line: unreadable, Notice: notice.Notice{At: l.Written}}
	}
	m := message.AlertsLetter{
		ID: l.ID, Way: l.Way, Line: b.Line, Engine: b.Notice.Engine, At: b.Notice.At.UTC(), State: string(l.State),
		Attempts: l.Attempts, Trouble: l.Trouble,
	}
	switch l.State {
	case Taken:
		m.Taken = pointer(l.Ended)
	case Waiting:
		m.Next = pointer(l.Due)
	}
	return m
}

func pointer(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// failing says which way has been failing; empty where none has. The one that fails
// longest stands for all.
func (o *Office) failing(r record, a message.Alerts) string {
	now := o.c.Clock.Now()
	if len(r.Gone) > 0 {
		g := r.Gone[len(r.Gone)-1]
		return fmt.Sprintf("The browser %q is rung no longer: since %s its push service does not know it. Subscribe it again.", g.Name, o.clock(g.At, now))
	}
	var worst *message.AlertsWay
	for i, w := range a.Ways {
		if w.Open && w.Failed != nil && now.Sub(*w.Failed) >= failingAfter && (worst == nil || w.Failed.Before(*worst.Failed)) {
			worst = &a.Ways[i]
		}
	}
	if worst == nil {
		return ""
	}
	name := map[string]string{push: fmt.Sprintf("The browser %q", worst.Name), mail: "Mail", webhook: "The webhook"}[kindOf(worst.ID)]
	text := fmt.Sprintf("%s has taken nothing since %s", name, o.clock(*worst.Failed, now))
	i := slices.IndexFunc(a.Letters, func(l message.AlertsLetter) bool { return l.Way == worst.ID && l.Trouble != "" })
	if i >= 0 {
		text += " (" + strings.TrimRight(a.Letters[i].Trouble, ". ") + ")"
	}
	return text + ". What is still so is tried again."
}

// clock is a time of day in the shed's zone, with the day where it is not today.
func (o *Office) clock(at, now time.Time) string {
	at, now = at.In(o.c.Zone), now.In(o.c.Zone)
	if at.YearDay() == now.YearDay() && at.Year() == now.Year() {
		return at.Format("15:04")
	}
	return at.Format("2 January 15:04")
}

// Choose implements [api.Alerts].
func (o *Office) Choose(ctx context.Context, person string, c message.AlertsChoice) error {
	if _, err := o.recordOf(person); err != nil {
		return err
	}
	err := o.people.alter(ctx, person, func(r *record) error {
		r.Choice, r.Gone = c, nil // whoever sets it up has seen what is gone
		return nil
	})
	o.Wake()
	return err
}

// Subscribe implements [api.Alerts].
func (o *Office) Subscribe(ctx context.Context, person string, in message.AlertsBrowser) (message.AlertsWay, error) {
	if _, err := o.recordOf(person); err != nil {
		return message.AlertsWay{}, err
	}
	if o.c.Ways[push] == nil {
		return message.AlertsWay{}, o.notOpen(o.way(push, "", ""))
	}
	b, err := browserOf(in, o.c.Clock.Now())
	if err != nil {
		return message.AlertsWay{}, &api.Refusal{
			Kind: problem.BadRequest, Detail: "The subscription cannot be used: " + err.Error() + ".",
			Mend: "Send endpoint and keys as PushSubscription.toJSON() gives them.",
		}
	}
	err = o.people.alter(ctx, person, func(r *record) error {
		if err := r.subscribe(b); err != nil {
			return &api.Refusal{Kind: problem.NotNow, Detail: "The browser is not subscribed: " + err.Error() + ".", Mend: "Take away those that are not used any more."}
		}
		return nil
	})
	if err != nil {
		return message.AlertsWay{}, err
	}
	o.c.Log.Info("a browser is rung from now on", "person", person, "browser", b.Name)
	return o.way(pushPrefix+b.ID, b.Name, ""), nil
}

// Unsubscribe implements [api.Alerts].
func (o *Office) Unsubscribe(ctx context.Context, person, id string) error {
	if _, err := o.recordOf(person); err != nil {
		return err
	}
	err := o.people.alter(ctx, person, func(r *record) error {
		if !r.unsubscribe(id, false, time.Time{}) {
			return &api.Refusal{Kind: problem.UnknownWay, Detail: fmt.Sprintf("%s has no browser of the id %q.", person, clip(id)), Mend: "See ways in the person's alerts for those that there are."}
		}
		return nil
	})
	if err == nil {
		o.c.Log.Info("a browser is rung no longer", "person", person)
	}
	return err
}

func (o *Office) notOpen(w message.AlertsWay) error {
	return &api.Refusal{Kind: problem.NotOpen, Detail: "Nothing can be sent by this way: " + lowered(w.Text), Mend: "See ways in the person's alerts for what is open, and why another is not."}
}

func lowered(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// Test implements [api.Alerts]. The letter is kept beside the others, so that a way that
// failed and is mended is known to be, and what failed by it is sent at once.
func (o *Office) Test(ctx context.Context, person, way string) (message.AlertsLetter, error) {
	none := message.AlertsLetter{}
	r, err := o.recordOf(person)
	if err != nil {
		return none, err
	}
	ways := o.waysOf(r)
	i := slices.IndexFunc(ways, func(w message.AlertsWay) bool { return w.ID == way })
	if i < 0 {
		return none, &api.Refusal{Kind: problem.UnknownWay, Detail: fmt.Sprintf("%s has no way %q.", person, clip(way)), Mend: "See ways in the person's alerts for those that there are."}
	}
	if !ways[i].Open {
		return none, o.notOpen(ways[i])
	}
	now := o.c.Clock.Now()
	m := o.testOf(person, way, r, now)
	out := o.outcome(m, o.send(ctx, m))
	if errors.Is(ctx.Err(), context.Canceled) {
		return none, ctx.Err() // nobody waits for it
	}
	if out.gone {
		o.lose(ctx, person, way)
	}
	if out.State == Waiting {
		out.State = GivenUp // it is tried once
	}
	l := Letter{
		ID: m.ID, Cause: m.Tag, N: 1, Person: person, Way: way, Written: now, Due: now, Until: m.Until,
		Attempts: 1, State: out.State, Ended: out.At, Trouble: out.Trouble,
	}
	if out.State != Taken {
		l.Failed = out.At
	}
	if l.Body, err = json.Marshal(body{Tag: m.Tag, Line: m.Line, Place: m.Place, Notice: m.Notice}); err != nil {
		return none, err
	}
	if err := o.c.Outbox.Update(context.WithoutCancel(ctx), func(t Tx) error {
		if err := t.Address(0, []Letter{l}); err != nil || l.State != Taken {
			return err
		}
		return t.WayOpen(person, way, out.At)
	}); err != nil {
		return none, err
	}
	o.Wake()
	return letterOf(l), nil
}

// testFor is how long a test is wanted: who pressed waits for it.
const testFor = 10 * time.Minute

func (o *Office) testOf(person, way string, r record, now time.Time) Message {
	// A clock that stands gives the same time to two presses.
	cause := fmt.Sprintf("test/%s/%s/%s", way, now.UTC().Format("20060102t150405z"), rand.Text()[:8])
	end := []rune(", asked for by " + person + ". It tells nothing of any engine.")
	name := []rune(o.c.Shed)
	line := string(name[:min(len(name), 40)]) + ": a test"
	if rest := notice.LineMax - len([]rune(line)); len(end) > rest {
		end = []rune(". It tells nothing of any engine.")
	}
	m := Message{
		Tag: cause, To: person, Way: way, Line: line + string(end), Place: "#/shed",
		Notice: notice.Notice{Cause: cause, N: 1, Turn: notice.Began, Kind: Test, Name: o.c.Shed, At: now, Began: now},
		Until:  now.Add(testFor), Attempt: 1,
	}
	m.ID = letterID(cause, 1, dest{person, way})
	if way == mail {
		m.Address = r.Choice.Mail
	}
	return m
}
