package api

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/telemetry"
)

// Setup reads and writes the shed's configuration, and plays rehearsals. What it
// refuses it returns as a [*Refusal]. Engine is empty for what belongs to the shed.
type Setup interface {
	// Setup returns all that set-up shows.
	Setup(ctx context.Context) (message.Setup, error)
	// PutShed, PutDoors, PutEngine and PutChannel write what is given and leave the
	// rest of the file as it is; they return once the daemon runs by it.
	PutShed(ctx context.Context, put message.SetupShedPut) error
	PutDoors(ctx context.Context, put message.SetupDoorsPut) error
	PutEngine(ctx context.Context, engine string, put message.SetupEnginePut) error
	PutChannel(ctx context.Context, engine string, channel telemetry.Channel, put message.SetupChannelPut) error
	// DeleteEngine and DeleteChannel take it out of the file; hash is that of the text
	// that the asker saw.
	DeleteEngine(ctx context.Context, engine, hash, by string) error
	DeleteChannel(ctx context.Context, engine string, channel telemetry.Channel, hash, by string) error
	// Calibrate sets zero and span; a trial keeps nothing. The answer's Setup is left
	// to the caller.
	Calibrate(ctx context.Context, engine string, channel telemetry.Channel, post message.SetupCalibrationPost) (message.SetupCalibrated, error)
	// DeleteCalibration takes the one in use out of the file.
	DeleteCalibration(ctx context.Context, engine string, channel telemetry.Channel, hash, by string) error
	// Reload takes the file up as it is on disk.
	Reload(ctx context.Context, by string) error
	// Rehearse begins a simulated evening, EndRehearsal ends the one that plays.
	Rehearse(ctx context.Context, post message.SetupRehearsalPost) error
	EndRehearsal(ctx context.Context) error
}

// Refusal says why a [Setup] does not do what it was asked for; all three are shown.
type Refusal struct {
	Kind problem.Kind
	// Detail says what is wrong, Mend what to do about it; each is one or more sentences.
	Detail, Mend string
}

// Error gives the detail, then the mend.
func (r *Refusal) Error() string { return r.Detail + " " + r.Mend }

// Administer adds the calls of set-up. Without it they answer that there is none.
func (a *API) Administer(s Setup) *API {
	a.setup = s
	return a
}

type hashQuery struct {
	// Hash is that of the configuration's text which the asker saw.
	Hash string `query:"hash,required" maxLength:"64"`
	// By is who does it.
	By string `query:"by" maxLength:"80"`
}

type setupEngine struct {
	// Engine is the engine's id.
	Engine string `path:"engine"`
}

type setupEngineGone struct {
	setupEngine
	hashQuery
}

type setupChannel struct {
	// Engine is the engine's id.
	Engine string `path:"engine"`
	// Channel is the channel's id.
	Channel string `path:"channel"`
}

type setupChannelGone struct {
	setupChannel
	hashQuery
}

type setupShedChannel struct {
	// Channel is the channel's id, ambient.* only.
	Channel string `path:"channel"`
}

type setupShedChannelGone struct {
	setupShedChannel
	hashQuery
}

// setupProblems are what every call of set-up may answer; those that write, more.
var (
	setupProblems      = []int{http.StatusForbidden, http.StatusNotFound}
	setupWriteProblems = []int{
		http.StatusBadRequest, http.StatusForbidden, http.StatusNotFound, http.StatusConflict,
		http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity,
	}
)

