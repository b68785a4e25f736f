package fault_test

import (
	"bytes"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/proto/source"
)

var update = flag.Bool("update", false, "write REASONS.md")

const prefix = "ERROR_REASON_"

// TestReasonsPage compares REASONS.md with the contract.
func TestReasonsPage(t *testing.T) {
	t.Parallel()
	page := reasonsPage(t)
	if *update {
		if err := os.WriteFile("REASONS.md", page, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	stored, err := os.ReadFile("REASONS.md")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(stored, page) {
		t.Error("REASONS.md differs from the contract; run go test ./service/fault -run TestReasonsPage -update")
	}
}

// TestReasonsAreListedAndRaised compares the reasons that Go code names with
// those of the contract.
func TestReasonsAreListedAndRaised(t *testing.T) {
	t.Parallel()
	for _, breach := range compare(raised(t), rpcs()) {
		t.Error(breach)
	}
}

// TestDifferencesAreFound changes one side of the comparison at a time.
func TestDifferencesAreFound(t *testing.T) {
	t.Parallel()
	unchanged := raised(t)
	for name, c := range map[string]struct {
		change func(map[string][]string)
		want   string
	}{
		"a reason of another service": {func(r map[string][]string) { r["RINSE_FIRST"] = append(r["RINSE_FIRST"], "service/audit") }, "RINSE_FIRST: service/audit raises it, and no RPC of AuditService lists it"},
		"a reason that nobody raises": {func(r map[string][]string) { delete(r, "LEGAL_HOLD") }, "LEGAL_HOLD: the contract has it and no code raises it"},
		"an unknown reason":           {func(r map[string][]string) { r["TIRED"] = []string{"service/audit"} }, "TIRED: is not a reason of the contract"},
	} {
		changed := map[string][]string{}
		for reason, folders := range unchanged {
			changed[reason] = slices.Clone(folders)
		}
		c.change(changed)
		if got := compare(changed, rpcs()); !slices.Contains(got, c.want) {
			t.Errorf("%s: got %q, want %q", name, got, c.want)
		}
	}
}

// TestEveryReasonHasTerms wants a code and a scope for every reason, and RPCs that
// list only reasons of scope LISTED, each once.
func TestEveryReasonHasTerms(t *testing.T) {
	t.Parallel()
	for _, reason := range reasons() {
		if terms := contract.Terms(reason); terms.GetCode() == 0 || terms.GetScope() == pb.ErrorScope_ERROR_SCOPE_UNSPECIFIED {
			t.Errorf("%s has no code or no scope", reason)
		}
	}
	for _, rpc := range rpcs() {
		listed := proto.GetExtension(rpc.Options(), pb.E_Access).(*pb.Access).GetReasons()
		for i, reason := range listed {
			if contract.Terms(reason).GetScope() != pb.ErrorScope_ERROR_SCOPE_LISTED || slices.Contains(listed[:i], reason) {
				t.Errorf("%s lists %s, which is listed twice or has another scope", rpc.Name(), reason)
			}
		}
	}
}

// reasons are all values of the enum but the first.
func reasons() []pb.ErrorReason {
	var all []pb.ErrorReason
	for number := range pb.ErrorReason_name {
		if number != 0 {
			all = append(all, pb.ErrorReason(number))
		}
	}
	slices.Sort(all)
	return all
}

// rpcs are all RPCs of the contract, by service and in the contract's order.
func rpcs() []protoreflect.MethodDescriptor {
	var all []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("alkalog.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			for j := range file.Services().Get(i).Methods().Len() {
				all = append(all, file.Services().Get(i).Methods().Get(j))
			}
		}
		return true
	})
	slices.SortStableFunc(all, func(a, b protoreflect.MethodDescriptor) int {
		return strings.Compare(string(a.Parent().Name()), string(b.Parent().Name()))
	})
	return all
}

