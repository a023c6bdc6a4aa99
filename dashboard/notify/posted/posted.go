// Package posted makes the client that messages are posted with, and says what the answer
// to one means for the office: taken, later, gone, refused, or worth another attempt.
package posted

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptrace"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"ashlamp/dashboard/notify"
)

const (
	// mostSaid is how many bytes are read of what the other side says, mostKept how many
	// characters of it are told: enough for a reason, too little for a page of HTML.
	mostSaid = 4096
	mostKept = 160
	// headerWait is how long an answer may take to begin. The office gives up as a whole
	// after [notify.SendTimeout]; this is for who calls without one.
	headerWait = 15 * time.Second
)

// Client returns a client that trusts those authorities, the machine's own where pool is
// nil. It follows no redirection: what is posted is for the address that a person gave,
// and a signature for one receiver is not to be carried to another.
func Client(pool *x509.CertPool) *http.Client {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	t.ResponseHeaderTimeout = headerWait
	t.MaxIdleConnsPerHost = 2
	return &http.Client{
		Transport:     t,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// Meaning says which answers mean that the address is gone or that the message is never
// taken; every other that is not a success is worth another attempt.
type Meaning struct {
	Gone, Refused []int
	// Who is the other side in a sentence, as "the push service".
	Who string
}

// Answer reads an answer to its end and closes it. It returns nil where the message was
// taken (2xx), a [*notify.Later] where it is to wait (429, 503, or any other failure with
// a Retry-After), or what [Meaning] says.
func (m Meaning) Answer(r *http.Response, now time.Time) error {
	defer r.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(r.Body, mostSaid)) // what cannot be read is only not told
	if r.StatusCode >= 200 && r.StatusCode < 300 {
		return nil
	}
	reason := fmt.Sprintf("%s answered %s", m.Who, status(r))
	if s := clip(string(said)); s != "" {
		reason += ": " + s
	}
	after, told := retryAfter(r, now)
	switch code := r.StatusCode; {
	case slices.Contains(m.Gone, code):
		return fmt.Errorf("%s: %w", reason, notify.ErrGone)
	case slices.Contains(m.Refused, code):
		return fmt.Errorf("%s: %w", reason, notify.ErrRefused)
	case code == http.StatusTooManyRequests || code == http.StatusServiceUnavailable || told:
		return &notify.Later{After: after, Err: errors.New(reason)}
	case code >= 300 && code < 400:
		return fmt.Errorf("%s to %q, which is not followed; give the address that it names", reason, clip(r.Header.Get("Location")))
	case code == http.StatusUnauthorized || code == http.StatusForbidden:
		return fmt.Errorf("%s; see whether it knows this shed's key or secret", reason)
	default:
		return errors.New(reason)
	}
}

// Sending is whether anything of a request can have been sent.
type Sending struct{ begun atomic.Bool }

// Watch returns the context to post with, and what it then shows.
func Watch(ctx context.Context) (context.Context, *Sending) {
	s := &Sending{}
	return httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		// A connection is there to be written to only once the other side has shown who it is.
		GotConn: func(httptrace.GotConnInfo) { s.begun.Store(true) },
	}), s
}

// Failed says what is wrong where no answer came at all; it wraps [notify.ErrUnsent] where
// nothing was sent.
func (m Meaning) Failed(err error, s *Sending) error {
	if !s.begun.Load() {
		return fmt.Errorf("%w (%w)", m.failed(err), notify.ErrUnsent)
	}
	return m.failed(err)
}

func (m Meaning) failed(err error) error {
	var cert *tls.CertificateVerificationError
	if errors.As(err, &cert) {
		return fmt.Errorf("%s shows a certificate that is not trusted; name the authority that signed it in ca_file, or mend the clock: %w", m.Who, err)
	}
	return fmt.Errorf("%s is not reached: %w", m.Who, err)
}

func status(r *http.Response) string {
	return strings.TrimSpace(fmt.Sprintf("%d %s", r.StatusCode, http.StatusText(r.StatusCode)))
}

// retryAfter reads Retry-After (RFC 9110 §10.2.3), seconds or a date. A date counts from
// the other side's own clock where it tells it.
func retryAfter(r *http.Response, now time.Time) (time.Duration, bool) {
	h := strings.TrimSpace(r.Header.Get("Retry-After"))
	if h == "" {
		return 0, false
	}
	if s, err := strconv.ParseUint(h, 10, 31); err == nil {
		return time.Duration(s) * time.Second, true
	}
	at, err := http.ParseTime(h)
	if err != nil {
		return 0, false
	}
	if date, err := http.ParseTime(r.Header.Get("Date")); err == nil {
		now = date
	}
	return max(at.Sub(now), 0), true
}

// clip leaves one line of what the other side said.
func clip(s string) string {
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "")), " ")
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > mostKept {
		s = string(r[:mostKept-1]) + "…"
	}
	return s
}
