package api

import "net/http"

// API serves.
type API struct{}

func (a *API) engines(w http.ResponseWriter, r *http.Request)   {}
func (a *API) state(w http.ResponseWriter, r *http.Request)     {}
func (a *API) series(w http.ResponseWriter, r *http.Request)    {}
func (a *API) lanes(w http.ResponseWriter, r *http.Request)     {}
func (a *API) book(w http.ResponseWriter, r *http.Request)      {}
func (a *API) disposals(w http.ResponseWriter, r *http.Request) {}
func (a *API) confirm(w http.ResponseWriter, r *http.Request)   {}
func (a *API) withdraw(w http.ResponseWriter, r *http.Request)  {}
func (a *API) say(w http.ResponseWriter, r *http.Request)       {}
