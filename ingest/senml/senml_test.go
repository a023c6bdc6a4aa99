package senml_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"ashlamp/ingest/senml"
	"ashlamp/rules/telemetry"
)

var now = time.Date(2031, 5, 4, 17, 2, 0, 123456000, time.UTC)

func good(ch string, at time.Time, v float64) telemetry.Sample {
	return telemetry.Sample{Channel: telemetry.Channel(ch), At: at, Value: v, Quality: telemetry.Good}
}

func lost(ch string, at time.Time, reason string) telemetry.Sample {
	return telemetry.Lost(telemetry.Channel(ch), at, reason)
}

func same(a, b telemetry.Sample) bool {
	return a.Channel == b.Channel && a.At.Equal(b.At) && a.Quality == b.Quality && a.Reason == b.Reason &&
		(a.Value == b.Value || math.IsNaN(a.Value) && math.IsNaN(b.Value))
}

func wantSamples(t *testing.T, in any, got, want []telemetry.Sample) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("in %s\ngot %d samples %+v\nwant %d %+v", in, len(got), got, len(want), want)
	}
	for i := range got {
		if !same(got[i], want[i]) {
			t.Errorf("in %s\nsample %d got %+v\nwant %+v", in, i, got[i], want[i])
		}
	}
}

func kinds(ps []senml.Problem) string {
	var b []string
	for _, p := range ps {
		b = append(b, fmt.Sprintf("%d:%s", p.Record, p.Kind))
	}
	return strings.Join(b, " ")
}

