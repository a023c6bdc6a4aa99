// Package mapping reads the messages of nodes that do not speak SenML: a plain
// number, or a number somewhere in a JSON text, on any MQTT topic, as a person
// wrote it down in the configuration.
package mapping

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-openapi/jsonpointer"

	"ashlamp/ingest/senml"
	"ashlamp/ingest/topic"
	"ashlamp/rules/telemetry"
)

// MaxBytes is the largest payload that is read. A node that sends a number or a
// few has no need of more; it is our own limit.
const MaxBytes = 64 << 10

// Pascals in the units of pressure that no SenML registry has. The pound-force per
// square inch follows from the pound, standard gravity and the inch (NIST SP 811,
// appendix B.8: 6.894757 E+03 Pa).
const (
	pascalsPerBar  = 1e5
	pascalsPerMbar = 100
	pascalsPerKPa  = 1000
	pascalsPerPsi  = 0.45359237 * 9.80665 / (0.0254 * 0.0254)
)

// Rule maps one number to one channel. The sample's value is number·Scale + Offset
// in Unit, converted to the channel's own unit ([telemetry.UnitOf]).
type Rule struct {
	// Filter is an MQTT topic filter; + and # are allowed.
	Filter string
	// Pointer is a JSON Pointer (RFC 6901) to the number in a JSON payload; empty
	// where the whole payload is the number.
	Pointer string
	// Engine is the engine's id; empty for a channel of the shed ("ambient.…").
	Engine string
	// Node names the box, for a person who has to find it; may be empty.
	Node    string
	Channel telemetry.Channel
	// Unit is that of number·Scale + Offset: a SenML unit or secondary unit, or
	// bar, mbar, kPa, psi, degF or K. Empty means the channel's own.
	Unit string
	// Scale may not be 0; 1 leaves the number as it is.
	Scale  float64
	Offset float64
}

// Map reads the messages of all rules. It does not change once made.
type Map struct{ rules []rule }

type rule struct {
	Rule
	pointer *jsonpointer.Pointer // nil where the whole payload is the number
}

