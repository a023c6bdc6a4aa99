package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
)

// Records is what leaves the daemon as a file. Engines are known to exist when it is
// asked; a zero to means no end.
type Records interface {
	// Report writes one disposal as PDF. The error wraps [ErrUnknownDisposal] where there
	// is none of that id.
	Report(ctx context.Context, w io.Writer, engine, disposal string) error
	// Rows returns how many samples of the engine and of its shed lie within [from, to).
	Rows(ctx context.Context, engine string, from, to time.Time) (int64, error)
	// Export writes the samples within [from, to) in the form that the media type names,
	// as they are read: what it holds in memory does not grow with the span.
	Export(ctx context.Context, w io.Writer, engine string, from, to time.Time, media string) error
}

// RowsHeader has how many samples an export holds, so that whoever fetches it can show
// how far it has come. It is left out where counting would take longer than the first
// bytes may be waited for.
const RowsHeader = "Ashlamp-Rows"

// countedSpan is the longest span of which the rows are counted beforehand: at a sample
// a second of each of twenty channels half a million minutes to look at, under a second.
const countedSpan = 31 * 24 * time.Hour

// The media types of what leaves as a file.
const (
	CSVType       = "text/csv; charset=utf-8; header=present"
	SenMLType     = "application/senml+json"
	RecordingType = "application/x-ndjson"
	PDFType       = "application/pdf"
)

// spanQuery bounds what is exported.
type spanQuery struct {
	ofEngine
	// From and To bound the span [from, to) (RFC 3339).
	From time.Time `query:"from,required"`
	To   time.Time `query:"to,required"`
}

// recordRoutes are the calls that give a file.
func (a *API) recordRoutes() []route {
	const streamed = " It is streamed; the header " + RowsHeader + " has how many samples there are, where that was counted. " +
		"One that breaks off was not complete."
	const columns = "A header, then a line a sample of the engine and of its shed, in order of time: time (RFC 3339, UTC), channel, " +
		"value (empty where there is no number), unit, quality, flaw (why it is not good), node, received."
	one := []int{http.StatusNotFound}
	return []route{
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/disposals/{id}/report.pdf", ID: "report",
			Summary: "One of the engine's disposals on paper",
			Request: ofDisposal{}, Status: http.StatusOK, Response: "", Media: PDFType, Problems: one,
		}, a.report},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/disposals/{id}/samples.csv", ID: "disposalCSV",
			Summary: "The samples of a disposal as CSV", Description: columns + streamed,
			Request: ofDisposal{}, Status: http.StatusOK, Response: "", Media: CSVType, Problems: one,
		}, a.ofDisposal(CSVType, "csv")},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/disposals/{id}/samples.senml.json", ID: "disposalSenML",
			Summary: "The samples of a disposal as SenML",
			Description: "One array of resolved records with absolute times (RFC 8428 section 4.6), a record a line. A sample that " +
				"is not good has vs, the reason, in place of a number." + streamed,
			Request: ofDisposal{}, Status: http.StatusOK, Response: []map[string]any{}, Media: SenMLType, Problems: one,
		}, a.ofDisposal(SenMLType, "senml.json")},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/disposals/{id}/recording.ndjson", ID: "disposalRecording",
			Summary: "A disposal as a replay takes it",
			Description: "Packs of samples and what people said, a line each, in order of receipt: \"ashlamp replay\" judges it again. " +
				"It is streamed.",
			Request: ofDisposal{}, Status: http.StatusOK, Response: "", Media: RecordingType, Problems: one,
		}, a.ofDisposal(RecordingType, "ndjson")},
		{Operation{
			Method: http.MethodGet, Path: "/engines/{engine}/samples.csv", ID: "samplesCSV",
			Summary: "The samples of any span as CSV", Description: columns + streamed,
			Request: spanQuery{}, Status: http.StatusOK, Response: "", Media: CSVType,
			Problems: []int{http.StatusBadRequest, http.StatusNotFound},
		}, a.samplesCSV},
	}
}

