package dashboard

import (
	"bytes"
	"net/http"
	"slices"
	"strconv"
	"strings"
)

// Kind is what the figures of a [Family] are.
type Kind string

const (
	// Gauge goes up and down.
	Gauge Kind = "gauge"
	// Counter only rises, from 0 at the daemon's start.
	Counter Kind = "counter"
)

// Family is one name of /metrics with its figures.
type Family struct {
	// Name is in the base unit and ends with it where there is one, for example
	// "ashlamp_store_bytes". A counter's is without the "_total" that is written
	// after it.
	Name string
	// Help is one sentence.
	Help string
	Kind Kind
	// Figures differ in their labels.
	Figures []Figure
}

// Figure is one value of a [Family].
type Figure struct {
	// Labels are pairs of name and value.
	Labels []Label
	Value  float64
}

// Label is one of a figure's labels.
type Label struct{ Name, Value string }

// One returns the family of a single figure without labels.
func One(kind Kind, name, help string, value float64) Family {
	return Family{Name: name, Help: help, Kind: kind, Figures: []Figure{{Value: value}}}
}

// MetricsContentType is the media type of /metrics (OpenMetrics 1.0, "Overall Structure").
const MetricsContentType = "application/openmetrics-text; version=1.0.0; charset=utf-8"

func metrics(w http.ResponseWriter, _ *http.Request, families func() []Family) {
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Type", MetricsContentType)
	_, _ = w.Write(exposition(families()))
}

// exposition is the OpenMetrics 1.0 text of the families, in the order of their
// names. The well-kept encoder costs 3.9 MB of binary, most of it protocol buffers;
// the tests hold this one to it byte for byte.
func exposition(families []Family) []byte {
	families = slices.Clone(families)
	slices.SortFunc(families, func(a, b Family) int { return strings.Compare(a.Name, b.Name) })
	var b bytes.Buffer
	for _, f := range families {
		b.WriteString("# HELP " + f.Name + " " + escaped.Replace(f.Help) + "\n")
		b.WriteString("# TYPE " + f.Name + " " + string(f.Kind) + "\n")
		for _, v := range f.Figures {
			b.WriteString(f.Name)
			if f.Kind == Counter {
				b.WriteString("_total")
			}
			for i, l := range v.Labels {
				b.WriteString([]string{"{", ","}[min(i, 1)] + l.Name + `="` + escaped.Replace(l.Value) + `"`)
			}
			if len(v.Labels) > 0 {
				b.WriteByte('}')
			}
			b.WriteString(" " + canonical(v.Value) + "\n")
		}
	}
	b.WriteString("# EOF\n")
	return b.Bytes()
}

// canonical is the number as OpenMetrics would have it: with a point, so that a
// reader tells a float.
func canonical(v float64) string {
	s := strconv.FormatFloat(v, 'g', -1, 64)
	if !strings.ContainsAny(s, "e.NI") {
		s += ".0"
	}
	return s
}

// escaped is read only; a replacer may be used from many goroutines.
var escaped = strings.NewReplacer("\\", `\\`, "\n", `\n`, `"`, `\"`)
