package notice

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ashlamp/rules/alarm"
)

// nameMax is how many characters of an engine's name a line has at most: it must leave
// room for what is the matter. Common practice, no source.
const nameMax = 20

// Line puts a notice into what a lock screen shows: the engine first, what is the matter,
// and what to do, in at most [LineMax] characters. Times are of the zone.
func Line(n Notice, u Units, zone *time.Location) string {
	l := line{max: LineMax}
	name := clip(clean(n.Name), nameMax)
	if name == "" {
		name = clip(clean(n.Engine), nameMax)
	}
	if name == "" || n.OfShed {
		name = "The shed"
	}
	l.b.WriteString(name)
	l.n = utf8.RuneCountInString(name)
	switch n.Kind {
	case CoolEnough:
		coolEnough(&l, n)
	case Ready:
		ready(&l, n)
	case Moved:
		moved(&l, n, zone)
	case LayUp:
		layUp(&l, n, u)
	default:
		alarmed(&l, n, u)
	}
	return l.b.String()
}

// Tail returns what a mail says below the line: the daemon's own sentence in the person's
// units; empty where there is none.
func Tail(n Notice, u Units) string { return u.Retold(clean(n.Facts.Text)) }

// line is written piece by piece, as far as there is room.
type line struct {
	b   strings.Builder
	n   int
	max int
}

// must writes a piece, cut where there is no room for all of it.
func (l *line) must(s string) {
	s = clip(s, l.max-l.n)
	l.b.WriteString(s)
	l.n += utf8.RuneCountInString(s)
}

// may writes a piece where there is room for all of it, and reports whether there was.
func (l *line) may(s string) bool {
	n := utf8.RuneCountInString(s)
	if n == 0 || l.n+n > l.max {
		return false
	}
	l.b.WriteString(s)
	l.n += n
	return true
}

// action writes what to do, all of it or none: half an instruction is worse than none.
func (l *line) action(s string) {
	if s = clean(s); s != "" && !l.may(" "+s) {
		l.may(" Open the page.")
	}
}

func coolEnough(l *line, n Notice) {
	switch {
	case n.Turn == Over && n.Facts.Done:
		l.must(": " + closing(n.Facts.Text))
	case n.Turn == Over:
		l.must(": no longer proven cool enough. ")
		l.must(stop(n.Facts.Text))
		l.action("Leave it outside and look.")
	case len(n.Facts.Yet) == 0:
		l.must(" is cool enough to push into the shed, and all else is confirmed. Look once more first.")
	default:
		l.must(" is cool enough to push into the shed. Confirm first: ")
		list(l, n.Facts.Yet)
	}
}

func ready(l *line, n Notice) {
	switch {
	case n.Turn == Over && n.Facts.Done:
		l.must(": " + closing(n.Facts.Text))
	case n.Turn == Over:
		l.must(": no longer ready to be housed. ")
		l.must(stop(n.Facts.Text))
		l.action("See to that first.")
	default:
		l.must(" is ready to be housed: all that it takes is proven. Look once more, then push it in.")
	}
}

func moved(l *line, n Notice, zone *time.Location) {
	f := n.Facts
	if n.Turn == Over {
		l.must(": the time told no longer counts. ")
		l.must(stop(f.Text))
		return
	}
	if f.ETA == nil || f.Lo == nil || f.Hi == nil {
		l.must(": when it is cool enough cannot be told any more. Look at the page.")
		return
	}
	at := func(t time.Time) string { return clock(t, n.At, zone) }
	l.must(fmt.Sprintf(": cool enough about %s (%s to %s)", at(*f.ETA), at(*f.Lo), at(*f.Hi)))
	if f.Was != nil {
		word, come := "later", "Come later."
		if f.ETA.Before(*f.Was) {
			word, come = "sooner", "Come sooner."
		}
		l.must(fmt.Sprintf(", %s %s than expected.", span(f.ETA.Sub(*f.Was).Abs()), word))
		l.action(come)
		return
	}
	l.must(".")
}

func layUp(l *line, n Notice, u Units) {
	switch {
	case n.Turn == Over:
		over(l, n, u)
	case n.Facts.Action == "": // a reminder says itself what to do
		said := split(clean(n.Facts.Title))
		if len(said) == 0 {
			said = []string{"something is to be done."}
		}
		l.must(": " + lower(said[0]))
		if len(said) > 1 {
			l.action(strings.Join(said[1:], " "))
		}
	default:
		alarmed(l, n, u)
	}
}