func readFile(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("../../testdata/senml", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func unix(s float64) time.Time { return time.UnixMicro(int64(math.Round(s * 1e6))).UTC() }

func TestExamplesOfTheStandard(t *testing.T) {
	const dev = "urn:dev:ow:10e2073a01080063"
	current := func(first float64) []telemetry.Sample {
		s := []telemetry.Sample{good("urn:dev:ow:10e2073a0108006:voltage", unix(first), 120.1)}
		for i, v := range []float64{1.2, 1.3, 1.4, 1.5, 1.6, 1.7} {
			s = append(s, good("urn:dev:ow:10e2073a0108006:current", unix(first+float64(i-5)), v))
		}
		return s
	}
	var humidity []telemetry.Sample
	for i, v := range []float64{21.2, 21.3, 21.4, 21.4, 21.5, 21.5, 21.5, 21.6, 21.7} {
		humidity = append(humidity, good(dev, unix(1320067464.1+float64(i)*10), v))
	}
	for _, c := range []struct {
		file     string
		want     []telemetry.Sample
		problems string
	}{
		{file: "single-datapoint.json", want: []telemetry.Sample{good(dev, now, 23.1)}},
		{file: "multiple-datapoints-units.json", want: []telemetry.Sample{good(dev+":voltage", now, 120.1), good(dev+":current", now, 1.2)}},
		{file: "multiple-datapoints-relative.json", want: current(1276020076.001)},
		{file: "multiple-datapoints-relative.cbor", want: current(1276020076.001)},
		{file: "base-unit-humidity.json", want: humidity},
		{
			file:     "multiple-data-types.json",
			want:     []telemetry.Sample{good(dev+":temp", now, 23.1), lost(dev+":label", now, "Machine Room")},
			problems: "3:wrong-type 4:wrong-type",
		},
	} {
		t.Run(c.file, func(t *testing.T) {
			in := readFile(t, c.file)
			decode := senml.DecodeJSON
			if strings.HasSuffix(c.file, ".cbor") {
				decode = senml.DecodeCBOR
			}
			p, err := decode(in, now)
			if err != nil {
				t.Fatalf("in %s\ngot error %v", in, err)
			}
			wantSamples(t, c.file, p.Samples, c.want)
			if got := kinds(p.Problems); got != c.problems {
				t.Errorf("in %s\ngot problems %q, want %q", in, got, c.problems)
			}
		})
	}
	t.Run("5.1.4 is 5.1.3 resolved", func(t *testing.T) {
		a, errA := senml.DecodeJSON(readFile(t, "multiple-measurements.json"), now)
		b, errB := senml.DecodeJSON(readFile(t, "resolved.json"), now)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		wantSamples(t, "multiple-measurements.json", a.Samples, b.Samples)
		if len(a.Samples) != 13 {
			t.Errorf("got %d samples, want 13", len(a.Samples))
		}
	})
}

func TestRecords(t *testing.T) {
	at := unix(1935000000.25)
	const T = `"t":1935000000.25`
	for _, c := range []struct {
		name, in string
		opts     senml.Options
		want     []telemetry.Sample
		problems string
	}{
		{name: "empty pack", in: `[]`},
		{name: "white space everywhere", in: " [ { \"n\" : \"firebox\" ,\n\t" + `"v" : 5 } ] `, want: []telemetry.Sample{good("firebox", now, 5)}},
		{name: "no time is now", in: `[{"n":"firebox","v":5}]`, want: []telemetry.Sample{good("firebox", now, 5)}},
		{name: "relative past", in: `[{"n":"firebox","v":5,"t":-2.5}]`, want: []telemetry.Sample{good("firebox", now.Add(-2500*time.Millisecond), 5)}},
		{name: "relative future", in: `[{"n":"firebox","v":5,"t":3}]`, want: []telemetry.Sample{good("firebox", now.Add(3*time.Second), 5)}},
		{name: "just below 2^28 is relative", in: `[{"n":"firebox","v":5,"t":268435455}]`, want: []telemetry.Sample{good("firebox", now.Add(268435455*time.Second), 5)}},
		{name: "2^28 is Unix time", in: `[{"n":"firebox","v":5,"t":268435456}]`, want: []telemetry.Sample{good("firebox", unix(268435456), 5)}},
		{name: "the sum of bt and t decides", in: `[{"bt":268435450,"n":"firebox","v":5,"t":6}]`, want: []telemetry.Sample{good("firebox", unix(268435456), 5)}},
		{name: "rounded to whole microseconds", in: `[{"n":"firebox","v":5,"t":1935000000.1234567}]`, want: []telemetry.Sample{good("firebox", unix(1935000000.123457), 5)}},
		{name: "base value", in: `[{"bv":100,"n":"firebox","v":5,` + T + `},{"n":"firebox","v":-1,"t":1935000001}]`, want: []telemetry.Sample{good("firebox", at, 105), good("firebox", unix(1935000001), 99)}},
		{name: "base fields alone measure nothing", in: `[{"bn":"boiler.","bt":1935000000.25},{"n":"pressure","v":7e5}]`, want: []telemetry.Sample{good("boiler.pressure", at, 7e5)}},
		{name: "base name alone names", in: `[{"bn":"firebox","v":5,` + T + `},{"v":6,"t":1935000001}]`, want: []telemetry.Sample{good("firebox", at, 5), good("firebox", unix(1935000001), 6)}},
		{name: "record unit wins over base unit", in: `[{"bu":"Cel","n":"boiler.pressure","u":"Pa","v":5,` + T + `},{"n":"firebox","v":6,` + T + `}]`, want: []telemetry.Sample{good("boiler.pressure", at, 5), good("firebox", at, 6)}},
		{name: "wrong unit is bad", in: `[{"n":"boiler.pressure","u":"Cel","v":5,` + T + `}]`, want: []telemetry.Sample{lost("boiler.pressure", at, `unit "Cel" where boiler.pressure is kept in Pa`)}, problems: "1:wrong-unit"},
		{name: "bar is in no registry", in: `[{"bver":26,"n":"boiler.pressure","u":"bar","v":5,` + T + `}]`, want: []telemetry.Sample{lost("boiler.pressure", at, `unit "bar" where boiler.pressure is kept in Pa`)}, problems: "1:wrong-unit"},
		{name: "base unit wrong", in: `[{"bu":"K","n":"firebox","v":300,` + T + `}]`, want: []telemetry.Sample{lost("firebox", at, `unit "K" where firebox is kept in Cel`)}, problems: "1:wrong-unit"},
		{name: "ppm with bver 26", in: `[{"bver":26,"n":"ambient.co","u":"ppm","v":20,` + T + `}]`, want: []telemetry.Sample{good("ambient.co", at, 0.00002)}},
		{name: "what is left in a battery", in: `[{"n":"battery.cab","u":"%EL","v":62,` + T + `}]`, want: []telemetry.Sample{good("battery.cab", at, 0.62)}},
		{name: "a tank is no battery", in: `[{"n":"tank.left.level","u":"%EL","v":62,` + T + `}]`, want: []telemetry.Sample{lost("tank.left.level", at, `unit "%EL" where tank.left.level is kept in /`)}, problems: "1:wrong-unit"},
		{name: "ppm without bver", in: `[{"n":"ambient.co","u":"ppm","v":20,` + T + `}]`, want: []telemetry.Sample{lost("ambient.co", at, `unit "ppm" is a secondary unit; send /, or bver 26 with it`)}, problems: "1:wrong-unit"},
		{name: "hPa with bver 26", in: `[{"bver":26,"n":"ambient.pressure","u":"hPa","v":1013.25,` + T + `}]`, want: []telemetry.Sample{good("ambient.pressure", at, 101325)}},
		{name: "secondary unit of another quantity", in: `[{"bver":26,"n":"firebox","u":"hPa","v":1,` + T + `}]`, want: []telemetry.Sample{lost("firebox", at, `unit "hPa" where firebox is kept in Cel`)}, problems: "1:wrong-unit"},
		{name: "secondary unit of a channel of any name", in: `[{"bver":26,"n":"loop.current","u":"mA","v":12,` + T + `}]`, want: []telemetry.Sample{good("loop.current", at, 0.012)}},
		{name: "minutes", in: `[{"bver":26,"n":"run.time","u":"min","v":2,` + T + `}]`, want: []telemetry.Sample{good("run.time", at, 120)}},
		{name: "lower version", in: `[{"bver":5,"n":"firebox","v":1,` + T + `}]`, want: []telemetry.Sample{good("firebox", at, 1)}},
		{name: "text is bad with its reason", in: `[{"n":"firebox","vs":"open thermocouple",` + T + `}]`, want: []telemetry.Sample{lost("firebox", at, "open thermocouple")}},
		{name: "empty text", in: `[{"n":"firebox","vs":"",` + T + `}]`, want: []telemetry.Sample{lost("firebox", at, "no reason given")}},
		{name: "text on many lines", in: `[{"n":"firebox","vs":"a\nb\u0007\u00e9",` + T + `}]`, want: []telemetry.Sample{lost("firebox", at, "a b\uFFFDé")}},
		{name: "long text", in: `[{"n":"firebox","vs":"` + strings.Repeat("é", 150) + `",` + T + `}]`, want: []telemetry.Sample{lost("firebox", at, strings.Repeat("é", 98)+"…")}},
		{name: "escaped label", in: `[{"\u006e":"fire\u0062ox","v":1,` + T + `}]`, want: []telemetry.Sample{good("firebox", at, 1)}},
		{name: "upper-case label is another label", in: `[{"n":"firebox","v":1,"V":900,"T":1,` + T + `}]`, want: []telemetry.Sample{good("firebox", at, 1)}},
		{name: "unknown label passed over", in: `[{"n":"firebox","x":{"a":[1,"}]"],"b_":2},"v":1,` + T + `}]`, want: []telemetry.Sample{good("firebox", at, 1)}},
		{name: "sum beside value", in: `[{"n":"firebox","v":1,"s":3,"ut":60,` + T + `}]`, want: []telemetry.Sample{good("firebox", at, 1)}},
		{name: "the good rest is kept", in: `[{"n":"firebox","v":1,` + T + `},{"n":"b d","v":1},{"n":"smokebox","v":2,` + T + `}]`, want: []telemetry.Sample{good("firebox", at, 1), good("smokebox", at, 2)}, problems: "2:bad-name"},
		{name: "no name", in: `[{"v":1}]`, problems: "1:bad-name"},
		{name: "name begins wrongly", in: `[{"n":".firebox","v":1}]`, problems: "1:bad-name"},
		{name: "name too long", in: `[{"n":"` + strings.Repeat("a", 129) + `","v":1}]`, problems: "1:bad-name"},
		{name: "name of the longest", in: `[{"n":"` + strings.Repeat("a", 128) + `","v":1}]`, want: []telemetry.Sample{good(strings.Repeat("a", 128), now, 1)}},
		{name: "name no text", in: `[{"n":5,"v":1}]`, problems: "1:wrong-type"},
		{name: "no value", in: `[{"n":"firebox"}]`, problems: "1:no-value"},
		{name: "nothing at all", in: `[{}]`, problems: "1:no-value"},
		{name: "sum alone", in: `[{"n":"firebox","s":5}]`, problems: "1:no-value"},
		{name: "two values", in: `[{"n":"firebox","v":5,"vs":"x"}]`, problems: "1:many-values"},
		{name: "truth value", in: `[{"n":"firebox","vb":true}]`, problems: "1:wrong-type"},
		{name: "number as text", in: `[{"n":"firebox","v":"5"}]`, problems: "1:wrong-type"},
		{name: "null", in: `[{"n":"firebox","v":null}]`, problems: "1:wrong-type"},
		{name: "beyond a double", in: `[{"n":"firebox","v":1e999}]`, problems: "1:not-finite"},
		{name: "base value and value overflow", in: `[{"bv":1.7e308,"n":"firebox","v":1.7e308}]`, problems: "1:not-finite"},
		{name: "year 2106", in: `[{"n":"firebox","v":1,"t":4294967296}]`, problems: "1:bad-time"},
		{name: "time beyond a double", in: `[{"n":"firebox","v":1,"t":1e999}]`, problems: "1:bad-time"},
		{name: "time of text", in: `[{"n":"firebox","v":1,"t":"now"}]`, problems: "1:wrong-type"},
		{name: "absolute wanted, none given", opts: senml.Options{Times: senml.AbsoluteTimes}, in: `[{"n":"firebox","v":1},{"n":"firebox","v":1,"t":-5},{"n":"firebox","v":1,` + T + `}]`, want: []telemetry.Sample{good("firebox", at, 1)}, problems: "1:no-own-time 2:no-own-time"},
		{name: "doubted", opts: senml.Options{Times: senml.DoubtedTimes}, in: `[{"n":"firebox","v":1},{"n":"firebox","v":1,` + T + `}]`, want: []telemetry.Sample{
			{Channel: "firebox", At: now, Value: 1, Quality: telemetry.Uncertain, Reason: "has no time of its own and may have waited in the broker; let the node send t"},
			good("firebox", at, 1),
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := c.opts.DecodeJSON([]byte(c.in), now)
			if err != nil {
				t.Fatalf("in %s\ngot error %v", c.in, err)
			}
			wantSamples(t, c.in, p.Samples, c.want)
			if got := kinds(p.Problems); got != c.problems {
				t.Errorf("in %s\ngot problems %q, want %q", c.in, got, c.problems)
			}
		})
	}
}

func TestRefusedWhole(t *testing.T) {
	many := "[" + strings.Repeat(`{"n":"a","v":1},`, senml.MaxRecords) + `{"n":"a","v":1}]`
	for _, c := range []struct {
		name, in string
		kind     senml.Kind
	}{
		{"nothing", ``, senml.Malformed},
		{"no array", `{"n":"firebox","v":1}`, senml.Malformed},
		{"broken halfway", `[{"n":"firebox","v":1},{"n":"fire`, senml.Malformed},
		{"more behind", `[{"n":"firebox","v":1}] []`, senml.Malformed},
		{"no object", `[5]`, senml.Malformed},
		{"NaN", `[{"n":"firebox","v":NaN}]`, senml.Malformed},
		{"label twice", `[{"n":"firebox","v":1,"v":2}]`, senml.Malformed},
		{"base time no number", `[{"bt":"x","n":"firebox","v":1}]`, senml.Malformed},
		{"base time infinite", `[{"bt":1e999,"n":"firebox","v":1}]`, senml.Malformed},
		{"base name no text", `[{"bn":1,"n":"firebox","v":1}]`, senml.Malformed},
		{"version 11", `[{"bver":11,"n":"firebox","v":1}]`, senml.UnknownVersion},
		{"unknown feature", `[{"bver":42,"n":"firebox","v":1}]`, senml.UnknownVersion},
		{"two versions", `[{"bver":26,"n":"firebox","v":1},{"bver":10,"n":"firebox","v":1}]`, senml.UnknownVersion},
		{"version only later", `[{"n":"firebox","v":1},{"bver":26,"n":"firebox","v":1}]`, senml.UnknownVersion},
		{"must be understood", `[{"n":"firebox","v":1},{"n":"firebox","v":1,"scale_":1000}]`, senml.UnknownLabel},
		{"too many records", many, senml.TooLarge},
		{"too large", `[` + strings.Repeat(" ", senml.MaxBytes) + `]`, senml.TooLarge},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := senml.DecodeJSON([]byte(c.in), now)
			var r *senml.Refusal
			if !errors.As(err, &r) || r.Kind != c.kind {
				t.Errorf("in %.80s\ngot %v and %d samples, want a refusal %s", c.in, err, len(p.Samples), c.kind)
			}
		})
	}
}

