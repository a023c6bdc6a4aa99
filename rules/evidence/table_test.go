package evidence

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strings"
	"testing"
)

// A declaration is a function of no arguments: each must be in the table, from which
// the page of rules is made.
func TestEveryDeclarationIsInTheTable(t *testing.T) {
	f, err := parser.ParseFile(token.NewFileSet(), "table.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var declared []string
	for _, d := range f.Decls {
		fn, ok := d.(*ast.FuncDecl)
		if !ok || fn.Recv != nil || !fn.Name.IsExported() || len(fn.Type.Params.List) > 0 || fn.Type.Results == nil {
			continue
		}
		if id, ok := fn.Type.Results.List[0].Type.(*ast.Ident); ok && id.Name == "Declaration" && fn.Name.Name != "CocksRunDry" {
			declared = append(declared, fn.Name.Name)
		}
	}
	if got := len(Table()); got != len(declared) {
		t.Errorf("the table has %d rows, and %d are declared: %s", got, len(declared), strings.Join(declared, ", "))
	}
}

func TestEveryDeclarationTellsAll(t *testing.T) {
	for _, d := range append(Table(), CocksRunDry(), Word("vent-open")) {
		if d.Title == "" || d.Means == "" || len(d.Ways) == 0 || d.Failing == "" || len(d.NotYet) == 0 || d.Source == "" {
			t.Errorf("%s: title, meaning, ways, failing, reasons or source is missing: %+v", d.ID, d)
		}
		if !d.ByHand() && len(d.Limits) == 0 {
			t.Errorf("%s: is judged from samples by no limit", d.ID)
		}
		for _, f := range d.Fixed {
			if f.Value == 0 || f.Value != f.Value || f.Meaning == "" || f.Source == "" {
				t.Errorf("%s: figure %+v has no value, meaning or source", d.ID, f)
			}
		}
	}
}
