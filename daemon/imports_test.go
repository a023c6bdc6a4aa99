package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// mayImport is the map of the packages: what each folder may import of ours. Data
// flows hardware and ingest → store → rules → dashboard, imports point to rules.
var mayImport = map[string][]string{
	"rules":      {"rules"},
	"hardware":   {"hardware", "rules"},
	"ingest":     {"ingest", "rules", "hardware"},
	"dashboard":  {"dashboard", "rules"},
	"simulators": {"simulators", "rules", "hardware/thermocouple", "hardware/transducer", "ingest/senml"},
	"daemon":     {"daemon", "rules", "hardware", "ingest", "dashboard", "simulators", "testdata"},
	"testdata":   {},
}

// rulesMayImport are the libraries that the judgement may use beside the standard one.
var rulesMayImport = []string{"gonum.org/"}

// forbiddenInRules are packages that would let the judgement do I/O or guess.
var forbiddenInRules = []string{"net", "os", "math/rand", "math/rand/v2", "crypto/rand", "database/sql", "syscall", "os/exec"}

func TestImportsFollowTheMap(t *testing.T) {
	root := ".."
	files := 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); path != root && (strings.HasPrefix(name, ".") || name == "node_modules") {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		files++
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		for _, why := range imports(filepath.ToSlash(rel), f) {
			t.Errorf("%s: %s", rel, why)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if files < 50 {
		t.Errorf("only %d files were looked at; is the test in the right folder?", files)
	}
}

// imports returns what a file imports or calls against the map.
func imports(rel string, f *ast.File) []string {
	var wrong []string
	top, _, _ := strings.Cut(rel, "/")
	for _, spec := range f.Imports {
		path, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			wrong = append(wrong, err.Error())
			continue
		}
		ours, ok := strings.CutPrefix(path, "ashlamp/")
		if ok && !within(ours, mayImport[top]) {
			wrong = append(wrong, top+" may not import "+ours)
		}
		if top == "rules" && !ok {
			if within(path, forbiddenInRules) {
				wrong = append(wrong, "rules may not import "+path)
			}
			if strings.Contains(path, ".") && !strings.HasPrefix(path, rulesMayImport[0]) {
				wrong = append(wrong, "rules may not import the library "+path)
			}
		}
	}
	if top == "rules" {
		ast.Inspect(f, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && (s.Sel.Name == "Now" || s.Sel.Name == "Since" || s.Sel.Name == "Until") {
					wrong = append(wrong, "rules has no clock of its own, but calls time."+s.Sel.Name)
				}
			}
			return true
		})
	}
	return wrong
}

func within(path string, allowed []string) bool {
	for _, a := range allowed {
		if path == a || strings.HasPrefix(path, a+"/") {
			return true
		}
	}
	return false
}

// TestTheImportMapCatches shows that the map refuses what it should.
func TestTheImportMapCatches(t *testing.T) {
	for _, tt := range []struct{ file, source string }{
		{"rules/x.go", `package x; import "os"`},
		{"rules/x.go", `package x; import "math/rand/v2"`},
		{"rules/x.go", `package x; import "net/http"`},
		{"rules/x.go", `package x; import "github.com/gorilla/websocket"`},
		{"rules/x.go", `package x; import "ashlamp/ingest"`},
		{"rules/x.go", `package x; import "time"; var now = time.Now()`},
		{"dashboard/x.go", `package x; import "ashlamp/ingest/store"`},
		{"simulators/x.go", `package x; import "ashlamp/hardware/mcp9600"`},
		{"hardware/x.go", `package x; import "ashlamp/ingest"`},
	} {
		f, err := parser.ParseFile(token.NewFileSet(), tt.file, tt.source, 0)
		if err != nil {
			t.Fatal(err)
		}
		if len(imports(tt.file, f)) == 0 {
			t.Errorf("%s with %q: nothing is found wrong, want something", tt.file, tt.source)
		}
	}
}