// New checks the rules. Each error names its rule, counted from 1, and the mend;
// all of them are joined.
func New(rules []Rule) (*Map, error) {
	m := &Map{}
	var errs []error
	for i, r := range rules {
		checked, err := check(r)
		if err != nil {
			errs = append(errs, fmt.Errorf("mapping %d: %w", i+1, err))
			continue
		}
		m.rules = append(m.rules, checked)
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return m, nil
}

func check(r Rule) (rule, error) {
	out := rule{Rule: r}
	if err := topic.CheckFilter(r.Filter); err != nil {
		return out, err
	}
	if why := senml.NameTrouble(string(r.Channel)); why != "" {
		return out, fmt.Errorf("channel %q %s; give the channel's id", r.Channel, why)
	}
	switch {
	case r.Engine == "" && !r.Channel.OfShed():
		return out, fmt.Errorf("channel %s belongs to an engine; name the engine", r.Channel)
	case r.Engine != "" && r.Channel.OfShed():
		return out, fmt.Errorf("channel %s belongs to the shed; leave the engine out", r.Channel)
	case r.Engine != "" && !topic.ValidID(r.Engine):
		return out, fmt.Errorf("engine %q is no id; ids are of a-z, 0-9 and -", r.Engine)
	}
	if r.Scale == 0 || math.IsNaN(r.Scale) || math.IsInf(r.Scale, 0) {
		return out, fmt.Errorf("scale %v of %s is no finite number other than 0; 1 leaves the reading as it is", r.Scale, r.Channel)
	}
	if math.IsNaN(r.Offset) || math.IsInf(r.Offset, 0) {
		return out, fmt.Errorf("offset %v of %s is no finite number", r.Offset, r.Channel)
	}
	if _, err := convert(r.Channel, r.Unit, 0); err != nil {
		return out, err
	}
	if r.Pointer != "" {
		p, err := pointer(r.Pointer)
		if err != nil {
			return out, err
		}
		out.pointer = p
	}
	return out, nil
}

// pointer parses a JSON Pointer. The library lets a tilde stand alone, which
// RFC 6901 section 3 does not.
func pointer(s string) (*jsonpointer.Pointer, error) {
	for i := 0; i < len(s); i++ {
		if s[i] == '~' && (i+1 == len(s) || s[i+1] != '0' && s[i+1] != '1') {
			return nil, fmt.Errorf("JSON Pointer %q has a ~ alone; write ~0 for ~ and ~1 for /", s)
		}
	}
	p, err := jsonpointer.New(s)
	if err != nil {
		return nil, fmt.Errorf("JSON Pointer %q: %w; it begins with /, such as /sensors/0/value", s, err)
	}
	return &p, nil
}

// convert brings v from unit to the channel's unit.
func convert(ch telemetry.Channel, unit string, v float64) (float64, error) {
	want, known := telemetry.UnitOf(ch)
	if unit == "" || unit == string(want) {
		return v, nil
	}
	base := telemetry.Unit(unit)
	switch unit {
	case "bar":
		v, base = v*pascalsPerBar, telemetry.Pascal
	case "mbar":
		v, base = v*pascalsPerMbar, telemetry.Pascal
	case "kPa":
		v, base = v*pascalsPerKPa, telemetry.Pascal
	case "psi":
		v, base = v*pascalsPerPsi, telemetry.Pascal
	case "degF":
		v, base = (v-32)*5/9, telemetry.Celsius
	case "K":
		if !known || want == telemetry.Celsius {
			v, base = v-273.15, telemetry.Celsius
		}
	default:
		if b, u, ok := senml.ToBase(unit, v); ok {
			v, base = b, u
		}
	}
	if known && base != want {
		return 0, fmt.Errorf("unit %q does not fit %s, which is kept in %s; give one that measures the same, such as %s", unit, ch, want, suggestion(want))
	}
	return v, nil
}

func suggestion(u telemetry.Unit) string {
	switch u {
	case telemetry.Pascal:
		return "Pa, bar, mbar, kPa, hPa or psi"
	case telemetry.Celsius:
		return "Cel, degF or K"
	case telemetry.Ratio:
		return "/, /100 or ppm"
	default:
		return string(u)
	}
}

// Filters returns the topic filters to subscribe, each once.
func (m *Map) Filters() []string {
	var out []string
	if m == nil {
		return out
	}
	for _, r := range m.rules {
		if !slices.Contains(out, r.Filter) {
			out = append(out, r.Filter)
		}
	}
	return out
}

// Matches reports whether any rule takes the topic. A nil Map takes none.
func (m *Map) Matches(name string) bool {
	return m != nil && slices.ContainsFunc(m.rules, func(r rule) bool { return topic.Match(r.Filter, name) })
}

// Part is what a message brought for one engine, or for the shed.
type Part struct {
	// Engine is empty for the shed.
	Engine, Node string
	Samples      []telemetry.Sample
}

// Problem is a rule that found no number where it should be.
type Problem struct {
	Kind senml.Kind
	Text string
}

// Decode reads a message received at now, which is also the samples' time. What one
// rule does not find costs that rule only.
func (m *Map) Decode(name string, payload []byte, now time.Time) ([]Part, []Problem) {
	var parts []Part
	var problems []Problem
	problem := func(k senml.Kind, format string, args ...any) {
		problems = append(problems, Problem{Kind: k, Text: fmt.Sprintf(format, args...)})
	}
	if m == nil {
		return nil, nil
	}
	if len(payload) > MaxBytes {
		problem(senml.TooLarge, "payload of %d bytes is larger than %d", len(payload), MaxBytes)
		return nil, problems
	}
	at := now.UTC().Round(telemetry.Resolution)
	var doc any
	var docErr error
	parsed, told := false, false
	for i := range m.rules {
		r := &m.rules[i]
		if !topic.Match(r.Filter, name) {
			continue
		}
		var found any = strings.TrimSpace(string(payload))
		if r.pointer != nil {
			if !parsed {
				doc, docErr = parse(payload)
				parsed = true
			}
			if docErr != nil {
				// Rules that take the whole payload for a number need no JSON.
				if !told {
					problem(senml.Malformed, "payload is not JSON: %v", docErr)
					told = true
				}
				continue
			}
			var err error
			if found, _, err = r.pointer.Get(doc); err != nil {
				problem(senml.NoValue, "%s of %s is not in the payload; see the pointer in the configuration", r.Pointer, r.Channel)
				continue
			}
		}
		n, ok := toNumber(found)
		if !ok {
			problem(senml.WrongType, "%s for %s is no number; see the mapping in the configuration", shown(found), r.Channel)
			continue
		}
		v, err := convert(r.Channel, r.Unit, n*r.Scale+r.Offset)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			problem(senml.NotFinite, "%s for %s is not a finite number", shown(found), r.Channel)
			continue
		}
		s := telemetry.Sample{Channel: r.Channel, At: at, Value: v, Quality: telemetry.Good}
		j := slices.IndexFunc(parts, func(p Part) bool { return p.Engine == r.Engine && p.Node == r.Node })
		if j < 0 {
			parts, j = append(parts, Part{Engine: r.Engine, Node: r.Node}), len(parts)
		}
		parts[j].Samples = append(parts[j].Samples, s)
	}
	return parts, problems
}

// parse reads one whole JSON text, with its numbers as they stand.
func parse(payload []byte) (any, error) {
	if !json.Valid(payload) {
		var v any
		return nil, json.Unmarshal(payload, &v)
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.UseNumber()
	var v any
	err := d.Decode(&v)
	return v, err
}

// toNumber takes a JSON number, or a text that is one: many small nodes send their
// numbers in quotation marks.
func toNumber(v any) (float64, bool) {
	var s string
	switch v := v.(type) {
	case json.Number:
		s = string(v)
	case string:
		s = v
	default:
		return 0, false
	}
	// ParseFloat would also take "inf", "0x1p4" and "nan".
	if s == "" || strings.Trim(s, "+-.0123456789eE") != "" || len(s) > 64 {
		return 0, false
	}
	n, err := strconv.ParseFloat(s, 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return 0, false
	}
	return n, true
}

func shown(v any) string {
	s := fmt.Sprintf("%v", v)
	const most = 40
	if len(s) > most {
		s = s[:most] + "…"
	}
	return strconv.Quote(s)
}
