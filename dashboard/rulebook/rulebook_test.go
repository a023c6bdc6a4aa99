package rulebook

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"

	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/confirmation"
	"ashlamp/rules/engine"
	"ashlamp/rules/evidence"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/watch"
)

type stable []engine.Engine

func (s stable) Engines() []engine.Engine { return s }

// fernhollow are two engines of an invented railway, one of which its owner has set.
func fernhollow() stable {
	quillet := engine.Engine{
		ID: "quillet", Name: "Quillet", WorkingPressure: 10, BoilerVolume: 400, Tanks: 2, BlowDownPipe: true,
		LayUp: telemetry.Dry, EmptiedBy: engine.Empty, Altitude: 120, Limits: limit.Defaults(10, 400),
		Channels: map[telemetry.Channel]engine.Channel{
			telemetry.BoilerPressure: {ID: telemetry.BoilerPressure, Uncertainty: 6000, Low: -1e5, High: 16e5},
			telemetry.Firebox:        {ID: telemetry.Firebox, Uncertainty: 2.5, Interval: 30},
		},
		ByWord: map[string]string{"tanks-empty": "drain-clear"},
	}
	quillet.Limits[limit.BlowDownMin], quillet.Limits[limit.BlowDownMax] = 0.5, 3.1
	quillet.Limits[limit.ZeroHold] = 420
	quillet.Limits[limit.Cooling] = 55
	marrow := engine.Engine{
		ID: "marrow", Name: "Marrow & Son's <i>", WorkingPressure: 7, BoilerVolume: 140, Tanks: 0,
		LayUp: telemetry.Short, EmptiedBy: engine.Cold, Altitude: 120, Limits: limit.Defaults(7, 140),
		Channels: map[telemetry.Channel]engine.Channel{telemetry.BoilerPressure: {ID: telemetry.BoilerPressure, Uncertainty: 20000}},
	}
	return stable{quillet, marrow}
}

