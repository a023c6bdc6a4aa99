package store

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
	"math/bits"
	"slices"
)

// A chunk holds the samples of one series within one minute, column by column,
// integers as varints (zigzag where they may be negative):
//
//	1 byte   version
//	uvarint  n, at least 1
//	times    µs into the minute of the first, then the change of the step
//	lags     change from the one before
//	flaws, sources, presence   runs of (length, value); presence runs alternate, beginning with "has a number"
//	1 byte   how the numbers that are there are written, then they
//	4 bytes  CRC-32C of all before, big-endian
//
// Numbers are written in the shortest of these ways that gives every one back
// bit for bit: differences of whole steps of 10^-k (k = the byte, 0 to maxDecimals),
// which is what an instrument with a decimal resolution sends; a table of the
// distinct ones with an index each, which is what the codes of a converter
// become after scaling; the exclusive-or with the one before; or as they are.
const (
	chunkVersion = 1
	maxDecimals  = 9
	asTable      = 0x40
	asXOR        = 0x41
	asPlain      = 0x42
	// tableLimit keeps an index to one byte.
	tableLimit = 128
	// chunkLimit bounds what a damaged count can make the reader allocate: a
	// sample a microsecond would be sixty million.
	chunkLimit = 60_000_000
)

const usPerMinute = 60_000_000

// sample is a sample as it lies in the file: words by their ids, NaN for no number.
type sample struct {
	at     int64 // µs since 1970
	value  float64
	flaw   int64
	source int64
	lag    int64 // µs
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

var pow10 = [maxDecimals + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9}

// encodeChunk writes samples of the given minute, in order of time, no time twice.
func encodeChunk(minute int64, ss []sample) []byte {
	b := make([]byte, 0, 32+8*len(ss))
	b = append(b, chunkVersion)
	b = binary.AppendUvarint(b, uint64(len(ss)))
	b = binary.AppendUvarint(b, uint64(ss[0].at-minute*usPerMinute))
	var delta int64
	for i := 1; i < len(ss); i++ {
		d := ss[i].at - ss[i-1].at
		b = binary.AppendVarint(b, d-delta)
		delta = d
	}
	var lag int64
	for i := range ss {
		b = binary.AppendVarint(b, ss[i].lag-lag)
		lag = ss[i].lag
	}
	b = appendRuns(b, ss, func(s *sample) int64 { return s.flaw })
	b = appendRuns(b, ss, func(s *sample) int64 { return s.source })
	values := make([]float64, 0, len(ss))
	has, run := true, uint64(0)
	for i := range ss {
		if is := !math.IsNaN(ss[i].value); is != has {
			b = binary.AppendUvarint(b, run)
			has, run = is, 0
		}
		run++
		if has {
			values = append(values, ss[i].value)
		}
	}
	b = binary.AppendUvarint(b, run)
	b = appendValues(b, values)
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

func appendRuns(b []byte, ss []sample, of func(*sample) int64) []byte {
	for i := 0; i < len(ss); {
		v, n := of(&ss[i]), 1
		for i+n < len(ss) && of(&ss[i+n]) == v {
			n++
		}
		b = binary.AppendUvarint(b, uint64(n))
		b = binary.AppendVarint(b, v)
		i += n
	}
	return b
}

func appendValues(b []byte, vs []float64) []byte {
	if len(vs) == 0 {
		return append(b, asPlain)
	}
	best := appendPlain(nil, vs)
	for _, c := range [][]byte{appendDecimal(nil, vs), appendTable(nil, vs), appendXOR(nil, vs)} {
		if c != nil && len(c) < len(best) {
			best = c
		}
	}
	return append(b, best...)
}

func appendPlain(b []byte, vs []float64) []byte {
	b = append(b, asPlain)
	for _, v := range vs {
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(v))
	}
	return b
}

// steps returns v in steps of 10^-k if that gives v back bit for bit.
func steps(v float64, k int) (int64, bool) {
	m := math.RoundToEven(v * pow10[k])
	if !(math.Abs(m) < 1<<53) {
		return 0, false
	}
	i := int64(m) // loses the sign of -0, which then is no step
	return i, math.Float64bits(float64(i)/pow10[k]) == math.Float64bits(v)
}

func appendDecimal(b []byte, vs []float64) []byte {
	k := 0
	for _, v := range vs {
		for {
			if _, ok := steps(v, k); ok {
				break
			}
			if k++; k > maxDecimals {
				return nil
			}
		}
	}
	b = append(b, byte(k))
	var last int64
	for _, v := range vs {
		m, ok := steps(v, k)
		if !ok { // one that a smaller k gave back, and this does not
			return nil
		}
		b = binary.AppendVarint(b, m-last)
		last = m
	}
	return b
}

func appendTable(b []byte, vs []float64) []byte {
	index := make(map[uint64]byte, 16)
	var table []uint64
	at := make([]byte, len(vs))
	for i, v := range vs {
		u := math.Float64bits(v)
		k, ok := index[u]
		if !ok {
			if len(table) == tableLimit {
				return nil
			}
			k = byte(len(table))
			index[u] = k
			table = append(table, u)
		}
		at[i] = k
	}
	b = append(b, asTable, byte(len(table)))
	for _, u := range table {
		b = binary.BigEndian.AppendUint64(b, u)
	}
	return append(b, at...)
}

func appendXOR(b []byte, vs []float64) []byte {
	b = append(b, asXOR)
	var last uint64
	for _, v := range vs {
		u := math.Float64bits(v)
		// Reversed, so that the zeros at the end of a short mantissa are the high
		// bits that a varint leaves out.
		b = binary.AppendUvarint(b, bits.ReverseBytes64(u^last))
		last = u
	}
	return b
}

// reader takes a chunk apart; after the first fault every read gives zero.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) varint() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) take(n int) []byte {
	if n < 0 || n > len(r.b) {
		r.bad, r.b = true, nil
		return nil
	}
	p := r.b[:n]
	r.b = r.b[n:]
	return p
}

