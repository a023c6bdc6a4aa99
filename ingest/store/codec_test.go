package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
	"slices"
	"testing"
)

// bitEqual also tells NaN from a number and 0 from -0.
func bitEqual(a, b []sample) bool {
	return slices.EqualFunc(a, b, func(x, y sample) bool {
		vx, vy := x.value, y.value
		x.value, y.value = 0, 0
		return x == y && (math.IsNaN(vx) && math.IsNaN(vy) || math.Float64bits(vx) == math.Float64bits(vy))
	})
}

func every(us int64, vs ...float64) []sample {
	ss := make([]sample, len(vs))
	for i, v := range vs {
		ss[i] = sample{at: 31*usPerMinute + int64(i)*us, value: v, lag: 250_000}
	}
	return ss
}

func TestChunkGivesEveryBitBack(t *testing.T) {
	ramp := func(n int, f func(i float64) float64) []float64 {
		vs := make([]float64, n)
		for i := range vs {
			vs[i] = f(float64(i))
		}
		return vs
	}
	none := math.NaN()
	for _, c := range []struct {
		name string
		ss   []sample
		how  byte // way of writing that must have been chosen
		most int  // bytes at most
	}{
		{"one", every(1, 1), 0, 20},
		{"one without a number", every(1, none), asPlain, 20},
		{"whole Pa, falling", every(1e6, ramp(60, func(i float64) float64 { return 7e5 - 137*i })...), 0, 60 * 5},
		{"tenths of a degree", every(1e6, ramp(60, func(i float64) float64 { return math.Round(6123-3*i) / 10 })...), 1, 60 * 4},
		{"nine decimals", every(1e6, 0.123456789, 0.1), 9, 30},
		{"codes of a converter after scaling", every(1e6, ramp(60, func(i float64) float64 { return (1000+math.Mod(i, 5))*(2.5/32768) + 1e-3/3 })...), asTable, 60*4 + 60},
		{"powers of two", every(1e6, ramp(60, func(i float64) float64 { return math.Ldexp(1, int(i)-1000) })...), asXOR, 60 * 6},
		{"full mantissas", every(1e6, ramp(200, func(i float64) float64 { return math.Sin(i) })...), asPlain, 200 * 12},
		{"not zero but minus zero", every(1, math.Copysign(0, -1), 0, 1), asXOR, 40},
		{"beginning and ending without", every(1e6, none, 1, none, none, 2, none), 0, 40},
		{"extremes", every(1, math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, math.Inf(1), math.Inf(-1)), asXOR, 70},
		{"largest whole numbers", every(1, 1<<53-1, -(1<<53 - 1), 1<<53, 1<<62), asXOR, 60},
		{"runs of flaws and sources", []sample{{at: 31 * usPerMinute, flaw: 1}, {at: 31*usPerMinute + 5, flaw: 1, source: 7}, {at: 32*usPerMinute - 1, flaw: math.MaxInt64, source: -3, lag: math.MinInt64}, {at: 32*usPerMinute - 1 + 1, lag: math.MaxInt64}}, 0, 120},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := encodeChunk(31, c.ss)
			got, err := decodeChunk(nil, 31, b)
			if err != nil || !bitEqual(got, c.ss) {
				t.Fatalf("in %v\n got %v (%v)", c.ss, got, err)
			}
			if len(b) > c.most {
				t.Errorf("%d bytes, at most %d wanted", len(b), c.most)
			}
			var vs []float64
			for _, x := range c.ss {
				if !math.IsNaN(x.value) {
					vs = append(vs, x.value)
				}
			}
			if how := appendValues(nil, vs)[0]; how != c.how {
				t.Errorf("written as %#x, want %#x", how, c.how)
			}
		})
	}
}

func TestChunkAppendsToWhatIsThere(t *testing.T) {
	a, b := every(1e6, 1, 2), every(1e6, 3)
	got, err := decodeChunk(slices.Clone(a), 31, encodeChunk(31, b))
	if err != nil || !bitEqual(got, append(a, b...)) {
		t.Fatalf("got %v, %v", got, err)
	}
}

