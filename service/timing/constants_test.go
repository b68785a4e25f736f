package timing

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"strings"
	"testing"
)

// Every constant of the engine stands in constants.go and says what is behind it.
func TestEveryConstantHasItsBasis(t *testing.T) {
	count := 0
	each(t, "constants.go", func(file *ast.File) {
		for _, d := range file.Decls {
			table, ok := d.(*ast.GenDecl)
			if !ok || table.Tok != token.CONST {
				continue
			}
			for _, s := range table.Specs {
				spec := s.(*ast.ValueSpec)
				count++
				text := spec.Doc.Text()
				if !strings.HasPrefix(text, "Source: ") && !strings.HasPrefix(text, "Common practice") && !strings.HasPrefix(text, "From memory: ") && !strings.HasPrefix(text, "Assumption: ") {
					t.Errorf("%v: no basis in %q", spec.Names, text)
				}
			}
		}
	})
	if count < 30 {
		t.Errorf("only %d constants found", count)
	}
}

// Outside the table the engine has no figures but the plainest.
func TestNoFiguresOutsideTheTable(t *testing.T) {
	plain := map[string]bool{"0": true, "0.0": true, "1": true, "2": true, "3": true, "0.5": true, "100": true, "1000": true, "24": true, "1e6": true}
	names, err := fs.Glob(os.DirFS("."), "*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if name == "constants.go" || strings.HasSuffix(name, "_test.go") {
			continue
		}
		each(t, name, func(file *ast.File) {
			ast.Inspect(file, func(n ast.Node) bool {
				if lit, ok := n.(*ast.BasicLit); ok && (lit.Kind == token.INT || lit.Kind == token.FLOAT) && !plain[lit.Value] {
					t.Errorf("%s: the figure %s belongs in the table", name, lit.Value)
				}
				return true
			})
		})
	}
}

func each(t *testing.T, name string, do func(*ast.File)) {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	do(file)
}
