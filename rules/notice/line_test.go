package notice_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"pgregory.net/rapid"

	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
	"ashlamp/rules/watch"
)

var update = flag.Bool("update", false, "write the table of the documentation anew")

// TestTheTableIsWhatIsTold: the table of the documentation is what the lines are.
func TestTheTableIsWhatIsTold(t *testing.T) {
	zone := time.FixedZone("shed", 3600)
	var b strings.Builder
	b.WriteString("# What the phone says\n\nEach message as it reads on a lock screen: the engine first, then what is the matter, then what to do.\n" +
		"This table is made from the program itself (`go test ./rules/notice -update`).\n\n| when | the phone says | characters |\n| --- | --- | --- |\n")
	for _, e := range notice.Table() {
		l := notice.Line(e.Notice, notice.Units{}, zone)
		fmt.Fprintf(&b, "| %s | %s | %d |\n", e.When, l, utf8.RuneCountInString(l))
		if strings.Contains(l, "…") {
			t.Errorf("%s: %q had to be cut", e.When, l)
		}
		check(t, l)
		if !strings.HasPrefix(l, "Quillet") && !(e.Notice.OfShed && strings.HasPrefix(l, "The shed")) {
			t.Errorf("%q does not begin with the engine", l)
		}
	}
	if *update {
		if err := os.WriteFile("LINES.md", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile("LINES.md")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(have, []byte(b.String())) {
		t.Error("LINES.md is not what the lines are; go test ./rules/notice -update writes it anew")
	}
}

// Words that no line may bear, and jargon that nobody at home knows.
var never = regexp.MustCompile(`(?i)\b(safe|safely|all clear|you may|guarantee[d]?|certified|interlock|evidence|verdict|cannot-tell|proven by|NaN|nil)\b`)

func check(t interface {
	Errorf(string, ...any)
}, l string) {
	if n := utf8.RuneCountInString(l); n > notice.LineMax || n == 0 {
		t.Errorf("%q has %d characters", l, n)
	}
	if w := never.FindString(l); w != "" {
		t.Errorf("%q says %q", l, w)
	}
	if strings.ContainsFunc(l, unicode.IsControl) || !utf8.ValidString(l) || strings.Contains(l, "  ") || strings.TrimSpace(l) != l {
		t.Errorf("%q is not one clean line", l)
	}
}

// words are what the drawn texts are made of: long, empty, of many bytes, broken.
func words(t *rapid.T, label string) string {
	return rapid.OneOf(
		rapid.SampledFrom([]string{"", ".", "…", "\xff\xfe", "a\nb\tc", "Süßöl 🚂", "???", "One. Two! Three? ", " ", "-3.2 bar. 10 to 20 °C."}),
		rapid.StringN(0, 300, -1),
		rapid.Map(rapid.IntRange(1, 90), func(n int) string { return strings.Repeat("Ы🚂 ", n) }),
	).Draw(t, label)
}

// TestALineHoldsWhateverItIsMadeOf: of any kind and turn and of absurd names.
func TestALineHoldsWhateverItIsMadeOf(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(-1e9, 1e10).Draw(t, "at"), 0)
		when := func(label string) *time.Time {
			if rapid.Bool().Draw(t, label+" is not known") {
				return nil
			}
			v := at.Add(time.Duration(rapid.Int64Range(-1e6, 1e6).Draw(t, label)) * time.Second)
			return &v
		}
		texts := func(label string) (out []string) {
			for i := range rapid.IntRange(0, 12).Draw(t, label) {
				out = append(out, words(t, fmt.Sprint(label, i)))
			}
			return out
		}
		n := notice.Notice{
			Kind:   rapid.SampledFrom(append(notice.Kinds(), "of a newer version")).Draw(t, "kind"),
			Turn:   rapid.SampledFrom([]notice.Turn{notice.Began, notice.Worse, notice.Seen, notice.Over, ""}).Draw(t, "turn"),
			Engine: words(t, "engine"), Name: words(t, "name"), At: at, Began: at,
			Priority: alarm.Priority(rapid.IntRange(0, 3).Draw(t, "priority")),
			Facts: notice.Facts{
				Yet: texts("yet"), Among: texts("among"), Title: words(t, "title"), Action: words(t, "action"), Text: words(t, "text"),
				By: words(t, "by"), Done: rapid.Bool().Draw(t, "done"), Was: when("was"), ETA: when("eta"), Lo: when("lo"), Hi: when("hi"),
			},
		}
		u := notice.Units{PSI: rapid.Bool().Draw(t, "psi"), Fahrenheit: rapid.Bool().Draw(t, "F")}
		l := notice.Line(n, u, nil)
		if c := utf8.RuneCountInString(l); c > notice.LineMax || c == 0 {
			t.Fatalf("%d characters: %q", c, l)
		}
		if strings.ContainsFunc(l, unicode.IsControl) || !utf8.ValidString(l) {
			t.Fatalf("not one clean line: %q", l)
		}
		_ = notice.Tail(n, u)
	})
}

