package api

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/telemetry"
)

// Longest id and name in characters; the OpenAPI document says the same.
const (
	maxID   = 64
	maxName = 80
	maxText = 200
)

// maxMinutes is the longest shelf that may be asked for, a year; how long an alarm may
// in truth be put aside is the speaker's to judge.
const maxMinutes = 365 * 24 * 60

func (a *API) confirm(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	var c message.Confirmation
	if !readBody(w, r, &c) {
		return
	}
	err := errors.Join(checkID("the field confirm", c.Confirm), checkName(c.By))
	a.keep(w, r, state.Engine, http.StatusCreated, telemetry.Event{Kind: telemetry.Confirmed, Subject: c.Confirm, By: c.By}, err,
		`Send {"confirm":"vent-open","by":"T. Oxley"} with the id of an ask in the engine's state.`)
}

func (a *API) withdraw(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	var q withdrawQuery
	if !readQuery(w, r, &q) {
		return
	}
	q.Evidence = r.PathValue("evidence")
	err := errors.Join(checkID("the confirmation's id", q.Evidence), checkName(q.By))
	a.keep(w, r, state.Engine, http.StatusOK, telemetry.Event{Kind: telemetry.Withdrawn, Subject: q.Evidence, By: q.By}, err,
		"Name a confirmation that stands, and who takes it back with by=NAME.")
}

func (a *API) say(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	var word message.Word
	if !readBody(w, r, &word) {
		return
	}
	event, err := eventOf(word)
	a.keep(w, r, state.Engine, http.StatusCreated, event, errors.Join(err, checkName(word.By)),
		`Send one of {"disposal":"begin","lay_up":"dry"}, {"disposal":"end"}, {"fire":"lit"}, {"node":"ID","put_away":true}, {"repair":"WHAT","done":false}, {"wanted":"2031-05-18T08:00:00Z"} and {"looked_into":true}, with "by" beside it.`)
}

// keep hands the event to the speaker, unless err already says what is wrong with it.
func (a *API) keep(w http.ResponseWriter, r *http.Request, engine string, status int, e telemetry.Event, err error, mend string) {
	if err != nil {
		problem.Write(w, r, problem.BadRequest, sentence(err.Error()), mend)
		return
	}
	kept, err := a.speaker.Say(r.Context(), engine, e)
	if err != nil {
		a.failed(w, r, err)
		return
	}
	a.answer(w, r, status, message.Stamp{T: kept.At.UTC(), Kind: kept.Kind.String(), Subject: kept.Subject, By: kept.By})
}

// eventOf is what the word says. A word that says two things, or half of one, is
// an error.
func eventOf(w message.Word) (telemetry.Event, error) {
	said := 0
	for _, set := range []bool{w.Disposal != "", w.Fire != "", w.Node != "" || w.PutAway != nil, w.Repair != "" || w.Done != nil, w.Wanted != "", w.LookedInto != nil} {
		if set {
			said++
		}
	}
	switch {
	case said == 0:
		return telemetry.Event{}, errors.New("the body says nothing")
	case said > 1:
		return telemetry.Event{}, errors.New("the body says more than one thing")
	case w.LayUp != "" && w.Disposal != "begin":
		return telemetry.Event{}, errors.New("the field lay_up stands only beside a disposal's begin")
	}
	e := telemetry.Event{By: w.By}
	switch {
	case w.Disposal == "begin":
		switch w.LayUp {
		case "", telemetry.Short, telemetry.Dry, telemetry.Wet:
		default:
			return e, fmt.Errorf("the field lay_up is %s, not short, dry or wet", quoted(string(w.LayUp)))
		}
		e.Kind, e.LayUp = telemetry.DisposalBegun, w.LayUp
	case w.Disposal == "end":
		e.Kind = telemetry.DisposalEnded
	case w.Disposal != "":
		return e, fmt.Errorf("the field disposal is %s, not begin or end", quoted(w.Disposal))
	case w.Fire == "lit":
		e.Kind = telemetry.FireLit
	case w.Fire != "":
		return e, fmt.Errorf("the field fire is %s, not lit", quoted(w.Fire))
	case w.Repair != "" || w.Done != nil:
		e.Kind, e.Subject = telemetry.RepairBooked, w.Repair
		if w.Done != nil && *w.Done {
			e.Kind = telemetry.RepairDone
		}
		return e, checkText("the field repair", w.Repair)
	case w.Wanted == "unknown":
		e.Kind = telemetry.NextWanted
	case w.Wanted != "":
		e.Kind = telemetry.NextWanted
		var err error
		e.Until, err = timeOf("wanted", w.Wanted)
		return e, err
	case w.LookedInto != nil && !*w.LookedInto:
		return e, errors.New("the field looked_into is false; leave it out where nobody has looked")
	case w.LookedInto != nil:
		e.Kind = telemetry.LookedInto
	case w.PutAway == nil:
		return e, errors.New("the field put_away is missing beside node")
	default:
		e.Kind, e.Subject = telemetry.NodeBack, w.Node
		if *w.PutAway {
			e.Kind = telemetry.NodePutAway
		}
		return e, checkID("the field node", w.Node)
	}
	return e, nil
}

func checkID(field, id string) error {
	if id == "" {
		return fmt.Errorf("%s is missing", field)
	}
	if utf8.RuneCountInString(id) > maxID {
		return fmt.Errorf("%s has more than %d characters", field, maxID)
	}
	return nil
}

// checkText is for what a person writes in their own words.
func checkText(field, text string) error {
	if strings.TrimSpace(text) == "" {
		return fmt.Errorf("%s is missing", field)
	}
	if utf8.RuneCountInString(text) > maxText {
		return fmt.Errorf("%s has more than %d characters", field, maxText)
	}
	return nil
}

func timeOf(field, s string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return time.Time{}, fmt.Errorf("the field %s is %s, not a time as 2031-05-18T08:00:00Z (RFC 3339)", field, quoted(s))
	}
	return t.UTC(), nil
}

func checkName(by string) error {
	if utf8.RuneCountInString(by) > maxName {
		return fmt.Errorf("the name in by has more than %d characters", maxName)
	}
	return nil
}
