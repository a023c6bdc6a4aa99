package api

import (
	"net/http"
	"slices"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/rules/telemetry"
)

// Operation is one call of the interface, declared once: the router and the
// OpenAPI document are both made from it.
type Operation struct {
	// Method and Path are as in a [http.ServeMux] pattern, Path without the
	// prefix [Prefix].
	Method, Path string
	// ID names the call in generated clients.
	ID string
	// Summary is one line; Description, where there is more to say, some more.
	Summary, Description string
	// Request has the parameters as fields tagged path or query, and the body as
	// fields tagged json; nil where there are none.
	Request any
	// Body is the request's body where it is a type of its own.
	Body any
	// BodyOptional is that the call is as good without one.
	BodyOptional bool
	// Status is that of success, Response its body; nil where there is none.
	Status   int
	Response any
	// Media is the media type of the answer; application/json where it is empty.
	Media string
	// Problems are the statuses of the problem details that it may answer.
	Problems []int
}

// Prefix stands before every operation's path.
const Prefix = "/api/v1"

// Points asked for where a series call does not say, and the most that may be
// asked for: a tablet's sheet is 1280 px wide, a report's page 2480.
// Common practice, no source.
const (
	DefaultPoints = 600
	MaxPoints     = 5000
)

// Entries of the book given where a call does not say, and the most that may be
// asked for. Common practice, no source.
const (
	DefaultEntries = 100
	MaxEntries     = 1000
)

type ofEngine struct {
	// Engine is the engine's id.
	Engine string `path:"engine"`
}

type seriesQuery struct {
	ofEngine
	// Channel is the channel's id, one of the engine's own or of the shed's (ambient.*).
	Channel telemetry.Channel `query:"channel,required"`
	// From and To bound the span [from, to) (RFC 3339).
	From time.Time `query:"from,required"`
	To   time.Time `query:"to,required"`
	// Points is the greatest number of buckets; 600 where it is absent.
	Points int `query:"points" minimum:"1" maximum:"5000"`
}

type lanesQuery struct {
	ofEngine
	// From and To bound the span [from, to) (RFC 3339).
	From time.Time `query:"from,required"`
	To   time.Time `query:"to,required"`
}

type bookQuery struct {
	ofEngine
	// Before gives only entries with a lower sequence number; absent, the newest.
	Before uint64 `query:"before"`
	// Limit is the greatest number of entries; 100 where it is absent.
	Limit int `query:"limit" minimum:"1" maximum:"1000"`
}

type withdrawQuery struct {
	ofEngine
	// Evidence is the confirmation's id.
	Evidence string `path:"evidence"`
	// By is who takes it back.
	By string `query:"by" maxLength:"80"`
}

type ofDisposal struct {
	ofEngine
	// ID is the disposal's id as in the list of disposals.
	ID string `path:"id"`
}

type ofAlarm struct {
	// ID is the alarm's id as in the engine's state: the engine's id, a point, and the watch's.
	ID string `path:"id"`
}

// LiveQuery is the query of the live link.
type LiveQuery struct {
	// After is the number of the last message that the client has applied.
	After uint64 `query:"after"`
}

type route struct {
	Operation
	serve http.HandlerFunc
}

// Operations lists every call under [Prefix], the live link included.
func Operations() []Operation {
	var ops []Operation
	for _, r := range (&API{}).routes() {
		ops = append(ops, r.Operation)
	}
	return append(ops, Operation{
		Method: http.MethodGet, Path: "/live", ID: "live",
		Summary: "The live link: a WebSocket of numbered messages",
		Description: "After the upgrade each text message is one of the forms of the schema Live: a snapshot " +
			"first, then changes, and a beat each second. A client that was away asks with the number of the " +
			"last message that it applied; where that is still held it gets only the changes since.",
		Request: LiveQuery{}, Status: http.StatusSwitchingProtocols, Response: message.Live{},
		Problems: []int{http.StatusBadRequest, http.StatusForbidden, http.StatusServiceUnavailable},
	}, Operation{
		Method: http.MethodGet, Path: "/openapi.json", ID: "openapi",
		Summary: "This document", Status: http.StatusOK, Response: map[string]any{},
	})
}

