package rules

import (
	"fmt"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// A stored decision can be made again: the inputs are in it, the texts of its policy are
// kept under their digests, and the code of its revision is kept in the program. A text
// is trusted only if its digest is the one it was asked for by, so nobody who can write
// to the database can change under which rules somebody was refused.
//
// A comparison is of messages field by field, through their descriptors. A field that is
// added to the contract is compared without a change here; leaving one out is a decision
// and stands in Compare.

// Text is something to be kept for ever under its SHA-256, in lower-case hex, so
// that decisions can be made again.
type Text struct {
	Digest string
	Body   []byte
}

// Texts are what must be kept of a policy: first the two lines that the decision's
// policy_digest is of, which name the other two; then the policy; then the house
// policy, which may be nil.
func (e *Engine) Texts(house *pb.HousePolicy) []Text {
	written := HouseText(house)
	texts := []Text{{Body: digestLines(e.textDigest, digest(written))}, {Body: e.PolicyText()}, {Body: written}}
	for i := range texts {
		texts[i].Digest = digest(texts[i].Body)
	}
	return texts
}

// digestLines are the text that policy_digest is the SHA-256 of.
func digestLines(policy, house string) []byte {
	return fmt.Appendf(nil, "built-in %s\nhouse %s\n", policy, house)
}

// The house policy is not built again from its text: it is in the inputs, and the digest
// binds the two together. Its text is kept so that the digest can be checked by somebody
// who has only the texts.

// Restore builds the policy that a decision was made under from the texts kept
// then. find returns a text by its digest.
func Restore(policyDigest string, find func(digest string) ([]byte, error)) (*Engine, error) {
	first, err := verifiedText(policyDigest, find)
	if err != nil {
		return nil, err
	}
	var policy, house string
	if _, err := fmt.Sscanf(string(first), "built-in %s\nhouse %s\n", &policy, &house); err != nil {
		return nil, fmt.Errorf("the text %s names no policy: %w", policyDigest, err)
	}
	text, err := verifiedText(policy, find)
	if err != nil {
		return nil, err
	}
	return Load(text)
}

// verifiedText finds a text and makes sure that it is the one that was kept.
func verifiedText(wanted string, find func(string) ([]byte, error)) ([]byte, error) {
	text, err := find(wanted)
	if err != nil {
		return nil, err
	}
	if digest(text) != wanted {
		return nil, fmt.Errorf("the text kept as %s is another", wanted)
	}
	return text, nil
}

// The comparison is strict on purpose: a message in other words or a list in another order
// is a difference, because a person was shown the stored one.

// Compare says what differs between a stored decision and one made again from
// its inputs, a line each, as "path: stored -> replayed". It looks at the answer:
// the name, the times, the actor, the overrides, the signature, the language and what
// it replaces belong to the record, and the engine's version is told elsewhere.
func Compare(stored, replayed *pb.Decision) []string {
	var differences []string
	a, b := stored.ProtoReflect(), replayed.ProtoReflect()
	fields := a.Descriptor().Fields()
	for i := range fields.Len() {
		switch f := fields.Get(i); f.Name() {
		case "name", "create_time", "actor", "role", "overrides", "countersignature", "standing_verdict", "engine_version", "replaces", "changes",
			"language", "local_texts", "local_texts_reviewed":
		default:
			differences = append(differences, compareField(string(f.Name()), f, a, b)...)
		}
	}
	return differences
}

// compareField compares one field of two messages of a kind.
// A field that is set on one side only differs, also where its value is the default.
func compareField(path string, f protoreflect.FieldDescriptor, a, b protoreflect.Message) []string {
	switch {
	case f.IsList():
		return compareList(path, f, a.Get(f).List(), b.Get(f).List())
	case a.Has(f) != b.Has(f):
		return []string{fmt.Sprintf("%s: %s -> %s", path, displayField(f, a), displayField(f, b))}
	case !a.Has(f):
		return nil
	case f.Message() != nil:
		return compareMessage(path, a.Get(f).Message(), b.Get(f).Message())
	case !a.Get(f).Equal(b.Get(f)):
		return []string{fmt.Sprintf("%s: %s -> %s", path, displayField(f, a), displayField(f, b))}
	}
	return nil
}

// compareMessage compares all fields of two messages of a kind. What this version
// does not know of them must be the same too.
func compareMessage(path string, a, b protoreflect.Message) []string {
	var differences []string
	fields := a.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		differences = append(differences, compareField(path+"."+string(f.Name()), f, a, b)...)
	}
	if string(a.GetUnknown()) != string(b.GetUnknown()) {
		differences = append(differences, path+": fields of a later version differ")
	}
	return differences
}

// compareList compares element by element, then the lengths.
// Elements are compared by place, because the order was shown, too.
func compareList(path string, f protoreflect.FieldDescriptor, a, b protoreflect.List) []string {
	var differences []string
	for i := range min(a.Len(), b.Len()) {
		at := fmt.Sprintf("%s[%d]", path, i)
		switch {
		case f.Message() != nil:
			differences = append(differences, compareMessage(at, a.Get(i).Message(), b.Get(i).Message())...)
		case !a.Get(i).Equal(b.Get(i)):
			differences = append(differences, fmt.Sprintf("%s: %v -> %v", at, a.Get(i), b.Get(i)))
		}
	}
	if a.Len() != b.Len() {
		differences = append(differences, fmt.Sprintf("%s: %d -> %d of them", path, a.Len(), b.Len()))
	}
	return differences
}

// displayField is a field's value in a line of differences.
// A message is not written out, so that a difference stays one line.
func displayField(f protoreflect.FieldDescriptor, m protoreflect.Message) string {
	switch {
	case !m.Has(f):
		return "none"
	case f.Message() != nil:
		return "given"
	case f.Enum() != nil:
		if v := f.Enum().Values().ByNumber(m.Get(f).Enum()); v != nil {
			return string(v.Name())
		}
	}
	return fmt.Sprintf("%v", m.Get(f))
}