// served gets a path from a real server.
func served(t *testing.T, shed Shed, path string) (*http.Response, string) {
	t.Helper()
	h, err := New(shed, nil)
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(h)
	defer server.Close()
	r, err := http.Get(server.URL + path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r, string(b)
}

// views are the forms of the page: each statement below is of them all.
var views = map[string]struct {
	shed  stable
	query string
}{
	"all engines": {fernhollow(), ""},
	"one engine":  {fernhollow(), "?engine=quillet"},
	"the other":   {fernhollow(), "?engine=marrow&ground=night"},
	"no engine":   {nil, ""},
}

func parsed(t *testing.T, source string) *html.Node {
	t.Helper()
	n, err := html.Parse(strings.NewReader(source))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

// text is what a person reads of a node, white space made one.
func text(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode && d.Parent.DataAtom != atom.Style && d.Parent.DataAtom != atom.Script {
			b.WriteString(d.Data + " ")
		}
	}
	return plainSpace(b.String())
}

func plainSpace(s string) string { return strings.Join(strings.Fields(s), " ") }

// articles are the rules of the page by their anchors.
func articles(t *testing.T, source string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for n := range parsed(t, source).Descendants() {
		if n.Type == html.ElementNode && n.DataAtom == atom.Article {
			out[attr(n, "id")] = text(n)
		}
	}
	return out
}

// typeset is a declaration's text as it stands on the page.
func typeset(s string) string { return plainSpace(strings.NewReplacer("'", "’").Replace(s)) }

func TestEveryDeclarationHasItsRule(t *testing.T) {
	for name, view := range views {
		_, page := served(t, view.shed, "/rules"+view.query)
		have := articles(t, page)
		want := func(id string, parts ...string) {
			t.Helper()
			got, ok := have[id]
			if !ok {
				t.Errorf("%s: %s has no rule of its own", name, id)
				return
			}
			for _, p := range parts {
				if p != "" && !strings.Contains(strings.ToLower(got), strings.ToLower(typeset(p))) {
					t.Errorf("%s: the rule %s does not say %q; it says %q", name, id, p, got)
				}
			}
		}
		for _, s := range rules.Steps() {
			want(s.ID, s.Title)
			for _, n := range append(append([]evidence.Declaration(nil), s.Needs...), s.AtRest...) {
				want(s.ID, n.Title)
				want(n.ID, n.Title, s.Title)
				for _, k := range n.Limits {
					want(n.ID, string(k))
				}
			}
		}
		for _, d := range evidence.Table() {
			want(d.ID, append(append(append([]string{d.Title, d.Means, d.Failing, d.Source}, d.Ways...), d.NotYet...), d.CannotTell...)...)
			for _, c := range d.Needs {
				want(d.ID, string(c), evidence.Name(c), string(freshKey(c)))
			}
			for _, f := range d.Fixed {
				want(d.ID, f.Meaning, amount(round(f.Value), f.Unit), f.Source)
			}
			for _, k := range d.Limits {
				for _, l := range limit.Table() {
					if l.Key == k {
						want(d.ID, l.Meaning, l.Source)
					}
				}
			}
		}
		for _, c := range confirmation.Table() {
			want(c.ID, c.Title, c.Question, confirmation.TakenBack.String())
			for _, e := range c.Ends {
				want(c.ID, e.String())
			}
			if c.AfterS > 0 {
				want(c.ID, lasting(c.AfterS)+" have passed")
			}
		}
		for _, l := range limit.Table() {
			want(string(l.Key), l.Meaning, l.Source, number(l.Min)+" to "+amount(l.Max, l.Unit), "Used by")
		}
		for _, d := range watch.Table() {
			want(d.ID, d.Title, d.Priority.String(), d.Consequence, d.Action, lasting(d.RespondS), d.Deadband, d.Source, d.SuppressedFor)
			for _, k := range d.Limits {
				want(d.ID, string(k))
			}
			for _, p := range d.SuppressedIn {
				want(d.ID, plain(string(p)))
			}
		}
		for _, k := range health.Kinds() {
			want(k.Kind.String(), k.Title, k.Means, k.Effect, k.Ends, k.Method)
			for _, f := range k.Figures {
				want(k.Kind.String(), f.Meaning, amount(f.Value, f.Unit), f.Source)
			}
		}
		for s := alarm.State(0); s == 0 || s.String() != alarm.State(0).String(); s++ {
			want("alarm-"+s.String(), plain(s.String()))
		}
		for _, u := range append(evidence.UsualNotYet(), evidence.UsualCannotTell()...) {
			if !strings.Contains(text(parsed(t, page)), typeset(u)) {
				t.Errorf("%s: the usual reason %q is missing", name, u)
			}
		}
	}
}

func TestTheValuesAreThoseOfTheEngine(t *testing.T) {
	for _, c := range []struct{ name, query, id, says, not string }{
		{"the owner's own hold", "?engine=quillet", "pressure-zero", "Quillet 420 s (7 min), set by the owner", "Marrow"},
		{"the zero band of its transducer", "?engine=quillet", "zero_band_bar", "0.06 bar, its transducer’s own", ""},
		{"a transducer too coarse", "?engine=marrow", "zero_band_bar", "none: the transducer is too coarse to prove zero", ""},
		{"a default that follows from the engine", "?engine=marrow", "drop_min_bar", "2.8 bar", "4 bar"},
		{"a fixed default", "?engine=marrow", "hold_s", "120 s (2 min)", "set by the owner"},
		{"both engines beside each other", "", "drop_min_bar", "Quillet 4 bar Marrow", ""},
		{"what is the same said once", "", "hold_s", "Quillet and Marrow", ""},
		{"an owner's limit not set", "?engine=marrow", "blow_down_min_bar", "not set", "0.5 bar"},
		{"a channel's uncertainty", "?engine=quillet", "pressure-zero", "measured to ±0.06 bar, counts for 15 s", ""},
		{"a slow node's age", "?engine=quillet", "fire-out", "counts for 90 s", ""},
		{"a channel that is not measured", "?engine=quillet", "air-clear", "not measured", ""},
		{"a word in place of sensors", "?engine=quillet", "tanks-empty", "by the word “Drain clear” only", ""},
		{"that word's own rule", "?engine=quillet", "drain-clear", "in the place of Tanks empty", ""},
		{"a watch that is off", "?engine=marrow", "cooling-too-fast", "off until the owner sets cooling_k_per_h", ""},
		{"a watch that is on", "?engine=quillet", "cooling-too-fast", "55 K/h, set by the owner", "off until"},
		{"a watch off for one of two", "", "cooling-too-fast", "off until the owner sets cooling_k_per_h", ""},
		{"a step that an engine has not", "?engine=marrow", "drain-tanks", "has not what this step is about", ""},
		{"and one that has", "?engine=quillet", "drain-tanks", "Fire out", "has not what"},
		{"the range of the instrument", "?engine=quillet", "bounds", "−1.06 to 16.06 bar", ""},
		{"findings raise their watch", "", "sensors-disagree", "Drifts against its partner", "Frozen"},
		{"and say which", "", "node-silent", "A node is lost", ""},
	} {
		_, page := served(t, fernhollow(), "/rules"+c.query)
		got := articles(t, page)[c.id]
		if c.says = typeset(strings.ReplaceAll(c.says, `“Drain clear”`, `"Drain clear"`)); !strings.Contains(got, c.says) {
			t.Errorf("%s: %s %s says %q, want in it %q", c.name, c.query, c.id, got, c.says)
		}
		if c.not != "" && strings.Contains(got, c.not) {
			t.Errorf("%s: %s %s says %q, want no %q in it", c.name, c.query, c.id, got, c.not)
		}
	}
}

// A word of leave on this page would be read as one of the tool. "Safety valves" are a
// fitting, and keep their name.
func TestThePageGivesNoLeave(t *testing.T) {
	forbidden := regexp.MustCompile(`(?i)\b(safe|safely|unsafe|all clear|you may|guaranteed?|certified|interlock\w*|safety)\b`)
	fitting := regexp.MustCompile(`(?i)\bsafety valves?\b`)
	for name, view := range views {
		_, page := served(t, view.shed, "/rules"+view.query)
		for _, s := range []string{text(parsed(t, page)), page} {
			if m := forbidden.FindString(fitting.ReplaceAllString(s, "")); m != "" {
				t.Errorf("%s: the page says %q", name, m)
			}
		}
		for _, w := range []string{"Advice only", "act as if the worst were true", "Local codes", "competent person", "proven", "not yet", "cannot tell"} {
			if !strings.Contains(text(parsed(t, page)), w) {
				t.Errorf("%s: the page does not say %q", name, w)
			}
		}
	}
	for _, s := range []string{"it is safe", "All clear", "you may enter"} {
		if !forbidden.MatchString(s) {
			t.Errorf("%q passes as if it gave no leave", s)
		}
	}
}

// wrongs returns what a parser had to mend, links without an end, and what would be
// loaded from elsewhere.
func wrongs(source string) []string {
	var out []string
	var open []string
	z := html.NewTokenizer(strings.NewReader(source))
	void := map[string]bool{"meta": true, "link": true, "hr": true, "br": true, "img": true, "input": true}
	ids, to := map[string]int{}, map[string]bool{}
	for {
		kind := z.Next()
		if kind == html.ErrorToken {
			break
		}
		token := z.Token()
		switch kind {
		case html.StartTagToken:
			if !void[token.Data] {
				open = append(open, token.Data)
			}
			for _, a := range token.Attr {
				switch {
				case a.Key == "id":
					ids[a.Val]++
				case a.Key == "href" && strings.HasPrefix(a.Val, "#"):
					to[a.Val[1:]] = true
				case (a.Key == "href" || a.Key == "src") && (strings.Contains(a.Val, "//") || strings.HasPrefix(a.Val, "data:")):
					out = append(out, "loads from elsewhere: "+a.Val)
				case a.Key == "style" || strings.HasPrefix(a.Key, "on"):
					out = append(out, "is refused by the content security policy: "+a.Key)
				}
			}
			if token.Data == "script" || token.Data == "style" {
				out = append(out, "has a "+token.Data+" of its own")
			}
		case html.EndTagToken:
			if len(open) == 0 || open[len(open)-1] != token.Data {
				out = append(out, fmt.Sprintf("closes %s within %v", token.Data, open))
				continue
			}
			open = open[:len(open)-1]
		}
	}
	if len(open) > 0 {
		out = append(out, fmt.Sprintf("leaves open %v", open))
	}
	for id, n := range ids {
		if n > 1 || id == "" {
			out = append(out, fmt.Sprintf("has the anchor %q %d times", id, n))
		}
	}
	for id := range to {
		if ids[id] == 0 {
			out = append(out, "points to "+id+", which is not there")
		}
	}
	return out
}

// moved reports what HTML's own parser puts elsewhere than it was written: elements
// that may not stand within each other.
func moved(t *testing.T, source string) (out []string) {
	t.Helper()
	allowed := map[atom.Atom][]atom.Atom{
		atom.Dt: {atom.Dl, atom.Div}, atom.Dd: {atom.Dl, atom.Div}, atom.Li: {atom.Ul, atom.Ol}, atom.Summary: {atom.Details},
	}
	written, kept := strings.Count(source, "<p"), 0
	for n := range parsed(t, source).Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if n.DataAtom == atom.P {
			kept++
			for d := range n.Descendants() {
				switch d.DataAtom {
				case atom.Ul, atom.Dl, atom.P, atom.Div:
					out = append(out, "a paragraph holds a "+d.Data)
				}
			}
		}
		if in, ok := allowed[n.DataAtom]; ok {
			found := false
			for _, a := range in {
				found = found || n.Parent.DataAtom == a
			}
			if !found {
				out = append(out, n.Data+" stands in "+n.Parent.Data)
			}
		}
	}
	if kept != written {
		out = append(out, fmt.Sprintf("%d paragraphs are written and %d read", written, kept))
	}
	return out
}

