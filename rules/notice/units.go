package notice

import (
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Units are those that a person reads figures in. The zero value is bar and degree
// Celsius.
type Units struct {
	// PSI and Fahrenheit are what they say; false for bar and degree Celsius.
	PSI, Fahrenheit bool
}

// barPerPSI: 1 psi = 6894.757 Pa (ISO 80000-4, from the pound-force and the inch).
const barPerPSI = 6894.757e-5

const figure = `[−-]?\d+(?:\.\d+)?`

var (
	// told is a figure, or several before one unit: "0.31 bar", "0.5 to 3.1 bar", "0.01 bar
	// ± 0.04", and a limit after it without the unit: "242 °C ± 2.5, to be under 400".
	told = regexp.MustCompile(`((?:± ?)?` + figure + `(?:(?: to | and |\.\.| or |, )(?:± ?)?` + figure + `)*)( ?)(bar|°C|K)((?: ?± ?` + figure + `)?)` +
		`((?:, to be (?:under|over|at least|at most|between) ` + figure + `(?: and ` + figure + `)?)?)`)
	each = regexp.MustCompile(`(± ?)?(` + figure + `)`)
)

// Retold puts a sentence of the rules, which speak bar and degree Celsius, into the
// person's units. A spread (±) and a difference in K are scaled alone.
func (u Units) Retold(text string) string {
	if !u.PSI && !u.Fahrenheit {
		return text
	}
	var b strings.Builder
	from := 0
	for _, m := range told.FindAllStringSubmatchIndex(text, -1) {
		of := func(i int) string { return text[m[2*i]:m[2*i+1]] }
		unit := of(3)
		psi, f := u.PSI && unit == "bar", u.Fahrenheit && unit != "bar"
		// Not a figure of its own: the end of a longer one or of a time, or a unit that is
		// the beginning of a word or of a rate.
		before, _ := utf8.DecodeLastRuneInString(text[:m[0]])
		after, _ := utf8.DecodeRuneInString(text[m[7]:])
		if !psi && !f || unicode.IsDigit(before) || before == ':' || before == '.' ||
			unicode.IsLetter(after) || unicode.IsDigit(after) || after == '/' {
			continue
		}
		b.WriteString(text[from:m[0]])
		name := "psi"
		if f {
			name = "°F"
		}
		again := func(s string, spread bool) string {
			return each.ReplaceAllStringFunc(s, func(s string) string {
				pm := each.FindStringSubmatch(s)
				return pm[1] + other(pm[2], unit, spread || pm[1] != "")
			})
		}
		b.WriteString(again(of(1), false) + of(2) + name + again(of(4), true) + again(of(5), false))
		from = m[1]
	}
	b.WriteString(text[from:])
	return b.String()
}

// other is one figure in the other unit.
func other(s, unit string, spread bool) string {
	v, err := strconv.ParseFloat(strings.Replace(s, "−", "-", 1), 64)
	if err != nil {
		return s
	}
	digits := 0
	if strings.Contains(s, ".") {
		digits = 1
	}
	switch {
	case unit == "bar":
		v, digits = v/barPerPSI, 1
	case spread || unit == "K":
		v *= 1.8
	default:
		v = v*1.8 + 32
	}
	out := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(out, "-0.") == "" {
		out = strings.TrimPrefix(out, "-")
	}
	return strings.Replace(out, "-", "−", 1)
}