// raised maps each reason that Go code outside of tests names to the folders that
// name it.
func raised(t *testing.T) map[string][]string {
	t.Helper()
	found := map[string][]string{}
	for _, root := range []string{"../../server", "../../service", "../../storage"} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			folder := filepath.ToSlash(strings.TrimPrefix(filepath.Dir(path), "../../"))
			ast.Inspect(file, func(n ast.Node) bool {
				selector, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				if reason, ok := strings.CutPrefix(selector.Sel.Name, "ErrorReason_"+prefix); ok && !slices.Contains(found[reason], folder) {
					found[reason] = append(found[reason], folder)
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	delete(found, "UNSPECIFIED")
	return found
}

// compare returns a line for every difference between the reasons that code names
// and those that the contract has. A service may raise a reason with scope LISTED
// only if one of its own RPCs lists it; what several services use may raise it if
// any RPC does.
func compare(raised map[string][]string, rpcs []protoreflect.MethodDescriptor) []string {
	var breaches []string
	for _, reason := range reasons() {
		name := strings.TrimPrefix(reason.String(), prefix)
		if len(raised[name]) == 0 {
			breaches = append(breaches, name+": the contract has it and no code raises it")
		}
	}
	for name, folders := range raised {
		number, known := pb.ErrorReason_value[prefix+name]
		reason := pb.ErrorReason(number)
		switch {
		case !known:
			breaches = append(breaches, name+": is not a reason of the contract")
		case contract.Terms(reason).GetScope() == pb.ErrorScope_ERROR_SCOPE_LISTED:
			for _, folder := range folders {
				breaches = append(breaches, unlisted(reason, folder, rpcs)...)
			}
		}
	}
	slices.Sort(breaches)
	return breaches
}

// unlisted says that a folder raises a reason that none of its RPCs lists.
func unlisted(reason pb.ErrorReason, folder string, rpcs []protoreflect.MethodDescriptor) []string {
	own := strings.TrimPrefix(folder, "service/")
	service := strings.ToUpper(own[:1]) + own[1:] + "Service"
	isService := slices.ContainsFunc(rpcs, func(m protoreflect.MethodDescriptor) bool { return string(m.Parent().Name()) == service })
	if slices.ContainsFunc(rpcs, func(m protoreflect.MethodDescriptor) bool {
		return (!isService || string(m.Parent().Name()) == service) && contract.CanFail(m, reason)
	}) {
		return nil
	}
	if !isService {
		service = "any service"
	}
	return []string{fmt.Sprintf("%s: %s raises it, and no RPC of %s lists it", strings.TrimPrefix(reason.String(), prefix), folder, service)}
}

const preface = `# Error reasons

Generated from proto/alkalog/v1/error_reason.proto by ` + "`go test ./service/fault -run TestReasonsPage -update`" + `; a test fails when it is out of date.

Every error carries google.rpc.ErrorInfo with the domain "alkalog" and one of these reasons. Its metadata holds every resource name that the message mentions; "resource" is what the error is about. Read code, reason and metadata; do not parse the message. Treat a reason that you do not know by its code:

| code | what the till does |
|---|---|
| UNAVAILABLE, DEADLINE_EXCEEDED, RESOURCE_EXHAUSTED | send the same request again with the same request_id, after RetryInfo.retry_delay if it is given |
| ABORTED | read again, then send a new request with a new request_id |
| INVALID_ARGUMENT, NOT_FOUND, ALREADY_EXISTS, PERMISSION_DENIED, FAILED_PRECONDITION, UNAUTHENTICATED, DATA_LOSS | do not send the same request again |
`

// reasonsPage is REASONS.md.
func reasonsPage(t *testing.T) []byte {
	t.Helper()
	files, err := source.Compile("../../proto", "error_reason.proto")
	if err != nil {
		t.Fatal(err)
	}
	values := files[0].Enums().ByName("ErrorReason").Values()
	var page bytes.Buffer
	page.WriteString(preface)
	for _, part := range []struct {
		scope pb.ErrorScope
		title string
	}{
		{pb.ErrorScope_ERROR_SCOPE_LISTED, "Reasons of single RPCs"},
		{pb.ErrorScope_ERROR_SCOPE_EVERY_CALL, "Reasons of every RPC"},
		{pb.ErrorScope_ERROR_SCOPE_EVERY_CHANGE, "Reasons of every RPC that changes stored data"},
		{pb.ErrorScope_ERROR_SCOPE_EVERY_STREAM, "Reasons of every stream"},
		{pb.ErrorScope_ERROR_SCOPE_EVERY_WHOLE_CHAIN_CALL, "Reasons of every RPC that covers the whole chain"},
		{pb.ErrorScope_ERROR_SCOPE_OPEN_CALL, "Reasons of health and reflection"},
	} {
		fmt.Fprintf(&page, "\n## %s\n\n| reason | code |%s meaning | what the till does next |\n|---|---|---|---|%s\n", part.title,
			map[bool]string{true: " RPCs |"}[part.scope == pb.ErrorScope_ERROR_SCOPE_LISTED], map[bool]string{true: "---|"}[part.scope == pb.ErrorScope_ERROR_SCOPE_LISTED])
		for _, reason := range reasons() {
			if contract.Terms(reason).GetScope() != part.scope {
				continue
			}
			meaning, next, ok := strings.Cut(source.Comment(values.ByNumber(reason.Number())), "\n\nNext: ")
			if !ok {
				t.Errorf("the comment of %s has no paragraph that begins with Next:", reason)
			}
			fmt.Fprintf(&page, "| %s | %s |", strings.TrimPrefix(reason.String(), prefix), contract.Terms(reason).GetCode())
			if part.scope == pb.ErrorScope_ERROR_SCOPE_LISTED {
				fmt.Fprintf(&page, " %s |", strings.Join(listing(reason), ", "))
			}
			fmt.Fprintf(&page, " %s | %s |\n", oneLine(meaning), oneLine(next))
		}
	}
	return page.Bytes()
}

// listing names the RPCs that can fail with a reason; all of them but a few, by
// those.
func listing(reason pb.ErrorReason) []string {
	var can, cannot []string
	for _, rpc := range rpcs() {
		if contract.CanFail(rpc, reason) {
			can = append(can, string(rpc.Name()))
		} else {
			cannot = append(cannot, string(rpc.Name()))
		}
	}
	if len(cannot) < 5 {
		return []string{"all but " + strings.Join(cannot, ", ")}
	}
	return can
}

// oneLine joins lines.
func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }
