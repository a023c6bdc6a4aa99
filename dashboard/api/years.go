package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

// MostOverlaid is how many disposals may be laid over each other in one call: more than
// a year of weekly running. Common practice, no source.
const MostOverlaid = 60

// Years answers what is asked of many disposals, or of the whole of a past.
// Engines are known to exist when it is asked.
type Years interface {
	// Overlay gives a channel over the disposals of those ids, by a mark of each. An id
	// that is none wraps [ErrUnknownDisposal]. engine is that of the disposals, also for a
	// channel of the shed.
	Overlay(ctx context.Context, engine string, q OverlayQuery) (message.Overlay, error)
	// Chain tells at once what is known of the engine's book, and has it gone through
	// anew where that is due.
	Chain(ctx context.Context, engine string) (message.BookChain, error)
	// Limits returns all limits of an engine in the order in which they are to be read.
	Limits(engine string) []message.Limit
	// Rerun judges a past disposal by other limits, which are known to be within their
	// ranges. It says how far it has come, at most some times a second, and ends with ctx.
	// Before the first progress it may be refused with [ErrUnknownDisposal], [ErrNothingKept],
	// [ErrBusy], or a [*Refusal] of limits that do not go together.
	Rerun(ctx context.Context, engine, disposal string, limits map[string]float64, progress func(float64)) (message.Rerun, error)
}

// What a [Years] may refuse.
var (
	// ErrUnknownDisposal: the engine has no disposal of that id.
	ErrUnknownDisposal = errors.New("the engine has no disposal of that id")
	// ErrNothingKept: no samples of that disposal are kept any more.
	ErrNothingKept = errors.New("no samples of that disposal are kept")
	// ErrBusy: as many are being judged again as may be at once.
	ErrBusy = errors.New("another disposal is being judged again")
)

// Recall adds the calls that look over years. Without it they answer that there is none.
func (a *API) Recall(y Years) *API {
	a.years = y
	return a
}

// OverlayQuery is what [Years.Overlay] is asked.
type OverlayQuery struct {
	Channel telemetry.Channel
	// Align is one of [Aligns].
	Align string
	// Points is the greatest number of points of one curve, from 1 to [MaxPoints].
	Points int
	// Disposals are ids, 1 to [MostOverlaid] of them, each once.
	Disposals []string
}

// Aligns are the marks of a disposal by which curves are laid over each other.
func Aligns() []string { return []string{AlignFireOut, AlignBlowDown, AlignPressureZero} }

// The marks: the fire was out, the blow-down began, the pressure came to zero.
const (
	AlignFireOut      = "fire-out"
	AlignBlowDown     = "blow-down"
	AlignPressureZero = "pressure-zero"
)

// DefaultOverlayPoints is how many points a curve has at most where the call does not
// say: a desk's sheet is 1280 px wide. Common practice, no source.
const DefaultOverlayPoints = 1200

type overlayQuery struct {
	ofEngine
	// Channel is the channel's id, one of the engine's own or of the shed's (ambient.*).
	Channel telemetry.Channel `query:"channel,required"`
	// Align is the mark that the times count from.
	Align string `query:"align,required" enum:"fire-out,blow-down,pressure-zero"`
	// Points is the greatest number of points of one curve; 1200 where it is absent.
	Points int `query:"points" minimum:"1" maximum:"5000"`
	// Disposal is the id of a disposal, once for each; 1 to 60 of them.
	Disposal []string `query:"disposal,required"`
}

// yearsRoutes are the calls that look over years.
func (a *API) yearsRoutes() []route {
	return []route{
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/overlay", ID: "overlay",
			Summary: "A channel over several disposals, each by a mark of its own",
			Description: "Each curve counts its seconds from the moment at which the mark was passed in that disposal, " +
				"and breaks where nothing was heard.",
			Request: overlayQuery{}, Status: http.StatusOK, Response: message.Overlay{},
			Problems: []int{http.StatusBadRequest, http.StatusNotFound},
		}, a.overlay},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/book/chain", ID: "bookChain",
			Summary: "Whether the engine's book is as it was written",
			Description: "It is answered at once with what was found the last time. Where that is old or the book has grown, " +
				"the book is gone through anew meanwhile: ask again while there is a progress.",
			Request: ofEngine{}, Status: http.StatusOK, Response: message.BookChain{},
			Problems: []int{http.StatusNotFound},
		}, a.chain},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/limits", ID: "limits",
			Summary: "The limits of an engine, as they are in force", Request: ofEngine{},
			Status: http.StatusOK, Response: []message.Limit{},
			Problems: []int{http.StatusNotFound},
		}, a.limits},
		{Operation{
			Method: http.MethodPost, Path: "/engines/{engine}/disposals/{id}/rerun", ID: "rerun",
			Summary: "Judge a past disposal once more, by other limits",
			Description: "A reckoning beside the real judgement: it changes nothing that is kept, shown or in force. The answer " +
				"is one RerunLine a line: progress as it goes, then the result. It ends where nobody listens any more.",
			Request: ofDisposal{}, Body: message.RerunPost{},
			Status: http.StatusOK, Response: message.RerunLine{}, Media: "application/x-ndjson",
			Problems: []int{
				http.StatusBadRequest, http.StatusForbidden, http.StatusNotFound,
				http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusServiceUnavailable,
			},
		}, a.rerun},
	}
}

// yearsOf returns the engine in the path, or answers why there is nothing to ask.
func (a *API) yearsOf(w http.ResponseWriter, r *http.Request) (engine string, ok bool) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return "", false
	}
	if a.years == nil {
		problem.Write(w, r, problem.NotFound, "This daemon keeps no past that could be looked over.",
			"Start \"ashlamp run\", and ask there.")
		return "", false
	}
	return state.Engine, true
}