// setupRoutes are the calls of set-up. All answer how set-up is afterwards.
func (a *API) setupRoutes() []route {
	const writes = "The file keeps its comments and its order. It is judged as \"ashlamp check\" judges it, and written and run " +
		"only where nothing is wrong; a file that a person changed meanwhile is not overwritten."
	put := func(path, id, summary string, request, body any, do func(w http.ResponseWriter, r *http.Request) (bool, error)) route {
		return route{Operation{
			Method: http.MethodPut, Path: path, ID: id, Summary: summary, Description: writes, Request: request, Body: body,
			Status: http.StatusOK, Response: message.Setup{}, Problems: setupWriteProblems,
		}, a.setUp(do)}
	}
	gone := func(path, id, summary string, request any, do func(w http.ResponseWriter, r *http.Request) (bool, error)) route {
		return route{Operation{
			Method: http.MethodDelete, Path: path, ID: id, Summary: summary, Description: writes, Request: request,
			Status: http.StatusOK, Response: message.Setup{}, Problems: setupWriteProblems,
		}, a.setUp(do)}
	}
	calibrate := func(path, id string, request any) route {
		return route{Operation{
			Method: http.MethodPost, Path: path, ID: id,
			Summary: "Set zero and span of a channel from points taken beside a reference",
			Description: "Two points or more, spread over the range. The line through them is kept in the configuration with the " +
				"points that it rests on; one that differs too much from the line before is refused.",
			Request: request, Body: message.SetupCalibrationPost{},
			Status: http.StatusOK, Response: message.SetupCalibrated{}, Problems: setupWriteProblems,
		}, a.calibrate}
	}
	return []route{
		{Operation{
			Method: http.MethodGet, Path: "/setup", ID: "setup",
			Summary: "How the shed is set up, and what is heard and found beside it",
			Status:  http.StatusOK, Response: message.Setup{}, Problems: setupProblems,
		}, a.setUp(func(http.ResponseWriter, *http.Request) (bool, error) { return true, nil })},
		put("/setup/shed", "setupShed", "Name the shed, its place and its people", nil, message.SetupShedPut{}, a.putShed),
		put("/setup/doors", "setupDoors", "Choose where the page is served and where nodes are heard", nil, message.SetupDoorsPut{}, a.putDoors),
		put("/setup/engines/{engine}", "setupEngine", "Add or alter an engine", setupEngine{}, message.SetupEnginePut{}, a.putEngine),
		gone("/setup/engines/{engine}", "setupEngineGone", "Take an engine out", setupEngineGone{}, a.deleteEngine),
		put("/setup/engines/{engine}/channels/{channel}", "setupChannel", "Add or alter a channel of an engine", setupChannel{}, message.SetupChannelPut{}, a.putChannel),
		gone("/setup/engines/{engine}/channels/{channel}", "setupChannelGone", "Take a channel of an engine out", setupChannelGone{}, a.deleteChannel),
		put("/setup/shed/channels/{channel}", "setupShedChannel", "Add or alter a channel of the shed's air", setupShedChannel{}, message.SetupChannelPut{}, a.putChannel),
		gone("/setup/shed/channels/{channel}", "setupShedChannelGone", "Take a channel of the shed's air out", setupShedChannelGone{}, a.deleteChannel),
		calibrate("/setup/engines/{engine}/channels/{channel}/calibration", "calibrate", setupChannel{}),
		gone("/setup/engines/{engine}/channels/{channel}/calibration", "calibrationGone", "Take a channel's calibration out", setupChannelGone{}, a.deleteCalibration),
		calibrate("/setup/shed/channels/{channel}/calibration", "calibrateShed", setupShedChannel{}),
		gone("/setup/shed/channels/{channel}/calibration", "calibrationShedGone", "Take the calibration of a channel of the shed's air out", setupShedChannelGone{}, a.deleteCalibration),
		{Operation{
			Method: http.MethodPost, Path: "/setup/reload", ID: "setupReload",
			Summary: "Take up the configuration as it is on disk", Body: message.SetupReload{}, BodyOptional: true,
			Status: http.StatusOK, Response: message.Setup{}, Problems: setupWriteProblems,
		}, a.setUp(a.reload)},
		{Operation{
			Method: http.MethodPost, Path: "/setup/rehearsal", ID: "rehearse",
			Summary: "Have a simulated evening played, apart from the real engines",
			Description: "It has a daemon of its own, with its own store, broker and page, which is called \"Rehearsal\": " +
				"no sample, word or verdict of it comes near the real engines.",
			Body: message.SetupRehearsalPost{}, Status: http.StatusOK, Response: message.Setup{}, Problems: setupWriteProblems,
		}, a.setUp(a.rehearse)},
		{Operation{
			Method: http.MethodDelete, Path: "/setup/rehearsal", ID: "rehearsalEnd",
			Summary: "End the rehearsal that plays", Status: http.StatusOK, Response: message.Setup{}, Problems: setupWriteProblems,
		}, a.setUp(func(w http.ResponseWriter, r *http.Request) (bool, error) {
			return true, a.setup.EndRehearsal(r.Context())
		})},
	}
}

