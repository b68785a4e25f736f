package storage_test

import (
	"go/ast"
	"go/token"
	"go/types"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// beyondAChain are the functions that begin a transaction which is not one
// chain's, and what they begin it for. Every other is.
var beyondAChain = map[string]string{
	"acrossChains":            "the keeper", // for the functions below
	"inTransaction":           "the keeper",
	"leading":                 "the keeper",
	"ListChains":              "the keeper",
	"AcquireLease":            "the keeper",
	"ReleaseLease":            "the keeper",
	"sequence":                "the keeper",
	"RenewLease":              "the keeper",
	"Revise":                  "the keeper",
	"LogProgress":             "the keeper",
	"MarkWrites":              "the keeper",
	"NewestWrite":             "the keeper",
	"Cover":                   "the keeper",
	"ChainIDs":                "the keeper",
	"CoverBaselines":          "the keeper",
	"ChangedHeads":            "the keeper",
	"ReadLogState":            "the keeper",
	"CountPending":            "the keeper",
	"ReadInstallation":        "the keeper",
	"readSchemaAlone":         "nobody",
	"SettledBefore":           "the keeper",
	"ErasuresFrom":            "the keeper",
	"VanishedLogs":            "the keeper",
	"UpdateCounters":          "the keeper",
	"RollUpMonth":             "the keeper",
	"WritePractitionerCounts": "the keeper", // counts of all chains at once
	"hasUncounted":            "the keeper",
	"CheckSchema":             "nobody",
	"Guards":                  "nobody",
	"Announce":                "nobody",
	"Time":                    "nobody",
	"CountServers":            "nobody",
	"checkSessions":           "nobody",
}

// withoutChain are the declarations with statements that name no chain: they run
// in the keeper's role, or reach nothing that a chain has.
var withoutChain = map[string]string{
	"AcquireLease": "the keeper", "ReleaseLease": "the keeper", "Revise": "the keeper",
	"batchQuery": "the keeper", "writeQuery": "the keeper", "stateQuery": "the keeper", "LogProgress": "the keeper", "ChangedHeads": "the keeper",
	"CountPending": "the keeper", "ErasuresFrom": "the keeper", "VanishedLogs": "the keeper",
	"UpdateCounters": "the keeper",
	"RollUpMonth":    "the keeper", "WritePractitionerCounts": "the keeper", "hasUncounted": "the keeper", "countBatch": "the keeper", "readCases": "the keeper", "writeCases": "the keeper",
	"writeEntryCounts": "the keeper", "writeDays": "the keeper", "writeFigures": "the keeper",
	"SettledBefore": "the keeper", "readTiles": "by chain, level and index, for the keeper and within a chain",
	"Announce": "no table", "CountServers": "no table", "Time": "no table", "confirm": "no table", "sessionQuery": "no table", "askSessionQuery": "no table", "sequencerLockQuery": "no table", "statementTimeoutQuery": "no table",
	"readSchema": "the catalogue", "installationQuery": "the keeper", "versionQuery": "the catalogue", "admissionQuery": "no table", "finish": "the whole database", "isolationGapsQuery": "the catalogue", "guardsQuery": "the catalogue", "updatePage": "the catalogue, beside statements that name the chain", "rolesStatement": "roles", "makeRoles": "roles",
	"countQuery": "its parts do", "figuresQuery": "its parts do", "rows": "what the caller's condition says", "CountSessions": "what its filter says",
	"MarkWrites": "the keeper", "NewestWrite": "the keeper", "Cover": "the keeper", "ChainIDs": "the keeper", "CoverBaselines": "the keeper",
	"newUncovered": "a condition that stands beside it", "EntryValues": "its parts do",
}

// TestEveryTransactionHasAScope reads the source: a transaction is one chain's,
// and the few that are not are listed above.
func TestEveryTransactionHasAScope(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, found := range transactionOwners(t, "") {
		seen[found.in] = true
		if found.of != "a chain" && beyondAChain[found.in] != found.of {
			t.Errorf("%s begins a transaction for %s: list it, if that must be", found.in, found.of)
		}
		if found.of == "a chain" && beyondAChain[found.in] != "" {
			t.Errorf("%s is listed and is one chain's", found.in)
		}
	}
	for in := range beyondAChain {
		if !seen[in] {
			t.Errorf("%s is listed and begins no transaction", in)
		}
	}
	for _, in := range []string{"Read", "evaluate", "sendBatch", "takeTurn", "confirm", "resolveUnknown"} {
		if !seen[in] {
			t.Errorf("%s was not seen", in)
		}
	}
}

// TestEveryStatementNamesItsChain reads the source too: the policies hold without
// it, but a statement that relies on them alone would be a mistake.
func TestEveryStatementNamesItsChain(t *testing.T) {
	t.Parallel()
	seen := map[string]int{}
	for _, found := range chainless(t, "") {
		seen[found.in]++
		if withoutChain[found.in] == "" {
			t.Errorf("%s: a statement that names no chain: %s", found.in, found.of)
		}
	}
	for in := range withoutChain {
		if seen[in] == 0 {
			t.Errorf("%s is listed and has no such statement", in)
		}
	}
}

// TestScopeCheckBites breaks both rules on purpose.
func TestScopeCheckBites(t *testing.T) {
	t.Parallel()
	const bad = `package storage
func bad(db *DB) {
	tx, _ := db.begin(ctx, scope{keeper: true}, nil)
	tx.ExecContext(ctx, "update salons set etag = '' where id = $1", 1)
	tx.ExecContext(ctx, "select body from " + salons + " where id = $1", 1)
	tx.ExecContext(ctx, "delete from salons where chain = $1 and id = $2")
	db.begin(ctx, inChain(x), nil)
	db.acrossChains(ctx, nil)
}`
	var of []string
	for _, found := range append(transactionOwners(t, bad), chainless(t, bad)...) {
		if found.in == "bad" {
			of = append(of, found.of)
		}
	}
	want := []string{"scope literal", "a chain", "the keeper", "update salons set etag = '' where id = $1", "select body from ? where id = $1"}
	if !slices.Equal(of, want) {
		t.Errorf("found %q, want %q", of, want)
	}
}

// finding is what was found in a declaration.
type finding struct{ in, of string }

// declarations calls visit with every declaration of the package and its name.
func declarations(t *testing.T, more string, visit func(name string, n ast.Node)) {
	t.Helper()
	for _, f := range parsePackage(t, token.NewFileSet(), more) {
		for _, d := range f.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				visit(d.Name.Name, d)
			case *ast.GenDecl:
				for _, s := range d.Specs {
					if v, ok := s.(*ast.ValueSpec); ok {
						visit(v.Names[0].Name, v)
					}
				}
			}
		}
	}
}

