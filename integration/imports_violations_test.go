package integration

import (
	"strings"
	"testing"
	"testing/fstest"
)

// TestImportCheckFindsViolations checks a small tree with one violation at a time, so
// that a check that no longer finds it fails.
func TestImportCheckFindsViolations(t *testing.T) {
	for name, c := range map[string]struct{ file, source, want string }{
		"services may import engines":        {"service/outcome/x.go", `import "alkalog/service/timing"`, ""},
		"engines may import their own":       {"service/timing/x.go", `import _ "gonum.org/v1/gonum/stat"`, ""},
		"engines may hold a time":            {"service/timing/x.go", `import "time"; var _ time.Duration`, ""},
		"test files see everything":          {"service/rules/x_test.go", `import ("alkalog/storage/storagetest"; "os")`, ""},
		"test data is not read":              {"service/rules/testdata/x.go", `import "alkalog/server"`, ""},
		"a dotfile at the top":               {".editorconfig", ``, ""},
		"what git ignores at the top":        {"alkalog", ``, ""},
		"an arrow up":                        {"storage/x.go", `import "alkalog/service/rules"`, "storage/x.go: imports alkalog/service/rules: an arrow that is not in the table"},
		"a service to a service":             {"service/outcome/x.go", `import "alkalog/service/processing"`, "an arrow that is not in the table"},
		"an engine to an engine":             {"service/timing/x.go", `import "alkalog/service/alkali"`, "an arrow that is not in the table"},
		"a folder of ours that is not there": {"server/serve/x.go", `import "alkalog/service/util"`, "an arrow that is not in the table"},
		"an unknown folder":                  {"service/helpers/x.go", ``, "folder service/helpers has no line"},
		"an unknown folder of tests":         {"service/helpers/x_test.go", ``, "folder service/helpers has no line"},
		"a stray name at the top":            {"scripts/run.sh", ``, "scripts: not a top-level name"},
		"an engine with a context":           {"service/rules/x.go", `import "context"`, "engines are pure"},
		"an engine on the network":           {"service/timing/x.go", `import "net/http"`, "engines are pure"},
		"an engine with files":               {"service/alkali/x.go", `import "io/fs"`, "engines are pure"},
		"an engine that logs":                {"service/ledger/x.go", `import "log/slog"`, "engines are pure"},
		"an engine with a database":          {"service/ledger/x.go", `import "database/sql"`, "only for storage"},
		"an engine with dice":                {"service/timing/x.go", `import "math/rand/v2"`, "engines are pure"},
		"an engine with random ids":          {"service/rules/x.go", `import "github.com/google/uuid"`, "engines are pure"},
		"an engine with a clock":             {"service/timing/x.go", `import "time"; var now = time.Now`, "an engine uses time.Now"},
		"an engine with a renamed clock":     {"service/timing/x.go", `import clock "time"; var _ = clock.Since(clock.Time{})`, "an engine uses time.Since"},
		"an engine with a hidden clock":      {"service/timing/x.go", `import . "time"; var _ = Now()`, "a dot import of time"},
		"an engine with a protobuf clock":    {"service/rules/x.go", `import "google.golang.org/protobuf/types/known/timestamppb"; var _ = timestamppb.Now()`, "timestamppb.Now"},
		"an engine that prints":              {"service/rules/x.go", `import "fmt"; func f() { fmt.Println() }`, "an engine uses fmt.Println"},
		"a status outside fault":             {"server/serve/x.go", `import "google.golang.org/grpc/status"`, "only for service/fault"},
		"sqlx outside storage":               {"service/audit/x.go", `import "github.com/jmoiron/sqlx"`, "only for storage"},
		"pq outside storage":                 {"server/serve/x.go", `import _ "github.com/lib/pq"`, "only for storage"},
		"testing in the server":              {"storage/localpg/x.go", `import "testing"`, "only for storage/storagetest"},
	} {
		t.Run(name, func(t *testing.T) {
			tree := fstest.MapFS{
				"go.mod":      {},
				".gitignore":  {Data: []byte("/alkalog\n*.test\n")},
				c.file:        {Data: []byte(sourceOf(c.file, c.source))},
				"proto/ok.go": {Data: []byte("package proto\n")},
			}
			got := checkTree(t, tree)
			if c.want == "" && len(got) != 0 {
				t.Errorf("a sound house is refused: %q", got)
			}
			if c.want != "" && (len(got) != 1 || !strings.Contains(got[0], c.want)) {
				t.Errorf("got %q, want one line with %q", got, c.want)
			}
		})
	}
}

func sourceOf(file, body string) string {
	if !strings.HasSuffix(file, ".go") {
		return body
	}
	return "package x\n" + body + "\n"
}
