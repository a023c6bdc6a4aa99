package mapping_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ashlamp/ingest/mapping"
	"ashlamp/rules/telemetry"
)

var now = time.Date(2031, 5, 4, 17, 2, 0, 123456789, time.UTC)

func rule(edit func(*mapping.Rule)) mapping.Rule {
	r := mapping.Rule{Filter: "box/+/p", Engine: "quillet", Channel: telemetry.BoilerPressure, Scale: 1}
	if edit != nil {
		edit(&r)
	}
	return r
}

func TestRulesRefused(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*mapping.Rule)
		want string // within the error; empty: accepted
	}{
		{"as it stands", nil, ""},
		{"bar", func(r *mapping.Rule) { r.Unit = "bar" }, ""},
		{"of the shed", func(r *mapping.Rule) { r.Engine, r.Channel = "", telemetry.AmbientTemp }, ""},
		{"pointer to the whole key", func(r *mapping.Rule) { r.Pointer = "/" }, ""},
		{"filter empty", func(r *mapping.Rule) { r.Filter = "" }, "filter is empty"},
		{"filter wrong", func(r *mapping.Rule) { r.Filter = "a/#/b" }, "# alone in the last one"},
		{"no channel", func(r *mapping.Rule) { r.Channel = "" }, "is empty"},
		{"channel name", func(r *mapping.Rule) { r.Channel = "boiler pressure" }, `has ' '`},
		{"no engine", func(r *mapping.Rule) { r.Engine = "" }, "name the engine"},
		{"engine's id", func(r *mapping.Rule) { r.Engine = "Quillet" }, "is no id"},
		{"engine for the shed's channel", func(r *mapping.Rule) { r.Channel = telemetry.AmbientCO }, "leave the engine out"},
		{"scale 0", func(r *mapping.Rule) { r.Scale = 0 }, "scale 0"},
		{"scale NaN", func(r *mapping.Rule) { r.Scale = math.NaN() }, "scale NaN"},
		{"offset infinite", func(r *mapping.Rule) { r.Offset = math.Inf(1) }, "offset +Inf"},
		{"unit of another quantity", func(r *mapping.Rule) { r.Unit = "degF" }, "does not fit boiler.pressure"},
		{"unit unknown", func(r *mapping.Rule) { r.Unit = "furlong" }, "Pa, bar, mbar"},
		{"kelvin for pressure", func(r *mapping.Rule) { r.Unit = "K" }, "does not fit"},
		{"pointer without a slash", func(r *mapping.Rule) { r.Pointer = "value" }, "begins with /"},
		{"pointer with a tilde alone", func(r *mapping.Rule) { r.Pointer = "/a~2" }, "~0 for ~"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := rule(c.edit)
			m, err := mapping.New([]mapping.Rule{rule(nil), r})
			switch {
			case c.want == "" && err != nil:
				t.Errorf("in %+v\ngot %v, want none", r, err)
			case c.want != "" && (err == nil || m != nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "mapping 2")):
				t.Errorf("in %+v\ngot %v\nwant an error of mapping 2 with %q", r, err, c.want)
			}
		})
	}
}