func (a *API) routes() []route {
	return slices.Concat([]route{
		{Operation{
			Method: http.MethodGet, Path: "/engines", ID: "engines",
			Summary: "The engines of the shed", Status: http.StatusOK, Response: []message.Engine{},
		}, a.engines},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/state", ID: "state",
			Summary: "How an engine is now", Request: ofEngine{},
			Status: http.StatusOK, Response: message.State{},
			Problems: []int{http.StatusNotFound, http.StatusServiceUnavailable},
		}, a.state},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/series", ID: "series",
			Summary: "A channel over a span of time, in at most so many buckets", Request: seriesQuery{},
			Status: http.StatusOK, Response: message.Series{},
			Problems: []int{http.StatusBadRequest, http.StatusNotFound},
		}, a.series},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/lanes", ID: "lanes",
			Summary: "The steps over a span of time, as they were judged then", Request: lanesQuery{},
			Status: http.StatusOK, Response: message.Lanes{},
			Problems: []int{http.StatusBadRequest, http.StatusNotFound},
		}, a.lanes},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/book", ID: "book",
			Summary: "The engine's book, the newest entry first", Request: bookQuery{},
			Status: http.StatusOK, Response: []message.Entry{},
			Problems: []int{http.StatusBadRequest, http.StatusNotFound},
		}, a.book},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/disposals", ID: "disposals",
			Summary: "The engine's disposals, the newest first", Request: ofEngine{},
			Status: http.StatusOK, Response: []message.PastDisposal{},
			Problems: []int{http.StatusNotFound},
		}, a.disposals},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/disposals/{id}", ID: "disposal",
			Summary: "One of the engine's disposals", Request: ofDisposal{},
			Status: http.StatusOK, Response: message.PastDisposal{},
			Problems: []int{http.StatusNotFound},
		}, a.disposal},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/trends", ID: "trends",
			Summary: "What became different from one cooldown to another",
			Description: "Steps and drifts in how fast the engine loses heat, follows and drains, each in one sentence, " +
				"and the series that they were found in: the newest sixty disposals.",
			Request: ofEngine{}, Status: http.StatusOK, Response: message.Trends{},
			Problems: []int{http.StatusNotFound},
		}, a.trends},
		{Operation{
			Method: http.MethodPost, Path: "/engines/{engine}/confirmations", ID: "confirm",
			Summary: "Give a person's word for what no sensor sees", Request: ofEngine{}, Body: message.Confirmation{},
			Status: http.StatusCreated, Response: message.Stamp{},
			Problems: changeProblems,
		}, a.confirm},
		{Operation{
			Method: http.MethodDelete, Path: "/engines/{engine}/confirmations/{evidence}", ID: "withdraw",
			Summary: "Take a person's word back", Request: withdrawQuery{},
			Status: http.StatusOK, Response: message.Stamp{},
			Problems: []int{http.StatusBadRequest, http.StatusForbidden, http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable},
		}, a.withdraw},
		{Operation{
			Method: http.MethodPost, Path: "/engines/{engine}/events", ID: "say",
			Summary: "Say what happens to an engine",
			Description: "That a disposal begins or ends, that a fire is lit, that a node is put away, what is to be " +
				"repaired, when the engine is next wanted, that somebody looked into it.",
			Request: ofEngine{}, Body: message.Word{},
			Status: http.StatusCreated, Response: message.Stamp{},
			Problems: changeProblems,
		}, a.say},
		{Operation{
			Method: http.MethodPost, Path: "/alarms/{id}/acknowledge", ID: "acknowledge",
			Summary: "Say that a person knows of an alarm",
			Request: ofAlarm{}, Body: message.Acknowledgement{}, BodyOptional: true,
			Status: http.StatusOK, Response: message.Stamp{},
			Problems: changeProblems,
		}, a.acknowledge},
		{Operation{
			Method: http.MethodPost, Path: "/alarms/{id}/shelve", ID: "shelve",
			Summary:     "Put an alarm aside for a time",
			Description: "It stays in the list, with who put it there and why, and comes back by itself.",
			Request:     ofAlarm{}, Body: message.Shelf{},
			Status: http.StatusOK, Response: message.Stamp{},
			Problems: changeProblems,
		}, a.shelve},
		{Operation{
			Method: http.MethodPost, Path: "/alarms/{id}/unshelve", ID: "unshelve",
			Summary: "Take an alarm up again before its time",
			Request: ofAlarm{}, Body: message.Acknowledgement{}, BodyOptional: true,
			Status: http.StatusOK, Response: message.Stamp{},
			Problems: changeProblems,
		}, a.unshelve},
	}, a.yearsRoutes(), a.setupRoutes(), a.recordRoutes(), a.alertsRoutes())
}

var changeProblems = []int{
	http.StatusBadRequest, http.StatusForbidden, http.StatusNotFound, http.StatusConflict,
	http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusServiceUnavailable,
}
