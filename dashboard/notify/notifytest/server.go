package notifytest

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"sync"
	"testing"
)

// server is a far end that is posted to, over TLS on loopback. It can be killed and
// started again at the same address.
type server struct {
	t       testing.TB
	cert    tls.Certificate
	handler http.Handler
	address string

	mu   sync.Mutex
	http *http.Server
	done chan struct{}
}

func newServer(t testing.TB, cert tls.Certificate, h http.Handler) *server {
	t.Helper()
	s := &server{t: t, cert: cert, handler: h}
	s.Start()
	t.Cleanup(s.Kill)
	return s
}

// Start starts it, again at the address that it had; it does nothing where it runs.
func (s *server) Start() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.http != nil {
		return
	}
	at := s.address
	if at == "" {
		at = "127.0.0.1:0"
	}
	l, err := net.Listen("tcp", at)
	if err != nil {
		s.t.Errorf("the far end does not start: %v", err)
		return
	}
	s.address = l.Addr().String()
	h := &http.Server{
		Handler: s.handler, ErrorLog: quiet,
		TLSConfig: &tls.Config{Certificates: []tls.Certificate{s.cert}, MinVersion: tls.VersionTLS12},
	}
	done := make(chan struct{})
	s.http, s.done = h, done
	go func() {
		defer close(done)
		_ = h.ServeTLS(l, "", "")
	}()
}

// Kill breaks off all that goes on and leaves nobody at the address.
func (s *server) Kill() {
	s.mu.Lock()
	h, done := s.http, s.done
	s.http = nil
	s.mu.Unlock()
	if h == nil {
		return
	}
	_ = h.Close()
	<-done
	// What a handler has begun, it ends: what it wrote down it has taken.
	_ = h.Shutdown(context.Background())
}

// URL returns the address to post to.
func (s *server) URL() string { return "https://" + s.address }
