package mail

import (
	"fmt"
	"strings"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/rules/notice"
)

// caution stands at the foot of every mail as it does at the foot of every page.
const caution = "Advice only. It operates nothing and holds nothing shut. Look, listen and try the cocks yourself before you act.\n" +
	"Local law, the engine's written scheme of examination, its maker's book and the railway's own rules come first."

// text is what the mail says: the line, what it rests on, when it was so, and where to
// look.
func (w *Mail) text(m notify.Message) string {
	var b strings.Builder
	para := func(s string) {
		if s != "" {
			b.WriteString(s + "\n\n")
		}
	}
	n := m.Notice
	para(clean(m.Line))
	if t := clean(m.Tail); t != "" && !strings.Contains(m.Line, t) {
		para(t)
	}
	if n.Turn != notice.Over {
		list(&b, "Yet to be confirmed by a person:", n.Facts.Yet)
		list(&b, "Put together in this message:", n.Facts.Among)
		if a := clean(n.Facts.Action); a != "" && !strings.Contains(m.Line, a) {
			para("What to do: " + a)
		}
	}
	if n.Kind != notify.Test {
		para(w.when(n))
	}
	if w.c.Page != "" {
		para("As it stands now, with all that it rests on:\n" + w.c.Page + "/" + m.Place)
	}
	if m.Attempt > 1 {
		para(fmt.Sprintf("This is attempt %d at one and the same message. It may have come already.", m.Attempt))
	}
	b.WriteString(caution + "\n")
	return b.String()
}

func list(b *strings.Builder, head string, items []string) {
	if len(items) == 0 {
		return
	}
	b.WriteString(head + "\n")
	for _, i := range items {
		b.WriteString("- " + clean(i) + "\n")
	}
	b.WriteString("\n")
}

// when says when it was so, in the shed's time: a mail may be read much later.
func (w *Mail) when(n notice.Notice) string {
	at := func(t time.Time) string { return t.In(w.c.Zone).Format("15:04 on Monday 2 January 2006") }
	switch {
	case n.Turn == notice.Over:
		return fmt.Sprintf("No longer so since %s; it began at %s.", at(n.At), at(n.Began))
	case n.At.Equal(n.Began):
		return fmt.Sprintf("So at %s. It may have changed since.", at(n.At))
	}
	return fmt.Sprintf("So at %s; it began at %s. It may have changed since.", at(n.At), at(n.Began))
}
