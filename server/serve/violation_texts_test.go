package serve

import (
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// TestEveryPatternHasAText: nobody should have to read a regular expression
// to learn what a field wants.
func TestEveryPatternHasAText(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	protoregistry.GlobalTypes.RangeMessages(func(m protoreflect.MessageType) bool {
		fields := m.Descriptor().Fields()
		for i := range fields.Len() {
			if m.Descriptor().ParentFile().Package() != "alkalog.v1" {
				break
			}
			for _, pattern := range patternsOf(fields.Get(i)) {
				seen[pattern] = true
				if words := wantPattern(fields.Get(i), pattern); strings.HasPrefix(words, "must match") || strings.Contains(words, "...") || strings.HasSuffix(words, "like ") {
					t.Errorf("%s %s", fields.Get(i).FullName(), words)
				}
			}
		}
		return true
	})
	if len(seen) < 15 {
		t.Errorf("only %d patterns were seen", len(seen))
	}
	for words := range patternTexts() {
		optional := "^(" + strings.TrimSuffix(strings.TrimPrefix(words, "^"), "$") + ")?$"
		if !seen[words] && !seen[optional] {
			t.Errorf("the contract does not use %s any more", words)
		}
	}
}

// patternsOf returns the patterns that a field or its items must match.
func patternsOf(field protoreflect.FieldDescriptor) []string {
	rules := proto.GetExtension(field.Options(), validate.E_Field).(*validate.FieldRules)
	var patterns []string
	for _, p := range []string{rules.GetString().GetPattern(), rules.GetRepeated().GetItems().GetString().GetPattern()} {
		if p != "" {
			patterns = append(patterns, p)
		}
	}
	return patterns
}

func TestNamesInWords(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ message, field, want string }{
		{"GetClientRequest", "name", "must be a name like chains/{chain}/clients/{client}"},
		{"StartSessionRequest", "decision", "must be a name like chains/{chain}/clients/{client}/decisions/{decision}, or empty"},
		{"ListSessionsRequest", "parent", "must be a name like chains/{chain}/clients/{client}, or end in - for all"},
		{"Salon", "name", "must be a name like chains/{chain}/salons/{salon}, or empty"},
		{"Practitioner", "salons", "must be a name like chains/{chain}/salons/{salon}"},
	} {
		m, err := protoregistry.GlobalTypes.FindMessageByName(protoreflect.FullName("alkalog.v1." + c.message))
		if err != nil {
			t.Fatal(err)
		}
		field := m.Descriptor().Fields().ByName(protoreflect.Name(c.field))
		if got := wantPattern(field, patternsOf(field)[0]); got != c.want {
			t.Errorf("%s.%s %s, want %s", c.message, c.field, got, c.want)
		}
	}
}
