// Package senml reads and writes Sensor Measurement Lists (RFC 8428, with the
// features of RFC 9100 and the secondary units of RFC 8798) in JSON and CBOR, and
// turns their records into samples in the channels' own units.
//
// A record's trouble costs that record only: it is told in [Pack.Problems] beside
// the samples that are well. A pack that cannot be read as a whole, or whose
// version or must-understand label this reader does not know, is refused with a
// [*Refusal].
package senml

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ashlamp/rules/telemetry"
)

// Limits of one pack. They are our own, not the standard's: they bound what one
// message can cost a small board.
const (
	// MaxBytes is the default limit of a pack's size.
	MaxBytes = 1 << 20
	// MaxRecords is the most records that one pack may hold.
	MaxRecords = 10_000
	// MaxName is the most bytes of a record's whole name (base name and name).
	MaxName = 128
	// MaxReason is the most bytes kept of a text that stands in place of a value.
	MaxReason = 200
)

// relativeBelow is the border between times relative to now and Unix times, in
// seconds: 2^28 (RFC 8428 section 4.5.3).
const relativeBelow = 1 << 28

// latest is the first Unix time, in seconds, that is refused: from 2^32 on (the
// year 2106) a double no longer surely tells one microsecond from the next.
const latest = 1 << 32

// Times says which times a pack's records may have.
type Times uint8

const (
	// AnyTimes takes Unix times, times relative to now, and none (which is now).
	AnyTimes Times = iota
	// AbsoluteTimes refuses each record that has no Unix time. It is for recorded
	// packs and for messages that a broker kept: nobody knows when those were sent.
	AbsoluteTimes
	// DoubtedTimes keeps records without a Unix time as uncertain. It is for
	// messages that may have waited in a broker's queue.
	DoubtedTimes
)

// Options of the reader. The zero value is that of [DecodeJSON] and [DecodeCBOR].
type Options struct {
	Times Times
	// MaxBytes is the largest pack that is read; 0 means the constant MaxBytes.
	MaxBytes int
}

// Pack is what one pack brought.
type Pack struct {
	// Samples are in the pack's order. Good ones are in the unit of
	// [telemetry.UnitOf]; those of a channel that the contract does not name are
	// in the unit that they came with.
	Samples []telemetry.Sample
	// Problems are the records that are not among the samples as they were meant.
	Problems []Problem
}

// Kind names a problem in a word or two, for counting.
type Kind string

// The kinds of problems of a record.
const (
	BadName    Kind = "bad-name"
	BadTime    Kind = "bad-time"
	NoOwnTime  Kind = "no-own-time"
	NoValue    Kind = "no-value"
	ManyValues Kind = "many-values"
	NotFinite  Kind = "not-finite"
	WrongType  Kind = "wrong-type"
	WrongUnit  Kind = "wrong-unit"
)

// The kinds of refusals of a pack.
const (
	TooLarge       Kind = "too-large"
	Malformed      Kind = "malformed"
	UnknownVersion Kind = "unknown-version"
	UnknownLabel   Kind = "unknown-label"
)

// Problem is what is wrong with one record.
type Problem struct {
	// Record counts from 1.
	Record int
	Kind   Kind
	// Text says what is wrong and how to mend it.
	Text string
	// Kept is true where a bad sample stands in the record's place.
	Kept bool
}

// Refusal is why a whole pack was refused.
type Refusal struct {
	Kind Kind
	Text string
}

// Error returns the text.
func (r *Refusal) Error() string { return r.Text }

func refuse(k Kind, format string, args ...any) error {
	return &Refusal{Kind: k, Text: fmt.Sprintf(format, args...)}
}

// DecodeJSON reads a pack in JSON, received at now. The error is a [*Refusal].
func DecodeJSON(data []byte, now time.Time) (Pack, error) { return Options{}.DecodeJSON(data, now) }

// DecodeCBOR reads a pack in CBOR, received at now. The error is a [*Refusal].
func DecodeCBOR(data []byte, now time.Time) (Pack, error) { return Options{}.DecodeCBOR(data, now) }

func (o Options) checkSize(data []byte) error {
	limit := o.MaxBytes
	if limit <= 0 {
		limit = MaxBytes
	}
	if len(data) > limit {
		return refuse(TooLarge, "pack of %d bytes is larger than %d; send fewer records in a pack", len(data), limit)
	}
	return nil
}

// kind of a field's content.
type kind uint8

const (
	absent kind = iota
	number
	text
	boolean
	octets
	otherKind
)

// field is one label's content, whatever the encoding.
type field struct {
	kind kind
	num  float64
	str  string
	flag bool
}

// record holds a record's labels (RFC 8428 tables 1 to 4 of section 4).
type record struct {
	bn, bt, bu, bv, bs, bver field
	n, u, v, vs, vb, vd, s   field
	t, ut                    field
}