// setUp does a call of set-up and answers how set-up is then. do returns false where
// it has answered already.
func (a *API) setUp(do func(w http.ResponseWriter, r *http.Request) (bool, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !a.admitted(w, r) {
			return
		}
		ok, err := do(w, r)
		if err != nil {
			a.refused(w, r, err)
			return
		}
		if !ok {
			return
		}
		s, err := a.setup.Setup(r.Context())
		if err != nil {
			a.refused(w, r, err)
			return
		}
		a.answer(w, r, http.StatusOK, s.Whole())
	}
}

// admitted reports whether a call of set-up may be made by this asker, or answers why
// not. A write is taken from this machine, or from a page of this host: a program
// elsewhere in the network is no page. A name that only a stranger's name server knows
// is refused (it may stand for this very machine), so that no page of elsewhere is
// taken for ours.
func (a *API) admitted(w http.ResponseWriter, r *http.Request) bool {
	if a.setup == nil {
		problem.Write(w, r, problem.NoSetup, "This daemon has no set-up: what it shows is fixed.",
			"Start \"ashlamp run\", and open set-up there.")
		return false
	}
	if !ownName(r.Host) {
		problem.Write(w, r, problem.OtherOrigin, "Set-up was asked for under the name "+quoted(r.Host)+".",
			"Open the page by this machine's address, for example http://127.0.0.1:8080/, or by its name in this network.")
		return false
	}
	if r.Method == http.MethodGet || fromThisMachine(r) || fromOwnPage(r) {
		return true
	}
	problem.Write(w, r, problem.OtherOrigin, "This call changes the configuration and comes from a program on another machine.",
		"Make it from the daemon's own page, or on the machine itself.")
	return false
}

// ownName reports whether a Host header names a machine as its own network does: by
// address, by a bare name, or under a name that is never given out in public (RFC 6761,
// RFC 6762, RFC 8375).
func ownName(hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if _, err := netip.ParseAddr(host); err == nil {
		return true
	}
	if !strings.Contains(host, ".") {
		return host != ""
	}
	for _, private := range []string{".localhost", ".local", ".home.arpa", ".internal", ".test"} {
		if strings.HasSuffix(host, private) {
			return true
		}
	}
	return false
}

// fromThisMachine is false for what another program passes on, as one that terminates
// TLS before the daemon does: whom it comes from is then not known.
func fromThisMachine(r *http.Request) bool {
	if r.Header.Get("Forwarded") != "" || r.Header.Get("X-Forwarded-For") != "" {
		return false
	}
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && from.Addr().Unmap().IsLoopback()
}

func fromOwnPage(r *http.Request) bool {
	if r.Header.Get("Sec-Fetch-Site") == "same-origin" {
		return true
	}
	u, err := url.Parse(r.Header.Get("Origin"))
	return err == nil && u.Host != "" && u.Host == r.Host
}

// refused answers a refusal as what it is, anything else as a failure.
func (a *API) refused(w http.ResponseWriter, r *http.Request, err error) {
	var no *Refusal
	if errors.As(err, &no) {
		problem.Write(w, r, no.Kind, no.Detail, no.Mend)
		return
	}
	a.failed(w, r, err)
}

// wrongWrite answers that the body or the query is not as it needs to be.
func wrongWrite(w http.ResponseWriter, r *http.Request, err error) bool {
	if err != nil {
		problem.Write(w, r, problem.BadRequest, sentence(strings.ReplaceAll(err.Error(), "\n", "; ")), "See "+Prefix+"/openapi.json for what this call takes.")
	}
	return err != nil
}

func checkHash(hash string) error {
	if hash == "" {
		return errors.New("hash is missing: send that of the text which this was made from, as GET /setup gives it")
	}
	return nil
}

func (a *API) putShed(w http.ResponseWriter, r *http.Request) (bool, error) {
	var put message.SetupShedPut
	if !readBody(w, r, &put) || wrongWrite(w, r, errors.Join(checkHash(put.Hash), checkName(put.By))) {
		return false, nil
	}
	return true, a.setup.PutShed(r.Context(), put)
}

