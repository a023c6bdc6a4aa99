package api

import (
	"net/http"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
)

func (a *API) disposals(w http.ResponseWriter, r *http.Request) {
	if list, _, ok := a.disposalsOf(w, r); ok {
		a.answer(w, r, http.StatusOK, list)
	}
}

func (a *API) disposal(w http.ResponseWriter, r *http.Request) {
	list, engine, ok := a.disposalsOf(w, r)
	if !ok {
		return
	}
	id := r.PathValue("id")
	for _, d := range list {
		if d.ID == id {
			a.answer(w, r, http.StatusOK, d)
			return
		}
	}
	problem.Write(w, r, problem.UnknownDisposal, "No disposal of "+engine+" has the id "+quoted(id)+".", "See GET /engines/"+engine+"/disposals for those that there are.")
}

// disposalsOf returns all disposals of the engine in the path, or answers why not.
func (a *API) disposalsOf(w http.ResponseWriter, r *http.Request) (list []message.PastDisposal, engine string, ok bool) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return nil, "", false
	}
	list, err := a.past.Disposals(r.Context(), state.Engine)
	if err != nil {
		a.failed(w, r, err)
		return nil, "", false
	}
	out := make([]message.PastDisposal, len(list))
	for i, d := range list {
		out[i] = d.Whole()
	}
	return out, state.Engine, true
}

func (a *API) trends(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	t, err := a.past.Trends(r.Context(), state.Engine)
	if err != nil {
		a.failed(w, r, err)
		return
	}
	a.answer(w, r, http.StatusOK, t.Whole())
}
