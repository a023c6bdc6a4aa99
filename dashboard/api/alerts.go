package api

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/mail"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/notice"
)

// Alerts keeps what each person is told, and by which ways. What it refuses it returns
// as a [*Refusal]. A choice is well-formed when it comes here, and a person may be
// anybody: whether there is one of that name is for it to judge.
type Alerts interface {
	// Alerts returns what a person chose, and what became of it.
	Alerts(ctx context.Context, person string) (message.Alerts, error)
	// Choose keeps what the person chose.
	Choose(ctx context.Context, person string, c message.AlertsChoice) error
	// Subscribe keeps a browser of the person's, and returns it as a way. One whose
	// endpoint is kept already is kept anew under the same id.
	Subscribe(ctx context.Context, person string, b message.AlertsBrowser) (message.AlertsWay, error)
	// Unsubscribe forgets one; id is that of the way without "push/".
	Unsubscribe(ctx context.Context, person, id string) error
	// Test sends one message by one way, at once and once, and returns what became of it.
	Test(ctx context.Context, person, way string) (message.AlertsLetter, error)
}

// MostTurns is how many turns a message may take to find somebody: with the first at
// once, more people than a shed's list of names is long. Common practice, no source.
const MostTurns = 20

// maxEndpoint is the longest address of a push subscription in characters; those in use
// have some 200. Common practice, no source.
const maxEndpoint = 2000

// Ring adds the calls of what rings. names are those under which the page may be opened
// beside the names that only this network knows: a host a name. Without it the calls
// answer that nobody is rung.
func (a *API) Ring(rings Alerts, names ...string) *API {
	a.alerts, a.names = rings, names
	return a
}

type ofPerson struct {
	// Person is a name as the shed's list of people has it.
	Person string `path:"person"`
}

type ofBrowser struct {
	ofPerson
	// ID is the way's id without "push/".
	ID string `path:"id"`
}

// alertsProblems are what every call of what rings may answer; those that write, more.
var (
	alertsProblems      = []int{http.StatusForbidden, http.StatusNotFound}
	alertsWriteProblems = []int{
		http.StatusBadRequest, http.StatusForbidden, http.StatusNotFound, http.StatusConflict,
		http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusServiceUnavailable,
	}
)

// alertsRoutes are the calls of what rings.
func (a *API) alertsRoutes() []route {
	return []route{
		{Operation{
			Method: http.MethodGet, Path: "/people/{person}/alerts", ID: "alerts",
			Summary: "What a person is told, by which ways, and what became of it", Request: ofPerson{},
			Status: http.StatusOK, Response: message.Alerts{}, Problems: alertsProblems,
		}, a.alertsOf},
		{Operation{
			Method: http.MethodPut, Path: "/people/{person}/alerts", ID: "alertsPut",
			Summary: "Choose what a person is told", Request: ofPerson{}, Body: message.AlertsPut{},
			Description: "The choice replaces the one before as a whole. It counts for what begins from then on, and for " +
				"what waits to be sent.",
			Status: http.StatusOK, Response: message.Alerts{}, Problems: alertsWriteProblems,
		}, a.choose},
		{Operation{
			Method: http.MethodPost, Path: "/people/{person}/alerts/browsers", ID: "alertsSubscribe",
			Summary: "Ring this browser too", Request: ofPerson{}, Body: message.AlertsBrowser{},
			Description: "The answer is the way that it became. A browser that is subscribed already keeps its id.",
			Status:      http.StatusCreated, Response: message.AlertsWay{}, Problems: alertsWriteProblems,
		}, a.subscribe},
		{Operation{
			Method: http.MethodDelete, Path: "/people/{person}/alerts/browsers/{id}", ID: "alertsUnsubscribe",
			Summary: "Ring a browser no longer", Request: ofBrowser{},
			Status: http.StatusOK, Response: message.Alerts{}, Problems: alertsWriteProblems,
		}, a.unsubscribe},
		{Operation{
			Method: http.MethodPost, Path: "/people/{person}/alerts/test", ID: "alertsTest",
			Summary: "Send one message by one way, now", Request: ofPerson{}, Body: message.AlertsTest{},
			Description: "It is tried once. The answer says what became of it: taken, or given up with the trouble that there was.",
			Status:      http.StatusOK, Response: message.AlertsLetter{}, Problems: alertsWriteProblems,
		}, a.tryWay},
	}
}

// rings reports whether a call of what rings may be made by this asker, or answers why
// not. As with set-up, a write is taken from this machine or from a page of this host:
// where a railway's alarms go is no less than its configuration.
func (a *API) rings(w http.ResponseWriter, r *http.Request) bool {
	if a.alerts == nil {
		problem.Write(w, r, problem.NoAlerts, "This daemon rings nobody.", "Start \"ashlamp run\", and choose there.")
		return false
	}
	if !ownName(r.Host) && !slices.Contains(a.names, hostOf(r.Host)) {
		problem.Write(w, r, problem.OtherOrigin, "What rings was asked for under the name "+quoted(r.Host)+".",
			"Open the page by this machine's address or its name in this network, or name the page's address under [notify] page.")
		return false
	}
	if r.Method == http.MethodGet || fromThisMachine(r) || fromOwnPage(r) {
		return true
	}
	problem.Write(w, r, problem.OtherOrigin, "This call changes who is rung and comes from a program on another machine.",
		"Make it from the daemon's own page, or on the machine itself.")
	return false
}

func hostOf(hostport string) string {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	return strings.ToLower(strings.TrimSuffix(host, "."))
}

func (a *API) alertsOf(w http.ResponseWriter, r *http.Request) {
	if a.rings(w, r) {
		a.tellAlerts(w, r)
	}
}

