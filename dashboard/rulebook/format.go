package rulebook

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"ashlamp/rules/telemetry"
)

// number writes a figure with no more digits than it has.
func number(v float64) string {
	s := strconv.FormatFloat(v, 'g', 6, 64)
	if a := math.Abs(v); a >= 1e-4 && a < 1e7 {
		s = strconv.FormatFloat(v, 'f', -1, 64)
		if r := strconv.FormatFloat(v, 'f', 4, 64); len(r) < len(s) {
			s = strings.TrimRight(strings.TrimRight(r, "0"), ".")
		}
	}
	return strings.Replace(s, "-", "−", 1)
}

// nbsp keeps a number and its unit on one line.
const nbsp = "\u00a0"

// amount writes a figure with its unit; a long time in seconds also as people say it.
func amount(v float64, unit string) string {
	if unit == "" {
		return number(v)
	}
	s := number(v) + nbsp + unit
	if long := lasting(v); unit == "s" && v >= 120 && long != s {
		s += " (" + long + ")"
	}
	return s
}

// lasting says a length of time in seconds as a person would.
func lasting(s float64) string {
	for _, u := range []struct {
		name string
		s    float64
	}{{"days", 86400}, {"h", 3600}, {"min", 60}} {
		if s >= 2*u.s && math.Mod(s, u.s) == 0 || s == u.s && u.name != "days" {
			return number(s/u.s) + nbsp + u.name
		}
	}
	return number(s) + nbsp + "s"
}

// show is how figures of a channel are written: by what they are multiplied, and the
// unit of a value and of a difference.
type show struct {
	by          float64
	unit, apart string
}

func showOf(id telemetry.Channel) show {
	u, _ := telemetry.UnitOf(id)
	switch {
	case id == telemetry.AmbientPressure:
		return show{0.01, "hPa", "hPa"}
	case u == telemetry.Pascal:
		return show{1e-5, "bar", "bar"}
	case u == telemetry.Celsius:
		return show{1, "°C", "K"}
	case id == telemetry.AmbientCO:
		return show{1e6, "ppm", "ppm"}
	case id == telemetry.BoilerLevel:
		return show{1, "of the glass", "of the glass"}
	case u == telemetry.Ratio:
		return show{1, "of the tank", "of the tank"}
	case u == telemetry.Humidity:
		return show{1, "%RH", "%RH"}
	}
	return show{1, string(u), string(u)}
}

// span writes two ends; one that is infinite as such.
func (s show) span(low, high float64) string {
	switch l, h := math.IsInf(low, 0), math.IsInf(high, 0); {
	case l && h:
		return "no bound"
	case l:
		return "at most " + amount(round(high*s.by), s.unit)
	case h:
		return "at least " + amount(round(low*s.by), s.unit)
	}
	return number(round(low*s.by)) + " to " + amount(round(high*s.by), s.unit)
}

func (s show) size(v float64) string { return amount(round(v*s.by), s.apart) }

// round takes off what multiplying by a power of ten has left.
func round(v float64) float64 {
	r, err := strconv.ParseFloat(fmt.Sprintf("%.9g", v), 64)
	if err != nil {
		return v
	}
	return r
}

// list joins names as a sentence does.
func list(names []string) string {
	switch n := len(names); n {
	case 0:
		return ""
	case 1:
		return names[0]
	default:
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
}

// plain is a word of the wire as people read it.
func plain(word string) string { return strings.ReplaceAll(word, "-", " ") }

// upper begins a sentence.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
