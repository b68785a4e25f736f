package storage

import (
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// EachEntry calls seen with every entry of the chain that fits a filter, in the order
// of positions, until seen returns an error. Entries are judged by their content; search
// columns only narrow down what is read. Its cost grows with the number of entries that
// the columns leave, so a caller bounds record_time or the kind.
func EachEntry(s *Snapshot, f EntryFilter, seen func(*pb.AuditEntry) error) error {
	args := []any{s.chain}
	where, err := f.where(&args)
	if err != nil {
		return err
	}
	where += f.recordTimes().where(&args)
	l := listing{table: "audit_entries", where: "chain = $1 and " + where, args: args,
		key: "position", cast: "bigint", before: "0"}
	for page := (Page{Size: MaxPageSize}); ; {
		found, next, err := listEntries(s, l, page, parse)
		if err != nil {
			return err
		}
		for _, e := range found {
			if !f.Matches(e.AuditEntry) {
				continue
			}
			if err := seen(e.AuditEntry); err != nil {
				return err
			}
		}
		if next == "" {
			return nil
		}
		page.Token = next
	}
}

// EntryValues returns up to limit values that entries of the chain have in a searchable
// text field, in alphabetical order: those that are end or, for resource names, whose
// last part is end; all of them if end is empty. Nothing but an index on the field makes
// it fast, so it is for values that are found nowhere else.
func EntryValues(s *Snapshot, field, end string, limit int) ([]string, error) {
	var parts []string
	for _, name := range (EntryFilter{Field: field}).columns() {
		value := name
		if isList(name) {
			value = "unnest(" + name + ")"
		}
		parts = append(parts, "select "+value+" as value from audit_entries where chain = $1 and "+name+" is not null")
	}
	var values []string
	err := s.all(&values, "select distinct value from ("+strings.Join(parts, " union all ")+`) v
		where $2 = '' or value = $2 or right(value, length($2) + 1) = '/' || $2 order by 1 limit $3`, s.chain, end, limit)
	return values, err
}
