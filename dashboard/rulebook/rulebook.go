// Package rulebook writes every rule of the judgement into one page for people: the
// steps with their evidence, what each evidence needs and what failing looks like,
// the confirmations, the watches with their alarms, the health of sensors, and every
// limit with its source and each engine's value.
//
// Nothing here is a rule of its own. The page is made, each time it is asked for,
// from the declarations that the judgement itself goes by, and the moves of an alarm
// from the machine that makes them: so it cannot drift from what the daemon does.
//
//	GET /rules              with the values of all engines
//	GET /rules?engine=ID    with those of one
//	GET /rules#pressure-zero   each rule has its id for an anchor
//
// ground=day, night or sun beside it keeps the ground that a page is shown on; without
// it the reader's own light or dark setting decides.
package rulebook

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"

	"ashlamp/rules/engine"
)

// Prefix is where the page is served; all that it loads is under it or under the
// page's own assets.
const Prefix = "/rules"

// Shed is what this package asks about the shed.
type Shed interface {
	// Engines returns the engines as configured, in the order in which they are shown.
	Engines() []engine.Engine
}

//go:embed rules.html.tmpl
var source string

//go:embed style.css
var style []byte

// New returns the handler of [Prefix] and of all under it. assets is the built page,
// whose lettering is used where it has any; nil for none. It fails where the template
// or the declarations are at odds, which the tests show first.
func New(shed Shed, assets fs.FS) (http.Handler, error) {
	t, err := template.New("rules").Parse(source)
	if err != nil {
		return nil, fmt.Errorf("rulebook: %w", err)
	}
	css := append(lettering(assets), style...)
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+Prefix+"/style.css", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/css; charset=utf-8")
		w.Header().Set("Cache-Control", "no-cache")
		_, _ = w.Write(css)
	})
	mux.HandleFunc("GET "+Prefix, func(w http.ResponseWriter, r *http.Request) { serve(w, r, shed, t) })
	return mux, nil
}

func serve(w http.ResponseWriter, r *http.Request, shed Shed, t *template.Template) {
	// The declarations are typed with the plain apostrophe, and a percent sign may not
	// stand at the head of a line.
	typeset := strings.NewReplacer("&#39;", "’", " %", nbsp+"%")
	status := http.StatusOK
	all := shed.Engines()
	shown := all
	id, notice := r.URL.Query().Get("engine"), ""
	if id != "" {
		shown = nil
		for _, e := range all {
			if e.ID == id {
				shown = []engine.Engine{e}
			}
		}
		if shown == nil {
			status, shown, id = http.StatusNotFound, all, ""
			notice = "No engine here has that id. The values of all engines are shown; choose one of them above."
		}
	}
	b, err := write(all, shown, id, ground(r.URL.Query().Get("ground")))
	if err == nil {
		b.Notice = notice
		var page bytes.Buffer
		if err = t.Execute(&page, b); err == nil {
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			w.Header().Set("Cache-Control", "no-cache")
			w.WriteHeader(status)
			_, _ = typeset.WriteString(w, page.String())
			return
		}
	}
	http.Error(w, "The page of rules could not be written: "+err.Error()+". Look at the engine's configuration with \"ashlamp check\".", http.StatusInternalServerError)
}

// ground returns a ground that the style knows, empty for any other.
func ground(asked string) string {
	switch asked {
	case "day", "night", "sun":
		return asked
	}
	return ""
}

// weights are the weights of the lettering that the page is built with.
var weights = [...]string{"500", "600", "700", "800"}

// lettering returns the font faces for those letters that the built page has.
func lettering(assets fs.FS) []byte {
	var b bytes.Buffer
	if assets == nil {
		return nil
	}
	for _, weight := range weights {
		names, err := fs.Glob(assets, "assets/barlow-semi-condensed-latin-"+weight+"-normal*.woff2")
		if err != nil || len(names) == 0 {
			continue
		}
		fmt.Fprintf(&b, "@font-face { font-family: \"Barlow Semi Condensed\"; font-weight: %s; font-display: swap; src: url(\"../%s\") format(\"woff2\"); }\n", weight, path.Clean(names[0]))
	}
	return b.Bytes()
}