// transactionOwners lists for whom the package's functions begin transactions.
func transactionOwners(t *testing.T, more string) []finding {
	t.Helper()
	var all []finding
	declarations(t, more, func(name string, n ast.Node) {
		ast.Inspect(n, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			sel, ok := call.Fun.(*ast.SelectorExpr)
			switch {
			case ok && sel.Sel.Name == "begin" && len(call.Args) == 3:
				all = append(all, finding{name, scopeOf(call.Args[1])})
			case ok && (sel.Sel.Name == "acrossChains" || sel.Sel.Name == "inTransaction" || sel.Sel.Name == "leading"):
				all = append(all, finding{name, "the keeper"})
			}
			return true
		})
	})
	return all
}

// scopeOf is whom a scope is for, as it is written in the source.
func scopeOf(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.CallExpr:
		if f, ok := e.Fun.(*ast.Ident); ok && f.Name == "inChain" {
			return "a chain"
		} else if ok && (f.Name == "asKeeper" || f.Name == "asLeader") {
			return "the keeper"
		} else if sel, ok := e.Fun.(*ast.SelectorExpr); ok && (sel.Sel.Name == "with" || sel.Sel.Name == "during") {
			return scopeOf(sel.X)
		}
	case *ast.CompositeLit:
		if len(e.Elts) == 0 {
			return "nobody"
		}
		return "scope literal"
	}
	return "somebody"
}