func TestTheHTMLIsWhole(t *testing.T) {
	for name, view := range views {
		_, page := served(t, view.shed, "/rules"+view.query)
		if !strings.HasPrefix(page, "<!doctype html>") {
			t.Errorf("%s: begins with %.40q", name, page)
		}
		for _, w := range append(wrongs(page), moved(t, page)...) {
			t.Errorf("%s: the page %s", name, w)
		}
	}
	for _, broken := range []string{"<p>a", "<ul><li>a</ul></li>", `<a href="#nowhere">a</a>`, `<i id="a"></i><i id="a"></i>`, `<a href="//elsewhere">a</a>`} {
		if len(wrongs(broken)) == 0 {
			t.Errorf("%s passes as whole", broken)
		}
	}
}

func TestWhatIsAskedFor(t *testing.T) {
	for _, c := range []struct {
		name, path, media string
		status            int
		says              string
	}{
		{"the page", "/rules", "text/html; charset=utf-8", 200, "<h1>The rules</h1>"},
		{"of one engine", "/rules?engine=quillet", "text/html; charset=utf-8", 200, "<h1>The rules, with the values of Quillet</h1>"},
		{"a name with signs in it", "/rules?engine=marrow", "text/html; charset=utf-8", 200, "Marrow &amp; Son’s &lt;i&gt;"},
		{"an engine that is not here", "/rules?engine=teasel", "text/html; charset=utf-8", 404, "No engine here has that id."},
		{"an attempt to write into the page", "/rules?engine=%3Cb%3E&ground=%22%3E", "text/html; charset=utf-8", 404, `<html lang="en">`},
		{"by night", "/rules?ground=night", "text/html; charset=utf-8", 200, `data-ground="night"`},
		{"a choice keeps the ground", "/rules?ground=night", "text/html; charset=utf-8", 200, `href="rules?engine=quillet&amp;ground=night"`},
		{"a ground that is none", "/rules?ground=mud", "text/html; charset=utf-8", 200, `<html lang="en">`},
		{"its style", "/rules/style.css", "text/css; charset=utf-8", 200, "--paper"},
		{"nothing else", "/rules/other", "text/plain; charset=utf-8", 404, ""},
	} {
		r, body := served(t, fernhollow(), c.path)
		if r.StatusCode != c.status || r.Header.Get("Content-Type") != c.media || !strings.Contains(body, c.says) {
			t.Errorf("%s: %s gave %d %q %.200s; want %d %q with %q", c.name, c.path, r.StatusCode, r.Header.Get("Content-Type"), body, c.status, c.media, c.says)
		}
	}
}