func TestCBOR(t *testing.T) {
	at := unix(1935000000.25)
	for _, c := range []struct {
		name     string
		in       any
		want     []telemetry.Sample
		problems string
		kind     senml.Kind
	}{
		{name: "numbers of every width", in: []map[int]any{{0: "firebox", 6: 1935000000.25, 2: 5}, {0: "firebox", 6: 1935000001, 2: -300}, {0: "firebox", 6: 1935000002, 2: float32(1.5)}},
			want: []telemetry.Sample{good("firebox", at, 5), good("firebox", unix(1935000001), -300), good("firebox", unix(1935000002), 1.5)}},
		{name: "decimal fraction", in: []map[int]any{{0: "firebox", 6: 1935000000.25, 2: cbor.Tag{Number: 4, Content: []int{-2, 27115}}}}, want: []telemetry.Sample{good("firebox", at, 271.15)}},
		{name: "another tag is no number", in: []map[int]any{{0: "firebox", 2: cbor.Tag{Number: 1, Content: 5}}}, problems: "1:wrong-type"},
		{name: "NaN", in: []map[int]any{{0: "firebox", 2: math.NaN()}, {0: "smokebox", 6: 1935000000.25, 2: 1}}, want: []telemetry.Sample{good("smokebox", at, 1)}, problems: "1:not-finite"},
		{name: "infinity", in: []map[int]any{{0: "firebox", 2: math.Inf(1)}}, problems: "1:not-finite"},
		{name: "text", in: []map[int]any{{0: "firebox", 6: 1935000000.25, 3: "open"}}, want: []telemetry.Sample{lost("firebox", at, "open")}},
		{name: "bytes", in: []map[int]any{{0: "firebox", 8: []byte{1}}}, problems: "1:wrong-type"},
		{name: "ppm", in: []map[int]any{{-1: 26, 0: "ambient.co", 1: "ppm", 6: 1935000000.25, 2: 20}}, want: []telemetry.Sample{good("ambient.co", at, 0.00002)}},
		{name: "unknown label passed over", in: []map[any]any{{0: "firebox", 6: 1935000000.25, 2: 1, "x": 5, 99: 1}}, want: []telemetry.Sample{good("firebox", at, 1)}},
		{name: "must be understood", in: []map[any]any{{0: "firebox", 2: 1, "x_": 5}}, kind: senml.UnknownLabel},
		{name: "version", in: []map[int]any{{-1: 42, 0: "firebox", 2: 1}}, kind: senml.UnknownVersion},
		{name: "no array", in: map[int]any{0: "firebox"}, kind: senml.Malformed},
		{name: "no map", in: []int{1}, kind: senml.Malformed},
		{name: "nested", in: []any{[]any{[]any{[]any{[]any{[]any{[]any{1}}}}}}}, kind: senml.Malformed},
		{name: "label twice", in: cbor.RawMessage{0x81, 0xa2, 0x02, 0x01, 0x02, 0x02}, kind: senml.Malformed},
		{name: "broken halfway", in: cbor.RawMessage{0x82, 0xa1, 0x02, 0x01}, kind: senml.Malformed},
		{name: "indefinite lengths", in: cbor.RawMessage{0x9f, 0xbf, 0x00, 0x67, 'f', 'i', 'r', 'e', 'b', 'o', 'x', 0x02, 0x05, 0xff, 0xff}, want: []telemetry.Sample{good("firebox", now, 5)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var b []byte
			if raw, ok := c.in.(cbor.RawMessage); ok {
				b = raw
			} else {
				var err error
				if b, err = cbor.Marshal(c.in); err != nil {
					t.Fatal(err)
				}
			}
			p, err := senml.DecodeCBOR(b, now)
			var r *senml.Refusal
			if c.kind != "" {
				if !errors.As(err, &r) || r.Kind != c.kind {
					t.Errorf("in %x\ngot %v, want a refusal %s", b, err, c.kind)
				}
				return
			}
			if err != nil {
				t.Fatalf("in %x\ngot error %v", b, err)
			}
			wantSamples(t, fmt.Sprintf("%x", b), p.Samples, c.want)
			if got := kinds(p.Problems); got != c.problems {
				t.Errorf("in %x\ngot problems %q, want %q", b, got, c.problems)
			}
		})
	}
}

