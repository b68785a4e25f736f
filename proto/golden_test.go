package proto_test

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/proto/source"
)

var update = flag.Bool("update", false, "write contract.golden")

// TestContractIsOnlyAddedTo compares the contract with contract.golden, which
// holds what the breaking check of buf does not see: roles, reasons, paths of HTTP,
// limits of input, patterns, what is required, classes of data and meanings. A line of the
// golden file that is gone or changed may be a narrowing, so -update adds lines
// and never replaces one. Only meanings may change: a better wording must not
// mean less, and only a reader can judge that. To change one, remove its line
// from the file, run with -update and have the change read.
func TestContractIsOnlyAddedTo(t *testing.T) {
	files, err := source.Compile(".")
	if err != nil {
		t.Fatal(err)
	}
	now := map[string]string{}
	for _, file := range contractFiles() {
		stateFile(now, file)
	}
	for _, file := range files {
		explainFile(now, file)
	}
	released := readGolden(t)
	for _, breach := range narrowed(released, now) {
		t.Error(breach)
	}
	if *update && !t.Failed() {
		if err := os.WriteFile("contract.golden", writeGolden(now), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	for _, key := range slices.Sorted(maps.Keys(now)) {
		if _, ok := released[key]; !ok {
			t.Errorf("%s is new; run go test ./proto -run TestContractIsOnlyAddedTo -update", key)
		}
	}
}

// narrowed returns a line for everything that the contract promised and no longer
// does, or states otherwise.
func narrowed(released, now map[string]string) []string {
	var breaches []string
	for _, key := range slices.Sorted(maps.Keys(released)) {
		switch value, ok := now[key]; {
		case !ok:
			breaches = append(breaches, fmt.Sprintf("%s is gone; it was %q", key, released[key]))
		case value != released[key]:
			breaches = append(breaches, fmt.Sprintf("%s is now %q; it was %q", key, value, released[key]))
		}
	}
	for _, key := range slices.Sorted(maps.Keys(now)) {
		element, limit, isLimit := strings.Cut(key, " limit")
		_, was := released[key]
		if _, known := released[element+" element"]; isLimit && !was && known {
			breaches = append(breaches, fmt.Sprintf("%s has a new limit,%s %q", element, limit, now[key]))
		}
	}
	return breaches
}

// stateFile adds the options of a file's elements. Each set is stated member by
// member, so that adding a member is an addition.
func stateFile(to map[string]string, file protoreflect.FileDescriptor) {
	for _, service := range all(file.Services()) {
		for _, method := range all(service.Methods()) {
			key := string(method.FullName())
			to[key+" element"] = ""
			access := proto.GetExtension(method.Options(), pb.E_Access).(*pb.Access)
			for _, role := range access.GetRoles() {
				to[key+" role "+role.String()] = ""
			}
			for _, reason := range access.GetReasons() {
				to[key+" reason "+reason.String()] = ""
			}
			to[key+" access"] = fmt.Sprintf("mutates=%t audits=%t", access.GetMutates(), access.GetAudits())
			if access.GetWholeChain() {
				to[key+" limit whole_chain"] = ""
			}
			if verb, path := verbAndPath(proto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule)); path != "" {
				to[key+" http"] = verb + " " + path
			}
		}
	}
	for _, enum := range all(file.Enums()) {
		for _, value := range all(enum.Values()) {
			to[string(value.FullName())+" element"] = ""
			if options := optionsOf(value.Options()); options != "" {
				to[string(value.FullName())+" options"] = options
			}
			stateRevisions(to, string(value.FullName()), contract.ValueSince(value), proto.GetExtension(value.Options(), pb.E_ValueFallback).(string))
		}
	}
	for _, message := range all(file.Messages()) {
		to[string(message.FullName())+" element"] = ""
		stateRules(to, string(message.FullName()), proto.GetExtension(message.Options(), validate.E_Message).(*validate.MessageRules))
		for _, field := range all(message.Fields()) {
			key := string(field.FullName())
			to[key+" element"] = ""
			to[key+" class"] = contract.DataClass(field).String()
			stateRevisions(to, key, contract.Since(field), "")
			writers := proto.GetExtension(field.Options(), pb.E_WritableBy).(*pb.Writers)
			if len(writers.GetRoles()) > 0 {
				to[key+" limit writable_by"] = fmt.Sprint(writers.GetRoles())
			}
			stateRules(to, key, rules(field))
		}
	}
}

// optionsOf is the rank or the terms of an enum value.
func optionsOf(options proto.Message) string {
	var parts []string
	if proto.HasExtension(options, pb.E_Rank) {
		parts = append(parts, fmt.Sprintf("rank=%d", proto.GetExtension(options, pb.E_Rank)))
	}
	if proto.HasExtension(options, pb.E_Terms) {
		terms := proto.GetExtension(options, pb.E_Terms).(*pb.ErrorTerms)
		parts = append(parts, fmt.Sprintf("code=%s scope=%s", terms.Code, terms.Scope))
	}
	return strings.Join(parts, " ")
}

// stateRules adds the rules of input, each limit by its path, such as
// "limit string.max_len".
func stateRules(to map[string]string, key string, rules proto.Message) {
	var walk func(path string, m protoreflect.Message)
	walk = func(path string, m protoreflect.Message) {
		m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
			at := path + "." + string(field.Name())
			switch {
			case field.Message() != nil && !field.IsList():
				walk(at, value.Message())
			case field.IsList():
				for i := range value.List().Len() {
					to[fmt.Sprintf("%s limit %s[%d]", key, strings.TrimPrefix(at, "."), i)] = item(value.List().Get(i))
				}
			default:
				to[key+" limit "+strings.TrimPrefix(at, ".")] = value.String()
			}
			return true
		})
	}
	walk("", rules.ProtoReflect())
}

