package edit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Value is a TOML value as it will stand in the text. Make one with the functions
// beside it; the zero Value is none and is refused.
type Value struct{ text string }

// String returns the value as it will stand in the text.
func (v Value) String() string { return v.text }

// Text is a string. Bytes that are not UTF-8 become U+FFFD: TOML has no others.
func Text(s string) Value {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < 0x20 || r == 0x7F:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return Value{b.String()}
}

// Number is a float, in as few digits as read the same again. One that is not finite
// gives the zero Value.
func Number(f float64) Value {
	switch a := math.Abs(f); {
	case math.IsNaN(f) || math.IsInf(f, 0):
		return Value{}
	case f == 0:
		// Of -0 nobody would know what is meant.
		return Value{"0"}
	case a >= 1e-6 && a < 1e9:
		return Value{strconv.FormatFloat(f, 'f', -1, 64)}
	}
	return Value{strconv.FormatFloat(f, 'e', -1, 64)}
}

// Int is a whole number.
func Int(i int) Value { return Value{strconv.Itoa(i)} }

// Hex is a whole number that is not negative, as people write an address: 0x48.
func Hex(i int) Value {
	if i < 0 {
		return Value{}
	}
	return Value{fmt.Sprintf("0x%02x", i)}
}

// Bool is true or false.
func Bool(b bool) Value { return Value{strconv.FormatBool(b)} }

// Time is a moment, UTC, to the second.
func Time(t time.Time) Value { return Value{t.UTC().Format(time.RFC3339)} }

// List is an array on one line.
func List(vs ...Value) Value {
	parts := make([]string, len(vs))
	for i, v := range vs {
		if v.text == "" {
			return Value{}
		}
		parts[i] = v.text
	}
	return Value{"[" + strings.Join(parts, ", ") + "]"}
}

// Lines is an array with an element on each line.
func Lines(vs ...Value) Value {
	var b strings.Builder
	b.WriteString("[\n")
	for _, v := range vs {
		if v.text == "" {
			return Value{}
		}
		b.WriteString("\t" + v.text + ",\n") // the tab becomes the key's own indentation and two more
	}
	b.WriteString("]")
	return Value{b.String()}
}

// Texts is an array of strings on one line.
func Texts(ss []string) Value {
	vs := make([]Value, len(ss))
	for i, s := range ss {
		vs[i] = Text(s)
	}
	return List(vs...)
}

// Field is a key with its value.
type Field struct {
	Key   string
	Value Value
}

// Inline is a table on one line.
func Inline(fields ...Field) Value {
	parts := make([]string, len(fields))
	for i, f := range fields {
		if f.Value.text == "" {
			return Value{}
		}
		parts[i] = segment(f.Key) + " = " + f.Value.text
	}
	if len(parts) == 0 {
		return Value{"{}"}
	}
	return Value{"{ " + strings.Join(parts, ", ") + " }"}
}

// indented is the value's text below a key that stands behind an indentation.
func (v Value) indented(indent, eol string) string {
	if !strings.Contains(v.text, "\n") {
		return v.text
	}
	lines := strings.Split(v.text, "\n")
	for i := 1; i < len(lines); i++ {
		if rest, inner := strings.CutPrefix(lines[i], "\t"); inner {
			lines[i] = indent + "  " + rest
		} else {
			lines[i] = indent + lines[i]
		}
	}
	return strings.Join(lines, eol)
}
