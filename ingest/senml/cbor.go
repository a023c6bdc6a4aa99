package senml

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/fxamacker/cbor/v2"
	"github.com/x448/float16"

	"ashlamp/rules/telemetry"
)

// expect makes room for about n samples, within what a pack may hold.
func expect(n int) []telemetry.Sample {
	return make([]telemetry.Sample, 0, min(n, MaxRecords))
}

// maxLabels is the most labels in one record: all that are registered, twice.
const maxLabels = 32

// cborRecord is a record with the labels of RFC 8428 table 4 (section 6).
type cborRecord struct {
	BVer cborField `cbor:"-1,keyasint"`
	BN   cborField `cbor:"-2,keyasint"`
	BT   cborField `cbor:"-3,keyasint"`
	BU   cborField `cbor:"-4,keyasint"`
	BV   cborField `cbor:"-5,keyasint"`
	BS   cborField `cbor:"-6,keyasint"`
	N    cborField `cbor:"0,keyasint"`
	U    cborField `cbor:"1,keyasint"`
	V    cborField `cbor:"2,keyasint"`
	VS   cborField `cbor:"3,keyasint"`
	VB   cborField `cbor:"4,keyasint"`
	S    cborField `cbor:"5,keyasint"`
	T    cborField `cbor:"6,keyasint"`
	UT   cborField `cbor:"7,keyasint"`
	VD   cborField `cbor:"8,keyasint"`
}

func (c *cborRecord) record() record {
	return record{
		bn: field(c.BN), bt: field(c.BT), bu: field(c.BU), bv: field(c.BV), bs: field(c.BS), bver: field(c.BVer),
		n: field(c.N), u: field(c.U), v: field(c.V), vs: field(c.VS), vb: field(c.VB), vd: field(c.VD), s: field(c.S),
		t: field(c.T), ut: field(c.UT),
	}
}

// decMode returns the strict reading: no label twice, nothing nested beyond a
// decimal fraction, no more than a pack may hold.
func decMode() (cbor.DecMode, error) {
	return cbor.DecOptions{
		DupMapKey:        cbor.DupMapKeyEnforcedAPF,
		MaxNestedLevels:  6,
		MaxArrayElements: max(MaxRecords+1, 16),
		MaxMapPairs:      maxLabels,
		UTF8:             cbor.UTF8RejectInvalid,
	}.DecMode()
}

// DecodeCBOR reads a pack in CBOR (RFC 8428 section 6), received at now. The error
// is a [*Refusal].
func (o Options) DecodeCBOR(data []byte, now time.Time) (Pack, error) {
	if err := o.checkSize(data); err != nil {
		return Pack{}, err
	}
	mode, err := decMode()
	if err != nil {
		return Pack{}, fmt.Errorf("prepare to read CBOR: %w", err)
	}
	if err := mode.Wellformed(data); err != nil {
		return Pack{}, refuse(Malformed, "pack is not CBOR: %v; send one whole array of records", err)
	}
	head, count, rest := cborHead(data)
	if head != cborArray {
		return Pack{}, refuse(Malformed, "pack is no CBOR array; send the records as an array")
	}
	// Labels that must be understood are texts; only where a text with an
	// underscore may stand is it worth looking for them.
	mayMatter := bytes.IndexByte(data, '_') >= 0
	r := resolver{now: now, times: o.Times}
	if count >= 0 {
		r.pack.Samples = expect(int(min(count, MaxRecords)))
	}
	var in cborRecord
	for n := int64(0); count < 0 || n < count; n++ {
		if count < 0 && rest[0] == cborBreak {
			break
		}
		before := rest
		in = cborRecord{}
		if rest, err = mode.UnmarshalFirst(rest, &in); err != nil {
			return Pack{}, refuse(Malformed, "record %d: %v", r.i+1, err)
		}
		if mayMatter {
			if err := mustUnderstand(mode, before, r.i+1); err != nil {
				return Pack{}, err
			}
		}
		rec := in.record()
		if err := r.add(&rec); err != nil {
			return Pack{}, err
		}
	}
	return r.pack, nil
}

