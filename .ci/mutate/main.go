// Command mutate measures how well tests notice mistakes. It changes one place of
// the source at a time (a comparison, a condition, a number, a statement that is
// left out), runs the tests that should notice, and prints each change that no test
// noticed and the share that some test did.
//
//	go run ./.ci/mutate -n 20                  20 changes for every target
//	go run ./.ci/mutate -target timing -n 100
//	go run ./.ci/mutate -n 100 -for 5m         as many as fit into 5 minutes a target
//
// Changes are chosen at random; -seed repeats a choice. The source tree is not
// touched: the changed file reaches the compiler through go test -overlay. A change
// that does not compile does not count. One that changes nothing that can be seen,
// such as a faster path, survives rightly: a survivor is a question, not a verdict.
package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/printer"
	"go/token"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// target is source to change, and the tests that should notice.
type target struct {
	name  string
	files []string // glob patterns
	tests []string // arguments of go test
}

var targets = []target{
	{"rules", []string{"service/rules/*.go"}, []string{"./service/rules"}},
	{"timing", []string{"service/timing/*.go"}, []string{"./service/timing"}},
	{"record", []string{"service/record/*.go"}, []string{"./service/record", "./service/processing", "./integration", "-skip", "Flood|Readme|Pages|Noisy|Bench|Kill|Durab"}},
	{"storage", []string{"storage/write.go", "storage/requests.go", "storage/record.go", "storage/kind.go"}, []string{"./storage"}},
}

