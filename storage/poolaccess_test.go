package storage_test

import (
	"fmt"
	"go/ast"
	"go/build"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestNoStatementOutsideATransaction reads the source of the package: nothing
// is ever asked of the connection pool but transactions. A statement on a pool
// is run again by database/sql when its reply is lost, after it was done.
func TestNoStatementOutsideATransaction(t *testing.T) {
	t.Parallel()
	for _, found := range askedOfPool(t, "") {
		t.Error(found)
	}
}

// TestPoolCheckBites breaks the rule on purpose.
func TestPoolCheckBites(t *testing.T) {
	t.Parallel()
	got := askedOfPool(t, `package storage
import ("context"; "github.com/jmoiron/sqlx")
func bad(ctx context.Context, db *DB) {
	db.pool.Exec("insert into chains values ()")
	db.pool.MustExec("delete from chains")
	db.pool.DB.QueryRowContext(ctx, "insert into chains values () returning id")
	var n int
	sqlx.GetContext(ctx, db.pool, &n, "select nextval('s')")
	conn, _ := db.pool.Connx(ctx)
	conn.ExecContext(ctx, "update chains set id = ''")
	stmt, _ := db.pool.Preparex("delete from chains")
	stmt.Exec()
}`)
	want := []string{"Exec of *sqlx.DB", "MustExec of *sqlx.DB", "QueryRowContext of *sql.DB", "a *sqlx.DB handed to sqlx.GetContext",
		"ExecContext of *sqlx.Conn", "Preparex of *sqlx.DB", "Exec of *sqlx.Stmt"}
	if len(got) != len(want) {
		t.Fatalf("found %q, want %q", got, want)
	}
	for i, w := range want {
		if !strings.HasSuffix(got[i], w) {
			t.Errorf("found %q, want %q", got[i], w)
		}
	}
}

// allowedPoolMethods is what a pool and a connection may be asked for.
var allowedPoolMethods = []string{"BeginTx", "BeginTxx", "Close", "Connx", "Raw", "SetMaxIdleConns", "SetMaxOpenConns", "Stats"}

// allowedConstructors is who may be handed a pool: the library that migrates runs each
// migration in a transaction.
var allowedConstructors = []string{"sqlx.NewDb", "goose.NewProvider"}

// askedOfPool type-checks the package, with one more file if given, and lists
// what is asked of a pool, a connection or a statement that is not a
// transaction's.
func askedOfPool(t *testing.T, more string) []string {
	t.Helper()
	fset := token.NewFileSet()
	files := parsePackage(t, fset, more)
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Selections: map[*ast.SelectorExpr]*types.Selection{}, Uses: map[*ast.Ident]types.Object{}}
	cfg := types.Config{Importer: importer.ForCompiler(fset, "gc", exported(t))}
	if _, err := cfg.Check("alkalog/storage", fset, files, info); err != nil {
		t.Fatal(err)
	}
	var found []string
	report := func(n ast.Node, format string, args ...any) {
		found = append(found, fmt.Sprintf("%s: ", fset.Position(n.Pos()))+fmt.Sprintf(format, args...))
	}
	inspect := func(n ast.Node) bool {
		call, ok := n.(*ast.CallExpr)
		if !ok {
			return true
		}
		if sel, ok := call.Fun.(*ast.SelectorExpr); ok {
			if s := info.Selections[sel]; s != nil && s.Kind() == types.MethodVal {
				if typ := poolType(s.Recv()); typ != "" && !slices.Contains(allowedPoolMethods, sel.Sel.Name) {
					report(call, "%s of %s", sel.Sel.Name, typ)
				}
				return true
			}
		}
		for _, arg := range call.Args {
			typ := poolType(info.Types[arg].Type)
			if to := outsider(info, call.Fun); typ != "" && to != "" && !slices.Contains(allowedConstructors, to) {
				report(call, "a %s handed to %s", typ, to)
			}
		}
		return true
	}
	for _, f := range files {
		ast.Inspect(f, inspect)
	}
	return found
}

// poolType names a type that runs statements outside a transaction; empty for
// all others. A statement of a transaction is prepared by it and not seen here.
func poolType(typ types.Type) string {
	if typ == nil {
		return ""
	}
	name := types.TypeString(typ, (*types.Package).Name)
	if slices.Contains([]string{"*sql.DB", "*sqlx.DB", "*sql.Conn", "*sqlx.Conn", "*sql.Stmt", "*sqlx.Stmt"}, name) {
		return name
	}
	return ""
}

// outsider names a function of another package; empty for our own.
func outsider(info *types.Info, fun ast.Expr) string {
	sel, ok := fun.(*ast.SelectorExpr)
	if !ok {
		return ""
	}
	f, ok := info.Uses[sel.Sel].(*types.Func)
	if !ok || f.Pkg() == nil || f.Pkg().Path() == "alkalog/storage" {
		return ""
	}
	return f.Pkg().Name() + "." + f.Name()
}

// parsePackage parses the package without its tests, and one file more.
func parsePackage(t *testing.T, fset *token.FileSet, more string) []*ast.File {
	t.Helper()
	names, err := filepath.Glob("*.go")
	if err != nil || len(names) == 0 {
		t.Fatalf("no source: %v", err)
	}
	var files []*ast.File
	add := func(name string, source any) {
		f, err := parser.ParseFile(fset, name, source, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	for _, name := range names {
		if built, err := build.Default.MatchFile(".", name); err != nil || !built {
			continue // planted_on.go
		}
		if !strings.HasSuffix(name, "_test.go") {
			add(name, nil)
		}
	}
	if more != "" {
		add("more.go", more)
	}
	return files
}

// exported finds the compiled packages that the package imports.
func exported(t *testing.T) func(path string) (io.ReadCloser, error) {
	t.Helper()
	list, err := exec.Command("go", "list", "-export", "-deps", "-f", "{{.ImportPath}} {{.Export}}", ".").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	files := map[string]string{}
	for line := range strings.Lines(string(list)) {
		path, file, _ := strings.Cut(strings.TrimSpace(line), " ")
		files[path] = file
	}
	return func(path string) (io.ReadCloser, error) { return os.Open(files[path]) }
}