func TestEveryDamagedByteIsSeen(t *testing.T) {
	b := encodeChunk(31, every(1e6, 1, 2.5, math.NaN(), 4, math.Pi))
	for i := range b {
		for bit := range 8 {
			c := slices.Clone(b)
			c[i] ^= 1 << bit
			if got, err := decodeChunk(nil, 31, c); !errors.Is(err, ErrDamaged) || len(got) != 0 {
				t.Fatalf("byte %d bit %d: got %v, %v; want ErrDamaged", i, bit, got, err)
			}
		}
	}
	for n := range b {
		if _, err := decodeChunk(nil, 31, b[:n]); !errors.Is(err, ErrDamaged) {
			t.Fatalf("cut to %d bytes: %v, want ErrDamaged", n, err)
		}
	}
}

// withSum makes the reader look at what it would otherwise refuse by the checksum.
func withSum(b []byte) []byte {
	return binary.BigEndian.AppendUint32(slices.Clip(b), crc32.Checksum(b, castagnoli))
}

func FuzzChunkReader(f *testing.F) {
	for _, ss := range [][]sample{every(1, 1), every(1e6, 1, math.NaN(), 2.5), every(7, math.Pi, math.E, math.Pi), every(9, math.Sin(1), math.Sin(2))} {
		b := encodeChunk(31, ss)
		f.Add(b[:len(b)-4])
	}
	f.Add([]byte{chunkVersion, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f})
	f.Fuzz(func(t *testing.T, b []byte) {
		ss, err := decodeChunk(nil, 31, withSum(b))
		if err != nil {
			if len(ss) != 0 {
				t.Fatalf("an error and %d samples", len(ss))
			}
			return
		}
		again, err := decodeChunk(nil, 31, encodeChunk(31, ss))
		if err != nil || !bitEqual(again, ss) {
			t.Fatalf("read %v\nwritten and read again %v (%v)", ss, again, err)
		}
	})
}

func FuzzChunkWriter(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16}, uint8(0))
	f.Add(bytes.Repeat([]byte{0, 0, 0, 0, 0, 0, 0xf0, 0x3f}, 20), uint8(1))
	f.Add(bytes.Repeat([]byte{0xff}, 64), uint8(2))
	f.Fuzz(func(t *testing.T, raw []byte, decimals uint8) {
		var ss []sample
		at := int64(-5) * usPerMinute
		for len(raw) >= 10 {
			v := math.Float64frombits(binary.LittleEndian.Uint64(raw))
			if d := int(decimals) % 12; d > 0 && !math.IsNaN(v) {
				v = math.Round(math.Mod(v, 1e6)*math.Pow10(d-1)) / math.Pow10(d-1)
			}
			at += 1 + int64(raw[8])*1000
			ss = append(ss, sample{at: at, value: v, flaw: int64(raw[9] % 3), source: int64(raw[9]), lag: int64(raw[8])<<raw[9]%64 - 7})
			raw = raw[9:]
		}
		if len(ss) == 0 {
			return
		}
		got, err := decodeChunk(nil, -5, encodeChunk(-5, ss))
		if err != nil || !bitEqual(got, ss) {
			t.Fatalf("in %v\n got %v (%v)", ss, got, err)
		}
	})
}

func TestKeysKeepTheOrderOfTime(t *testing.T) {
	minutes := []int64{floorDiv(math.MinInt64, usPerMinute), -1 << 33, -1, 0, 1, 32_000_000, floorDiv(math.MaxInt64, usPerMinute)}
	last := int64(math.MinInt64)
	for _, series := range []int64{1, 2, 3, 1<<22 - 1} {
		for _, m := range minutes {
			id := chunkID(series, m)
			if id <= last || seriesOf(id) != series || minuteOf(id) != m {
				t.Fatalf("series %d minute %d: key %d after %d, reads as %d, %d", series, m, id, last, seriesOf(id), minuteOf(id))
			}
			last = id
		}
	}
}

func TestFloorDiv(t *testing.T) {
	for _, c := range []struct{ a, b, want int64 }{{-61, 60, -2}, {-60, 60, -1}, {-1, 60, -1}, {0, 60, 0}, {59, 60, 0}, {60, 60, 1}} {
		if got := floorDiv(c.a, c.b); got != c.want {
			t.Errorf("floorDiv(%d, %d) = %d, want %d", c.a, c.b, got, c.want)
		}
	}
}
