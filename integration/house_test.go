package integration

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Data flows one way, server to service to storage, and the engines that decide
// are pure. This file holds that picture as tables and reads every import.

// topLevel is everything that may lie at the top, beside dotfiles and what
// .gitignore names.
var topLevel = strings.Fields("README.md DEVELOPERS.md go.mod go.sum proto server service storage integration")

// Short names for the lines below; a service never imports another service.
const (
	pbRoom       = "proto/alkalogv1"
	engineRooms  = "service/rules service/timing service/alkali service/ledger service/card service/severity"
	serviceRooms = "service/directory service/catalog service/consultation service/eligibility service/processing service/outcome service/incident service/audit"
	commonRooms  = pbRoom + " service/actor service/fault service/record storage"
)

// arrows names, for every folder that holds Go, the folders of ours that it may
// import. Only test files see more.
var arrows = map[string]string{
	"proto":                        "",
	pbRoom:                         "",
	"proto/dataclass":              pbRoom,
	"server":                       "server/serve server/setup storage/keyring server/demo server/verify server/identity server/keyfile server/sequencer server/client server/report service/ledger " + pbRoom,
	"server/metrics":               "",
	"server/serve":                 "proto/dataclass " + serviceRooms + " " + engineRooms + " server/metrics server/sequencer server/identity server/keyfile storage/localpg storage/keyring " + commonRooms,
	"server/identity":              "server/keyfile " + commonRooms,
	"server/authority":             "server/identity",
	"server/setup":                 "server/authority server/identity server/keyfile server/sequencer storage/keyring",
	"server/sequencer":             "server/keyfile service/ledger service/record storage " + pbRoom,
	"server/keyfile":               "",
	"server/identity/identitytest": "server/authority server/identity server/keyfile",
	"server/client":                "server/keyfile server/verify service/ledger " + pbRoom,
	"server/report":                "server/client service/ledger service/severity service/timing " + pbRoom,
	"server/demo":                  "server/client server/verify service/severity " + pbRoom,
	"server/verify":                "service/ledger " + pbRoom,
	"service/directory":            commonRooms + " " + engineRooms,
	"service/catalog":              "storage/lotcode " + commonRooms + " " + engineRooms,
	"service/consultation":         commonRooms + " " + engineRooms,
	"service/eligibility":          "service/decision " + commonRooms + " " + engineRooms,
	"service/decision":             commonRooms + " " + engineRooms,
	"service/processing":           "service/decision storage/lotcode " + commonRooms + " " + engineRooms,
	"service/outcome":              commonRooms + " " + engineRooms,
	"service/incident":             commonRooms + " " + engineRooms,
	"service/audit":                commonRooms + " " + engineRooms,
	"service/rules":                "service/alkali service/severity storage/lotcode " + pbRoom,
	"service/timing":               "service/severity storage/lotcode " + pbRoom,
	"service/alkali":               pbRoom,
	"service/severity":             pbRoom,
	"service/ledger":               "service/severity " + pbRoom,
	"service/fault":                "storage " + pbRoom,
	"service/actor":                pbRoom,
	"service/record":               "service/actor service/fault service/ledger service/rules service/timing service/card storage " + pbRoom,
	"service/card":                 "service/timing service/severity " + pbRoom,
	"storage":                      "storage/keyring storage/lotcode " + pbRoom,
	"storage/localpg":              "",
	"storage/keyring":              "",
	"storage/lotcode":              "",
	"storage/storagetest":          "storage storage/localpg storage/keyring " + pbRoom,
	"integration":                  "",
}

// owned says which folders alone may import a package (and what is below it).
var owned = map[string]string{
	"google.golang.org/grpc/status": "service/fault server/demo server/client " + pbRoom, // both are clients and read them; generated code needs it too
	"database/sql":                  "storage storage/localpg storage/storagetest",
	"github.com/jmoiron/sqlx":       "storage storage/localpg storage/storagetest",
	"github.com/lib/pq":             "storage storage/localpg storage/storagetest",
	"github.com/pressly/goose":      "storage",
	"github.com/alecthomas/kong":    "server",
	"github.com/prometheus":         "server/metrics",
	"go.opentelemetry.io/otel":      "server/metrics",
	"cel.dev/cel-go":                "service/rules",
	"go.yaml.in/yaml":               "service/rules", // the rule files; cel-go links it already
	"gonum.org/v1/gonum":            "service/timing service/alkali",
	"golang.org/x/mod/sumdb":        "service/ledger",
	"testing":                       "storage/storagetest server/identity/identitytest",
	"github.com/coreos/go-oidc":     "server/identity",
	"github.com/go-jose/go-jose":    "server/identity server/identity/identitytest", // what go-oidc verifies with
}