func alarmed(l *line, n Notice, u Units) {
	title, action := titled(n)
	switch n.Turn {
	case Over:
		over(l, n, u)
		return
	case Seen:
		l.must(": " + title + ".")
		if by := clip(clean(n.Facts.By), nameMax); by != "" {
			l.must(" " + by + " knows of it.")
		}
		return
	case Worse:
		title = "still: " + title
	}
	if n.Priority == alarm.High {
		title = "urgent, " + title
	}
	l.must(": " + title + ".")
	// Where something is gone or running down the sentence says which, if there is room.
	if said := split(u.Retold(clean(n.Facts.Text))); (n.Kind == Lost || n.Kind == Battery) && len(said) > 0 &&
		l.n+utf8.RuneCountInString(" "+said[0]+" "+action) <= l.max {
		l.may(" " + said[0])
	}
	l.action(action)
}

// titled returns what is the matter, as it goes on after a colon, and what to do.
func titled(n Notice) (title, action string) {
	f := n.Facts
	if b, ok := briefs[n.Subject]; ok && kindOf(n.Subject) == n.Kind {
		return b.title, b.action
	}
	switch {
	case len(f.Among) > 0:
		title = lower(trim(clean(f.Among[0])))
		if k := len(f.Among) - 1; k > 0 {
			title = fmt.Sprintf("%d more alarms: %s and others", k+1, title)
		}
	case n.Kind == LayUp && f.Action == "":
		// A reminder says in its first words what it is of.
		if said := split(clean(f.Title)); len(said) > 0 {
			what, _, _ := strings.Cut(trim(said[0]), ": ")
			title = lower(what)
		}
	default:
		title = lower(trim(clean(f.Title)))
	}
	if title == "" {
		title = "something is the matter"
	}
	return title, f.Action
}

// over says that what was told is no longer so.
func over(l *line, n Notice, u Units) {
	title, _ := titled(n)
	if by := clip(clean(n.Facts.By), nameMax); by != "" {
		l.must(": put aside by " + by + ": " + title + ".")
		return
	}
	if n.Facts.Done {
		l.must(": seen to, or no longer so: " + title + ".")
	} else {
		l.must(": no longer so: " + title + ".")
	}
	if said := split(u.Retold(clean(n.Facts.Text))); len(said) > 0 {
		l.may(" " + said[0])
	}
}

// closing says how it came to its end.
func closing(why string) string { return lower(trim(clean(why))) + ". What was told here is over." }

// list writes titles, as many as there is room for, and how many more there are.
func list(l *line, titles []string) {
	for i, t := range titles {
		t = lower(trim(clean(t)))
		end, rest := ".", len(titles)-i-1
		if rest > 0 {
			end = ", "
		}
		// Room must be left for the count of those that do not fit.
		keep := 0
		if rest > 0 {
			keep = len(" and 99 more.")
		}
		if l.n+utf8.RuneCountInString(t)+len(end)+keep > l.max {
			switch left := len(titles) - i; {
			case i == 0:
				l.must(fmt.Sprintf("%d things.", left))
			default:
				l.must(fmt.Sprintf("and %d more.", left))
			}
			return
		}
		l.must(t + end)
	}
}

// clock is a time of day in the zone, with the day where it is not that of at.
func clock(t, at time.Time, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	t, at = t.In(zone), at.In(zone)
	if t.YearDay() == at.YearDay() && t.Year() == at.Year() || t.Sub(at).Abs() < 12*time.Hour {
		return t.Format("15:04")
	}
	return t.Format("Mon 15:04")
}

// span is a length of time to the nearest five minutes, as nobody plans closer.
func span(d time.Duration) string {
	d = d.Round(5 * time.Minute)
	h, m := int(d.Hours()), int(d.Minutes())%60
	switch {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %02d", h, m)
}

// clean makes one line of a text: control characters and line ends become spaces.
func clean(s string) string {
	return strings.Join(strings.FieldsFunc(strings.ToValidUTF8(s, ""), func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r)
	}), " ")
}

// clip cuts a text to so many characters, the last of them an ellipsis where it was cut.
func clip(s string, max int) string {
	if utf8.RuneCountInString(s) <= max {
		return s
	}
	if max < 1 {
		return ""
	}
	return strings.TrimRight(string([]rune(s)[:max-1]), " ") + "…"
}

// split returns the sentences of a text.
func split(s string) []string {
	var out []string
	for s != "" {
		i := 0
		for {
			k := strings.IndexAny(s[i:], ".?!")
			if k < 0 {
				return append(out, s)
			}
			if i += k + 1; i == len(s) || s[i] == ' ' {
				break
			}
		}
		out = append(out, s[:i])
		s = strings.TrimLeft(s[i:], " ")
	}
	return out
}

func trim(s string) string { return strings.TrimRight(s, ". ") }

func stop(s string) string {
	if s = trim(clean(s)); s != "" {
		s += "."
	}
	return s
}

// lower begins a text with a small letter, unless its first word is written in capitals.
func lower(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	next, _ := utf8.DecodeRuneInString(s[n:])
	if n == 0 || unicode.IsUpper(next) {
		return s
	}
	return string(unicode.ToLower(r)) + s[n:]
}
