package audit

import (
	"errors"
	"slices"
	"strings"
	"sync"
	"time"

	"go.einride.tech/aip/filtering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/storage"
)

// grammar returns the grammar of filters: AIP-160 over these fields and nothing else. It
// is made once, because that takes longer than parsing a filter.
var grammar = sync.OnceValues(func() (*filtering.Declarations, error) {
	declared := []filtering.DeclarationOption{filtering.DeclareStandardFunctions()}
	for _, field := range []string{"kind", "salon", "actor", "practitioner", "service_practitioner", "client", "decision", "session",
		"product", "lot", "rule", "subject", "reason", "override_reason", "policy", "till", "till_version"} {
		declared = append(declared, filtering.DeclareIdent(field, filtering.TypeString))
	}
	for _, field := range []string{"occur_time", "record_time"} {
		declared = append(declared, filtering.DeclareIdent(field, filtering.TypeTimestamp))
	}
	return filtering.NewDeclarations(declared...)
})

// parse parses a filter. An empty filter accepts everything. Every error is
// INVALID_ARGUMENT and says what would be right.
//
// The parser's own message for two conditions without an operator between them names an
// internal function; it is replaced.
func parse(filter string) (storage.EntryFilter, error) {
	if strings.TrimSpace(filter) == "" {
		return storage.EntryFilter{}, nil
	}
	declarations, err := grammar()
	if err != nil {
		return storage.EntryFilter{}, err
	}
	parsed, err := filtering.ParseFilterString(filter, declarations)
	if err != nil && strings.Contains(err.Error(), filtering.FunctionFuzzyAnd) {
		err = errors.New("conditions must be joined by AND or OR")
	}
	if err != nil {
		return storage.EntryFilter{}, fault.Invalid("filter", "is not understood: "+err.Error())
	}
	condition, err := translate(parsed.CheckedExpr.GetExpr())
	if err != nil {
		return storage.EntryFilter{}, fault.Invalid("filter", err.Error())
	}
	return condition, nil
}

// coverage are the kinds of entries that only cover records by digest. Nobody did
// anything, so they are left out unless a filter names one of them.
var coverage = []pb.EntryKind{pb.EntryKind_ENTRY_KIND_COVERAGE, pb.EntryKind_ENTRY_KIND_BASELINE}

// withoutCoverage excludes the kinds of coverage from a filter that names none of them.
//
// It returns the filter unchanged if it names one of these kinds, even to exclude it.
func withoutCoverage(f storage.EntryFilter) storage.EntryFilter {
	visible := storage.EntryFilter{Op: "AND"}
	for _, kind := range coverage {
		if names(f, kind.String()) {
			return f
		}
		visible.Of = append(visible.Of, storage.EntryFilter{Op: "!=", Field: "kind", Value: kind.String()})
	}
	if f.Op != "" {
		visible.Of = append([]storage.EntryFilter{f}, visible.Of...)
	}
	return visible
}

// names reports whether a filter compares the kind with a value, at any depth.
func names(f storage.EntryFilter, kind string) bool {
	return f.Field == "kind" && f.Value == kind || slices.ContainsFunc(f.Of, func(part storage.EntryFilter) bool { return names(part, kind) })
}

// translate converts a checked expression to a condition for storage. Functions and
// bare values, which the grammar permits, are refused.
//
// AND, OR and NOT become conditions with parts; everything else must be a comparison.
func translate(e *expr.Expr) (storage.EntryFilter, error) {
	call := e.GetCallExpr()
	if call == nil {
		return storage.EntryFilter{}, errors.New(`must compare fields with values, such as kind = "REFUSAL"`)
	}
	switch call.Function {
	case filtering.FunctionAnd, filtering.FunctionOr, filtering.FunctionNot:
		joined := storage.EntryFilter{Op: call.Function}
		for _, arg := range call.Args {
			part, err := translate(arg)
			if err != nil {
				return joined, err
			}
			joined.Of = append(joined.Of, part)
		}
		return joined, nil
	}
	return comparison(call)
}

// comparison converts "field op value" to a condition. Names of fields were checked by
// the grammar; values are checked here.
//
// Kinds may be written with or without their prefix. Texts can be compared for equality
// only, times in every way.
func comparison(call *expr.Expr_Call) (storage.EntryFilter, error) {
	f := storage.EntryFilter{Op: call.Function}
	if len(call.Args) != 2 || call.Args[0].GetIdentExpr() == nil {
		return f, errors.New("must have a field on the left of " + call.Function)
	}
	f.Field = call.Args[0].GetIdentExpr().Name
	text, ok := literal(call.Args[1])
	if !ok {
		return f, errors.New("must have a value in quotes on the right of " + call.Function)
	}
	if strings.ContainsFunc(text, func(r rune) bool { return !mayStand(f.Field, r) }) {
		return f, errors.New("must compare " + f.Field + " with a value of letters (A to Z, a to z), digits and . _ : / @ + - only: the log shows it in clear")
	}
	switch f.Field {
	case "occur_time", "record_time":
		at, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			return f, errors.New(f.Field + ` must be compared with a time such as "2026-11-01T00:00:00Z"`)
		}
		f.Value = at
		return f, nil
	case "kind":
		text = "ENTRY_KIND_" + strings.TrimPrefix(text, "ENTRY_KIND_")
		if _, known := pb.EntryKind_value[text]; !known {
			return f, errors.New("kind must be a name of EntryKind, such as REFUSAL")
		}
	}
	if f.Op != filtering.FunctionEquals && f.Op != filtering.FunctionNotEquals {
		return f, errors.New(f.Field + " can be compared by = and != only")
	}
	f.Value = text
	return f, nil
}

// mayStand reports whether a character may be in a value for a field. Permitted are the
// characters of names, codes and times. Others, which personal data in words would
// need, are refused, because the filter of an auditor is put on the log.
//
// A blank is permitted where values have one: in the names of tills, in lot codes and
// in times.
func mayStand(field string, r rune) bool {
	switch {
	case 'a' <= r && r <= 'z', 'A' <= r && r <= 'Z', '0' <= r && r <= '9', strings.ContainsRune("._:/@+-", r):
		return true
	}
	return r == ' ' && (field == "till" || field == "lot" || field == "occur_time" || field == "record_time")
}

// literal returns the text of a quoted value, bare or inside timestamp("...").
//
// A number or a bare word is no value: every value is quoted.
func literal(e *expr.Expr) (string, bool) {
	if call := e.GetCallExpr(); call != nil && call.Function == filtering.FunctionTimestamp && len(call.Args) == 1 {
		e = call.Args[0]
	}
	constant, ok := e.GetConstExpr().GetConstantKind().(*expr.Constant_StringValue)
	if !ok {
		return "", false
	}
	return constant.StringValue, true
}