// resolver carries the base fields from record to record.
type resolver struct {
	now     time.Time
	times   Times
	name    string
	unit    string
	time    float64
	value   float64
	version float64 // 0 until the first record
	// full is the last whole name, kept so that equal names share one string.
	full telemetry.Channel
	pack Pack
	i    int
}

func (r *resolver) problem(k Kind, format string, args ...any) {
	r.pack.Problems = append(r.pack.Problems, Problem{Record: r.i, Kind: k, Text: fmt.Sprintf(format, args...)})
}

// add resolves one record. The error refuses the pack.
func (r *resolver) add(rec *record) error {
	r.i++
	if r.i > MaxRecords {
		return refuse(TooLarge, "pack has more than %d records; send fewer in a pack", MaxRecords)
	}
	if err := r.base(rec); err != nil {
		return err
	}
	values := 0
	for _, k := range [...]kind{rec.v.kind, rec.vs.kind, rec.vb.kind, rec.vd.kind} {
		if k != absent {
			values++
		}
	}
	if values == 0 && rec.n.kind == absent && rec.s.kind == absent && rec.t.kind == absent && rec.u.kind == absent {
		// A record of base fields alone measures nothing and is no mistake; one
		// with nothing at all is.
		if rec.bn.kind|rec.bt.kind|rec.bu.kind|rec.bv.kind|rec.bs.kind|rec.bver.kind != absent {
			return nil
		}
	}
	switch {
	case values > 1:
		r.problem(ManyValues, "record has %d values; send one of v, vs, vb and vd", values)
		return nil
	case values == 0 && rec.s.kind != absent:
		r.problem(NoValue, "record has a sum s and no value; a sum is no measurement of a channel, send v")
		return nil
	case values == 0:
		r.problem(NoValue, "record has no value; send v, or vs with the reason why there is none")
		return nil
	}
	ch, ok := r.channel(rec)
	if !ok {
		return nil
	}
	at, own, ok := r.at(rec)
	if !ok {
		return nil
	}
	s := telemetry.Sample{Channel: ch, At: at, Value: math.NaN()}
	switch {
	case rec.vs.kind != absent:
		if rec.vs.kind != text {
			r.problem(WrongType, "vs of %s is no text; send the reason as a string", ch)
			return nil
		}
		s.Reason = Reason(rec.vs.str)
	case rec.vb.kind != absent || rec.vd.kind != absent:
		r.problem(WrongType, "%s came as a truth value or as bytes; send the measured number as v", ch)
		return nil
	default:
		if rec.v.kind != number {
			r.problem(WrongType, "v of %s is no number; send a number, or vs with the reason why there is none", ch)
			return nil
		}
		v := rec.v.num + r.value
		if math.IsNaN(v) || math.IsInf(v, 0) {
			r.problem(NotFinite, "v of %s is not a finite number; send vs with the reason why there is none", ch)
			return nil
		}
		r.measured(rec, &s, v)
	}
	if !own && s.Quality == telemetry.Good && r.times == DoubtedTimes {
		s.Quality = telemetry.Uncertain
		s.Reason = "has no time of its own and may have waited in the broker; let the node send t"
	}
	r.pack.Samples = append(r.pack.Samples, s)
	return nil
}

// base takes over the base fields of a record.
func (r *resolver) base(rec *record) error {
	if rec.bver.kind != absent {
		v := rec.bver.num
		if rec.bver.kind != number || v != math.Trunc(v) || v < 1 {
			return refuse(UnknownVersion, "bver of record %d is no whole number above zero; leave it out or send 10", r.i)
		}
		if r.version != 0 && r.version != v {
			return refuse(UnknownVersion, "bver %g of record %d differs from %g before it; send one version in a pack, in its first record", v, r.i, r.version)
		}
		if !knownVersion(v) {
			return refuse(UnknownVersion, "bver %g asks for features that this reader does not know; send 10, or 26 for secondary units", v)
		}
		r.version = v
	} else if r.version == 0 {
		r.version = baseVersion
	}
	if f := rec.bn; f.kind == text {
		r.name, r.full = f.str, ""
	} else if f.kind != absent {
		return refuse(Malformed, "bn of record %d is no text", r.i)
	}
	if f := rec.bu; f.kind == text {
		r.unit = f.str
	} else if f.kind != absent {
		return refuse(Malformed, "bu of record %d is no text", r.i)
	}
	// A base that is no number would shift every record that follows.
	for _, b := range [...]struct {
		label string
		f     field
		to    *float64
	}{{"bt", rec.bt, &r.time}, {"bv", rec.bv, &r.value}, {"bs", rec.bs, nil}} {
		if b.f.kind == absent {
			continue
		}
		if b.f.kind != number || math.IsNaN(b.f.num) || math.IsInf(b.f.num, 0) {
			return refuse(Malformed, "%s of record %d is no finite number", b.label, r.i)
		}
		if b.to != nil {
			*b.to = b.f.num
		}
	}
	return nil
}

