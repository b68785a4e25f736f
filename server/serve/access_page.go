package serve

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
)

// AccessPage is who may call what, as a page of Markdown, read from the
// contract.
func AccessPage() []byte {
	var page bytes.Buffer
	page.WriteString(accessPreface)
	roles := roles()
	service := protoreflect.FullName("")
	for _, m := range sortedMethods() {
		if m.Parent().FullName() != service {
			service = m.Parent().FullName()
			fmt.Fprintf(&page, "\n## %s\n\n| RPC |%s changes | audits | scope |\n|---|%s---|---|---|\n",
				service.Name(), headerRow(roles), strings.Repeat(":-:|", len(roles)))
		}
		access := accessOf(m)
		fmt.Fprintf(&page, "| %s |", m.Name())
		for _, role := range roles {
			fmt.Fprintf(&page, " %s |", cell(slices.Contains(access.GetRoles(), role)))
		}
		fmt.Fprintf(&page, " %s | %s | %s |\n", cell(access.GetMutates()), cell(access.GetAudits()), scopeOf(m))
	}
	page.WriteString(restrictedFields())
	return page.Bytes()
}

const accessPreface = `# Who may call what

Generated from the contract by ` + "`go run ./server access`" + `; a test fails when it is out of date.

Nobody without an identity may call anything but health and reflection, and no role may call what is not marked for it: PERMISSION_DENIED, ROLE_NOT_ALLOWED. What lies outside of the caller's scope is NOT_FOUND, exactly like what does not exist. The scopes:

- **installation**: no chain is named; every chain may be seen.
- **chain**: what belongs to the caller's chain, whatever salon it was made in: clients and their record cards, the catalogue, the directory, the policies.
- **salon**: what belongs to the caller's chain and, when the caller is confined to salons, to one of these. Lists leave out the rest.
- **whole chain**: as chain, and not for callers who are confined to salons: PERMISSION_DENIED, WHOLE_CHAIN_ONLY.

An operator belongs to no chain and may name any.

"Changes" marks what changes stored data and carries a request id; "audits" what may write entries on the audit log by itself. Beside these, every denial is entered there, and every read by an auditor, before it is answered.
`

// roles are all roles, in the order of the contract.
func roles() []pb.Role {
	var all []pb.Role
	for number := range pb.Role_name {
		if number != 0 {
			all = append(all, pb.Role(number))
		}
	}
	slices.Sort(all)
	return all
}

// header names the columns of the roles.
func headerRow(roles []pb.Role) string {
	var text strings.Builder
	for _, role := range roles {
		fmt.Fprintf(&text, " %s |", identity.Word(role))
	}
	return text.String()
}

// mark is a cell.
func cell(yes bool) string {
	if yes {
		return "x"
	}
	return ""
}

// sortedMethods are the methods of the contract by service, in its own order.
func sortedMethods() []protoreflect.MethodDescriptor {
	methods := contractMethods()
	slices.SortStableFunc(methods, func(a, b protoreflect.MethodDescriptor) int {
		return strings.Compare(string(a.Parent().FullName()), string(b.Parent().FullName()))
	})
	return methods
}

// scopeOf is what the caller of a method is held to.
func scopeOf(m protoreflect.MethodDescriptor) string {
	switch {
	case accessOf(m).GetWholeChain() && !hasResourceName(m.Input()):
		return "installation"
	case accessOf(m).GetWholeChain():
		return "whole chain"
	case concernsSalon(m.Input(), true) || concernsSalon(m.Output(), false):
		return "salon"
	}
	return "chain"
}

// namesAny reports whether a request holds a resource name.
func hasResourceName(d protoreflect.MessageDescriptor) bool {
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		if isName(f) || f.Message() != nil && f.Message().Fields().ByName("name") != nil {
			return true
		}
	}
	return false
}

// ofSalon reports whether a message holds, or also merely names, on its top level
// something that stands in one salon.
func concernsSalon(d protoreflect.MessageDescriptor, named bool) bool {
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		kind := ""
		switch {
		case named && f.Message() == nil:
			kind = proto.GetExtension(f.Options(), annotations.E_ResourceReference).(*annotations.ResourceReference).GetType()
		case f.Message() != nil:
			kind = proto.GetExtension(f.Message().Options(), annotations.E_Resource).(*annotations.ResourceDescriptor).GetType()
		}
		switch kind {
		case "alkalog/Salon", "alkalog/Consultation", "alkalog/Decision", "alkalog/Session", "alkalog/Outcome":
			return true
		}
	}
	return false
}

// guardedPage lists the fields that only some roles may write.
func restrictedFields() string {
	var rows []string
	for _, m := range sortedMethods() {
		for i := range m.Input().Fields().Len() {
			if record := m.Input().Fields().Get(i).Message(); record != nil {
				rows = append(rows, restrictedRows(record)...)
			}
		}
	}
	slices.Sort(rows)
	return "\n## Fields that only some may write\n\nAnybody else who sets one, or names it in an update mask, gets PERMISSION_DENIED, FIELD_NOT_ALLOWED.\n\n| field | written by |\n|---|---|\n" +
		strings.Join(slices.Compact(rows), "")
}

// guardedRows are those of one kind of record.
func restrictedRows(record protoreflect.MessageDescriptor) []string {
	var rows []string
	for i := range record.Fields().Len() {
		var words []string
		for _, role := range writersOf(record.Fields().Get(i)) {
			words = append(words, identity.Word(role))
		}
		if len(words) > 0 {
			rows = append(rows, fmt.Sprintf("| %s.%s | %s |\n", record.Name(), record.Fields().Get(i).Name(), strings.Join(words, ", ")))
		}
	}
	return rows
}
