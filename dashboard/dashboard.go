// Package dashboard joins what people and programs reach over HTTP: the calls, the
// live link, the page, and what a machine asks to know how the daemon is.
//
//	/api/v1/…       package api; /api/v1/live is package live
//	/healthz        200 while the daemon does its work, else 503 and why
//	/metrics        OpenMetrics
//	/rules          package rulebook: every rule, for people
//	/               the page
//
// Everything that a page loads comes from here: a shed's network may end at the
// shed's door.
package dashboard

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"regexp"
	"strconv"
	"strings"

	"github.com/klauspost/compress/gzhttp"
	"github.com/klauspost/compress/gzip"

	"ashlamp/dashboard/api"
	"ashlamp/dashboard/problem"
	"ashlamp/dashboard/rulebook"
)

// Parts are what [New] joins; all are required.
type Parts struct {
	// API answers all under [api.Prefix] except the live link.
	API http.Handler
	// Live is the live link.
	Live http.Handler
	// Rules answers [rulebook.Prefix] and all under it.
	Rules http.Handler
	// Page holds the built page, index.html at its root.
	Page fs.FS
	// Health returns nil while the daemon does its work, else what is wrong and the
	// mend. It must return within a second or so; ctx ends when the asker goes.
	Health func(ctx context.Context) error
	// Metrics returns the figures for /metrics; families of one name must be one.
	Metrics func() []Family
}

// compressFrom is the size in bytes from which an answer is compressed: a smaller
// one fits into one packet either way (1,460 B of an Ethernet frame).
const compressFrom = 1024

// New returns the handler of the whole.
func New(p Parts) (http.Handler, error) {
	if p.API == nil || p.Live == nil || p.Rules == nil || p.Page == nil || p.Health == nil || p.Metrics == nil {
		return nil, errors.New("dashboard: a part is missing; give all fields of Parts")
	}
	if _, err := fs.Stat(p.Page, "index.html"); err != nil {
		return nil, errors.New("dashboard: the page has no index.html; build it first with make build")
	}
	compress, err := gzhttp.NewWrapper(gzhttp.MinSize(compressFrom))
	if err != nil {
		return nil, err
	}
	built, err := page(p.Page)
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	// The link is its own stream and never compressed as a whole.
	mux.Handle(api.Prefix+"/live", p.Live)
	mux.Handle(api.Prefix+"/", compress(p.API))
	mux.Handle(rulebook.Prefix, compress(p.Rules))
	mux.Handle(rulebook.Prefix+"/", compress(p.Rules))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) { health(w, r, p.Health) })
	mux.Handle("GET /metrics", compress(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { metrics(w, r, p.Metrics) })))
	mux.Handle("/", built)
	return secure(mux), nil
}

// secure sets the headers that keep a page from loading anything from elsewhere
// and from being shown inside another's frame.
func secure(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// types are the media types of the page's files that Go does not know by itself; a
// small board may have no table of them.
var types = map[string]string{".webmanifest": "application/manifest+json", ".woff2": "font/woff2"}

// page serves the built page. Files under assets/ bear their content's hash in
// their name and never change; all else is asked for anew each time, so that a
// new daemon never meets an old page. That holds for the worker that keeps the page
// on a device too: it stands at the root, and so needs no leave to answer for all.
//
// What can be made smaller is compressed once, as small as gzip makes it: a tablet at
// the end of a shed's network waits for bytes, and a board should not do the same
// work for each of fifty.
func page(files fs.FS) (http.Handler, error) {
	packed, err := pack(files)
	if err != nil {
		return nil, err
	}
	server := http.FileServerFS(files)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			problem.Write(w, r, problem.Method, "The method "+r.Method+" means nothing here.", "Use GET; the calls are under "+api.Prefix+".")
			return
		}
		name := strings.TrimPrefix(r.URL.Path, "/")
		if info, err := fs.Stat(files, name); name != "" && (err != nil || info.IsDir()) {
			problem.Write(w, r, problem.NotFound, "The page has no file of that name.", "Open / for the page.")
			return
		}
		h := w.Header()
		h.Set("Cache-Control", "no-cache")
		if strings.HasPrefix(name, "assets/") {
			h.Set("Cache-Control", "public, max-age=31536000, immutable")
		}
		if media := mediaOf(name); media != "" {
			h.Set("Content-Type", media)
		}
		if b, ok := packed[cmp.Or(name, "index.html")]; ok {
			h.Add("Vary", "Accept-Encoding")
			if takesGzip(r) {
				h.Set("Content-Encoding", "gzip")
				h.Set("Content-Length", strconv.Itoa(len(b)))
				if r.Method == http.MethodGet {
					_, _ = w.Write(b) // who has gone is no trouble of ours
				}
				return
			}
		}
		server.ServeHTTP(w, r)
	}), nil
}

// mediaOf is the media type of a file by its name; empty where it is not known.
func mediaOf(name string) string {
	extension := path.Ext(cmp.Or(name, "index.html"))
	return cmp.Or(types[extension], mime.TypeByExtension(extension))
}

// takesGzip reports whether whoever asks can read gzip (RFC 9110 section 12.5.3).
func takesGzip(r *http.Request) bool {
	for _, one := range strings.Split(r.Header.Get("Accept-Encoding"), ",") {
		coding, weight, _ := strings.Cut(strings.TrimSpace(one), ";")
		if strings.EqualFold(strings.TrimSpace(coding), "gzip") {
			return !refused.MatchString(weight)
		}
	}
	return false
}

// refused is a weight of nothing.
var refused = regexp.MustCompile(`^\s*q=0(\.0*)?\s*$`)

// pack compresses the files that become smaller by it.
func pack(files fs.FS) (map[string][]byte, error) {
	packed := map[string][]byte{}
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		plain, err := fs.ReadFile(files, name)
		if err != nil || len(plain) < compressFrom {
			return err
		}
		var b bytes.Buffer
		z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
		if err != nil {
			return err
		}
		if _, err := z.Write(plain); err != nil {
			return err
		}
		if err := z.Close(); err != nil {
			return err
		}
		// Lettering and pictures are compressed already.
		if b.Len() < len(plain)*9/10 {
			packed[name] = b.Bytes()
		}
		return nil
	})
	return packed, err
}

func health(w http.ResponseWriter, r *http.Request, check func(context.Context) error) {
	if err := check(r.Context()); err != nil {
		problem.Write(w, r, problem.Busy, "The daemon does not do all of its work: "+err.Error(), "Look at the daemon's log.")
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte("ok\n"))
}
