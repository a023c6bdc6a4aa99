package mutation

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// root is the module's folder, seen from this one.
const root = "../.."

// A weakening may leave a loop without an end. childTests is how long the tests of one
// place may take, childTime how long with their build, before they are given up.
const (
	childTests = "-timeout=90s"
	childTime  = 5 * time.Minute
)

// outcome is what became of one mutation.
type outcome uint8

const (
	// broken: the line of the table is wrong, and says nothing about the tests.
	broken outcome = iota
	// idle: there was no test to notice.
	idle
	// survived: no test noticed.
	survived
	// caught: a test failed.
	caught
)

func (o outcome) String() string { return [...]string{"broken", "idle", "survived", "caught"}[o] }

// replaced is a file of the tree with other text, both by their paths.
type replaced struct{ file, text string }

// mutate returns the file's text with the mutation in it, or an error that says how
// the line of the table must be mended.
func (m mutation) mutate(text string) (string, error) {
	switch n := strings.Count(text, m.find); {
	case m.find == "" || m.find == m.replace:
		return "", fmt.Errorf("the line %q changes nothing; give it a text to find and another to put there", m.name)
	case n == 0:
		return "", fmt.Errorf("%s has no text %q any more; mend the line %q of the table so that it again weakens what it says", m.file, m.find, m.name)
	case n > 1:
		return "", fmt.Errorf("%s has the text %q %d times; give the line %q of the table a longer one that is there once", m.file, m.find, n, m.name)
	}
	return strings.Replace(text, m.find, m.replace, 1), nil
}

// try builds the judgement with the mutation and runs its tests, place by place until
// one fails. detail names that test, or says what is wrong with the line.
func (m mutation) try(t *testing.T) (outcome, string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, m.file))
	if err != nil {
		return broken, fmt.Sprintf("the line %q: %v; name the file as it is called now", m.name, err)
	}
	weak, err := m.mutate(string(text))
	if err != nil {
		return broken, err.Error()
	}
	overlay := writeOverlay(t, []replaced{{m.file, weak}})
	noticing := false
	for _, where := range m.tests {
		switch o, detail := run(t, overlay, where); o {
		case survived:
			noticing = true
		case broken, caught:
			return o, detail
		}
	}
	if !noticing {
		return idle, fmt.Sprintf("%s has no test; name a package and tests that there are", strings.Join(m.tests, ", "))
	}
	return survived, fmt.Sprintf("%s: no test of %s notices that %s; write the test that does", m.name, strings.Join(m.tests, ", "), m.weakens)
}

// writeOverlay writes the files for the toolchain to read in the place of the tree's.
func writeOverlay(t *testing.T, files []replaced) string {
	t.Helper()
	dir := t.TempDir()
	replace := map[string]string{}
	for i, f := range files {
		real, err := filepath.Abs(filepath.Join(root, f.file))
		if err != nil {
			t.Fatal(err)
		}
		copied := filepath.Join(dir, fmt.Sprintf("%d_%s", i, filepath.Base(f.file)))
		if err := os.WriteFile(copied, []byte(f.text), 0o600); err != nil {
			t.Fatal(err)
		}
		replace[real] = copied
	}
	text, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		t.Fatal(err)
	}
	overlay := filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(overlay, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return overlay
}

// run runs the tests of one place, a package with further arguments to "go test", and
// tells which was the first to fail.
func run(t *testing.T, overlay, where string) (outcome, string) {
	t.Helper()
	ctx, stop := context.WithTimeout(t.Context(), childTime)
	defer stop()
	args := []string{"test", "-json", "-overlay=" + overlay, "-short", "-count=1", "-failfast", "-vet=off", "-ldflags=-s -w", "-p=1", childTests}
	args = append(args, strings.Fields(where)...)
	if propertyTests(t, strings.Fields(where)[0]) {
		// The same draws every time; nothing shrunk, nothing left in the tree.
		args = append(args, "-rapid.seed=1", "-rapid.nofailfile", "-rapid.shrinktime=0s")
	}
	cmd := exec.CommandContext(ctx, "go", args...)
	cmd.Dir = root
	cmd.Env = append(os.Environ(), "GOFLAGS=-mod=readonly", "PWD=")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if ctx.Err() != nil {
		return broken, fmt.Sprintf("go test %s: no end within %s", where, childTime)
	}
	said, read := parse(bytes.NewReader(out))
	switch {
	case read != nil:
		return broken, fmt.Sprintf("go test %s: %v", where, read)
	case strings.Contains(said.output, "panic: test timed out"):
		return broken, fmt.Sprintf("go test %s: a test has no end; choose a weakening that has one", where)
	case said.notBuilt:
		return broken, fmt.Sprintf("go test %s does not build; mend the line of the table:\n%s", where, said.output)
	case said.failed != "":
		return caught, said.failed
	case err != nil:
		return broken, fmt.Sprintf("go test %s: %v, and no test failed:\n%s%s", where, err, said.output, stderr.String())
	case said.passed == 0:
		return idle, fmt.Sprintf("go test %s ran no test; name a package and tests that there are", where)
	}
	return survived, ""
}

// report is what "go test -json" said.
type report struct {
	notBuilt bool
	passed   int
	failed   string // the first test that failed, the innermost
	output   string
}

