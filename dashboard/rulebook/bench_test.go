package rulebook

import (
	"net/http/httptest"
	"strings"
	"testing"
)

// BenchmarkPage writes the page of one engine; BenchmarkBytes only its bytes, as the
// ceiling of the same run.
func BenchmarkPage(b *testing.B) {
	h, err := New(fernhollow(), nil)
	if err != nil {
		b.Fatal(err)
	}
	n := 0
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", "/rules?engine=quillet", nil))
		n = w.Body.Len()
	}
	b.ReportMetric(float64(n), "B/page")
}

func BenchmarkBytes(b *testing.B) {
	h, err := New(fernhollow(), nil)
	if err != nil {
		b.Fatal(err)
	}
	first := httptest.NewRecorder()
	h.ServeHTTP(first, httptest.NewRequest("GET", "/rules?engine=quillet", nil))
	page := first.Body.String()
	for b.Loop() {
		w := httptest.NewRecorder()
		_, _ = strings.NewReader(page).WriteTo(w)
	}
}
