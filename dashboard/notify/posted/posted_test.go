package posted_test

import (
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/posted"
)

var meaning = posted.Meaning{Who: "the far end", Gone: []int{410}, Refused: []int{413}}

func TestAnswer(t *testing.T) {
	now := time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)
	const none = -1 * time.Second
	for _, tt := range []struct {
		name   string
		code   int
		header map[string]string
		body   string
		is     error         // nil for another attempt
		later  time.Duration // none where it does not ask to be left alone
		says   string
	}{
		{"410", 410, nil, "not here", notify.ErrGone, none, "410 Gone: not here"},
		{"413", 413, nil, "", notify.ErrRefused, none, "413"},
		{"429 without a word", 429, nil, "slow down", nil, 0, "slow down"},
		{"429 with seconds", 429, map[string]string{"Retry-After": "120"}, "", nil, 2 * time.Minute, "429"},
		{"503 with a date by our clock", 503, map[string]string{"Retry-After": "Sun, 04 May 2031 17:10:00 GMT"}, "", nil, 10 * time.Minute, "503"},
		{"503 with a date by its own clock", 503, map[string]string{"Retry-After": "Sun, 04 May 2031 17:10:00 GMT", "Date": "Sun, 04 May 2031 17:09:00 GMT"}, "", nil, time.Minute, "503"},
		{"503 with a date that has passed", 503, map[string]string{"Retry-After": "Sun, 04 May 2031 16:00:00 GMT"}, "", nil, 0, "503"},
		{"503 with nonsense", 503, map[string]string{"Retry-After": "-4 soon"}, "", nil, 0, "503"},
		{"502 that says how long", 502, map[string]string{"Retry-After": "7"}, "", nil, 7 * time.Second, "502"},
		{"500", 500, nil, "", nil, none, "500"},
		{"401", 401, nil, "", nil, none, "secret"},
		{"302", 302, map[string]string{"Location": "https://elsewhere.example/x"}, "", nil, none, "elsewhere.example"},
		{"599", 599, nil, "", nil, none, "599"},
		{"a page of HTML", 500, nil, strings.Repeat("<p>\n\x00 word", 1000), nil, none, "…"},
	} {
		r := &http.Response{StatusCode: tt.code, Header: http.Header{}, Body: io.NopCloser(strings.NewReader(tt.body))}
		for k, v := range tt.header {
			r.Header.Set(k, v)
		}
		err := meaning.Answer(r, now)
		var later *notify.Later
		switch {
		case err == nil || !strings.Contains(err.Error(), tt.says) || len(err.Error()) > 400 || strings.ContainsAny(err.Error(), "\n\x00"):
			t.Errorf("%s: %q, want one that says %q", tt.name, err, tt.says)
		case tt.is != nil && !errors.Is(err, tt.is), tt.is == nil && (errors.Is(err, notify.ErrGone) || errors.Is(err, notify.ErrRefused)):
			t.Errorf("%s: %v, want %v", tt.name, err, tt.is)
		case errors.As(err, &later) != (tt.later != none):
			t.Errorf("%s: %v, want to be left alone for %s", tt.name, err, tt.later)
		case later != nil && later.After != tt.later:
			t.Errorf("%s: left alone for %s, want %s", tt.name, later.After, tt.later)
		}
	}
	for _, code := range []int{200, 201, 202, 204} {
		if err := meaning.Answer(&http.Response{StatusCode: code, Body: http.NoBody}, now); err != nil {
			t.Errorf("%d: %v, want taken", code, err)
		}
	}
}

func TestTheClientFollowsNobodyElsewhere(t *testing.T) {
	var elsewhere atomic.Int32
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { elsewhere.Add(1) }))
	defer other.Close()
	for _, code := range []int{301, 302, 307, 308} {
		s := httptest.NewServer(http.RedirectHandler(other.URL, code))
		r, err := posted.Client(nil).Post(s.URL, "text/plain", strings.NewReader("for one address only"))
		if err != nil {
			t.Fatal(err)
		}
		if err := meaning.Answer(r, time.Now()); err == nil || !strings.Contains(err.Error(), "not followed") {
			t.Errorf("%d: %v", code, err)
		}
		s.Close()
	}
	if n := elsewhere.Load(); n != 0 {
		t.Errorf("%d messages went elsewhere", n)
	}
}

// TestWhatMayBeTakenIsNotCalledUnsent: the other side reads it all, and dies.
func TestWhatMayBeTakenIsNotCalledUnsent(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		c, _, err := w.(http.Hijacker).Hijack()
		if err != nil {
			t.Error(err)
			return
		}
		c.Close()
	}))
	defer s.Close()
	post := func(url string) error {
		ctx, sending := posted.Watch(t.Context())
		r, err := http.NewRequestWithContext(ctx, http.MethodPost, url, strings.NewReader("x"))
		if err != nil {
			t.Fatal(err)
		}
		a, err := posted.Client(nil).Do(r)
		if err == nil {
			a.Body.Close()
			t.Fatal("it answered")
		}
		return meaning.Failed(err, sending)
	}
	if err := post(s.URL); errors.Is(err, notify.ErrUnsent) {
		t.Errorf("to one that read it: %v, want that it may be taken", err)
	}
	if err := post("http://localhost:1"); !errors.Is(err, notify.ErrUnsent) {
		t.Errorf("to nobody: %v, want that nothing was sent", err)
	}
}