func TestEncodeRefuses(t *testing.T) {
	at := unix(1935000000)
	for _, c := range []struct {
		name string
		in   telemetry.Sample
	}{
		{"good without a number", good("firebox", at, math.NaN())},
		{"name", good("fire box", at, 1)},
		{"time that would read as relative", good("firebox", unix(1), 1)},
		{"time finer than it can say", good("firebox", at.Add(1), 1)},
		{"no time", good("firebox", time.Time{}, 1)},
	} {
		t.Run(c.name, func(t *testing.T) {
			if b, err := senml.EncodeJSON([]telemetry.Sample{c.in}); err == nil {
				t.Errorf("in %+v\ngot JSON %s, want an error", c.in, b)
			}
			if b, err := senml.EncodeCBOR([]telemetry.Sample{c.in}); err == nil {
				t.Errorf("in %+v\ngot CBOR %x, want an error", c.in, b)
			}
		})
	}
}

func ExampleEncodeJSON() {
	at := time.Date(2031, 5, 4, 17, 2, 0, 250000000, time.UTC)
	b, err := senml.EncodeJSON([]telemetry.Sample{
		{Channel: "firebox", At: at.Add(time.Second), Value: 412.5, Quality: telemetry.Good},
		telemetry.Lost("smokebox", at, "open thermocouple"),
	})
	fmt.Println(string(b), err)
	// Output: [{"n":"smokebox","t":1935680520.25,"vs":"open thermocouple"},{"n":"firebox","t":1935680521.25,"u":"Cel","v":412.5}] <nil>
}