func TestReadings(t *testing.T) {
	at := now.Round(time.Microsecond)
	const pressure, firebox = telemetry.BoilerPressure, telemetry.Firebox
	for _, c := range []struct {
		name     string
		rules    []mapping.Rule
		topic    string
		payload  string
		want     string // engine/node channel value, one a sample
		problems string
	}{
		{name: "plain number", rules: []mapping.Rule{{Filter: "p", Engine: "quillet", Node: "box-1", Channel: pressure, Unit: "bar", Scale: 1}}, topic: "p", payload: " 7.25\n", want: "quillet/box-1 boiler.pressure 725000"},
		{name: "psi", rules: []mapping.Rule{{Filter: "p", Engine: "quillet", Channel: pressure, Unit: "psi", Scale: 1}}, topic: "p", payload: "100", want: "quillet/ boiler.pressure 689475.7293168362"},
		{name: "mbar", rules: []mapping.Rule{{Filter: "p", Channel: telemetry.AmbientPressure, Unit: "mbar", Scale: 1}}, topic: "p", payload: "1013.25", want: "/ ambient.pressure 101325"},
		{name: "kPa", rules: []mapping.Rule{{Filter: "p", Channel: telemetry.AmbientPressure, Unit: "kPa", Scale: 1}}, topic: "p", payload: "101.325", want: "/ ambient.pressure 101325"},
		{name: "hPa", rules: []mapping.Rule{{Filter: "p", Channel: telemetry.AmbientPressure, Unit: "hPa", Scale: 1}}, topic: "p", payload: "1013.25", want: "/ ambient.pressure 101325"},
		{name: "degF", rules: []mapping.Rule{{Filter: "t", Engine: "quillet", Channel: firebox, Unit: "degF", Scale: 1}}, topic: "t", payload: "212", want: "quillet/ firebox 100"},
		{name: "kelvin", rules: []mapping.Rule{{Filter: "t", Engine: "quillet", Channel: firebox, Unit: "K", Scale: 1}}, topic: "t", payload: "373.15", want: "quillet/ firebox 100"},
		{name: "parts in a hundred", rules: []mapping.Rule{{Filter: "l", Engine: "quillet", Channel: telemetry.BoilerLevel, Unit: "/100", Scale: 1}}, topic: "l", payload: "62", want: "quillet/ boiler.level 0.62"},
		{name: "scale, then offset, then unit", rules: []mapping.Rule{{Filter: "p", Engine: "quillet", Channel: pressure, Unit: "bar", Scale: 0.01, Offset: -1}}, topic: "p", payload: "300", want: "quillet/ boiler.pressure 200000"},
		{name: "unit of a channel of any name", rules: []mapping.Rule{{Filter: "x", Engine: "quillet", Channel: "steam.chest", Unit: "psi", Scale: 1}}, topic: "x", payload: "0", want: "quillet/ steam.chest 0"},
		{
			name: "several out of one text, two engines", topic: "yard/box",
			rules: []mapping.Rule{
				{Filter: "yard/#", Pointer: "/t/0", Engine: "quillet", Channel: firebox, Scale: 1},
				{Filter: "yard/+", Pointer: "/a~1b/m~0n", Engine: "marrow", Channel: firebox, Scale: 1},
				{Filter: "yard/box", Pointer: "/", Engine: "quillet", Channel: telemetry.Smokebox, Scale: 1},
				{Filter: "elsewhere", Pointer: "/t/0", Engine: "quillet", Channel: telemetry.ShellTop, Scale: 1},
			},
			payload: `{"t":[412.5],"a/b":{"m~n":"80"},"":3}`,
			want:    "quillet/ firebox 412.5; quillet/ smokebox 3; marrow/ firebox 80",
		},
		{
			name: "the good rest is kept", topic: "b",
			rules:   []mapping.Rule{{Filter: "b", Pointer: "/x", Engine: "quillet", Channel: firebox, Scale: 1}, {Filter: "b", Pointer: "/y", Engine: "quillet", Channel: telemetry.Smokebox, Scale: 1}},
			payload: `{"y":5}`, want: "quillet/ smokebox 5", problems: "no-value",
		},
		{name: "no number", rules: []mapping.Rule{rule(nil)}, topic: "box/a/p", payload: "open", problems: "wrong-type"},
		{name: "empty", rules: []mapping.Rule{rule(nil)}, topic: "box/a/p", payload: "", problems: "wrong-type"},
		{name: "NaN", rules: []mapping.Rule{rule(nil)}, topic: "box/a/p", payload: "NaN", problems: "wrong-type"},
		{name: "infinity by its name", rules: []mapping.Rule{rule(nil)}, topic: "box/a/p", payload: "-Inf", problems: "wrong-type"},
		{name: "infinity by its size", rules: []mapping.Rule{rule(nil)}, topic: "box/a/p", payload: "1e999", problems: "not-finite"},
		{name: "hexadecimal", rules: []mapping.Rule{rule(nil)}, topic: "box/a/p", payload: "0x10", problems: "wrong-type"},
		{name: "overflow by scale", rules: []mapping.Rule{rule(func(r *mapping.Rule) { r.Scale = 1e300 })}, topic: "box/a/p", payload: "1e300", problems: "not-finite"},
		{name: "JSON null", rules: []mapping.Rule{rule(func(r *mapping.Rule) { r.Pointer = "/v" })}, topic: "box/a/p", payload: `{"v":null}`, problems: "wrong-type"},
		{name: "JSON true", rules: []mapping.Rule{rule(func(r *mapping.Rule) { r.Pointer = "/v" })}, topic: "box/a/p", payload: `{"v":true}`, problems: "wrong-type"},
		{name: "JSON object", rules: []mapping.Rule{rule(func(r *mapping.Rule) { r.Pointer = "/v" })}, topic: "box/a/p", payload: `{"v":{}}`, problems: "wrong-type"},
		{name: "not JSON", rules: []mapping.Rule{rule(func(r *mapping.Rule) { r.Pointer = "/v" })}, topic: "box/a/p", payload: `{"v":1`, problems: "malformed"},
		{name: "index out of the list", rules: []mapping.Rule{rule(func(r *mapping.Rule) { r.Pointer = "/v/1" })}, topic: "box/a/p", payload: `{"v":[1]}`, problems: "no-value"},
		{name: "too large", rules: []mapping.Rule{rule(nil)}, topic: "box/a/p", payload: strings.Repeat(" ", mapping.MaxBytes) + "1", problems: "too-large"},
		{name: "another topic", rules: []mapping.Rule{rule(nil)}, topic: "box/a/q", payload: "1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := mapping.New(c.rules)
			if err != nil {
				t.Fatal(err)
			}
			parts, problems := m.Decode(c.topic, []byte(c.payload), now)
			var got, kinds []string
			for _, p := range parts {
				for _, s := range p.Samples {
					got = append(got, fmt.Sprintf("%s/%s %s %v", p.Engine, p.Node, s.Channel, s.Value))
					if s.Quality != telemetry.Good || !s.At.Equal(at) {
						t.Errorf("in %.60s\ngot %+v, want good at %v", c.payload, s, at)
					}
				}
			}
			for _, p := range problems {
				kinds = append(kinds, string(p.Kind))
			}
			if g := strings.Join(got, "; "); g != c.want {
				t.Errorf("in %.60s\ngot  %s\nwant %s", c.payload, g, c.want)
			}
			if k := strings.Join(kinds, " "); k != c.problems {
				t.Errorf("in %.60s\ngot problems %q, want %q", c.payload, k, c.problems)
			}
			if takes := m.Matches(c.topic); takes != (c.want != "" || c.problems != "") {
				t.Errorf("Matches(%q) = %v", c.topic, takes)
			}
		})
	}
}

