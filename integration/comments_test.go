package integration

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"strings"
	"testing"
)

// The code is measured too: how many comments a package has, whether every exported
// name is documented, how long files and functions are, and whether the comments use
// plain English. Only code that people write and that ships is measured: no tests, no
// generated files.

// The limits; our own choice. Files and functions are measured in lines with comments.
const (
	minCommentPercent, maxCommentPercent = 20.0, 35.0
	minMeasuredLines                     = 150 // smaller packages have no minimum
	maxFileLines, maxFileLinesP90        = 500, 300
	maxFunctionLinesP99                  = 60
)

// commentFloors are packages that have too few comments, with the percentage that they
// must not fall below. The list must become empty: raise a floor when the package has
// got better, and delete the line at 20 %.
var commentFloors = map[string]float64{}

// undocumented are packages in which exported names may lack a comment. The list must
// become empty.
var undocumented = strings.Fields("")

// unplainWords are phrases that comments must not contain, because they are old-fashioned
// or private to this project.
var unplainWords = []string{"whoever", "stands on", "is told so", "to the letter", "lies in", "in the manner of", "whatever they bring"}

// measuredFile is a Go file with what is measured of it.
type measuredFile struct {
	name     string
	source   string
	syntax   *ast.File
	position *token.FileSet
}

