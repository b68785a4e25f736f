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
	protoPackage    = "proto/alkalogv1"
	enginePackages  = "service/rules service/timing service/alkali service/ledger service/card service/gs1 service/texts service/paper service/forms service/marking service/interval proto/contract proto/fieldpath"
	servicePackages = "service/directory service/catalog service/consultation service/eligibility service/processing service/outcome service/incident service/audit service/training service/imports"
	commonPackages  = protoPackage + " service/actor service/fault service/record storage"
)

// allowedImports names, for every folder that holds Go, the folders of ours that it may
// import. Only test files see more.
var allowedImports = map[string]string{
	"proto":                        "",
	protoPackage:                   "",
	"proto/contract":               protoPackage,
	"proto/fieldpath":              protoPackage,
	"proto/source":                 "",
	"server":                       "server/serve server/importer server/workbench server/keys storage/keyring server/demo server/verify server/identity server/sequencer server/client server/report service/ledger " + protoPackage,
	"server/importer":              protoPackage,
	"server/metrics":               "",
	"server/workbench":             "",
	"server/web":                   "service/fault",
	"server/serve":                 servicePackages + " " + enginePackages + " proto server/metrics server/web server/sequencer server/identity server/keys storage/localpg storage/keyring " + commonPackages,
	"server/identity":              "server/keys " + commonPackages,
	"server/sequencer":             "server/keys service/ledger service/record storage " + protoPackage,
	"server/keys":                  "service/ledger storage/keyring",
	"server/identity/identitytest": "server/identity server/keys",
	"server/client":                "server/keys server/verify service/ledger " + protoPackage,
	"server/report":                "server/client service/ledger proto/contract service/timing " + protoPackage,
	"server/demo":                  "server/client server/verify proto/contract proto/fieldpath " + protoPackage,
	"server/verify":                "service/ledger " + protoPackage,
	"service/directory":            commonPackages + " " + enginePackages,
	"service/catalog":              "storage/lotcode " + commonPackages + " " + enginePackages,
	"service/consultation":         commonPackages + " " + enginePackages,
	"service/eligibility":          commonPackages + " " + enginePackages,
	"service/processing":           "storage/lotcode " + commonPackages + " " + enginePackages,
	"service/outcome":              commonPackages + " " + enginePackages,
	"service/incident":             commonPackages + " " + enginePackages,
	"service/audit":                commonPackages + " " + enginePackages,
	"service/training":             commonPackages + " " + enginePackages,
	"service/interval":             "",
	"service/marking":              "service/interval service/timing proto/contract proto/fieldpath " + protoPackage,
	"service/imports":              commonPackages + " " + enginePackages,
	"service/rules":                "service/alkali service/texts proto/contract proto/fieldpath storage/lotcode " + protoPackage,
	"service/timing":               "proto/contract storage/lotcode " + protoPackage,
	"service/alkali":               protoPackage,
	"service/gs1":                  "",
	"service/ledger":               "proto/contract " + protoPackage,
	"service/fault":                "proto/contract storage " + protoPackage,
	"service/actor":                protoPackage,
	"service/record":               "proto/contract service/actor service/fault service/ledger service/rules service/timing service/card service/texts storage " + protoPackage,
	"service/card":                 "proto/contract " + protoPackage,
	"service/texts":                "",
	"service/paper":                "service/texts " + protoPackage,
	"service/forms":                "service/rules service/texts proto/fieldpath " + protoPackage,
	"storage":                      "storage/keyring storage/lotcode " + protoPackage,
	"storage/localpg":              "",
	"storage/keyring":              "",
	"storage/lotcode":              "",
	"storage/storagetest":          "storage storage/localpg storage/keyring " + protoPackage,
	"integration":                  "",
	"integration/cluster":          "",
	"integration/faults":           "",
}

// allowedImporters says which folders alone may import a package (and what is below it).
var allowedImporters = map[string]string{
	"github.com/bufbuild/protocompile": "proto/source",
	"google.golang.org/grpc/status":    "service/fault server/demo server/client server/importer " + protoPackage, // the last three are clients and read them; generated code needs it too
	"database/sql":                     "storage storage/localpg storage/storagetest",
	"github.com/jmoiron/sqlx":          "storage storage/localpg storage/storagetest",
	"github.com/lib/pq":                "storage storage/localpg storage/storagetest",
	"github.com/pressly/goose":         "storage",
	"github.com/alecthomas/kong":       "server",
	"connectrpc.com":                   "server/web",
	"github.com/rs/cors":               "server/web",
	"github.com/prometheus":            "server/metrics",
	"go.opentelemetry.io/otel":         "server/metrics",
	"cel.dev/cel-go":                   "service/rules",
	"go.yaml.in/yaml":                  "service/rules service/texts service/marking server/importer", // files that people read; cel-go links it already
	"golang.org/x/text/language":       "service/texts",
	"golang.org/x/text/message":        "service/texts",
	"gonum.org/v1/gonum":               "service/timing service/alkali",
	"golang.org/x/mod/sumdb":           "service/ledger",
	"testing":                          "storage/storagetest server/identity/identitytest",
	"github.com/coreos/go-oidc":        "server/identity",
	"github.com/go-jose/go-jose":       "server/identity server/keys server/identity/identitytest", // what go-oidc verifies with
}