func TestFiltersEachOnce(t *testing.T) {
	m, err := mapping.New([]mapping.Rule{rule(nil), rule(nil), rule(func(r *mapping.Rule) { r.Filter = "other" })})
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(m.Filters(), " "); got != "box/+/p other" {
		t.Errorf("got %q", got)
	}
	var none *mapping.Map
	if none.Matches("a") || none.Filters() != nil {
		t.Error("a nil map takes something")
	}
}

func FuzzDecode(f *testing.F) {
	f.Add("/a/0", []byte(`{"a":[1.5]}`), 2.0, 1.0)
	f.Add("", []byte("12.5"), 1.0, 0.0)
	f.Add("/", []byte(`{"":"3"}`), 1.0, 0.0)
	f.Fuzz(func(t *testing.T, pointer string, payload []byte, scale, offset float64) {
		m, err := mapping.New([]mapping.Rule{{Filter: "#", Pointer: pointer, Engine: "quillet", Channel: telemetry.BoilerPressure, Unit: "bar", Scale: scale, Offset: offset}})
		if err != nil {
			return
		}
		parts, problems := m.Decode("t", payload, now)
		if len(parts)+len(problems) != 1 {
			t.Fatalf("pointer %q in %q\ngot %v and %v, want one sample or one problem", pointer, payload, parts, problems)
		}
		for _, p := range parts {
			if v := p.Samples[0].Value; math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("pointer %q in %q\ngot %v", pointer, payload, v)
			}
		}
	})
}