// tellAlerts answers how the person's alerts are now.
func (a *API) tellAlerts(w http.ResponseWriter, r *http.Request) {
	out, err := a.alerts.Alerts(r.Context(), r.PathValue("person"))
	if err != nil {
		a.refused(w, r, err)
		return
	}
	a.answer(w, r, http.StatusOK, out.Whole())
}

func (a *API) choose(w http.ResponseWriter, r *http.Request) {
	var put message.AlertsPut
	if !a.rings(w, r) || !readBody(w, r, &put) || wrongWrite(w, r, a.checkChoice(put.Choice)) {
		return
	}
	if err := a.alerts.Choose(r.Context(), r.PathValue("person"), put.Choice.Whole()); err != nil {
		a.refused(w, r, err)
		return
	}
	a.tellAlerts(w, r)
}

func (a *API) subscribe(w http.ResponseWriter, r *http.Request) {
	var b message.AlertsBrowser
	if !a.rings(w, r) || !readBody(w, r, &b) || wrongWrite(w, r, checkBrowser(b)) {
		return
	}
	way, err := a.alerts.Subscribe(r.Context(), r.PathValue("person"), b)
	if err != nil {
		a.refused(w, r, err)
		return
	}
	a.answer(w, r, http.StatusCreated, way)
}

func (a *API) unsubscribe(w http.ResponseWriter, r *http.Request) {
	if !a.rings(w, r) {
		return
	}
	if err := a.alerts.Unsubscribe(r.Context(), r.PathValue("person"), r.PathValue("id")); err != nil {
		a.refused(w, r, err)
		return
	}
	a.tellAlerts(w, r)
}

func (a *API) tryWay(w http.ResponseWriter, r *http.Request) {
	var t message.AlertsTest
	if !a.rings(w, r) || !readBody(w, r, &t) || wrongWrite(w, r, checkID("the field way", t.Way)) {
		return
	}
	letter, err := a.alerts.Test(r.Context(), r.PathValue("person"), t.Way)
	if err != nil {
		a.refused(w, r, err)
		return
	}
	a.answer(w, r, http.StatusOK, letter)
}

// checkChoice says what is wrong with a choice; nil where nothing is.
func (a *API) checkChoice(c message.AlertsChoice) error {
	var wrong []error
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Errorf(format, args...)) }
	ids := []string{}
	for _, e := range a.present.Engines() {
		ids = append(ids, e.ID)
	}
	for i, id := range c.Engines {
		switch {
		case !slices.Contains(ids, id):
			say("the field engines names %s, which is no engine here", quoted(id))
		case slices.Contains(c.Engines[:i], id):
			say("the field engines names %s twice", quoted(id))
		}
	}
	for i, k := range c.Kinds {
		switch {
		case !slices.Contains(notice.Kinds(), k):
			say("the field kinds has %s, which is not one of %s", quoted(string(k)), joined(notice.Kinds()))
		case slices.Contains(c.Kinds[:i], k):
			say("the field kinds has %s twice", quoted(string(k)))
		}
	}
	if (c.QuietFrom == "") != (c.QuietTo == "") {
		say("quiet hours need both quiet_from and quiet_to")
	}
	for _, q := range []struct{ field, v string }{{"quiet_from", c.QuietFrom}, {"quiet_to", c.QuietTo}} {
		if q.v == "" {
			continue
		}
		if t, err := time.Parse("15:04", q.v); err != nil || t.Format("15:04") != q.v {
			say("the field %s is %s, not a time of day as 22:00", q.field, quoted(q.v))
		}
	}
	if c.QuietFrom != "" && c.QuietFrom == c.QuietTo {
		say("quiet hours from %s to %s are none, or all day; choose two times, or leave both out", c.QuietFrom, c.QuietTo)
	}
	if c.Pressure != "bar" && c.Pressure != "psi" {
		say("the field pressure is %s, not bar or psi", quoted(c.Pressure))
	}
	if c.Temperature != "C" && c.Temperature != "F" {
		say("the field temperature is %s, not C or F", quoted(c.Temperature))
	}
	if c.Mail != "" {
		// The bare address, and nothing that a header could be made longer with.
		if m, err := mail.ParseAddress(c.Mail); err != nil || m.Address != c.Mail || len(c.Mail) > 254 { // RFC 5321 §4.5.3.1.3
			say("the field mail is %s, not one address as r.penhalow@fernhollow.example", quoted(c.Mail))
		}
	}
	if c.After < 0 || c.After >= MostTurns {
		say("the field after is %d, outside 0 to %d", c.After, MostTurns-1)
	}
	return errors.Join(wrong...)
}

func joined(kinds []notice.Kind) string {
	words := make([]string, len(kinds))
	for i, k := range kinds {
		words[i] = string(k)
	}
	return strings.Join(words, ", ")
}

// checkBrowser says what is wrong with a subscription as far as it can be seen; its keys
// are for the way out to judge.
func checkBrowser(b message.AlertsBrowser) error {
	var wrong []error
	if strings.TrimSpace(b.Name) == "" {
		wrong = append(wrong, errors.New("the field name is missing"))
	}
	if utf8.RuneCountInString(b.Name) > maxName {
		wrong = append(wrong, fmt.Errorf("the field name has more than %d characters", maxName))
	}
	// RFC 8030 §8: push services are spoken to over HTTPS only.
	if u, err := url.Parse(b.Endpoint); err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil || len(b.Endpoint) > maxEndpoint {
		wrong = append(wrong, fmt.Errorf("the field endpoint is %s, not the https address of a push service", quoted(b.Endpoint)))
	}
	if b.P256dh == "" || b.Auth == "" {
		wrong = append(wrong, errors.New("the fields p256dh and auth are the subscription's keys, and both are needed"))
	}
	return errors.Join(wrong...)
}
