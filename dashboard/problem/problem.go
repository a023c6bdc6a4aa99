// Package problem answers a call that went wrong with problem details (RFC 9457).
// The kinds are one closed table: their types are part of the outside contract.
package problem

import (
	"encoding/json"
	"net/http"
	"strconv"

	"ashlamp/dashboard/message"
)

// Kind is a kind of problem: what it is called, in words and in HTTP.
type Kind struct {
	// Status is the HTTP status code.
	Status int
	// Type is the last part of the type reference.
	Type string
	// Title is the kind in a few words.
	Title string
}

// The kinds of problems. Each is constant; they are variables because Go has no
// constants of a struct type.
var (
	BadRequest          = Kind{http.StatusBadRequest, "bad-request", "The request is not as this call needs it"}
	NobodyNamed         = Kind{http.StatusBadRequest, "nobody-named", "Nobody is named"}
	UnknownConfirmation = Kind{http.StatusBadRequest, "unknown-confirmation", "There is no such confirmation"}
	UnknownNode         = Kind{http.StatusBadRequest, "unknown-node", "There is no such node"}
	OtherOrigin         = Kind{http.StatusForbidden, "other-origin", "The request comes from a page of another host"}
	NotFound            = Kind{http.StatusNotFound, "not-found", "There is nothing at this address"}
	UnknownEngine       = Kind{http.StatusNotFound, "unknown-engine", "There is no such engine"}
	UnknownAlarm        = Kind{http.StatusNotFound, "unknown-alarm", "There is no such alarm"}
	UnknownDisposal     = Kind{http.StatusNotFound, "unknown-disposal", "There is no such disposal"}
	NoSetup             = Kind{http.StatusNotFound, "no-setup", "This daemon has no set-up"}
	NoAlerts            = Kind{http.StatusNotFound, "no-alerts", "This daemon rings nobody"}
	UnknownPerson       = Kind{http.StatusNotFound, "unknown-person", "There is no such person"}
	UnknownWay          = Kind{http.StatusNotFound, "unknown-way", "There is no such way to the person"}
	UnknownChannel      = Kind{http.StatusNotFound, "unknown-channel", "There is no such channel"}
	NothingKept         = Kind{http.StatusNotFound, "nothing-kept", "No samples of that disposal are kept"}
	NotGiven            = Kind{http.StatusNotFound, "not-given", "This confirmation does not stand"}
	Method              = Kind{http.StatusMethodNotAllowed, "method", "This address does not take that method"}
	NotNow              = Kind{http.StatusConflict, "not-now", "This cannot be said as things are now"}
	NotOpen             = Kind{http.StatusConflict, "not-open", "This way is not open"}
	FileChanged         = Kind{http.StatusConflict, "file-changed", "The configuration has changed meanwhile"}
	CannotRun           = Kind{http.StatusConflict, "cannot-run", "The daemon cannot run as this says"}
	FileWrong           = Kind{http.StatusUnprocessableEntity, "file-wrong", "The configuration would be wrong"}
	NoCalibration       = Kind{http.StatusUnprocessableEntity, "no-calibration", "These points make no calibration"}
	TooLarge            = Kind{http.StatusRequestEntityTooLarge, "too-large", "The body is too large"}
	MediaType           = Kind{http.StatusUnsupportedMediaType, "media-type", "The body is not JSON"}
	Internal            = Kind{http.StatusInternalServerError, "internal", "The daemon could not answer"}
	Busy                = Kind{http.StatusServiceUnavailable, "busy", "The daemon cannot serve this now"}
)

// ContentType is the media type of problem details (RFC 9457 section 6.1).
const ContentType = "application/problem+json"

// TypePrefix stands before [Kind.Type]; with it the type is a relative reference.
const TypePrefix = "/problems/"

// Write answers with the problem: detail says what is wrong with this request,
// mend what to do about it.
func Write(w http.ResponseWriter, r *http.Request, k Kind, detail, mend string) {
	// Strings and a number always encode.
	b, _ := json.Marshal(message.Problem{
		Type: TypePrefix + k.Type, Title: k.Title, Status: k.Status,
		Detail: detail, Mend: mend, Instance: r.URL.Path,
	})
	h := w.Header()
	h.Set("Content-Type", ContentType)
	h.Set("Content-Length", strconv.Itoa(len(b)+1))
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(k.Status)
	_, _ = w.Write(append(b, '\n'))
}