func mustUnderstand(mode cbor.DecMode, data []byte, i int) error {
	var labels map[any]cbor.RawMessage
	if _, err := mode.UnmarshalFirst(data, &labels); err != nil {
		return refuse(Malformed, "record %d: %v", i, err)
	}
	for l := range labels {
		if s, ok := l.(string); ok && strings.HasSuffix(s, "_") {
			return refuse(UnknownLabel, "record %d has the label %s, which must be understood and is not known here; leave it out", i, clip(s))
		}
	}
	return nil
}

// Major types and the break code (RFC 8949 section 3).
const (
	cborUint   = 0
	cborNegint = 1
	cborBytes  = 2
	cborText   = 3
	cborArray  = 4
	cborTag    = 6
	cborSimple = 7
	cborBreak  = 0xff
	// tagDecimal marks a decimal fraction [exponent, mantissa] (RFC 8949 section 3.4.4).
	tagDecimal = 4
)

// cborHead reads an item's head from well-formed data: major type and argument,
// -1 for an indefinite length or an argument beyond int64.
func cborHead(data []byte) (major byte, arg int64, rest []byte) {
	major = data[0] >> 5
	switch low := data[0] & 0x1f; {
	case low < 24:
		return major, int64(low), data[1:]
	case low == 24:
		return major, int64(data[1]), data[2:]
	case low == 25:
		return major, int64(binary.BigEndian.Uint16(data[1:])), data[3:]
	case low == 26:
		return major, int64(binary.BigEndian.Uint32(data[1:])), data[5:]
	case low == 27:
		u := binary.BigEndian.Uint64(data[1:])
		if u > math.MaxInt64 {
			return major, -1, data[9:]
		}
		return major, int64(u), data[9:]
	default:
		return major, -1, data[1:]
	}
}

// cborField reads any item without failing, so that a wrong type costs its record
// and not the pack.
type cborField field

// UnmarshalCBOR takes a well-formed item.
func (f *cborField) UnmarshalCBOR(data []byte) error {
	*f = cborField{kind: otherKind}
	if n, rest, ok := cborNumber(data); ok && len(rest) == 0 {
		*f = cborField{kind: number, num: n}
		return nil
	}
	switch major, arg, rest := cborHead(data); {
	case major == cborText && arg >= 0:
		*f = cborField{kind: text, str: string(rest)}
	case major == cborText:
		// In pieces: rare, so the library joins them.
		var s string
		if err := cbor.Unmarshal(data, &s); err != nil {
			return err
		}
		*f = cborField{kind: text, str: s}
	case major == cborBytes:
		*f = cborField{kind: octets}
	case data[0] == 0xf4 || data[0] == 0xf5:
		*f = cborField{kind: boolean, flag: data[0] == 0xf5}
	}
	return nil
}

// cborNumber reads an integer, a float or a decimal fraction from well-formed data.
func cborNumber(data []byte) (n float64, rest []byte, ok bool) {
	major, arg, rest := cborHead(data)
	switch major {
	case cborUint, cborNegint:
		u := float64(arg)
		if arg < 0 {
			u = float64(binary.BigEndian.Uint64(data[1:]))
		}
		if major == cborNegint {
			return -1 - u, rest, true
		}
		return u, rest, true
	case cborSimple:
		switch data[0] {
		case 0xf9:
			return float64(float16.Frombits(uint16(arg)).Float32()), rest, true
		case 0xfa:
			return float64(math.Float32frombits(uint32(arg))), rest, true
		case 0xfb:
			return math.Float64frombits(binary.BigEndian.Uint64(data[1:])), rest, true
		}
	case cborTag:
		if arg != tagDecimal || len(rest) == 0 || rest[0] != 0x82 {
			return 0, nil, false
		}
		exp, rest, ok := cborNumber(rest[1:])
		if !ok || exp != math.Trunc(exp) {
			return 0, nil, false
		}
		mant, rest, ok := cborNumber(rest)
		if !ok {
			return 0, nil, false
		}
		if exp < 0 && exp > -300 {
			return mant / math.Pow10(int(-exp)), rest, true
		}
		return mant * math.Pow(10, exp), rest, true
	}
	return 0, nil, false
}
