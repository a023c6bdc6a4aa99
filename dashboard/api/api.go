// Package api is the HTTP interface of the outside contract: JSON under
// [Prefix], problem details (RFC 9457) where something is wrong. The calls are
// declared in one table, [Operations], from which both the router and the OpenAPI
// document are made.
//
// Input is judged strictly: an unknown field, parameter or media type is refused
// with what is wrong and how to mend it, since a word that was misread is worse
// than one that was refused. What changes something is taken only from a page of
// this host or from a program that is no browser.
package api

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/openapi"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/telemetry"
)

// Present is how the engines are now.
type Present interface {
	// Engines returns the engines in the order in which they are to be shown.
	Engines() []message.Engine
	// State returns how one engine is, and false where there is none of that id.
	State(engine string) (message.State, bool)
	// Now returns the time by the clock of the shed.
	Now() time.Time
}

// Past is what was recorded. Engines are known to exist when it is asked.
type Past interface {
	// Buckets sums up a channel over [from, to) in at most points buckets, in order
	// of time. engine is empty for a channel of the shed.
	Buckets(ctx context.Context, engine string, ch telemetry.Channel, from, to time.Time, points int) ([]telemetry.Bucket, error)
	// Lanes returns the steps over [from, to) as they were judged then.
	Lanes(ctx context.Context, engine string, from, to time.Time) (message.Lanes, error)
	// Book returns at most limit entries with a sequence number below before (any,
	// where before is 0), the newest first.
	Book(ctx context.Context, engine string, before uint64, limit int) ([]message.Entry, error)
	// Disposals returns all disposals, the newest first.
	Disposals(ctx context.Context, engine string) ([]message.PastDisposal, error)
	// Trends returns what became different from one disposal to another.
	Trends(ctx context.Context, engine string) (message.Trends, error)
	Records
}

// Speaker takes a person's word.
type Speaker interface {
	// Say keeps what a person said and returns it as it was kept. The event comes
	// without a time, which is the speaker's to give. By may be empty: whether that
	// is enough is the speaker's to judge. The errors that a caller can mend wrap
	// one of this package's; their text is shown.
	Say(ctx context.Context, engine string, e telemetry.Event) (telemetry.Event, error)
}

// What a [Speaker] may refuse.
var (
	// ErrUnknownConfirmation: no step of this engine asks for a confirmation of that id.
	ErrUnknownConfirmation = errors.New("no step of this engine asks for that confirmation")
	// ErrUnknownAlarm: no engine has a watch of that id.
	ErrUnknownAlarm = errors.New("no engine has such an alarm")
	// ErrUnknownNode: no node of that id was ever heard or configured.
	ErrUnknownNode = errors.New("no such node was heard or configured")
	// ErrNobodyNamed: the word needs a name, or one of those that are known.
	ErrNobodyNamed = errors.New("nobody, or nobody known, is named as who says it")
	// ErrNotGiven: there is nothing to withdraw.
	ErrNotGiven = errors.New("that confirmation does not stand")
	// ErrNotNow: the word does not fit how things are, for example the end of a
	// disposal where none is open.
	ErrNotNow = errors.New("that does not fit how things are now")
	// ErrUnknownChannel may be returned by a [Past] for a channel that has no samples.
	ErrUnknownChannel = errors.New("no sample of that channel was ever kept")
)

// MaxBody is the largest body of a request in bytes; the largest that means
// anything is a few hundred. Common practice, no source.
const MaxBody = 16 << 10

// API is an [http.Handler] of all calls under [Prefix] except the live link.
type API struct {
	present Present
	past    Past
	speaker Speaker
	setup   Setup  // nil where there is none
	years   Years  // nil where there is none
	alerts  Alerts // nil where nobody is rung
	names   []string
	log     *slog.Logger
	mux     *http.ServeMux
	origin  *http.CrossOriginProtection
}

// New returns the interface to what it is given, none of which may be nil.
func New(present Present, past Past, speaker Speaker, log *slog.Logger) *API {
	a := &API{
		present: present, past: past, speaker: speaker, log: log,
		mux: http.NewServeMux(), origin: http.NewCrossOriginProtection(),
	}
	for _, r := range a.routes() {
		a.mux.HandleFunc(r.Method+" "+Prefix+r.Path, r.serve)
	}
	document := openapi.Document()
	a.mux.HandleFunc("GET "+Prefix+"/openapi.json", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(document)
	})
	return a
}