func parse(r io.Reader) (report, error) {
	var said report
	var output strings.Builder
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		if !bytes.HasPrefix(lines.Bytes(), []byte("{")) {
			continue
		}
		var e struct{ Action, Package, Test, Output, FailedBuild string }
		if err := json.Unmarshal(lines.Bytes(), &e); err != nil {
			return said, fmt.Errorf("what it said cannot be read: %w", err)
		}
		switch e.Action {
		case "build-fail":
			said.notBuilt = true
		case "output", "build-output":
			output.WriteString(e.Output)
		case "pass":
			if e.Test != "" {
				said.passed++
			}
		case "fail":
			said.notBuilt = said.notBuilt || e.FailedBuild != ""
			if said.failed == "" && e.Test != "" {
				said.failed = strings.TrimPrefix(e.Package, "ashlamp/") + " " + e.Test
			}
		}
	}
	said.output = output.String()
	return said, lines.Err()
}

// propertyTests reports whether a package's tests take the flags of the library of
// property tests.
func propertyTests(t *testing.T, pkg string) bool {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(root, pkg, "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(text, []byte(`"pgregory.net/rapid"`)) {
			return true
		}
	}
	return false
}

// TestEachWeakeningIsCaught weakens the judgement line by line of the table. Run it
// with -v to read which test caught which.
func TestEachWeakeningIsCaught(t *testing.T) {
	for _, m := range table {
		t.Run(m.name, func(t *testing.T) {
			t.Parallel()
			switch o, detail := m.try(t); o {
			case caught:
				t.Logf("%s: %s\n\tcaught by %s", m.file, m.weakens, detail)
			default:
				t.Errorf("%s: %s", o, detail)
			}
		})
	}
}

// TestNothingFailsUnweakened: with every file of the table replaced by itself all the
// tests pass that are to catch something, so that what fails above fails by its
// weakening.
func TestNothingFailsUnweakened(t *testing.T) {
	seen, places := map[string]bool{}, []string{}
	var files []replaced
	for _, m := range table {
		if !seen[m.file] {
			seen[m.file] = true
			text, err := os.ReadFile(filepath.Join(root, m.file))
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, replaced{m.file, string(text)})
		}
		// The last place holds all that the ones before it do.
		if where := m.tests[len(m.tests)-1]; !slices.Contains(places, where) {
			places = append(places, where)
		}
	}
	overlay := writeOverlay(t, files)
	for _, where := range places {
		t.Run(where, func(t *testing.T) {
			t.Parallel()
			if o, detail := run(t, overlay, where); o != survived {
				t.Errorf("%s: %s", o, detail)
			}
		})
	}
}

// TestTheCheckTellsWhatIsSo holds the check itself to account: it must not take a
// line that changes nothing, or one that does not build, for one that was caught.
func TestTheCheckTellsWhatIsSo(t *testing.T) {
	const file = "rules/fire/fire.go"
	tests := []string{"./rules/fire"}
	for _, tt := range []struct {
		name string
		m    mutation
		want outcome
		says string
	}{
		{"a comment more", mutation{file: file, find: "package fire\n", replace: "package fire // a box\n", weakens: "a comment was written", tests: tests}, survived, "no test of ./rules/fire notices that a comment was written"},
		{"a fire never seen to come back", mutation{file: file, find: "return Relit\n", replace: "return Nothing\n", tests: tests}, caught, "rules/fire Test"},
		{"a test that cannot be", mutation{file: file, find: "return Relit\n", replace: "return Nothing\n", tests: []string{"./rules/fire -run=TestHope"}}, idle, "name a package"},
		{"what does not build", mutation{file: file, find: "return Relit\n", replace: "return hope\n", tests: tests}, broken, "undefined: hope"},
		{"a text that is not there", mutation{file: file, find: "return hope", replace: "return Relit", tests: tests}, broken, "mend the line"},
		{"a text that is there twice", mutation{file: file, find: "Relit", replace: "Fell", tests: tests}, broken, "there once"},
		{"nothing to change", mutation{file: file, find: "return Relit", replace: "return Relit", tests: tests}, broken, "changes nothing"},
		{"a file that is not there", mutation{file: "rules/fire/hope.go", find: "a", replace: "b", tests: tests}, broken, "called now"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, detail := tt.m.try(t)
			if got != tt.want || !strings.Contains(detail, tt.says) {
				t.Errorf("%q for %q: %s, %s; want %s, and it to say %q", tt.m.find, tt.m.replace, got, detail, tt.want, tt.says)
			}
		})
	}
}

// TestEveryFileIsWeakened: no evidence is without a line in the table, nor any package
// that the evidence rests on.
func TestEveryFileIsWeakened(t *testing.T) {
	lines := map[string]int{}
	names := map[string]bool{}
	for _, m := range table {
		lines[m.file]++
		lines[filepath.ToSlash(filepath.Dir(m.file))]++
		if names[m.name] {
			t.Errorf("two lines of the table are called %q", m.name)
		}
		names[m.name] = true
		if m.weakens == "" || len(m.tests) == 0 {
			t.Errorf("the line %q does not say what it weakens, or who is to notice", m.name)
		}
	}
	read := 0
	// Every file is read, tests too: what a child process reads the test cache does
	// not know of, and it would answer for a tree that has changed since.
	err := filepath.WalkDir(filepath.Join(root, "rules"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".go" {
			return err
		}
		read++
		if _, err := os.ReadFile(path); err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if strings.HasPrefix(rel, "rules/evidence/") && !strings.HasSuffix(rel, "_test.go") && lines[rel] == 0 {
			t.Errorf("%s has no line in the table; weaken what it judges", rel)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if read < 50 {
		t.Errorf("only %d files were read; is the test in the right folder?", read)
	}
	for _, name := range []string{
		"rules/judge.go", "rules/steps.go", "rules/track", "rules/blowdown", "rules/saturation", "rules/fire",
		"rules/confirmation", "rules/watch", "rules/alarm", "rules/health", "rules/engine", "rules/limit",
	} {
		if lines[name] == 0 {
			t.Errorf("%s has no line in the table; weaken what it does", name)
		}
	}
}