func (a *API) putDoors(w http.ResponseWriter, r *http.Request) (bool, error) {
	var put message.SetupDoorsPut
	if !readBody(w, r, &put) || wrongWrite(w, r, errors.Join(checkHash(put.Hash), checkName(put.By))) {
		return false, nil
	}
	return true, a.setup.PutDoors(r.Context(), put)
}

func (a *API) putEngine(w http.ResponseWriter, r *http.Request) (bool, error) {
	id := r.PathValue("engine")
	var put message.SetupEnginePut
	if !readBody(w, r, &put) || wrongWrite(w, r, errors.Join(checkID("the engine's id", id), checkHash(put.Hash), checkName(put.By))) {
		return false, nil
	}
	return true, a.setup.PutEngine(r.Context(), id, put)
}

func (a *API) putChannel(w http.ResponseWriter, r *http.Request) (bool, error) {
	id := r.PathValue("channel")
	var put message.SetupChannelPut
	if !readBody(w, r, &put) || wrongWrite(w, r, errors.Join(checkID("the channel's id", id), checkHash(put.Hash), checkName(put.By))) {
		return false, nil
	}
	return true, a.setup.PutChannel(r.Context(), r.PathValue("engine"), telemetry.Channel(id), put)
}

// hashOf reads the query of a call that deletes.
func hashOf(w http.ResponseWriter, r *http.Request) (hashQuery, bool) {
	var q hashQuery
	if !readQuery(w, r, &q) || wrongWrite(w, r, errors.Join(checkHash(q.Hash), checkName(q.By))) {
		return q, false
	}
	return q, true
}

func (a *API) deleteEngine(w http.ResponseWriter, r *http.Request) (bool, error) {
	q, ok := hashOf(w, r)
	if !ok {
		return false, nil
	}
	return true, a.setup.DeleteEngine(r.Context(), r.PathValue("engine"), q.Hash, q.By)
}

func (a *API) deleteChannel(w http.ResponseWriter, r *http.Request) (bool, error) {
	q, ok := hashOf(w, r)
	if !ok {
		return false, nil
	}
	return true, a.setup.DeleteChannel(r.Context(), r.PathValue("engine"), telemetry.Channel(r.PathValue("channel")), q.Hash, q.By)
}

func (a *API) deleteCalibration(w http.ResponseWriter, r *http.Request) (bool, error) {
	q, ok := hashOf(w, r)
	if !ok {
		return false, nil
	}
	return true, a.setup.DeleteCalibration(r.Context(), r.PathValue("engine"), telemetry.Channel(r.PathValue("channel")), q.Hash, q.By)
}

func (a *API) calibrate(w http.ResponseWriter, r *http.Request) {
	if !a.admitted(w, r) {
		return
	}
	var post message.SetupCalibrationPost
	if !readBody(w, r, &post) {
		return
	}
	err := errors.Join(checkHash(post.Hash), checkText("the field by", post.By), checkName(post.By), checkName(post.Reference))
	for i, p := range post.Points {
		if p.At == "" {
			continue
		}
		_, wrong := timeOf(fmt.Sprintf("at of point %d", i+1), p.At)
		err = errors.Join(err, wrong)
	}
	if wrongWrite(w, r, err) {
		return
	}
	out, err := a.setup.Calibrate(r.Context(), r.PathValue("engine"), telemetry.Channel(r.PathValue("channel")), post)
	if err != nil {
		a.refused(w, r, err)
		return
	}
	if out.Setup, err = a.setup.Setup(r.Context()); err != nil {
		a.refused(w, r, err)
		return
	}
	a.answer(w, r, http.StatusOK, out.Whole())
}

func (a *API) reload(w http.ResponseWriter, r *http.Request) (bool, error) {
	var body message.SetupReload
	if !readBodyIfAny(w, r, &body) || wrongWrite(w, r, checkName(body.By)) {
		return false, nil
	}
	return true, a.setup.Reload(r.Context(), body.By)
}

func (a *API) rehearse(w http.ResponseWriter, r *http.Request) (bool, error) {
	var post message.SetupRehearsalPost
	if !readBody(w, r, &post) || wrongWrite(w, r, checkID("the field engine", post.Engine)) {
		return false, nil
	}
	return true, a.setup.Rehearse(r.Context(), post)
}
