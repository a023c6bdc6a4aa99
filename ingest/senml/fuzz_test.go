package senml_test

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/fxamacker/cbor/v2"

	"ashlamp/ingest/senml"
	"ashlamp/rules/telemetry"
)

// sound holds what every accepted pack keeps to, whatever came in.
func sound(t *testing.T, in []byte, p senml.Pack) {
	t.Helper()
	for _, s := range p.Samples {
		if why := senml.NameTrouble(string(s.Channel)); why != "" {
			t.Fatalf("in %q: name of %+v %s", in, s, why)
		}
		switch {
		case s.Quality == telemetry.Good && (math.IsNaN(s.Value) || math.IsInf(s.Value, 0)):
			t.Fatalf("in %q: good without a number: %+v", in, s)
		case s.Quality == telemetry.Good && s.Reason != "", s.Quality != telemetry.Good && s.Reason == "":
			t.Fatalf("in %q: quality and reason do not go together: %+v", in, s)
		case s.Quality != telemetry.Good && !math.IsNaN(s.Value):
			t.Fatalf("in %q: a sample that is not good has a number that could be taken for one: %+v", in, s)
		case !s.At.Equal(s.At.Truncate(telemetry.Resolution)), s.At.Location() != time.UTC:
			t.Fatalf("in %q: time of %+v is not UTC in whole microseconds", in, s)
		}
	}
	for _, pr := range p.Problems {
		if pr.Record < 1 || pr.Kind == "" || pr.Text == "" {
			t.Fatalf("in %q: problem %+v names no record, kind or mend", in, pr)
		}
	}
}

// stricter holds that asking for records' own times only ever takes samples away
// or makes them doubtful: none is added, and none that was doubtful becomes good.
func stricter(t *testing.T, in []byte, p senml.Pack, decode func(senml.Options) (senml.Pack, error)) {
	t.Helper()
	own, err := decode(senml.Options{Times: senml.AbsoluteTimes})
	if err != nil {
		t.Fatalf("in %q: refused with absolute times only: %v", in, err)
	}
	doubted, err := decode(senml.Options{Times: senml.DoubtedTimes})
	if err != nil || len(doubted.Samples) != len(p.Samples) {
		t.Fatalf("in %q: with doubted times %d samples and %v, want %d", in, len(doubted.Samples), err, len(p.Samples))
	}
	i := 0
	for n, s := range doubted.Samples {
		any := p.Samples[n]
		if s.Channel != any.Channel || !s.At.Equal(any.At) || s.Quality > any.Quality {
			t.Fatalf("in %q: with doubted times %+v, without %+v", in, s, any)
		}
		if i < len(own.Samples) && same(own.Samples[i], s) {
			i++
		} else if s.Quality == telemetry.Good {
			t.Fatalf("in %q: %+v has no time of its own and is good with doubted times", in, s)
		}
	}
	if i != len(own.Samples) {
		t.Fatalf("in %q: with absolute times there are samples that there are not without: %+v", in, own.Samples[i:])
	}
}

// roundTrip holds that what was accepted, written and read again, is equal.
func roundTrip(t *testing.T, in []byte, accepted []telemetry.Sample) {
	t.Helper()
	var writable []telemetry.Sample
	for _, s := range accepted {
		// Times before 1978 can come from a relative time and cannot be written.
		if s.At.Unix() >= 1<<28 && s.At.Unix() < 1<<32 {
			writable = append(writable, s)
		}
	}
	slices.SortStableFunc(writable, func(a, b telemetry.Sample) int { return cmp.Compare(a.At.UnixMicro(), b.At.UnixMicro()) })
	j, err := senml.EncodeJSON(writable)
	if err != nil {
		t.Fatalf("in %q: encode JSON of %+v: %v", in, writable, err)
	}
	c, err := senml.EncodeCBOR(writable)
	if err != nil {
		t.Fatalf("in %q: encode CBOR of %+v: %v", in, writable, err)
	}
	opts := senml.Options{Times: senml.AbsoluteTimes, MaxBytes: 1 << 30}
	later := now.Add(time.Hour)
	fromJSON, err := opts.DecodeJSON(j, later)
	if err != nil || len(fromJSON.Problems) > 0 {
		t.Fatalf("in %q: read %s again: %v %v", in, j, err, fromJSON.Problems)
	}
	fromCBOR, err := opts.DecodeCBOR(c, later)
	if err != nil || len(fromCBOR.Problems) > 0 {
		t.Fatalf("in %q: read %x again: %v %v", in, c, err, fromCBOR.Problems)
	}
	wantSamples(t, in, fromJSON.Samples, writable)
	wantSamples(t, in, fromCBOR.Samples, writable)
}