func (a *API) overlay(w http.ResponseWriter, r *http.Request) {
	engine, ok := a.yearsOf(w, r)
	if !ok {
		return
	}
	q := overlayQuery{Points: DefaultOverlayPoints}
	if !readQuery(w, r, &q) {
		return
	}
	if err := checkOverlay(q); err != nil {
		problem.Write(w, r, problem.BadRequest, sentence(err.Error()), "See "+Prefix+"/openapi.json for what this call takes.")
		return
	}
	out, err := a.years.Overlay(r.Context(), engine, OverlayQuery{Channel: q.Channel, Align: q.Align, Points: q.Points, Disposals: q.Disposal})
	if err != nil {
		a.failed(w, r, err)
		return
	}
	a.answer(w, r, http.StatusOK, out.Whole())
}

func checkOverlay(q overlayQuery) error {
	switch {
	case !slices.Contains(Aligns(), q.Align):
		return fmt.Errorf("align is %s; use %s", quoted(q.Align), strings.Join(Aligns(), ", "))
	case q.Points < 1 || q.Points > MaxPoints:
		return fmt.Errorf("points is %d; ask for 1 to %d", q.Points, MaxPoints)
	case len(q.Disposal) > MostOverlaid:
		return fmt.Errorf("%d disposals were asked for; ask for %d at most", len(q.Disposal), MostOverlaid)
	}
	seen := map[string]bool{}
	for _, id := range q.Disposal {
		if seen[id] {
			return fmt.Errorf("the disposal %s is there twice; ask for each once", quoted(id))
		}
		seen[id] = true
	}
	return nil
}

func (a *API) chain(w http.ResponseWriter, r *http.Request) {
	engine, ok := a.yearsOf(w, r)
	if !ok {
		return
	}
	out, err := a.years.Chain(r.Context(), engine)
	if err != nil {
		a.failed(w, r, err)
		return
	}
	a.answer(w, r, http.StatusOK, out)
}

func (a *API) limits(w http.ResponseWriter, r *http.Request) {
	engine, ok := a.yearsOf(w, r)
	if !ok {
		return
	}
	list := a.years.Limits(engine)
	out := make([]message.Limit, len(list))
	for i, l := range list {
		out[i] = l.Whole()
	}
	a.answer(w, r, http.StatusOK, out)
}

func (a *API) rerun(w http.ResponseWriter, r *http.Request) {
	engine, ok := a.yearsOf(w, r)
	if !ok {
		return
	}
	var post struct {
		Limits json.RawMessage `json:"limits"`
	}
	if !readBody(w, r, &post) {
		return
	}
	limits, err := limitsOf(post.Limits)
	if err != nil {
		problem.Write(w, r, problem.BadRequest, sentence(err.Error()), "See GET /engines/"+engine+"/limits for the keys, each with its unit and range.")
		return
	}
	lines := &ndjson{w: w}
	out, err := a.years.Rerun(r.Context(), engine, r.PathValue("id"), limits, func(done float64) {
		lines.write(message.RerunLine{Progress: &done})
	})
	switch {
	case err == nil:
		out = out.Whole()
		lines.write(message.RerunLine{Result: &out})
	case !lines.begun:
		a.refused(w, r, err)
	case r.Context().Err() == nil:
		a.log.Error("judge a disposal again", "engine", engine, "disposal", r.PathValue("id"), "error", err)
		k := problem.Internal
		lines.write(message.RerunLine{Problem: &message.Problem{
			Type: problem.TypePrefix + k.Type, Title: k.Title, Status: k.Status, Instance: r.URL.Path,
			Detail: "The disposal could not be judged to its end: " + err.Error() + ".", Mend: "Try again; if it stays so, look at the daemon's log.",
		}})
	}
}

// limitsOf reads limits by key and refuses the first, in the order of their names,
// that is none or is outside its range.
func limitsOf(raw json.RawMessage) (map[string]float64, error) {
	if len(raw) == 0 {
		return nil, errors.New("the field limits is missing; send the limits that are to be moved, by key")
	}
	sent := map[string]json.RawMessage{}
	if err := decode(raw, &sent); err != nil {
		return nil, fmt.Errorf("the field limits cannot be read: %w", err)
	}
	limits := map[string]float64{}
	for _, k := range slices.Sorted(maps.Keys(sent)) {
		var v float64
		if err := json.Unmarshal(sent[k], &v); err != nil {
			return nil, fmt.Errorf("the limit %s is %s, which is no number", quoted(k), quoted(string(sent[k])))
		}
		if err := limit.Check(limit.Key(k), v); err != nil {
			return nil, fmt.Errorf("the limits cannot be moved so: %w", err)
		}
		limits[k] = v
	}
	return limits, nil
}

// ndjson writes values a line, each at once. A write that fails is left to the
// request's context, which then ends.
type ndjson struct {
	w     http.ResponseWriter
	begun bool
}

func (n *ndjson) write(line message.RerunLine) {
	if !n.begun {
		n.begun = true
		n.w.Header().Set("Content-Type", "application/x-ndjson")
		n.w.WriteHeader(http.StatusOK)
	}
	c := http.NewResponseController(n.w)
	// A long reckoning must not end by the deadline that other answers are given.
	_ = c.SetWriteDeadline(time.Time{})
	_ = json.NewEncoder(n.w).Encode(line)
	_ = c.Flush()
}
