package node

import (
	"math"
	"strconv"
	"time"

	"ashlamp/rules/telemetry"
)

// AppendSenML appends samples as a SenML pack in JSON (RFC 8428) with absolute
// times. A base time serves all records, since a node reads them at one moment;
// another time stands in its own record as the difference. A bad sample carries
// its reason as text in place of a value.
func AppendSenML(dst []byte, samples []telemetry.Sample) []byte {
	dst = append(dst, '[')
	var base time.Time
	for i, s := range samples {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, '{')
		if i == 0 {
			base = s.At
			dst = append(dst, `"bt":`...)
			dst = appendSeconds(dst, base.UnixMicro())
			dst = append(dst, ',')
		}
		dst = append(dst, `"n":`...)
		dst = strconv.AppendQuote(dst, string(s.Channel))
		if d := s.At.Sub(base); d != 0 {
			dst = append(dst, `,"t":`...)
			dst = appendSeconds(dst, d.Microseconds())
		}
		if s.Reason != "" || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
			dst = append(dst, `,"vs":`...)
			dst = strconv.AppendQuote(dst, s.Reason)
		} else {
			if u, ok := telemetry.UnitOf(s.Channel); ok {
				dst = append(dst, `,"u":`...)
				dst = strconv.AppendQuote(dst, string(u))
			}
			dst = append(dst, `,"v":`...)
			// Nine digits outlast every instrument, and hide the last bits of a
			// multiple of its resolution.
			dst = strconv.AppendFloat(dst, s.Value, 'g', 9, 64)
		}
		dst = append(dst, '}')
	}
	return append(dst, ']')
}

// appendSeconds writes microseconds as seconds without trailing zeros.
func appendSeconds(dst []byte, micros int64) []byte {
	if micros < 0 {
		dst = append(dst, '-')
		micros = -micros
	}
	dst = strconv.AppendInt(dst, micros/1e6, 10)
	if f := micros % 1e6; f != 0 {
		dst = append(dst, '.')
		for d := int64(1e5); f > 0; d /= 10 {
			dst = append(dst, byte('0'+f/d))
			f %= d
		}
	}
	return dst
}