// measuredFiles parses every file that is measured.
func measuredFiles(t *testing.T) []measuredFile {
	t.Helper()
	tree := os.DirFS("..")
	var files []measuredFile
	err := fs.WalkDir(tree, ".", func(name string, d fs.DirEntry, err error) error {
		if d.IsDir() && (name != "." && strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
			return fs.SkipDir
		}
		if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return err
		}
		source, err := fs.ReadFile(tree, name)
		if err != nil {
			return err
		}
		f := measuredFile{name: name, source: string(source), position: token.NewFileSet()}
		if f.syntax, err = parser.ParseFile(f.position, name, source, parser.ParseComments|parser.SkipObjectResolution); err != nil {
			return err
		}
		if !ast.IsGenerated(f.syntax) {
			files = append(files, f)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// countLines counts the lines of a source, and those that are comments.
func countLines(source string) (lines, comments int) {
	for line := range strings.Lines(source) {
		lines++
		if strings.HasPrefix(strings.TrimSpace(line), "//") {
			comments++
		}
	}
	return lines, comments
}

// TestCommentShare prints the comment share of every package (go test -v) and fails for
// one that explains too little, or so much that the code disappears.
func TestCommentShare(t *testing.T) {
	lines, comments := map[string]int{}, map[string]int{}
	for _, f := range measuredFiles(t) {
		n, c := countLines(f.source)
		lines[path.Dir(f.name)] += n
		comments[path.Dir(f.name)] += c
	}
	for _, folder := range slices.Sorted(maps.Keys(lines)) {
		share := 100 * float64(comments[folder]) / float64(lines[folder])
		floor, listed := commentFloors[folder]
		t.Logf("%5.1f %%  %5d lines  %s", share, lines[folder], folder)
		switch {
		case lines[folder] <= minMeasuredLines:
		case share > maxCommentPercent:
			t.Errorf("%s: %.1f %% of the lines are comments, want at most %g %%", folder, share, maxCommentPercent)
		case !listed && share < minCommentPercent:
			t.Errorf("%s: %.1f %% of the lines are comments, want at least %g %%", folder, share, minCommentPercent)
		case listed && share < floor:
			t.Errorf("%s: %.1f %% of the lines are comments; they had been %g %%", folder, share, floor)
		}
		if listed && share >= minCommentPercent {
			t.Logf("%s has enough comments now: delete its line in commentFloors", folder)
		}
	}
}

// TestExportedNamesAreDocumented finds exported names without a comment: types,
// functions, methods of exported types, constants and variables. A comment on a group of
// constants or variables covers the group.
func TestExportedNamesAreDocumented(t *testing.T) {
	for _, f := range measuredFiles(t) {
		if slices.Contains(undocumented, path.Dir(f.name)) {
			continue
		}
		for _, d := range f.syntax.Decls {
			for _, name := range undocumentedNames(d) {
				t.Errorf("%s: exported %s has no comment", f.position.Position(d.Pos()), name)
			}
		}
	}
}

// undocumentedNames are the exported names in a declaration that have no comment.
func undocumentedNames(d ast.Decl) []string {
	if f, isFunc := d.(*ast.FuncDecl); isFunc {
		if f.Doc == nil && f.Name.IsExported() && (f.Recv == nil || ast.IsExported(receiverName(f.Recv.List[0].Type))) {
			return []string{f.Name.Name}
		}
		return nil
	}
	group := d.(*ast.GenDecl)
	var names []string
	for _, s := range group.Specs {
		switch s := s.(type) {
		case *ast.TypeSpec:
			if s.Name.IsExported() && s.Doc == nil && s.Comment == nil && group.Doc == nil {
				names = append(names, s.Name.Name)
			}
		case *ast.ValueSpec:
			for _, n := range s.Names {
				if n.IsExported() && s.Doc == nil && s.Comment == nil && group.Doc == nil {
					names = append(names, n.Name)
				}
			}
		}
	}
	return names
}

// receiverName is the name of the type of a method's receiver.
func receiverName(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.StarExpr:
		return receiverName(e.X)
	case *ast.IndexExpr:
		return receiverName(e.X)
	case *ast.IndexListExpr:
		return receiverName(e.X)
	}
	return ""
}

// TestSizes keeps files and functions short enough to read in one go.
func TestSizes(t *testing.T) {
	var files, functions []size
	for _, f := range measuredFiles(t) {
		n, _ := countLines(f.source)
		files = append(files, size{n, f.name})
		for _, d := range f.syntax.Decls {
			if fn, isFunc := d.(*ast.FuncDecl); isFunc {
				first, last := f.position.Position(fn.Pos()), f.position.Position(fn.End())
				functions = append(functions, size{last.Line - first.Line + 1, fmt.Sprintf("%s:%d %s", f.name, first.Line, fn.Name.Name)})
			}
		}
	}
	slices.SortFunc(files, func(a, b size) int { return b.lines - a.lines })
	slices.SortFunc(functions, func(a, b size) int { return b.lines - a.lines })
	if longest := files[0]; longest.lines > maxFileLines {
		t.Errorf("%s has %d lines, want at most %d", longest.name, longest.lines, maxFileLines)
	}
	if p90 := files[len(files)/10]; p90.lines > maxFileLinesP90 {
		t.Errorf("a tenth of the files has %d lines or more, want at most %d", p90.lines, maxFileLinesP90)
	}
	if p99 := functions[len(functions)/100]; p99.lines > maxFunctionLinesP99 {
		t.Errorf("a hundredth of the functions has %d lines or more, want at most %d, such as %s", p99.lines, maxFunctionLinesP99, functions[0].name)
	}
	t.Logf("%d files, longest %v, p90 %d lines; %d functions, longest %v, p99 %d lines",
		len(files), files[0], files[len(files)/10].lines, len(functions), functions[0], functions[len(functions)/100].lines)
}

// size is how long something is.
type size struct {
	lines int
	name  string
}

// TestCommentsArePlain finds phrases in comments that a reader of today's English would
// stumble over.
func TestCommentsArePlain(t *testing.T) {
	for _, f := range measuredFiles(t) {
		for _, group := range f.syntax.Comments {
			text := strings.Join(strings.Fields(strings.ToLower(group.Text())), " ")
			for _, phrase := range unplainWords {
				if strings.Contains(text, phrase) {
					t.Errorf("%s: the comment says %q; say it in plain words", f.position.Position(group.Pos()), phrase)
				}
			}
		}
	}
}

// TestCommentChecksBite shows that the checks find what they are for.
func TestCommentChecksBite(t *testing.T) {
	const source = `package p
// T has a comment.
type T struct{}
type Bare struct{}
func (T) Method() {}
func (t *T) Fine() {} // not a doc comment
type hidden struct{}
func (hidden) Method() {}
const (
	A = 1
	// B has one.
	B = 2
	C = 3 // C has one.
)
// The group has one.
var (
	D = 1
)
`
	file, err := parser.ParseFile(token.NewFileSet(), "p.go", source, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, d := range file.Decls {
		found = append(found, undocumentedNames(d)...)
	}
	if want := []string{"Bare", "Method", "Fine", "A"}; !slices.Equal(found, want) {
		t.Errorf("undocumented are %v, want %v", found, want)
	}
	if lines, comments := countLines(source); lines != 18 || comments != 3 {
		t.Errorf("%d lines with %d comments, want 18 with 3", lines, comments)
	}
}
