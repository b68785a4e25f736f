package storage

import (
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// auditedTable is a table whose records each have an audit entry that was written in
// the same transaction. The cause digest of the entry is that of the record as stored.
type auditedTable struct {
	// table is the name of the table.
	table string
	// kinds are the kinds of the entries, as an SQL list. They must be written as in the
	// definition of the index on cause digests, or PostgreSQL does not use it.
	kinds string
	// needs is an SQL condition for the records that must have an entry.
	needs string
	// must is the same condition on the opened body, which nobody can change in the database;
	// nil: every record must have an entry.
	must func(body []byte) (bool, error)
}

// causeKinds are the kinds of the entries of decisions and overrides.
const causeKinds = "'ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL', 'ENTRY_KIND_OVERRIDE', 'ENTRY_KIND_OVERRIDE_DENIED'"

// auditedTables lists these tables. A new kind of record with an entry of its own must
// be added here.
var auditedTables = []auditedTable{
	{table: "decisions", kinds: causeKinds, needs: "r.verdict in ('VERDICT_REFUSE', 'VERDICT_REFER')", must: refuses},
	{table: "overrides", kinds: causeKinds, needs: "true"},
	{table: "incidents", kinds: "'ENTRY_KIND_INCIDENT', 'ENTRY_KIND_FOLLOW_UP', 'ENTRY_KIND_FOLLOW_UP_OVERDUE'", needs: "true"},
	{table: "countersignatures", kinds: "'ENTRY_KIND_COUNTERSIGNED'", needs: "true"},
	{table: "mark_sheets", kinds: "'ENTRY_KIND_MARKS_CONFIRMED'", needs: "r.confirmed"},
}

// refuses reports whether a decision, given as its encoded form, refuses or refers.
func refuses(body []byte) (bool, error) {
	d, err := parse[*pb.Decision](body)
	return d.GetVerdict() == pb.Verdict_VERDICT_REFUSE || d.GetVerdict() == pb.Verdict_VERDICT_REFER, err
}

// AuditedTables returns the tables for InspectAudited.
func AuditedTables() []string {
	var names []string
	for _, t := range auditedTables {
		names = append(names, t.table)
	}
	return names
}

// InspectAudited checks that records of a table have their audit entries, after a key,
// in the order of keys. It finds an entry that was deleted before it was put on the
// log, which leaves no other trace. Records of erased clients cannot be opened and are
// judged by their columns. It returns the key that it has reached, and an empty one
// when there are no more.
func InspectAudited(s *Snapshot, table string, after [2]string, window int) ([]Mismatch, [2]string, error) {
	var t auditedTable
	for _, t = range auditedTables {
		if t.table == table {
			break
		}
	}
	if t.table != table {
		return nil, after, fmt.Errorf("storage: no table %q whose records have entries", table)
	}
	var rows []struct {
		sealedRow
		Entered, Needed, Keyed bool
	}
	err := s.all(&rows, fmt.Sprintf(`with part as materialized (
			select * from %s r where r.chain = $1 and (r.parent, r.id) > ($2, $3) order by r.parent, r.id limit $4)
		select r.parent, r.id, r.body, coalesce(k.version, '') as version, k.wrapped, k.client is not null as keyed, coalesce(%s, false) as needed,
			exists (select from audit_entries e where e.chain = $1 and e.cause_digest = sha256(r.body) and e.kind in (%s)) as entered
		from part r left join client_keys k on k.chain = $1 and k.client = r.parent order by r.parent, r.id`, t.table, t.needs, t.kinds),
		s.chain, after[0], after[1], window)
	if err != nil || len(rows) == 0 {
		return nil, [2]string{}, err
	}
	var found []Mismatch
	for _, r := range rows {
		if needed := r.Needed; !r.Entered {
			if !needed && r.Keyed && t.must != nil {
				if needed, err = t.opened(s, r.sealedRow); err != nil {
					return nil, after, err
				}
			}
			if needed {
				found = append(found, newMismatch(t.table, r.Parent, r.ID, "its audit entry was deleted: none was written for the record as it is"))
			}
		}
	}
	last := rows[len(rows)-1]
	return found, [2]string{last.Parent, last.ID}, nil
}

// opened reports whether a record must have an entry, judged by its body. If the body
// does not open, it returns false: InspectRecords reports that.
func (t auditedTable) opened(s *Snapshot, r sealedRow) (bool, error) {
	body, err := s.open(t.table, r.Parent, r)
	needed := false
	if err == nil {
		needed, err = t.must(body)
	}
	if errors.Is(err, ErrNotFound) || errors.Is(err, ErrSealed) {
		return false, nil
	}
	return needed, err
}
