package api

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/telemetry"
)

// Somebody stands for a person who did not say who they are, as a confirmation may be
// given without a name: an alarm is always acknowledged by someone, and the outside
// contract has a form of that call without a body.
const Somebody = "a person"

// alarmOf returns the state of the engine, and the watch, that the alarm's id in the
// path names, or answers that there is no such alarm. Whether the engine has that
// watch is the speaker's to judge.
func (a *API) alarmOf(w http.ResponseWriter, r *http.Request) (message.State, string, bool) {
	id := r.PathValue("id")
	engine, watch, cut := strings.Cut(id, ".")
	if state, ok := a.present.State(engine); ok && cut && checkID("the watch", watch) == nil {
		return state, watch, true
	}
	problem.Write(w, r, problem.UnknownAlarm, "No alarm has the id "+quoted(id)+".",
		"Use the id of an alarm in an engine's state: the engine's, a point, and the watch's, as quillet.vacuum.")
	return message.State{}, "", false
}

func someone(by string) string {
	if strings.TrimSpace(by) == "" {
		return Somebody
	}
	return by
}

func (a *API) acknowledge(w http.ResponseWriter, r *http.Request) {
	a.known(w, r, telemetry.AlarmAcknowledged)
}

func (a *API) unshelve(w http.ResponseWriter, r *http.Request) {
	a.known(w, r, telemetry.AlarmUnshelved)
}

// known takes what needs no more than a name, and not even that.
func (a *API) known(w http.ResponseWriter, r *http.Request, kind telemetry.Kind) {
	state, watch, ok := a.alarmOf(w, r)
	if !ok {
		return
	}
	var k message.Acknowledgement
	if !readBodyIfAny(w, r, &k) {
		return
	}
	a.keep(w, r, state.Engine, http.StatusOK, telemetry.Event{Kind: kind, Subject: watch, By: someone(k.By)}, checkName(k.By),
		`Send {"by":"T. Oxley"}, or no body.`)
}

func (a *API) shelve(w http.ResponseWriter, r *http.Request) {
	state, watch, ok := a.alarmOf(w, r)
	if !ok {
		return
	}
	var s message.Shelf
	if !readBody(w, r, &s) {
		return
	}
	until, err := shelfEnd(s, a.present.Now())
	a.keep(w, r, state.Engine, http.StatusOK,
		telemetry.Event{Kind: telemetry.AlarmShelved, Subject: watch, By: someone(s.By), Until: until, Why: s.Why},
		errors.Join(checkName(s.By), checkText("the field why", s.Why), err),
		`Send {"by":"T. Oxley","why":"being mended","minutes":60}, or "until" with a time (RFC 3339) in place of minutes.`)
}

// shelfEnd is when a shelf asked for at now ends.
func shelfEnd(s message.Shelf, now time.Time) (time.Time, error) {
	switch {
	case (s.Until == "") == (s.Minutes == nil):
		return time.Time{}, errors.New("exactly one of until and minutes says when it comes back")
	case s.Minutes == nil:
		return timeOf("until", s.Until)
	case !(*s.Minutes > 0 && *s.Minutes <= maxMinutes):
		return time.Time{}, fmt.Errorf("the field minutes is %g, not more than 0 and at most %d", *s.Minutes, maxMinutes)
	}
	return now.Add(time.Duration(*s.Minutes * float64(time.Minute))).UTC().Truncate(telemetry.Resolution), nil
}
