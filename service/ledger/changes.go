package ledger

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Changed returns the entry of a record that decisions depend on and that was created
// or changed: a product, a practitioner, a salon, a house policy, the chain. before is
// the record as it was read, nil for a new one; after is as it is stored. It returns
// nil for other kinds of records, for which coverage by digest suffices.
func (ec EntryContext) Changed(before, after proto.Message) *pb.AuditEntry {
	kind, what := kindOfChange(after)
	if kind == pb.EntryKind_ENTRY_KIND_UNSPECIFIED {
		return nil
	}
	e := ec.entry(kind, after)
	switch after := after.(type) {
	case *pb.Product:
		e.Product = after.Name
	case *pb.Salon:
		e.Salon = after.Name
	case *pb.HousePolicy:
		e.HousePolicy, e.PolicyDigest = after.Name, after.Digest
	}
	describeChange(e, before, after)
	e.Summary = what + " created"
	if len(e.BeforeDigest) > 0 {
		e.Summary = what + " changed: " + inWords(e.ChangedFields)
	}
	return e
}

// kindOfChange returns the kind of the entry of a changed record, and what the record
// is called in its summary.
func kindOfChange(m proto.Message) (pb.EntryKind, string) {
	switch m.(type) {
	case *pb.Product:
		return pb.EntryKind_ENTRY_KIND_PRODUCT_CHANGED, "product"
	case *pb.Practitioner:
		return pb.EntryKind_ENTRY_KIND_PRACTITIONER_CHANGED, "practitioner"
	case *pb.Salon:
		return pb.EntryKind_ENTRY_KIND_SALON_CHANGED, "salon"
	case *pb.HousePolicy:
		return pb.EntryKind_ENTRY_KIND_POLICY_CHANGED, "house policy"
	case *pb.Chain:
		return pb.EntryKind_ENTRY_KIND_CHAIN_CHANGED, "chain"
	}
	return pb.EntryKind_ENTRY_KIND_UNSPECIFIED, ""
}

// describeChange fills in which record was changed, in which fields, and the digests of
// the old and the new stored form.
func describeChange(e *pb.AuditEntry, before, after proto.Message) {
	if named, ok := after.(interface{ GetName() string }); ok {
		e.ChangedRecord = named.GetName()
	}
	e.AfterDigest = Digest(after)
	if before != nil && before.ProtoReflect().IsValid() {
		e.BeforeDigest = Digest(before)
		e.ChangedFields = ChangedFields(before, after)
	}
}

// mostChangedFields is how many paths an entry names at most; the contract states it.
// Above it only the top-level fields are named.
const mostChangedFields = 50

// ChangedFields returns the fields in which two messages of one type differ, as sorted
// paths. A list or a map that differs is one path. Name, etag and the times that the
// server keeps of a record are left out.
//
// If there are more than mostChangedFields, paths are cut to their first field and
// duplicates are removed.
func ChangedFields(before, after proto.Message) []string {
	var paths []string
	collectChanges("", before.ProtoReflect(), after.ProtoReflect(), &paths)
	slices.Sort(paths)
	if len(paths) > mostChangedFields {
		for i, path := range paths {
			paths[i], _, _ = strings.Cut(path, ".")
		}
		paths = slices.Compact(paths)
	}
	return paths
}

// collectChanges appends the paths of the fields that differ. It descends only into
// messages of our own package: a date that differs is one field.
func collectChanges(prefix string, before, after protoreflect.Message, paths *[]string) {
	fields := after.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		path := prefix + string(f.Name())
		if slices.Contains([]string{"name", "etag", "create_time", "update_time"}, path) {
			continue
		}
		was, is := before.Get(f), after.Get(f)
		nested := f.Message() != nil && !f.IsList() && !f.IsMap() && before.Has(f) && after.Has(f) && f.Message().ParentFile().Package() == after.Descriptor().ParentFile().Package()
		switch {
		case nested:
			collectChanges(path+".", was.Message(), is.Message(), paths)
		case before.Has(f) != after.Has(f) || !was.Equal(is):
			*paths = append(*paths, path)
		}
	}
}

// inWords formats paths as words: "directions / maximum minutes".
func inWords(paths []string) string {
	if len(paths) == 0 {
		return "nothing but the time of the change"
	}
	return strings.NewReplacer("_", " ", ".", " / ").Replace(strings.Join(paths, ", "))
}