// A pure engine may not import a package that reaches the world, nor call what
// reads a clock or prints. Of other people's code it sees the contract's
// libraries and what it owns above.
var (
	impureImports      = strings.Fields("context os net log io database math/rand crypto/rand syscall time/tzdata plugin")
	engineDependencies = strings.Fields("google.golang.org/protobuf google.golang.org/genproto buf.build/go/protovalidate buf.build/gen")
	impureFuncs        = strings.Fields("time.Now time.Since time.Until time.Sleep time.After time.AfterFunc time.Tick time.NewTimer time.NewTicker" +
		" google.golang.org/protobuf/types/known/timestamppb.Now fmt.Print fmt.Printf fmt.Println")
)

func TestImportsAndLayout(t *testing.T) {
	for _, fault := range checkTree(t, os.DirFS("..")) {
		t.Error(fault)
	}
}

// maxDepth is how many imports the longest chain of our own packages has, from the
// commands down to the generated contract: what a reader must follow at most.
const maxDepth = 6

func TestImportDepth(t *testing.T) {
	imports := map[string]map[string]bool{} // what each folder imports of ours
	tree := os.DirFS("..")
	for folder := range allowedImports {
		files, err := fs.Glob(tree, folder+"/*.go")
		if err != nil {
			t.Fatal(err)
		}
		imports[folder] = map[string]bool{}
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			source, err := fs.ReadFile(tree, name)
			if err != nil {
				t.Fatal(err)
			}
			file, err := parser.ParseFile(token.NewFileSet(), name, source, parser.ImportsOnly)
			if err != nil {
				t.Fatal(err)
			}
			for _, imported := range file.Imports {
				if ours, ok := strings.CutPrefix(importPath(imported), "alkalog/"); ok {
					imports[folder][ours] = true
				}
			}
		}
	}
	if chain := longestChain(imports, "server"); len(chain)-1 > maxDepth {
		t.Errorf("%d imports deep, want at most %d: %s", len(chain)-1, maxDepth, strings.Join(chain, " -> "))
	}
}

// longestChain is the longest chain of imports that begins with a folder.
func longestChain(imports map[string]map[string]bool, folder string) []string {
	var longest []string
	for imported := range imports[folder] {
		if chain := longestChain(imports, imported); len(chain) > len(longest) {
			longest = chain
		}
	}
	return append([]string{folder}, longest...)
}

// checkTree returns a line for everything in the tree that breaks the tables.
func checkTree(t *testing.T, tree fs.FS) []string {
	t.Helper()
	faults := unexpectedNames(t, tree)
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
		faults = append(faults, checkFile(t, name, source)...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return faults
}

func unexpectedNames(t *testing.T, tree fs.FS) []string {
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

func checkFile(t *testing.T, name string, source []byte) []string {
	t.Helper()
	folder := path.Dir(name)
	if _, known := allowedImports[folder]; !known {
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
		if reason := importViolation(folder, importPath(imported)); reason != "" {
			faults = append(faults, fmt.Sprintf("%s: imports %s: %s", name, importPath(imported), reason))
		}
	}
	if listContains(folder, enginePackages) {
		for _, use := range findImpureUses(file) {
			faults = append(faults, fmt.Sprintf("%s: an engine uses %s", name, use))
		}
	}
	return faults
}

// importViolation says why folder may not import a package, or "".
func importViolation(folder, imported string) string {
	if ours, ok := strings.CutPrefix(imported, "alkalog/"); ok {
		if !listContains(ours, allowedImports[folder]) {
			return "an arrow that is not in the table"
		}
		return ""
	}
	mine := false
	for prefix, owners := range allowedImporters {
		if !hasPathPrefix(imported, prefix) {
			continue
		}
		if !listContains(folder, owners) {
			return "only for " + owners
		}
		mine = true
	}
	if !listContains(folder, enginePackages) || mine {
		return ""
	}
	allowed := func(prefix string) bool { return hasPathPrefix(imported, prefix) }
	standard := !strings.Contains(strings.Split(imported, "/")[0], ".")
	if standard && slices.ContainsFunc(impureImports, allowed) || !standard && !slices.ContainsFunc(engineDependencies, allowed) {
		return "engines are pure"
	}
	return ""
}

// findImpureUses lists what a file takes from the clock or gives to the terminal,
// under whatever name it imported the package. A dot import hides that: refused.
func findImpureUses(file *ast.File) []string {
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
			if use := packages[base.Name] + "." + selector.Sel.Name; slices.Contains(impureFuncs, use) {
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

func listContains(name, list string) bool { return slices.Contains(strings.Fields(list), name) }

func hasPathPrefix(name, prefix string) bool {
	return name == prefix || strings.HasPrefix(name, prefix+"/")
}
