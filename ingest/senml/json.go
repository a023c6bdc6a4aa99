package senml

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// DecodeJSON reads a pack in JSON (RFC 8428 section 5), received at now. The error
// is a [*Refusal].
//
// encoding/json says whether the text is JSON; the labels are then picked out of
// the text, known to be well formed, in place. Decoding into a struct would match
// labels without regard to case, so that "V" beside "v" would win, and would not
// show the unknown labels among which must-understand ones have to be looked for.
func (o Options) DecodeJSON(data []byte, now time.Time) (Pack, error) {
	if err := o.checkSize(data); err != nil {
		return Pack{}, err
	}
	if !json.Valid(data) {
		var v any
		err := json.Unmarshal(data, &v)
		return Pack{}, refuse(Malformed, "pack is not JSON: %v; send one whole array of records", err)
	}
	w := walker{data: data}
	if w.peek() != '[' {
		return Pack{}, refuse(Malformed, "pack is no JSON array; send the records as an array")
	}
	r := resolver{now: now, times: o.Times}
	r.pack.Samples = expect(bytes.Count(data, []byte{'{'}))
	var rec record
	w.at++
	for w.peek() != ']' {
		if w.peek() != '{' {
			return Pack{}, refuse(Malformed, "record %d is no JSON object", r.i+1)
		}
		rec = record{}
		if err := w.record(&rec, r.i+1); err != nil {
			return Pack{}, err
		}
		if err := r.add(&rec); err != nil {
			return Pack{}, err
		}
		w.skip(',')
	}
	return r.pack, nil
}

// walker moves over text that json.Valid has accepted.
type walker struct {
	data []byte
	at   int
}

// peek skips white space and returns the next byte.
func (w *walker) peek() byte {
	for w.data[w.at] <= ' ' {
		w.at++
	}
	return w.data[w.at]
}

// skip moves past c if it is next.
func (w *walker) skip(c byte) {
	if w.peek() == c {
		w.at++
	}
}

// record reads an object into rec.
func (w *walker) record(rec *record, i int) error {
	w.at++
	for w.peek() != '}' {
		label := w.text()
		w.skip(':')
		f := rec.field(label)
		switch {
		case f == nil && bytes.HasSuffix(label, []byte{'_'}):
			return refuse(UnknownLabel, "record %d has the label %s, which must be understood and is not known here; leave it out", i, clip(string(label)))
		case f == nil:
			w.value(nil)
		case f.kind != absent:
			return refuse(Malformed, "record %d has the label %s twice", i, clip(string(label)))
		default:
			w.value(f)
		}
		w.skip(',')
	}
	w.at++
	return nil
}

// text reads a string. The result may point into the data.
func (w *walker) text() []byte {
	w.peek()
	start := w.at
	w.at++
	plain := true
	for w.data[w.at] != '"' {
		if w.data[w.at] == '\\' {
			plain = false
			w.at++
		}
		w.at++
	}
	w.at++
	raw := w.data[start:w.at]
	if plain && utf8.Valid(raw) {
		return raw[1 : len(raw)-1]
	}
	var s string
	_ = json.Unmarshal(raw, &s) // cannot fail: the whole text is valid
	return []byte(s)
}

// value reads any value into f; a nil f passes over it.
func (w *walker) value(f *field) {
	var got field
	switch c := w.peek(); {
	case c == '"':
		s := w.text()
		if f != nil {
			got = field{kind: text, str: string(s)}
		}
	case c == '-' || c >= '0' && c <= '9':
		start := w.at
		for w.at < len(w.data) && strings.IndexByte("+-.0123456789eE", w.data[w.at]) >= 0 {
			w.at++
		}
		if f != nil {
			// Out of range gives an infinity, which is refused as one.
			n, err := strconv.ParseFloat(string(w.data[start:w.at]), 64)
			if err != nil && !math.IsInf(n, 0) {
				n = math.NaN()
			}
			got = field{kind: number, num: n}
		}
	case c == 't':
		w.at += len("true")
		got = field{kind: boolean, flag: true}
	case c == 'f':
		w.at += len("false")
		got = field{kind: boolean}
	case c == 'n':
		w.at += len("null")
		got = field{kind: otherKind}
	default:
		w.nested()
		got = field{kind: otherKind}
	}
	if f != nil {
		*f = got
	}
}

// nested passes over an array or object.
func (w *walker) nested() {
	depth := 0
	for {
		switch w.peek() {
		case '"':
			w.text()
			continue
		case '[', '{':
			depth++
		case ']', '}':
			depth--
		}
		w.at++
		if depth == 0 {
			return
		}
	}
}

// field returns where a label's content goes, nil for an unknown label.
func (rec *record) field(label []byte) *field {
	switch string(label) {
	case "bn":
		return &rec.bn
	case "bt":
		return &rec.bt
	case "bu":
		return &rec.bu
	case "bv":
		return &rec.bv
	case "bs":
		return &rec.bs
	case "bver":
		return &rec.bver
	case "n":
		return &rec.n
	case "u":
		return &rec.u
	case "v":
		return &rec.v
	case "vs":
		return &rec.vs
	case "vb":
		return &rec.vb
	case "vd":
		return &rec.vd
	case "s":
		return &rec.s
	case "t":
		return &rec.t
	case "ut":
		return &rec.ut
	}
	return nil
}