func FuzzJSON(f *testing.F) {
	for _, n := range []string{"single-datapoint.json", "multiple-datapoints-relative.json", "multiple-measurements.json", "multiple-data-types.json"} {
		f.Add(readFile(f, n))
	}
	f.Add([]byte(`[{"bver":26,"bn":"ambient.","bt":-3,"bv":1,"bu":"ppm","n":"co","v":1e-7},{"n":"a","vs":"\u00e9\ud800\n"},{"x_":1}]`))
	f.Fuzz(func(t *testing.T, in []byte) {
		p, err := senml.DecodeJSON(in, now)
		if err != nil {
			if len(p.Samples) > 0 {
				t.Fatalf("in %q: refused with %d samples", in, len(p.Samples))
			}
			return
		}
		if !json.Valid(in) {
			t.Fatalf("in %q: accepted what is no JSON", in)
		}
		sound(t, in, p)
		stricter(t, in, p, func(o senml.Options) (senml.Pack, error) { return o.DecodeJSON(in, now) })
		roundTrip(t, in, p.Samples)
	})
}

func FuzzCBOR(f *testing.F) {
	f.Add(readFile(f, "multiple-datapoints-relative.cbor"))
	for _, v := range []any{
		[]map[any]any{{-1: 26, 0: "ambient.co", 1: "ppm", 6: 1935000000.25, 2: 20, "x_": 1}},
		[]map[int]any{{0: "firebox", 3: "open", 2: cbor.Tag{Number: 4, Content: []int{-2, 5}}}},
	} {
		b, err := cbor.Marshal(v)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		p, err := senml.DecodeCBOR(in, now)
		if err != nil {
			if len(p.Samples) > 0 {
				t.Fatalf("in %x: refused with %d samples", in, len(p.Samples))
			}
			return
		}
		if err := cbor.Wellformed(in); err != nil {
			t.Fatalf("in %x: accepted what is no CBOR: %v", in, err)
		}
		sound(t, in, p)
		stricter(t, in, p, func(o senml.Options) (senml.Pack, error) { return o.DecodeCBOR(in, now) })
		roundTrip(t, in, p.Samples)
	})
}

// FuzzRecord writes one record in both encodings, with the same content: they must
// be taken alike.
func FuzzRecord(f *testing.F) {
	f.Add("boiler.", "pressure", 1935000000.25, 0.5, 650000.0, "Pa", "", false)
	f.Add("", "ambient.co", 0.0, -3.0, 20.0, "ppm", "", false)
	f.Add("fire", "box", 1935000000.0, 0.0, 0.0, "", "open \n\u00e9", true)
	f.Add("9", "-:._/", 4294967295.0, 0.999999, math.MaxFloat64, "?", "", false)
	f.Add("a", "", -268435455.0, -1.0, math.Copysign(0, -1), "Cel", "", false)
	f.Fuzz(func(t *testing.T, bn, n string, bt, at, v float64, unit, reason string, lost bool) {
		for _, x := range []float64{bt, at, v} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return // JSON has no such number
			}
		}
		for _, s := range []string{bn, n, unit, reason} {
			if !utf8.ValidString(s) {
				return // CBOR refuses such a text, JSON replaces it
			}
		}
		byName := map[string]any{"bn": bn, "n": n, "bt": bt, "t": at, "bver": 26}
		byNumber := map[int]any{-2: bn, 0: n, -3: bt, 6: at, -1: 26}
		if lost {
			byName["vs"], byNumber[3] = reason, reason
		} else {
			byName["v"], byNumber[2] = v, v
		}
		if unit != "" {
			byName["u"], byNumber[1] = unit, unit
		}
		j, err := json.Marshal([]any{byName})
		if err != nil {
			t.Fatal(err)
		}
		c, err := cbor.Marshal([]any{byNumber})
		if err != nil {
			t.Fatal(err)
		}
		a, errA := senml.DecodeJSON(j, now)
		b, errB := senml.DecodeCBOR(c, now)
		if errA != nil || errB != nil {
			t.Fatalf("in %s\nJSON %v\nCBOR %v", j, errA, errB)
		}
		if len(a.Samples)+len(a.Problems) == 0 || len(a.Samples) > 1 || kinds(a.Problems) != kinds(b.Problems) {
			t.Fatalf("in %s\nJSON %+v\nCBOR %+v", j, a, b)
		}
		wantSamples(t, j, b.Samples, a.Samples)
		sound(t, j, a)
		roundTrip(t, j, a.Samples)
	})
}