func TestALongNameLeavesRoom(t *testing.T) {
	e := notice.Table()[0].Notice
	e.Name = "The Right Honourable the Dowager Countess of Fernhollow and Upper Marrow"
	l := notice.Line(e, notice.Units{}, nil)
	if want := "The Right Honourabl… is cool enough to push into the shed. Confirm first: ash cleared, ash-pan slide shut, and 1 more."; l != want {
		t.Errorf("got  %q\nwant %q", l, want)
	}
}

func TestFiguresInThePersonsUnits(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"0.62 bar over the lowest.", "9.0 psi over the lowest."},
		{"95 °C, water boils at 99.5 °C here.", "203 °F, water boils at 211.1 °F here."},
		{"from 0.5 to 3.1 bar", "from 7.3 to 45.0 psi"},
		{"Firebox reads 242 °C ± 2.5, to be under 400.", "Firebox reads 468 °F ± 4.5, to be under 752."},
		{"more than 20 K under", "more than 36 °F under"},
		{"the shell cools at 80 K/h", "the shell cools at 80 K/h"},
		{"at 20:15 bar the door", "at 20:15 bar the door"},
		{"5 barrels", "5 barrels"},
		{"-10 °C", "14 °F"}, {"−40 °C", "−40 °F"}, {"-0.00 bar", "0.0 psi"},
		{"", ""}, {"Nothing here.", "Nothing here."},
	} {
		if got := (notice.Units{PSI: true, Fahrenheit: true}).Retold(c.in); got != c.want {
			t.Errorf("%q became %q, want %q", c.in, got, c.want)
		}
		if got := (notice.Units{}).Retold(c.in); got != c.in {
			t.Errorf("%q in its own units became %q", c.in, got)
		}
	}
	if got, want := (notice.Units{PSI: true}).Retold("1.00 bar at 100 °C"), "14.5 psi at 100 °C"; got != want {
		t.Errorf("psi alone: %q, want %q", got, want)
	}
}

// TestWhatToDoIsSaidWholly: no alarm's line has half of what to do, however long the
// engine's name, raised, raised again and more pressing.
func TestWhatToDoIsSaidWholly(t *testing.T) {
	for _, d := range watch.Table() {
		for _, turn := range []notice.Turn{notice.Began, notice.Worse} {
			for _, name := range []string{"Q", "The Right Honourable Countess"} {
				var n notice.Notice
				for _, e := range notice.Table() {
					if e.Notice.Subject == d.ID && e.Notice.Turn == notice.Began {
						n = e.Notice
					}
				}
				n.Name, n.Turn, n.Priority = name, turn, alarm.High
				l := notice.Line(n, notice.Units{}, nil)
				check(t, l)
				if strings.Contains(l, "Open the page") || !strings.HasSuffix(l, ".") && !strings.HasSuffix(l, "?") || strings.Count(l, "…") > 1 {
					t.Errorf("%s, %s: %q does not say what to do", d.ID, turn, l)
				}
			}
		}
	}
	n := notice.Table()[0].Notice
	n.Kind, n.Facts = notice.Alarm, notice.Facts{Title: "A new watch", Action: strings.Repeat("Do this. ", 20)}
	if l, want := notice.Line(n, notice.Units{}, nil), "Quillet: a new watch. Open the page."; l != want {
		t.Errorf("got %q, want %q", l, want)
	}
}