func TestAnEngineThatCannotBeSaysSo(t *testing.T) {
	s := fernhollow()
	s[0].Altitude = 1e6
	if r, body := served(t, s, "/rules"); r.StatusCode != 500 || !strings.Contains(body, "quillet") || !strings.Contains(body, "ashlamp check") {
		t.Errorf("got %d %q, want 500, the engine and the mend", r.StatusCode, body)
	}
}

func TestTheLetteringIsThePagesOwn(t *testing.T) {
	assets := fstest.MapFS{"assets/barlow-semi-condensed-latin-700-normal-Bp.woff2": {}, "index.html": {}}
	h, err := New(fernhollow(), assets)
	if err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/rules/style.css", nil))
	if got := w.Body.String(); strings.Count(got, "@font-face") != 1 || !strings.Contains(got, `font-weight: 700; font-display: swap; src: url("../assets/barlow-semi-condensed-latin-700-normal-Bp.woff2")`) {
		t.Errorf("got %.300s, want the one face that there is", got)
	}
}

// tokens are the colours of one rule of a style sheet.
func tokens(css, selector string) map[string]string {
	out := map[string]string{}
	_, after, _ := strings.Cut(css, selector)
	block, _, _ := strings.Cut(after, "}")
	for _, m := range regexp.MustCompile(`--([\w-]+): (#[0-9A-Fa-f]{6})`).FindAllStringSubmatch(block, -1) {
		out[m[1]] = m[2]
	}
	return out
}

func TestTheTokensAreThePagesOwn(t *testing.T) {
	page, err := os.ReadFile("../page/src/style/tokens.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ ours, theirs string }{
		{`[data-ground="day"]`, `[data-ground="day"]`}, {`[data-ground="night"]`, `[data-ground="night"]`},
		{`[data-ground="sun"]`, `[data-ground="sun"]`}, {`:root:not([data-ground]) {`, `[data-ground="night"]`},
	} {
		ours, theirs := tokens(string(style), c.ours), tokens(string(page), c.theirs)
		if len(ours) < 6 {
			t.Errorf("%s: only %v", c.ours, ours)
		}
		for name, v := range ours {
			if theirs[name] != v {
				t.Errorf("%s: --%s is %s, and the page's %s", c.ours, name, v, theirs[name])
			}
		}
	}
}
