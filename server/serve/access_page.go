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

// AccessPage returns a Markdown page of who may call which method, generated from
// the contract. It is generated, so it cannot differ from what the server
// enforces: both read the same options.
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

// accessPreface explains the marks and scopes of the tables.
const accessPreface = `# Access by role

Generated from the contract by ` + "`go run ./server access`" + `. A test fails if this page is out of date.

Callers without an identity may call health and reflection only. A role may call the RPCs that are marked for it; all others return PERMISSION_DENIED with reason ROLE_NOT_ALLOWED. Resources outside of the caller's scope return NOT_FOUND, exactly like resources that do not exist. Scopes:

- **installation**: the request names no chain and covers all chains.
- **chain**: resources of the caller's chain, independent of the salon: clients and their record cards, the catalogue, the directory, the policies.
- **salon**: resources of the caller's chain and, if the caller is confined to salons, of these salons. Lists omit all others.
- **whole chain**: like chain, but callers confined to salons receive PERMISSION_DENIED with reason WHOLE_CHAIN_ONLY.

An operator belongs to no chain and may name any chain.

"Changes" marks RPCs that change stored data and take a request id. "Audits" marks RPCs that write audit log entries. In addition, the audit log records every denial, and every read by an auditor before it is answered.
`

// roles returns all roles in the order of the contract.
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

// headerRow returns the column titles of the roles.
func headerRow(roles []pb.Role) string {
	var text strings.Builder
	for _, role := range roles {
		fmt.Fprintf(&text, " %s |", identity.RoleName(role))
	}
	return text.String()
}

// cell returns a table cell.
func cell(yes bool) string {
	if yes {
		return "x"
	}
	return ""
}

// sortedMethods returns the methods of the contract, ordered by service and
// then as in the contract.
func sortedMethods() []protoreflect.MethodDescriptor {
	methods := contractMethods()
	slices.SortStableFunc(methods, func(a, b protoreflect.MethodDescriptor) int {
		return strings.Compare(string(a.Parent().FullName()), string(b.Parent().FullName()))
	})
	return methods
}

// scopeOf returns the scope of a method, as the page explains it. The scope is
// derived from the messages: a method that names or returns a record of a salon
// is checked against the caller's salons, by its name or by package record.
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

// hasResourceName reports whether a request holds a resource name. A record
// inside the request counts if it has a name.
func hasResourceName(d protoreflect.MessageDescriptor) bool {
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		if isName(f) || f.Message() != nil && f.Message().Fields().ByName("name") != nil {
			return true
		}
	}
	return false
}

// concernsSalon reports whether a message holds, on its top level, a record
// that belongs to one salon. If named is set, the name of such a record
// suffices.
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

// restrictedFields returns the table of the fields that only some roles may
// write.
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
	return "\n## Fields restricted to some roles\n\nOther roles that set one of these fields, or name it in an update mask, receive PERMISSION_DENIED with reason FIELD_NOT_ALLOWED.\n\n| field | written by |\n|---|---|\n" +
		strings.Join(slices.Compact(rows), "")
}

// restrictedRows returns the rows of one kind of record. Only fields with the
// option writable_by have a row.
func restrictedRows(record protoreflect.MessageDescriptor) []string {
	var rows []string
	for i := range record.Fields().Len() {
		var words []string
		for _, role := range writersOf(record.Fields().Get(i)) {
			words = append(words, identity.RoleName(role))
		}
		if len(words) > 0 {
			rows = append(rows, fmt.Sprintf("| %s.%s | %s |\n", record.Name(), record.Fields().Get(i).Name(), strings.Join(words, ", ")))
		}
	}
	return rows
}