// A pure engine may not import a package that reaches the world, nor call what
// reads a clock or prints. Of other people's code it sees the contract's
// libraries and what it owns above.
var (
	impure      = strings.Fields("context os net log io database math/rand crypto/rand syscall time/tzdata plugin")
	pureOutside = strings.Fields("google.golang.org/protobuf google.golang.org/genproto buf.build/go/protovalidate buf.build/gen")
	impureUse   = strings.Fields("time.Now time.Since time.Until time.Sleep time.After time.AfterFunc time.Tick time.NewTimer time.NewTicker" +
		" google.golang.org/protobuf/types/known/timestamppb.Now fmt.Print fmt.Printf fmt.Println")
)

func TestHouse(t *testing.T) {
	for _, fault := range inspectHouse(t, os.DirFS("..")) {
		t.Error(fault)
	}
}

// inspectHouse returns a line for everything in the tree that breaks the tables.
func inspectHouse(t *testing.T, tree fs.FS) []string {
	t.Helper()
	faults := strayNames(t, tree)
	err := fs.WalkDir(tree, ".", func(name string, d fs.DirEntry, err error) error {
		hidden := name != "." && strings.HasPrefix(d.Name(), ".")
		if d.IsDir() && (hidden || d.Name() == "testdata") {
			return fs.SkipDir
		}
		if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") {
			return err
		}
		source, err := fs.ReadFile(tree, name)
		if err != nil {
			return err
		}
		faults = append(faults, inspectFile(t, name, source)...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return faults
}

func strayNames(t *testing.T, tree fs.FS) []string {
	t.Helper()
	entries, err := fs.ReadDir(tree, ".")
	if err != nil {
		t.Fatal(err)
	}
	ignored, _ := fs.ReadFile(tree, ".gitignore") // a tree without one ignores nothing
	isIgnored := func(name string) bool {
		return slices.ContainsFunc(strings.Fields(string(ignored)), func(pattern string) bool {
			match, _ := path.Match(strings.TrimPrefix(pattern, "/"), name)
			return match
		})
	}
	var faults []string
	for _, e := range entries {
		if name := e.Name(); !strings.HasPrefix(name, ".") && !slices.Contains(topLevel, name) && !isIgnored(name) {
			faults = append(faults, fmt.Sprintf("%s: not a top-level name of this project", name))
		}
	}
	return faults
}

func inspectFile(t *testing.T, name string, source []byte) []string {
	t.Helper()
	folder := path.Dir(name)
	if _, known := arrows[folder]; !known {
		return []string{fmt.Sprintf("%s: folder %s has no line in the table of arrows", name, folder)}
	}
	if strings.HasSuffix(name, "_test.go") {
		return nil
	}
	file, err := parser.ParseFile(token.NewFileSet(), name, source, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	var faults []string
	for _, imported := range file.Imports {
		if reason := forbidden(folder, importPath(imported)); reason != "" {
			faults = append(faults, fmt.Sprintf("%s: imports %s: %s", name, importPath(imported), reason))
		}
	}
	if isIn(folder, engineRooms) {
		for _, use := range impureUses(file) {
			faults = append(faults, fmt.Sprintf("%s: an engine uses %s", name, use))
		}
	}
	return faults
}

// forbidden says why folder may not import a package, or "".
func forbidden(folder, imported string) string {
	if ours, ok := strings.CutPrefix(imported, "alkalog/"); ok {
		if !isIn(ours, arrows[folder]) {
			return "an arrow that is not in the table"
		}
		return ""
	}
	mine := false
	for prefix, owners := range owned {
		if !below(imported, prefix) {
			continue
		}
		if !isIn(folder, owners) {
			return "only for " + owners
		}
		mine = true
	}
	if !isIn(folder, engineRooms) || mine {
		return ""
	}
	allowed := func(prefix string) bool { return below(imported, prefix) }
	standard := !strings.Contains(strings.Split(imported, "/")[0], ".")
	if standard && slices.ContainsFunc(impure, allowed) || !standard && !slices.ContainsFunc(pureOutside, allowed) {
		return "engines are pure"
	}
	return ""
}

// impureUses lists what a file takes from the clock or gives to the terminal,
// under whatever name it imported the package. A dot import hides that: refused.
func impureUses(file *ast.File) []string {
	var uses []string
	packages := map[string]string{}
	for _, imported := range file.Imports {
		local := path.Base(importPath(imported))
		if imported.Name != nil {
			local = imported.Name.Name
		}
		if local == "." {
			uses = append(uses, "a dot import of "+importPath(imported))
		}
		packages[local] = importPath(imported)
	}
	ast.Inspect(file, func(n ast.Node) bool {
		selector, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if base, ok := selector.X.(*ast.Ident); ok {
			if use := packages[base.Name] + "." + selector.Sel.Name; slices.Contains(impureUse, use) {
				uses = append(uses, use)
			}
		}
		return true
	})
	return uses
}

func importPath(spec *ast.ImportSpec) string {
	unquoted, _ := strconv.Unquote(spec.Path.Value) // the parser has checked it
	return unquoted
}

func isIn(name, list string) bool { return slices.Contains(strings.Fields(list), name) }

func below(name, prefix string) bool { return name == prefix || strings.HasPrefix(name, prefix+"/") }
