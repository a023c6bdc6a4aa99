package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestRun(t *testing.T) {
	report := filepath.Join(t.TempDir(), "report.md")
	for _, c := range []struct {
		name string
		args []string
		code int
		out  string // of the last line on standard output
		errs string
	}{
		{"a campaign", []string{"-n", "2", "-report", report}, 0, "campaign: disposals=2 faults=", "2 of 2"},
		{"one aloud", []string{"-one", "1", "-faults", "packs-doubled"}, 0, "from ready to proven", ""},
		{"an unknown fault", []string{"-n", "1", "-faults", "gremlins"}, 1, "", "gremlins"},
		{"an unknown option", []string{"-gremlins"}, 2, "", "gremlins"},
		{"nowhere to report to", []string{"-n", "1", "-report", filepath.Join(report, "no")}, 1, "", "-report"},
	} {
		var out, errs bytes.Buffer
		code := run(context.Background(), c.args, &out, &errs)
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		if last := lines[len(lines)-1]; code != c.code || !strings.Contains(last, c.out) || !strings.Contains(errs.String(), c.errs) {
			t.Errorf("%s: exit %d, last line %q, errors %q; want exit %d, %q and %q", c.name, code, last, errs.String(), c.code, c.out, c.errs)
		}
	}
	b, err := os.ReadFile(report)
	if err != nil || !strings.Contains(string(b), "# Fault campaign") {
		t.Errorf("the report: %v, %.80q", err, b)
	}
}