// item is an item of a list of rules; a CEL rule is its id and expression.
func item(value protoreflect.Value) string {
	if m, ok := value.Interface().(protoreflect.Message); ok {
		if rule, ok := m.Interface().(*validate.Rule); ok {
			return rule.GetId() + ": " + rule.GetExpression()
		}
	}
	return value.String()
}

// explainFile adds the meaning of every element: its comment, on one line.
func explainFile(to map[string]string, file protoreflect.FileDescriptor) {
	explain := func(d protoreflect.Descriptor) {
		to[string(d.FullName())+" meaning"] = strings.Join(strings.Fields(source.Comment(d)), " ")
	}
	for _, service := range all(file.Services()) {
		for _, method := range all(service.Methods()) {
			explain(method)
		}
	}
	for _, enum := range all(file.Enums()) {
		for _, value := range all(enum.Values()) {
			explain(value)
		}
	}
	for _, message := range all(file.Messages()) {
		explain(message)
		for _, field := range all(message.Fields()) {
			explain(field)
		}
	}
}

// readGolden reads contract.golden: a key, a tab and a value on each line. With
// -update a file that is not there is empty.
func readGolden(t *testing.T) map[string]string {
	t.Helper()
	text, err := os.ReadFile("contract.golden")
	if err != nil && !(*update && os.IsNotExist(err)) {
		t.Fatal(err)
	}
	released := map[string]string{}
	for line := range strings.Lines(string(text)) {
		key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "\t")
		released[key] = value
	}
	return released
}

// writeGolden is what readGolden reads.
func writeGolden(stated map[string]string) []byte {
	var text strings.Builder
	for _, key := range slices.Sorted(maps.Keys(stated)) {
		fmt.Fprintf(&text, "%s\t%s\n", key, stated[key])
	}
	return []byte(text.String())
}

// TestNarrowingsAreFound narrows the contract, one way at a time.
func TestNarrowingsAreFound(t *testing.T) {
	released := readGolden(t)
	const start = "alkalog.v1.ProcessingService.StartSession"
	for name, change := range map[string]func(map[string]string){
		"a role removed":           func(c map[string]string) { delete(c, start+" role ROLE_TILL") },
		"min_len raised":           func(c map[string]string) { c["alkalog.v1.CloseSessionRequest.comment limit string.min_len"] = "99" },
		"a maximum lowered":        func(c map[string]string) { c["alkalog.v1.ListSalonsRequest.page_token limit string.max_len"] = "9" },
		"a pattern changed":        func(c map[string]string) { c["alkalog.v1.StartSessionRequest.parent limit string.pattern"] = "^x$" },
		"a field newly required":   func(c map[string]string) { c["alkalog.v1.StartSessionRequest.salon limit required"] = "true" },
		"a meaning changed":        func(c map[string]string) { c[start+" meaning"] = "Ends a service." },
		"a class of data changed":  func(c map[string]string) { c["alkalog.v1.Client.phone class"] = "DATA_CLASS_NONE" },
		"a whole chain asked for":  func(c map[string]string) { c[start+" limit whole_chain"] = "" },
		"a reason no longer given": func(c map[string]string) { delete(c, start+" reason ERROR_REASON_SESSION_OPEN") },
		"a field gone":             func(c map[string]string) { delete(c, "alkalog.v1.Client.phone element") },
	} {
		now := maps.Clone(released)
		change(now)
		if len(narrowed(released, now)) != 1 {
			t.Errorf("%s: %q", name, narrowed(released, now))
		}
	}
	added := maps.Clone(released)
	added["alkalog.v1.StartSessionRequest.mood element"], added["alkalog.v1.StartSessionRequest.mood limit string.max_len"] = "", "9"
	if got := narrowed(released, added); len(got) != 0 {
		t.Errorf("a new field is refused: %q", got)
	}
}
