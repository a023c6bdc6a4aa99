package senml

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/fxamacker/cbor/v2"

	"ashlamp/rules/telemetry"
)

// EncodeJSON writes samples as a resolved pack (RFC 8428 section 4.6): whole names,
// Unix times, in order of time. A sample that is not good is written with vs, its
// reason, in place of v: SenML has no word for "uncertain", and a number without
// its doubt would read as good. It is an error if a sample's time or name cannot be
// written or a good sample's value is not finite.
func EncodeJSON(samples []telemetry.Sample) ([]byte, error) {
	return AppendJSON(make([]byte, 0, 2+64*len(samples)), samples)
}

// AppendJSON is [EncodeJSON] into a buffer of the caller's.
func AppendJSON(dst []byte, samples []telemetry.Sample) ([]byte, error) {
	samples, err := resolved(samples)
	if err != nil {
		return nil, err
	}
	dst = append(dst, '[')
	for i := range samples {
		s := &samples[i]
		if i > 0 {
			dst = append(dst, ',')
		}
		// A valid name needs no escaping.
		dst = append(append(append(dst, `{"n":"`...), s.Channel...), `","t":`...)
		dst = appendSeconds(dst, s.At)
		if s.Quality != telemetry.Good {
			reason, err := json.Marshal(Reason(s.Reason))
			if err != nil {
				return nil, fmt.Errorf("encode reason of %s: %w", s.Channel, err)
			}
			dst = append(append(append(dst, `,"vs":`...), reason...), '}')
			continue
		}
		if u, ok := telemetry.UnitOf(s.Channel); ok {
			dst = append(append(append(dst, `,"u":"`...), u...), '"')
		}
		dst = append(dst, `,"v":`...)
		dst = strconv.AppendFloat(dst, s.Value, 'g', -1, 64)
		dst = append(dst, '}')
	}
	return append(dst, ']'), nil
}

// appendSeconds writes Unix seconds to the microsecond, without trailing zeros.
func appendSeconds(dst []byte, at time.Time) []byte {
	us := at.UnixMicro()
	dst = strconv.AppendInt(dst, us/1e6, 10)
	if us %= 1e6; us == 0 {
		return dst
	}
	var room [8]byte
	digits := strconv.AppendInt(room[:0], us+1e6, 10) // a leading 1 keeps the zeros
	digits[0] = '.'
	for digits[len(digits)-1] == '0' {
		digits = digits[:len(digits)-1]
	}
	return append(dst, digits...)
}

// outRecord is a resolved record with the labels of RFC 8428 section 6.
type outRecord struct {
	N  string  `cbor:"0,keyasint"`
	U  string  `cbor:"1,keyasint,omitempty"`
	T  any     `cbor:"6,keyasint"`
	V  any     `cbor:"2,keyasint,omitempty"`
	VS *string `cbor:"3,keyasint,omitempty"`
}

// EncodeCBOR is [EncodeJSON] in CBOR (RFC 8428 section 6).
func EncodeCBOR(samples []telemetry.Sample) ([]byte, error) {
	samples, err := resolved(samples)
	if err != nil {
		return nil, err
	}
	out := make([]outRecord, len(samples))
	for i, s := range samples {
		o := outRecord{N: string(s.Channel), T: float64(s.At.UnixMicro()) / 1e6}
		if us := s.At.UnixMicro(); us%1e6 == 0 {
			o.T = us / 1e6
		}
		if s.Quality == telemetry.Good {
			u, _ := telemetry.UnitOf(s.Channel)
			o.U, o.V = string(u), s.Value
		} else {
			reason := Reason(s.Reason)
			o.VS = &reason
		}
		out[i] = o
	}
	mode, err := cbor.EncOptions{ShortestFloat: cbor.ShortestFloat16}.EncMode()
	if err != nil {
		return nil, fmt.Errorf("prepare to write CBOR: %w", err)
	}
	b, err := mode.Marshal(out)
	if err != nil {
		return nil, fmt.Errorf("encode pack in CBOR: %w", err)
	}
	return b, nil
}

// resolved checks the samples and brings them into order of time, in a copy if
// they are not.
func resolved(samples []telemetry.Sample) ([]telemetry.Sample, error) {
	for i := range samples {
		s := &samples[i]
		if why := badName(string(s.Channel)); why != "" {
			return nil, fmt.Errorf("encode channel %s: name %s; see the names of RFC 8428", clip(string(s.Channel)), why)
		}
		if sec := s.At.Unix(); sec < relativeBelow || sec >= latest {
			return nil, fmt.Errorf("encode %s: time %s cannot be written as an absolute SenML time; it must lie between 1978-07-05 and 2106", s.Channel, s.At.Format(time.RFC3339))
		}
		if s.At.Nanosecond()%int(telemetry.Resolution) != 0 {
			return nil, fmt.Errorf("encode %s: time %s is finer than a microsecond; round it first", s.Channel, s.At.Format(time.RFC3339Nano))
		}
		if s.Quality == telemetry.Good && (math.IsNaN(s.Value) || math.IsInf(s.Value, 0)) {
			return nil, fmt.Errorf("encode %s: good sample without a finite value; make it bad with its reason", s.Channel)
		}
	}
	byTime := func(a, b telemetry.Sample) int { return cmp.Compare(a.At.UnixMicro(), b.At.UnixMicro()) }
	if !slices.IsSortedFunc(samples, byTime) {
		samples = slices.Clone(samples)
		slices.SortStableFunc(samples, byTime)
	}
	return samples, nil
}