var (
	isStatement = regexp.MustCompile(`(?is)^\s*(select\s|insert into\s|update\s+[%?a-z]\S*\s+set|delete from\s|with\s+\w+ as|do \$\$)`)
	namesChain  = regexp.MustCompile(`(?is)chain = \$1|\(chain\b[^()]*\)\s*(select|values \()\s*\$1\b`)
)

// chainless lists the statements of the package that do not name their chain as
// their first argument.
func chainless(t *testing.T, more string) []finding {
	t.Helper()
	var all []finding
	declarations(t, more, func(name string, n ast.Node) {
		ast.Inspect(n, func(n ast.Node) bool {
			text, ok := literal(n)
			if ok && isStatement.MatchString(text) && !namesChain.MatchString(text) {
				all = append(all, finding{name, text})
			}
			return !ok
		})
	})
	return all
}

// literal is the text of a string that is written in the source, put together
// where it is of several; what is not written there is a question mark.
func literal(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.BasicLit:
		if n.Kind == token.STRING {
			text, err := strconv.Unquote(n.Value)
			return text, err == nil
		}
	case *ast.BinaryExpr:
		left, isText := literal(n.X)
		right, alsoText := literal(n.Y)
		if n.Op == token.ADD && (isText || alsoText) {
			if !isText {
				left = "?"
			}
			if !alsoText {
				right = "?"
			}
			return strings.Join([]string{left, right}, ""), true
		}
	}
	return "", false
}

// forAll are the exported functions that use the database and are not told a
// chain.
var forAll = []string{"Close", "CheckSchema", "Guards", "Forbid", "Permit", "Writable", "Announce", "Listen", "ListChains", "Time", "MarkErased", "RevivedClients", "Probe", "Stats",
	"AcquireLease", "ReleaseLease", "Sequence", "RenewLease", "Revise", "LogProgress", "MarkWrites", "NewestWrite", "ChainIDs", "Cover", "CoverBaselines", "ChangedHeads", "ReadLogState", "CountPending", "SettledBefore", "KnownSettled", "UpdateCounters", "RollUpMonth", "OnWrite", "CountWhatIf", "CountForPractitioner", "WritePractitionerCounts",
	"ErasuresFrom", "CountServers", "VanishedLogs", "MarkErased", "RevivedClients", "SuspendOnChange", "Changes", "Resume", "Suspended", "MinimumSchema", "ReadInstallation"}

// TestEveryFunctionTakesAChain: a function that other packages call with the
// database is told the chain, or is listed above.
func TestEveryFunctionTakesAChain(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	declarations(t, "", func(name string, n ast.Node) {
		f, ok := n.(*ast.FuncDecl)
		if !ok || !f.Name.IsExported() || !usesDatabase(f) {
			return
		}
		seen[name] = true
		if !takes(f.Type.Params, "chain", "string") && !slices.Contains(forAll, name) {
			t.Errorf("%s is not told a chain: list it, if that must be", name)
		}
	})
	for _, name := range append([]string{"Read", "Write", "AppendEntries"}, forAll...) {
		if !seen[name] {
			t.Errorf("%s was not seen", name)
		}
	}
}

// usesDatabase reports whether a function is given the database.
func usesDatabase(f *ast.FuncDecl) bool {
	return takes(f.Type.Params, "", "*DB") || f.Recv != nil && takes(f.Recv, "", "*DB")
}

// takes reports whether there is a parameter of that name, if one is given, and
// type.
func takes(list *ast.FieldList, name, typ string) bool {
	return slices.ContainsFunc(list.List, func(p *ast.Field) bool {
		named := name == "" || slices.ContainsFunc(p.Names, func(n *ast.Ident) bool { return n.Name == name })
		return named && types.ExprString(p.Type) == typ
	})
}
