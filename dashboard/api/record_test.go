package api_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ashlamp/dashboard/api"
)

func (s *shed) Report(_ context.Context, w io.Writer, engine, disposal string) error {
	if disposal != "1" {
		return fmt.Errorf("%w: %s", api.ErrUnknownDisposal, disposal)
	}
	if s.broken == nil {
		fmt.Fprintf(w, "%%PDF of %s", engine)
	}
	return s.broken
}

func (s *shed) Rows(_ context.Context, engine string, from, to time.Time) (int64, error) {
	return 7, nil
}

// Export writes a first part and, if it is to break, breaks after it.
func (s *shed) Export(_ context.Context, w io.Writer, engine string, from, to time.Time, media string) error {
	s.asked = fmt.Sprintf("%s %s to %s as %s", engine, from.Format(time.RFC3339), to.Format(time.RFC3339), media)
	if s.broken != nil && engine == "marrow" {
		return s.broken
	}
	if _, err := io.WriteString(w, "[\n"); err != nil {
		return err
	}
	if s.broken != nil {
		return s.broken
	}
	_, err := io.WriteString(w, "]\n")
	return err
}

func TestFiles(t *testing.T) {
	for _, tt := range []struct {
		path, media, name, rows, asked string
		status                         int
	}{
		{"/engines/quillet/disposals/1/report.pdf", "application/pdf", `inline; filename="quillet-1.pdf"`, "", "", 200},
		{"/engines/quillet/disposals/1/samples.csv", api.CSVType, `attachment; filename="quillet-1.csv"`, "7", "quillet 2031-04-13T17:02:00Z to 0001-01-01T00:00:00Z as " + api.CSVType, 200},
		{"/engines/quillet/disposals/2/samples.senml.json", api.SenMLType, `attachment; filename="quillet-2.senml.json"`, "7", "quillet 2031-05-04T17:02:00Z to 0001-01-01T00:00:00Z as " + api.SenMLType, 200},
		{"/engines/quillet/disposals/2/recording.ndjson", api.RecordingType, `attachment; filename="quillet-2.ndjson"`, "", "quillet 2031-05-04T17:02:00Z to 0001-01-01T00:00:00Z as " + api.RecordingType, 200},
		{"/engines/quillet/samples.csv?from=2031-05-04T17:00:00Z&to=2031-05-04T19:00:00%2B01:00", api.CSVType, `attachment; filename="quillet-20310504t170000-20310504t180000.csv"`, "7", "quillet 2031-05-04T17:00:00Z to 2031-05-04T18:00:00Z as " + api.CSVType, 200},
		// Counting so long a span would take longer than the first bytes may be waited for.
		{"/engines/quillet/samples.csv?from=2031-01-01T00:00:00Z&to=2031-05-04T18:00:00Z", api.CSVType, `attachment; filename="quillet-20310101t000000-20310504t180000.csv"`, "", "quillet 2031-01-01T00:00:00Z to 2031-05-04T18:00:00Z as " + api.CSVType, 200},
		{"/engines/quillet/disposals/9/report.pdf", "", "", "", "", 404},
		{"/engines/quillet/disposals/9/samples.csv", "", "", "", "", 404},
		{"/engines/penny/disposals/1/samples.csv", "", "", "", "", 404},
		{"/engines/penny/disposals/1/report.pdf", "", "", "", "", 404},
		{"/engines/quillet/samples.csv?from=2031-05-04T17:00:00Z", "", "", "", "", 400},
		{"/engines/quillet/samples.csv?from=2031-05-04T17:00:00Z&to=2031-05-04T17:00:00Z", "", "", "", "", 400},
	} {
		// Files are no JSON, by which answers are held to the document.
		s, h := serve(t)
		w := call{method: "GET", path: tt.path}.do(h.(validated).next)
		if tt.status != 200 {
			if w.Code != tt.status || w.Header().Get("Content-Type") != "application/problem+json" {
				t.Errorf("%s: %d %s, want %d and a problem", tt.path, w.Code, w.Header().Get("Content-Type"), tt.status)
			}
			continue
		}
		got := w.Header()
		if w.Code != 200 || got.Get("Content-Type") != tt.media || got.Get("Content-Disposition") != tt.name || got.Get(api.RowsHeader) != tt.rows {
			t.Errorf("%s: %d, %s, %s, rows %q\nwant 200, %s, %s, rows %q", tt.path, w.Code, got.Get("Content-Type"), got.Get("Content-Disposition"), got.Get(api.RowsHeader), tt.media, tt.name, tt.rows)
		}
		if s.asked != tt.asked {
			t.Errorf("%s asks for %q, want %q", tt.path, s.asked, tt.asked)
		}
		if tt.asked != "" && w.Body.String() != "[\n]\n" {
			t.Errorf("%s gives %q", tt.path, w.Body)
		}
	}
}

// TestAnExportThatBreaksOff: before the first byte it is a problem, after it the
// connection ends, so that a client sees that there is more.
func TestAnExportThatBreaksOff(t *testing.T) {
	s, h := serve(t)
	s.broken = errors.New("disk I/O error")
	server := httptest.NewServer(h.(validated).next)
	defer server.Close()
	get := func(engine string) (*http.Response, string, error) {
		r, err := http.Get(server.URL + api.Prefix + "/engines/" + engine + "/samples.csv?from=2031-05-04T17:00:00Z&to=2031-05-04T18:00:00Z")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		return r, string(b), err
	}
	if r, body, err := get("marrow"); err != nil || r.StatusCode != 500 || !strings.Contains(body, "disk I/O error") {
		t.Errorf("broken at once: %d %s, %v; want 500 and why", r.StatusCode, body, err)
	}
	if r, body, err := get("quillet"); err == nil || r.StatusCode != 200 || body != "[\n" {
		t.Errorf("broken later: %d %q, %v; want 200, the part, and an error", r.StatusCode, body, err)
	}
}