func main() {
	name := flag.String("target", "", "one of the targets; all when empty")
	n := flag.Int("n", 20, "changes tried for each target")
	seed := flag.Uint64("seed", rand.Uint64(), "seed of the choice")
	limit := flag.Duration("for", 24*time.Hour, "begin no further change of a target after this time")
	flag.Parse()
	fmt.Printf("seed %d\n", *seed)
	for _, t := range targets {
		if *name != "" && *name != t.name {
			continue
		}
		if err := measure(t, *n, *limit, rand.New(rand.NewPCG(*seed, 0))); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
}

// measure tries n changes of a target, or as many as are begun within limit, and prints
// the survivors and the score.
func measure(t target, n int, limit time.Duration, random *rand.Rand) error {
	if out, err := test(t, nil); err != nil {
		return fmt.Errorf("%s: the tests fail without any change:\n%s", t.name, out)
	}
	mutations, err := collect(t.files)
	if err != nil {
		return err
	}
	random.Shuffle(len(mutations), func(i, j int) { mutations[i], mutations[j] = mutations[j], mutations[i] })
	noticed, tried := 0, 0
	end := time.Now().Add(limit)
	for _, m := range mutations {
		if tried == n || time.Now().After(end) {
			break
		}
		overlay, remove, err := m.overlay()
		if err != nil {
			return err
		}
		out, err := test(t, []string{"-overlay", overlay})
		remove()
		if err != nil && (bytes.Contains(out, []byte("[build failed]")) || bytes.Contains(out, []byte("[setup failed]"))) {
			continue
		}
		tried++
		if err != nil {
			noticed++
			continue
		}
		fmt.Printf("%s: survived: %s: %s\n", t.name, m.position, m.change)
	}
	fmt.Printf("%s: %d of %d changes noticed (%d places)\n", t.name, noticed, tried, len(mutations))
	return nil
}

// test runs the tests of a target.
func test(t target, args []string) ([]byte, error) {
	args = append([]string{"test", "-failfast", "-count=1", "-timeout", "10m"}, args...)
	return exec.Command("go", append(args, t.tests...)...).CombinedOutput()
}

// mutation is one change of one file. Apply makes it in a syntax tree that was just
// parsed, so that every mutation begins with the file as it is.
type mutation struct {
	file     string
	position token.Position
	change   string
	index    int // among the places of the file
}

// collect lists every change that can be made in the files.
func collect(patterns []string) ([]mutation, error) {
	var all []mutation
	for _, pattern := range patterns {
		files, err := filepath.Glob(pattern)
		if err != nil {
			return nil, err
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			fset, tree, err := parse(file)
			if err != nil {
				return nil, err
			}
			for i, p := range places(tree) {
				all = append(all, mutation{file, fset.Position(p.at), p.change, i})
			}
		}
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("no source in %q", patterns)
	}
	return all, nil
}

func parse(file string) (*token.FileSet, *ast.File, error) {
	fset := token.NewFileSet()
	tree, err := parser.ParseFile(fset, file, nil, parser.ParseComments|parser.SkipObjectResolution)
	return fset, tree, err
}

// overlay writes the changed file and the file that go test -overlay reads.
func (m mutation) overlay() (path string, remove func(), err error) {
	fset, tree, err := parse(m.file)
	if err != nil {
		return "", nil, err
	}
	places(tree)[m.index].apply()
	dir, err := os.MkdirTemp("", "mutate")
	if err != nil {
		return "", nil, err
	}
	remove = func() { os.RemoveAll(dir) }
	var source bytes.Buffer
	if err := printer.Fprint(&source, fset, tree); err != nil {
		return "", remove, err
	}
	original, err := filepath.Abs(m.file)
	if err != nil {
		return "", remove, err
	}
	changed := filepath.Join(dir, "changed.go")
	list, err := json.Marshal(map[string]map[string]string{"Replace": {original: changed}})
	if err != nil {
		return "", remove, err
	}
	path = filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(changed, source.Bytes(), 0o600); err != nil {
		return "", remove, err
	}
	return path, remove, os.WriteFile(path, list, 0o600)
}

// place is where a tree can be changed.
type place struct {
	at     token.Pos
	change string
	apply  func()
}

// swaps are the operators that are exchanged.
var swaps = map[token.Token]token.Token{
	token.LSS: token.LEQ, token.LEQ: token.LSS, token.GTR: token.GEQ, token.GEQ: token.GTR,
	token.EQL: token.NEQ, token.NEQ: token.EQL, token.LAND: token.LOR, token.LOR: token.LAND,
	token.ADD: token.SUB, token.SUB: token.ADD,
}

// places lists the changes of one file, in the order of the source.
func places(tree *ast.File) []place {
	var found []place
	ast.Inspect(tree, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GenDecl:
			return n.Tok != token.IMPORT
		case *ast.BinaryExpr:
			if other, ok := swaps[n.Op]; ok {
				found = append(found, place{n.OpPos, fmt.Sprintf("%s becomes %s", n.Op, other), func() { n.Op = other }})
			}
		case *ast.BasicLit:
			if value, err := strconv.Atoi(n.Value); err == nil && n.Kind == token.INT {
				found = append(found, place{n.ValuePos, fmt.Sprintf("%d becomes %d", value, value+1), func() { n.Value = strconv.Itoa(value + 1) }})
			}
		case *ast.IfStmt:
			found = append(found, place{n.Cond.Pos(), "the condition is negated", func() {
				n.Cond = &ast.UnaryExpr{Op: token.NOT, X: &ast.ParenExpr{X: n.Cond}}
			}})
		case *ast.BlockStmt:
			for i, statement := range n.List {
				if left := leftOut(statement); left != "" {
					found = append(found, place{statement.Pos(), left + " is left out", func() { n.List = slices.Delete(n.List, i, i+1) }})
				}
			}
		}
		return true
	})
	return found
}

// leftOut names a statement that a program may compile without; empty for others.
func leftOut(statement ast.Stmt) string {
	switch s := statement.(type) {
	case *ast.ExprStmt:
		return "a call"
	case *ast.AssignStmt:
		if s.Tok != token.DEFINE {
			return "an assignment"
		}
	case *ast.IfStmt:
		return "an if statement"
	case *ast.BranchStmt:
		return s.Tok.String()
	}
	return ""
}
