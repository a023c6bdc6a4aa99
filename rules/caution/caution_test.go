package caution_test

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"ashlamp/rules"
	"ashlamp/rules/caution"
)

func TestEveryStepHasItsCautions(t *testing.T) {
	known := map[string]bool{}
	for _, s := range rules.Steps() {
		known[s.ID] = true
		if len(caution.ByStep(s.ID)) == 0 {
			t.Errorf("step %s has no caution", s.ID)
		}
	}
	for id := range caution.Steps() {
		if !known[id] {
			t.Errorf("cautions for %q, which is no step", id)
		}
	}
}

// TestWordsThatAreNotSaid holds the cautions to the words that no page may say.
func TestWordsThatAreNotSaid(t *testing.T) {
	never := regexp.MustCompile(`(?i)\b(all clear|you may|guaranteed|certified|interlock)\b|\bis safe\b`)
	all := append(caution.FirstUse(), caution.AdviceLine, caution.Always)
	for _, c := range caution.Steps() {
		all = append(all, c...)
	}
	for _, c := range all {
		if m := never.FindString(c); m != "" {
			t.Errorf("%q is said in %q", m, c)
		}
	}
}

// TestThePageSaysTheSame: the page has the advice line of its own, for when no daemon
// is heard.
func TestThePageSaysTheSame(t *testing.T) {
	b, err := os.ReadFile("../../dashboard/page/src/words/en.ts")
	if err != nil {
		t.Fatal(err)
	}
	words := strings.NewReplacer(`\u201c`, "“", `\u201d`, "”").Replace(string(b))
	for _, line := range []string{caution.AdviceLine, caution.Always} {
		if !strings.Contains(words, line) {
			t.Errorf("the page does not say %q", line)
		}
	}
}
