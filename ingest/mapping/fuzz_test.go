package mapping_test

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"ashlamp/ingest/mapping"
	"ashlamp/ingest/topic"
	"ashlamp/rules/telemetry"
)

// FuzzRules tries a rule of any kind on a message of any kind, beside one that is
// known to be well: what the other does not find may not cost it its sample.
func FuzzRules(f *testing.F) {
	f.Add("yard/+/p", "yard/quillet/p", "/t/0", []byte(`{"t":["12.5"]}`), "quillet", "boiler.pressure", "bar", 1.0, 0.0)
	f.Add("#", "yard/box", "", []byte(" 007 \n"), "", "ambient.temperature", "degF", 0.1, -3.0)
	f.Add("+/#", "a", "/a~1b/m~0n", []byte(`{"a/b":{"m~n":1e2}}`), "marrow", "steam.chest", "K", -1.0, 0.0)
	f.Add("box", "box", "/", []byte(`{"":null}`), "quillet", "tank.left.level", "/100", 1.0, 1e300)
	f.Add("box", "box", "/0", []byte(`[1e999]`), "quillet", "boiler.level", "", 1e308, 0.0)
	f.Add("box", "box", "/-", []byte(`[1]`), "quillet", "firebox", "", 1.0, 0.0)
	f.Add("$SYS/#", "$SYS/x", "/01", []byte(`[1,2]`), "quillet", "firebox", "Cel", 1.0, 0.0)
	f.Fuzz(func(t *testing.T, filter, name, pointer string, payload []byte, eng, channel, unit string, scale, offset float64) {
		tried := mapping.Rule{Filter: filter, Pointer: pointer, Engine: eng, Node: "tried", Channel: telemetry.Channel(channel), Unit: unit, Scale: scale, Offset: offset}
		well := mapping.Rule{Filter: "#", Engine: "quillet", Node: "well", Channel: telemetry.Smokebox, Scale: 1}
		m, err := mapping.New([]mapping.Rule{well, tried, well})
		if err != nil {
			if m != nil || !strings.HasPrefix(err.Error(), "mapping 2: ") || strings.Contains(err.Error(), "mapping 1") {
				t.Fatalf("in %+v\ngot %v, %v", tried, m, err)
			}
			return
		}
		if math.IsNaN(scale) || math.IsNaN(offset) || scale == 0 {
			t.Fatalf("in %+v\naccepted", tried)
		}
		takes := topic.Match(filter, name)
		wellTakes := topic.Match("#", name)
		if m.Matches(name) != (takes || wellTakes) {
			t.Fatalf("filter %q topic %q: Matches does not agree with the filters", filter, name)
		}
		parts, problems := m.Decode(name, payload, now)
		again, againProblems := m.Decode(name, payload, now)
		if len(again) != len(parts) || !slices.Equal(problems, againProblems) {
			t.Fatalf("payload %q read twice: %+v %+v, then %+v %+v", payload, parts, problems, again, againProblems)
		}
		count := map[string]int{}
		for _, p := range parts {
			for _, s := range p.Samples {
				count[p.Node]++
				if s.Quality != telemetry.Good || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) || s.Reason != "" {
					t.Fatalf("in %+v\npayload %q gives %+v", tried, payload, s)
				}
				if p.Node == "tried" && (p.Engine != eng || s.Channel != tried.Channel || s.Channel.OfShed() != (p.Engine == "")) {
					t.Fatalf("in %+v\npayload %q gives %+v for %q", tried, payload, s, p.Engine)
				}
			}
		}
		_, plain := number(payload)
		for _, c := range []struct {
			node string
			want bool
		}{{"well", wellTakes && plain}, {"tried", takes && pointer == "" && plain && finite(tried, payload)}} {
			if c.want && count[c.node] == 0 {
				t.Fatalf("in %+v\ntopic %q payload %q: the sample of rule %q is missing, problems %+v", tried, name, payload, c.node, problems)
			}
		}
		if !takes && count["tried"] > 0 || takes && count["tried"] == 0 && len(problems) == 0 && len(payload) > 0 {
			t.Fatalf("in %+v\ntopic %q payload %q: %+v %+v", tried, name, payload, parts, problems)
		}
		for _, p := range problems {
			if p.Kind == "" || p.Text == "" {
				t.Fatalf("payload %q: problem %+v", payload, p)
			}
		}
	})
}

// number reads a plain number by rules of its own: what a JSON number is, with the
// liberties that small nodes take.
func number(payload []byte) (float64, bool) {
	s := strings.TrimSpace(string(payload))
	if len(payload) > mapping.MaxBytes || s == "" || len(s) > 64 {
		return 0, false
	}
	for _, c := range s {
		if !strings.ContainsRune("+-.0123456789eE", c) {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

// finite says that the rule's number stays small enough in any unit.
func finite(r mapping.Rule, payload []byte) bool {
	n, _ := number(payload)
	return math.Abs(n*r.Scale+r.Offset) < 1e300
}

// FuzzPointer writes a number into a JSON text under any key and at any place and
// holds that the pointer to it finds that number and no other.
func FuzzPointer(f *testing.F) {
	f.Add("a", 2, 12.5, false)
	f.Add("a/b~c~1", 0, math.Copysign(0, -1), true)
	f.Add("", 3, 1e-300, true)
	f.Add("é\u2028\"\\", 1, math.MaxFloat64, false)
	f.Add("0", 1, 5e-324, false)
	f.Fuzz(func(t *testing.T, key string, at int, v float64, quoted bool) {
		if math.IsNaN(v) || math.IsInf(v, 0) || !utf8.ValidString(key) || at < 0 || at > 50 {
			return
		}
		var value any = v
		if quoted {
			value = strconv.FormatFloat(v, 'g', -1, 64)
		}
		list := make([]any, at+1)
		list[at] = value
		payload, err := json.Marshal(map[string]any{key: list, key + "x": -1})
		if err != nil {
			t.Fatal(err)
		}
		pointer := "/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(key) + "/" + strconv.Itoa(at)
		m, err := mapping.New([]mapping.Rule{{Filter: "box", Pointer: pointer, Engine: "quillet", Channel: telemetry.Firebox, Unit: "Cel", Scale: 1}})
		if err != nil {
			t.Fatalf("pointer %q: %v", pointer, err)
		}
		parts, problems := m.Decode("box", payload, now)
		if len(payload) > mapping.MaxBytes {
			if len(parts) > 0 || len(problems) != 1 {
				t.Fatalf("%d bytes: %+v %+v", len(payload), parts, problems)
			}
			return
		}
		if len(problems) > 0 || len(parts) != 1 || parts[0].Samples[0].Value != v {
			t.Fatalf("pointer %q in %s\ngot %+v %+v, want %v", pointer, payload, parts, problems, v)
		}
	})
}
