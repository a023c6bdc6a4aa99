package senml_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"ashlamp/ingest/senml"
	"ashlamp/rules/telemetry"
)

// benchPack is what a node with seven channels sends in ten seconds.
func benchPack(b *testing.B) []telemetry.Sample {
	b.Helper()
	var s []telemetry.Sample
	for i := range 10 {
		for _, ch := range []telemetry.Channel{telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.BoilerLevel, telemetry.Firebox, telemetry.Smokebox, telemetry.BlowdownPipe} {
			s = append(s, telemetry.Sample{Channel: ch, At: now.Add(time.Duration(i) * time.Second), Value: 0.125 * float64(i+1), Quality: telemetry.Good})
		}
	}
	return s
}

func perRecord(b *testing.B, n int) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/record")
}

func BenchmarkDecode(b *testing.B) {
	samples := benchPack(b)
	j, err := senml.EncodeJSON(samples)
	if err != nil {
		b.Fatal(err)
	}
	c, err := senml.EncodeCBOR(samples)
	if err != nil {
		b.Fatal(err)
	}
	run := func(name string, in []byte, f func() error) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(in)))
			for b.Loop() {
				if err := f(); err != nil {
					b.Fatal(err)
				}
			}
			perRecord(b, len(samples))
		})
	}
	type plain struct {
		N string  `json:"n" cbor:"0,keyasint"`
		U string  `json:"u" cbor:"1,keyasint"`
		T float64 `json:"t" cbor:"6,keyasint"`
		V float64 `json:"v" cbor:"2,keyasint"`
	}
	run("json", j, func() error { _, err := senml.DecodeJSON(j, now); return err })
	run("json-raw-encoding/json", j, func() error { var r []plain; return json.Unmarshal(j, &r) })
	run("cbor", c, func() error { _, err := senml.DecodeCBOR(c, now); return err })
	run("cbor-raw-fxamacker", c, func() error { var r []plain; return cbor.Unmarshal(c, &r) })
}

func BenchmarkEncode(b *testing.B) {
	samples := benchPack(b)
	var buf []byte
	b.Run("json", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var err error
			if buf, err = senml.AppendJSON(buf[:0], samples); err != nil {
				b.Fatal(err)
			}
		}
		perRecord(b, len(samples))
	})
	b.Run("cbor", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := senml.EncodeCBOR(samples); err != nil {
				b.Fatal(err)
			}
		}
		perRecord(b, len(samples))
	})
}