func (a *API) report(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	id := r.PathValue("id")
	var b bytes.Buffer
	switch err := a.past.Report(r.Context(), &b, state.Engine, id); {
	case err != nil:
		a.failed(w, r, err)
	default:
		named(w, PDFType, state.Engine+"-"+id+".pdf", "inline")
		w.Header().Set("Content-Length", strconv.Itoa(b.Len()))
		_, _ = w.Write(b.Bytes())
	}
}

// named says what a file is and what it is called; how is "inline" for one that a
// browser shows itself.
func named(w http.ResponseWriter, media, name, how string) {
	w.Header().Set("Content-Type", media)
	// An id of an engine and of a disposal needs no escaping.
	w.Header().Set("Content-Disposition", how+`; filename="`+name+`"`)
}

func unknownDisposal(w http.ResponseWriter, r *http.Request, engine, id string) {
	problem.Write(w, r, problem.UnknownDisposal, "No disposal of "+engine+" has the id "+quoted(id)+".", "See GET /engines/"+engine+"/disposals for those that there are.")
}

// ofDisposal answers with the samples of the disposal in the path.
func (a *API) ofDisposal(media, ending string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		list, engine, ok := a.disposalsOf(w, r)
		if !ok {
			return
		}
		id := r.PathValue("id")
		for _, d := range list {
			if d.ID == id {
				from, to := spanOf(d)
				a.export(w, r, engine, from, to, media, engine+"-"+id+"."+ending)
				return
			}
		}
		unknownDisposal(w, r, engine, id)
	}
}

// spanOf is from when to when samples are a disposal's; no end where it is open.
func spanOf(d message.PastDisposal) (from, to time.Time) {
	if d.Ended != nil {
		to = *d.Ended
	}
	return d.Begun, to
}

func (a *API) samplesCSV(w http.ResponseWriter, r *http.Request) {
	state, ok := a.engineOf(w, r)
	if !ok {
		return
	}
	var q spanQuery
	if !readQuery(w, r, &q) {
		return
	}
	if !q.From.Before(q.To) {
		problem.Write(w, r, problem.BadRequest, fmt.Sprintf("From %s is not before to %s.", q.From.Format(time.RFC3339), q.To.Format(time.RFC3339)), "Give from and to in RFC 3339, from the earlier.")
		return
	}
	from, to := q.From.UTC(), q.To.UTC()
	const stamp = "20060102t150405"
	a.export(w, r, state.Engine, from, to, CSVType, state.Engine+"-"+from.Format(stamp)+"-"+to.Format(stamp)+".csv")
}

// export streams samples. What goes wrong before the first of them is answered as a
// problem; after that the connection is broken off, so that nobody takes a part for all.
func (a *API) export(w http.ResponseWriter, r *http.Request, engine string, from, to time.Time, media, name string) {
	until := to
	if until.IsZero() {
		until = a.present.Now()
	}
	rows := int64(-1)
	if until.Sub(from) <= countedSpan {
		var err error
		if rows, err = a.past.Rows(r.Context(), engine, from, to); err != nil {
			a.failed(w, r, err)
			return
		}
	}
	out := &streaming{w: w, begin: func() {
		named(w, media, name, "attachment")
		if rows >= 0 && media != RecordingType {
			w.Header().Set(RowsHeader, strconv.FormatInt(rows, 10))
		}
	}}
	if r.Method == http.MethodHead {
		out.begin()
		return
	}
	err := a.past.Export(r.Context(), out, engine, from, to, media)
	switch {
	case err == nil:
		out.start()
	case !out.begun:
		a.failed(w, r, err)
	default:
		if r.Context().Err() == nil {
			a.log.Error("an export broke off", "engine", engine, "path", r.URL.Path, "error", err)
		}
		panic(http.ErrAbortHandler)
	}
}

// streaming sends the first bytes at once; the server sends the rest as they fill its
// buffers.
type streaming struct {
	w     http.ResponseWriter
	begin func()
	begun bool
}

func (s *streaming) start() {
	if !s.begun {
		s.begun = true
		s.begin()
	}
}

func (s *streaming) Write(b []byte) (int, error) {
	first := !s.begun
	s.start()
	n, err := s.w.Write(b)
	if err == nil && first {
		// A writer that cannot be flushed sends when it is full.
		_ = http.NewResponseController(s.w).Flush()
	}
	return n, err
}