// ServeHTTP answers one call.
func (a *API) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	if err := a.origin.Check(r); err != nil {
		problem.Write(w, r, problem.OtherOrigin, "This call changes something and comes from a page of another host.",
			"Make it from the daemon's own page, or from a program that is no browser.")
		return
	}
	handler, pattern := a.mux.Handler(r)
	if pattern != "" {
		a.mux.ServeHTTP(w, r)
		return
	}
	a.unrouted(w, r, handler)
}

// unrouted answers as the router would, but with problem details.
func (a *API) unrouted(w http.ResponseWriter, r *http.Request, handler http.Handler) {
	seen := &statusOnly{header: http.Header{}}
	handler.ServeHTTP(seen, r)
	switch seen.status {
	case http.StatusMethodNotAllowed:
		allow := seen.header.Get("Allow")
		w.Header().Set("Allow", allow)
		problem.Write(w, r, problem.Method, "The method "+r.Method+" means nothing here.", "Use "+strings.ReplaceAll(allow, ", ", " or ")+".")
	case http.StatusMovedPermanently, http.StatusTemporaryRedirect, http.StatusPermanentRedirect:
		http.Redirect(w, r, seen.header.Get("Location"), seen.status)
	default:
		problem.Write(w, r, problem.NotFound, "No call has the path "+r.URL.Path+".", "See "+Prefix+"/openapi.json for those that there are.")
	}
}

// statusOnly is a response writer that keeps the header and the status.
type statusOnly struct {
	header http.Header
	status int
}

func (s *statusOnly) Header() http.Header         { return s.header }
func (s *statusOnly) Write(b []byte) (int, error) { return len(b), nil }
func (s *statusOnly) WriteHeader(status int)      { s.status = status }

// engineOf returns the state of the engine in the path, or answers that there is none.
func (a *API) engineOf(w http.ResponseWriter, r *http.Request) (message.State, bool) {
	id := r.PathValue("engine")
	state, ok := a.present.State(id)
	if !ok {
		var ids []string
		for _, e := range a.present.Engines() {
			ids = append(ids, e.ID)
		}
		mend := "No engine is configured; add one to the configuration."
		if len(ids) > 0 {
			mend = "The engines here are " + strings.Join(ids, ", ") + "."
		}
		problem.Write(w, r, problem.UnknownEngine, "No engine has the id "+quoted(id)+".", mend)
	}
	return state, ok
}

func (a *API) engines(w http.ResponseWriter, r *http.Request) {
	engines := a.present.Engines()
	out := make([]message.Engine, len(engines))
	for i, e := range engines {
		out[i] = e.Whole()
	}
	a.answer(w, r, http.StatusOK, out)
}

func (a *API) state(w http.ResponseWriter, r *http.Request) {
	if state, ok := a.engineOf(w, r); ok {
		a.answer(w, r, http.StatusOK, state.Whole())
	}
}

func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// failed answers with the kind of problem that the error is.
func (a *API) failed(w http.ResponseWriter, r *http.Request, err error) {
	for _, k := range []struct {
		err  error
		kind problem.Kind
		mend string
	}{
		{ErrUnknownConfirmation, problem.UnknownConfirmation, "Use the id of an ask in the engine's state."},
		{ErrUnknownAlarm, problem.UnknownAlarm, "Use the id of an alarm in the engine's state."},
		{ErrUnknownNode, problem.UnknownNode, "Use the id under which the node speaks."},
		{ErrNobodyNamed, problem.NobodyNamed, "Give the name of who says it in \"by\"."},
		{ErrNotGiven, problem.NotGiven, "See confirmations in the engine's state for those that stand."},
		{ErrNotNow, problem.NotNow, "See the engine's state for how things are."},
		{ErrUnknownChannel, problem.UnknownChannel, "See channels in the engine's state for those that there are."},
		{ErrUnknownDisposal, problem.UnknownDisposal, "See the engine's disposals for those that there are."},
		{ErrNothingKept, problem.NothingKept, "Choose an evening of which samples are kept."},
		{ErrBusy, problem.Busy, "Wait until it is through, or leave it, and ask again."},
	} {
		if errors.Is(err, k.err) {
			kind := k.kind
			if r.Method == http.MethodDelete && kind == problem.UnknownConfirmation {
				// There it is part of the address.
				kind.Status = http.StatusNotFound
			}
			problem.Write(w, r, kind, sentence(err.Error()), k.mend)
			return
		}
	}
	if r.Context().Err() != nil {
		// Nobody is listening any more.
		return
	}
	a.log.Error("answer a call", "method", r.Method, "path", r.URL.Path, "error", err)
	problem.Write(w, r, problem.Internal, "What was asked for could not be had: "+err.Error()+".", "Try again; if it stays so, look at the daemon's log.")
}