func (r *reader) byte() byte {
	if p := r.take(1); p != nil {
		return p[0]
	}
	return 0
}

func (r *reader) uint64() uint64 {
	if p := r.take(8); p != nil {
		return binary.BigEndian.Uint64(p)
	}
	return 0
}

// decodeChunk appends the chunk's samples to ss. Its error wraps [ErrDamaged].
func decodeChunk(ss []sample, minute int64, data []byte) ([]sample, error) {
	damaged := func(what string) ([]sample, error) {
		return ss, fmt.Errorf("%w: %s", ErrDamaged, what)
	}
	if len(data) < 6 {
		return damaged("a chunk is too short")
	}
	body, sum := data[:len(data)-4], binary.BigEndian.Uint32(data[len(data)-4:])
	if crc32.Checksum(body, castagnoli) != sum {
		return damaged("the checksum of a chunk is wrong")
	}
	r := &reader{b: body}
	if v := r.byte(); v != chunkVersion {
		return damaged(fmt.Sprintf("a chunk has version %d and this program knows %d", v, chunkVersion))
	}
	count := r.uvarint()
	// Every sample has a lag of one byte at least, which bounds the count by the length.
	if count == 0 || count > chunkLimit || count > uint64(len(r.b)) {
		return damaged("the count of a chunk is wrong")
	}
	n := int(count)
	first := len(ss)
	ss = slices.Grow(ss, n)[:first+n]
	out := ss[first:]
	fail := func() ([]sample, error) {
		ss = ss[:first]
		return damaged("a chunk ends early")
	}
	at, delta := minute*usPerMinute+int64(r.uvarint()), int64(0)
	out[0] = sample{at: at}
	for i := 1; i < n; i++ {
		delta += r.varint()
		at += delta
		out[i] = sample{at: at}
	}
	var lag int64
	for i := range out {
		lag += r.varint()
		out[i].lag = lag
	}
	for _, set := range []func(*sample, int64){
		func(s *sample, v int64) { s.flaw = v },
		func(s *sample, v int64) { s.source = v },
	} {
		for i := 0; i < n; {
			run, v := r.uvarint(), r.varint()
			if r.bad || run == 0 || run > uint64(n-i) {
				return fail()
			}
			for ; run > 0; run-- {
				set(&out[i], v)
				i++
			}
		}
	}
	has, there := true, 0
	for i := 0; i < n; has = !has {
		run := r.uvarint()
		if r.bad || run > uint64(n-i) || run == 0 && i > 0 {
			return fail()
		}
		for ; run > 0; run-- {
			if !has {
				out[i].value = math.NaN()
			} else {
				there++
			}
			i++
		}
	}
	next, ok := values(r)
	if !ok {
		return fail()
	}
	for i := range out {
		if there > 0 && !math.IsNaN(out[i].value) {
			out[i].value = next()
		}
	}
	if r.bad || len(r.b) != 0 {
		return fail()
	}
	return ss, nil
}

// values returns what gives the numbers of a chunk one after another.
func values(r *reader) (func() float64, bool) {
	switch how := r.byte(); {
	case how <= maxDecimals:
		var m int64
		return func() float64 { m += r.varint(); return float64(m) / pow10[how] }, !r.bad
	case how == asTable:
		table := make([]float64, r.byte())
		for i := range table {
			table[i] = math.Float64frombits(r.uint64())
		}
		return func() float64 {
			i := int(r.byte())
			if i >= len(table) {
				r.bad = true
				return 0
			}
			return table[i]
		}, !r.bad
	case how == asXOR:
		var u uint64
		return func() float64 { u ^= bits.ReverseBytes64(r.uvarint()); return math.Float64frombits(u) }, true
	case how == asPlain:
		return func() float64 { return math.Float64frombits(r.uint64()) }, true
	}
	return nil, false
}

const (
	minuteBits = 40
	minMinute  = -(1 << (minuteBits - 1))
	maxMinute  = 1<<(minuteBits-1) - 1
)

// chunkID is the key of a series' minute; hours are keyed likewise. Minutes of
// every int64 of microseconds fit (they need 39 bits).
func chunkID(series, minute int64) int64 { return series<<minuteBits + minute - minMinute }

func minuteOf(id int64) int64 { return id&(1<<minuteBits-1) + minMinute }

func seriesOf(id int64) int64 { return id >> minuteBits }

// floorDiv rounds towards minus infinity, so that minutes before 1970 are as long as all others.
func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
