package senml_test

import (
	"cmp"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"ashlamp/ingest/senml"
	"ashlamp/rules/telemetry"
)

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
		roundTrip(t, in, p.Samples)
	})
}