// channel joins base name and name and judges them (RFC 8428 section 4.5.1).
func (r *resolver) channel(rec *record) (telemetry.Channel, bool) {
	var n string
	switch rec.n.kind {
	case absent:
	case text:
		n = rec.n.str
	default:
		r.problem(WrongType, "n is no text; send the channel's id as a string")
		return "", false
	}
	if l := len(r.name); r.full != "" && len(r.full) == l+len(n) && string(r.full[l:]) == n {
		return r.full, true
	}
	full := n
	if r.name != "" {
		full = r.name + n
	}
	if why := badName(full); why != "" {
		r.problem(BadName, "name %s %s; use the channel's id, of the letters A-Z a-z 0-9 - : . / _ and beginning with a letter or digit", clip(full), why)
		return "", false
	}
	r.full = telemetry.Channel(full)
	return r.full, true
}

func badName(s string) string {
	switch {
	case s == "":
		return "is empty"
	case len(s) > MaxName:
		return fmt.Sprintf("has %d bytes, more than %d", len(s), MaxName)
	}
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9':
		case i > 0 && (c == '-' || c == ':' || c == '.' || c == '/' || c == '_'):
		default:
			return fmt.Sprintf("has %q", c)
		}
	}
	return ""
}

// at resolves the record's time; own is true where it is a Unix time.
func (r *resolver) at(rec *record) (at time.Time, own, ok bool) {
	t := r.time
	switch rec.t.kind {
	case absent:
	case number:
		t += rec.t.num
	default:
		r.problem(WrongType, "t of %s is no number; send seconds", r.full)
		return at, false, false
	}
	switch {
	case math.IsNaN(t) || t >= latest || t <= -relativeBelow:
		r.problem(BadTime, "time %g of %s is out of range; send Unix seconds up to the year 2106, or seconds relative to now", t, r.full)
		return at, false, false
	case t >= relativeBelow:
		return time.UnixMicro(int64(math.Round(t * 1e6))).UTC(), true, true
	case r.times == AbsoluteTimes:
		r.problem(NoOwnTime, "%s has no time of its own, and when this was sent is not known; send t as Unix seconds", r.full)
		return at, false, false
	}
	micros := time.Duration(math.Round(t * 1e6))
	return r.now.UTC().Add(micros * time.Microsecond).Round(telemetry.Resolution), false, true
}

// measured judges the unit and sets value and quality.
func (r *resolver) measured(rec *record, s *telemetry.Sample, v float64) {
	unit := r.unit
	switch rec.u.kind {
	case absent:
	case text:
		unit = rec.u.str
	default:
		unit = "?"
	}
	want, known := telemetry.UnitOf(s.Channel)
	if unit == "" || unit == string(want) {
		s.Value, s.Quality = v, telemetry.Good
		return
	}
	if unit == remaining && strings.HasPrefix(string(s.Channel), telemetry.BatteryPrefix) {
		s.Value, s.Quality = v/100, telemetry.Good
		return
	}
	sec, isSecondary := secondaryUnit(unit)
	allowed := !isSecondary || hasFeature(r.version, secondaryUnits)
	kind := WrongUnit
	switch {
	case isSecondary && allowed && (!known || sec.unit == want):
		if base := sec.convert(v); !math.IsNaN(base) && !math.IsInf(base, 0) {
			s.Value, s.Quality = base, telemetry.Good
			return
		}
		kind, s.Reason = NotFinite, fmt.Sprintf("%g %s is too large to be kept in %s", v, clip(unit), sec.unit)
	case !known && allowed:
		s.Value, s.Quality = v, telemetry.Good
		return
	case !allowed && (!known || sec.unit == want):
		s.Reason = fmt.Sprintf("unit %s is a secondary unit; send %s, or bver 26 with it", clip(unit), sec.unit)
	default:
		s.Reason = fmt.Sprintf("unit %s where %s is kept in %s", clip(unit), s.Channel, want)
	}
	r.problem(kind, "%s: %s", s.Channel, s.Reason)
	r.pack.Problems[len(r.pack.Problems)-1].Kept = true
}

// clip quotes a foreign text for a message, shortened.
func clip(s string) string {
	const most = 40
	if len(s) > most {
		s = s[:most] + "…"
	}
	return fmt.Sprintf("%q", s)
}

// Reason makes a foreign text fit to stand as a sample's reason: valid UTF-8, one
// line, at most [MaxReason] bytes. It returns "no reason given" for an empty one.
func Reason(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	s = strings.Map(func(c rune) rune {
		if unicode.IsSpace(c) {
			return ' '
		}
		if !unicode.IsPrint(c) {
			return '\uFFFD'
		}
		return c
	}, s)
	s = strings.TrimSpace(s)
	if len(s) > MaxReason {
		const tail = "…"
		cut := MaxReason - len(tail)
		for !utf8.RuneStart(s[cut]) {
			cut--
		}
		s = strings.TrimSpace(s[:cut]) + tail
	}
	if s == "" {
		return "no reason given"
	}
	return s
}