func ExampleDecodeJSON() {
	received := time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)
	p, err := senml.DecodeJSON([]byte(`[{"bn":"boiler.","n":"pressure","u":"Pa","v":710000},{"n":"shell.top","u":"K","v":443,"t":-1}]`), received)
	for _, s := range p.Samples {
		fmt.Printf("%s %s %v %s %q\n", s.Channel, s.At.Format(time.TimeOnly), s.Value, s.Quality, s.Reason)
	}
	fmt.Println(err)
	// Output:
	// boiler.pressure 17:02:00 710000 good ""
	// boiler.shell.top 17:01:59 NaN bad "unit \"K\" where boiler.shell.top is kept in Cel"
	// <nil>
}

func TestSecondaryUnitsAreExactWhereTheyCanBe(t *testing.T) {
	for _, c := range []struct {
		unit string
		in   float64
		want float64
		base telemetry.Unit
	}{
		{"ppm", 20, 0.00002, "/"},
		{"ppb", 3, 3e-9, "/"},
		{"hPa", 1013.25, 101325, "Pa"},
		{"mA", 4, 0.004, "A"},
		{"min", 1.5, 90, "s"},
		{"dBm", 0, -30, "dBW"},
		{"km/h", 36, 10, "m/s"},
		{"/100", 62, 0.62, "/"},
	} {
		got, base, ok := senml.ToBase(c.unit, c.in)
		if !ok || got != c.want || base != c.base {
			t.Errorf("in %v %s\ngot %v %s %v, want %v %s", c.in, c.unit, got, base, ok, c.want, c.base)
		}
	}
	for _, u := range []string{"", "Pa", "bar", "psi", "%"} {
		if _, _, ok := senml.ToBase(u, 1); ok {
			t.Errorf("in %q: got a secondary unit, want none", u)
		}
	}
}
