package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ashlamp/rules/confirmation"
	"ashlamp/rules/evidence"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// unknown stands wherever there is no number.
const unknown = "not known"

func (p *paper) local(t time.Time) time.Time { return t.In(p.e.Engine.Zone) }

func (p *paper) day(t time.Time) string { return t.In(p.e.Engine.Zone).Format("Monday 2 January 2006") }

// clock is a time of that evening: with its day where that is another than the day of
// the beginning, with seconds where they matter.
func (p *paper) clock(t time.Time) string { return p.dated(t, "15:04") }

func (p *paper) clockS(t time.Time) string { return p.dated(t, "15:04:05") }

func (p *paper) dated(t time.Time, layout string) string {
	t, b := p.local(t), p.local(p.e.Begun)
	if t.YearDay() != b.YearDay() || t.Year() != b.Year() {
		layout = "2 Jan " + layout
	}
	return t.Format(layout)
}

func (p *paper) reached(t *time.Time) string {
	if t == nil {
		return "not seen"
	}
	return p.clock(*t)
}

// zone names the zone and how far from UTC it was.
func (p *paper) zone() string {
	name, s := p.local(p.e.Begun).Zone()
	where := p.e.Engine.Zone.String()
	if where == name {
		return where
	}
	return fmt.Sprintf("%s (%s, UTC%+03d:%02d)", where, name, s/3600, abs(s)/60%60)
}

func abs(n int) int { return max(n, -n) }

// lasting is a length of time in words.
func lasting(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Round(time.Second).Seconds()))
	case d < 100*time.Minute:
		return fmt.Sprintf("%d min", int(d.Round(time.Minute).Minutes()))
	}
	d = d.Round(time.Minute)
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}

func said(v verdict.Verdict) string {
	switch v {
	case verdict.Proven:
		return "proven"
	case verdict.NotYet:
		return "not yet"
	}
	return "cannot tell"
}

// listed joins words as a sentence does.
func listed(words []string) string {
	switch n := len(words); n {
	case 0:
		return "none"
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
}

func count(n int, one, many string) string {
	if n == 1 {
		return "one " + one
	}
	words := []string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}
	if n >= 0 && n < len(words) {
		return words[n] + " " + many
	}
	return strconv.Itoa(n) + " " + many
}

// few is a number in words, as it stands alone.
func few(n int) string {
	if n == 0 {
		return "none"
	}
	return strings.TrimSpace(count(n, "", ""))
}

// short cuts a text at a word.
func short(s string, most int) string {
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	cut := string(r[:most])
	if i := strings.LastIndexByte(cut, ' '); i > 0 {
		cut = cut[:i]
	}
	return cut + " …"
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// figure writes a number to so many places, a true minus before one below zero.
func figure(v float64, places int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return unknown
	}
	s := strconv.FormatFloat(v, 'f', places, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "\u2212", 1)
}

// inUnit writes a channel's value in the unit that people read.
func inUnit(c telemetry.Channel, v float64) string {
	if math.IsNaN(v) {
		return unknown
	}
	n, u, places := readable(c, v)
	return strings.TrimSpace(figure(n, places) + " " + u)
}

// readable turns a value into the unit that people read, and says in how many places.
func readable(c telemetry.Channel, v float64) (n float64, unit string, places int) {
	u, _ := telemetry.UnitOf(c)
	switch {
	case c == telemetry.AmbientPressure:
		return v / 100, "hPa", 0
	case c == telemetry.AmbientCO:
		return v * 1e6, "ppm", 0
	case u == telemetry.Pascal:
		return v / 1e5, "bar", 2
	case u == telemetry.Celsius:
		return v, "°C", 1
	case u == telemetry.Humidity:
		return v, "%RH", 0
	case u == telemetry.Ratio:
		return v, "", 2
	}
	return v, string(u), 3
}

// uncertainty writes the expanded uncertainty of a channel.
func uncertainty(c telemetry.Channel, u float64) string {
	if !(u > 0) || math.IsInf(u, 0) {
		return unknown
	}
	n, unit, _ := readable(c, u)
	if unit == "°C" {
		unit = "K"
	}
	places := 0
	for n < 1 && places < 4 && math.Round(n*math.Pow10(places)) != n*math.Pow10(places) {
		places++
	}
	if n >= 1 && n != math.Round(n) {
		places = 1
	}
	return strings.TrimSpace("±" + figure(n, places) + " " + unit)
}

func nameOf(c telemetry.Channel) string { return capital(strings.TrimPrefix(evidence.Name(c), "the ")) }

// wordTitle names a confirmation.
func wordTitle(id string) string {
	for _, d := range confirmation.Table() {
		if d.ID == id {
			return d.Title
		}
	}
	return evidence.Title(id)
}

func who(by string) string {
	if by == "" {
		return "nobody named"
	}
	return by
}
