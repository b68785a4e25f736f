package storage

import (
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/lib/pq"
)

// SearchableTables are the tables that InspectColumns is for.
func SearchableTables() []string { return []string{Incidents.name, Sessions.name} }

// InspectColumns checks that the search columns of a table say what the opened
// records say, behind a key in the order of keys: no digest covers the columns, and
// a session or a follow-up that they hide is found by nobody. It passes by records of
// erased clients, which cannot be opened, and those from before coverage, whose
// columns earlier releases have filled. It returns the key that it has got to, and an
// empty one when there are no more.
func InspectColumns(s *Snapshot, table string, after [2]string, window int) ([]Mismatch, [2]string, error) {
	switch table {
	case Incidents.name:
		return inspectColumns(s, Incidents.table, "", after, window)
	case Sessions.name:
		// A session that began before there was sole keeps its NULL.
		return inspectColumns(s, Sessions.table, "sole", after, window)
	}
	return nil, after, fmt.Errorf("storage: no table %q with compared columns", table)
}

// inspectColumns is InspectColumns for a table whose parents are clients, without a
// column.
func inspectColumns[M named](s *Snapshot, t table[M], without string, after [2]string, window int) ([]Mismatch, [2]string, error) {
	var rows []struct {
		sealedRow
		Write string
	}
	err := s.all(&rows, fmt.Sprintf(`select r.parent, r.id, r.body, r.write_id as write, k.version, k.wrapped
		from %s r join client_keys k on k.chain = $1 and k.client = r.parent
		where r.chain = $1 and r.write_id is not null and (r.parent, r.id) > ($2, $3) order by r.parent, r.id limit $4`, t.name),
		s.chain, after[0], after[1], window)
	if err != nil || len(rows) == 0 {
		return nil, [2]string{}, err
	}
	var opened []Record
	parents := map[string]string{}
	for _, r := range rows {
		body, err := s.open(t.name, r.Parent, r.sealedRow)
		if errors.Is(err, ErrNotFound) || errors.Is(err, ErrSealed) {
			continue // InspectRecords reports what was changed
		}
		if err != nil {
			return nil, after, err
		}
		m, err := parse[M](body)
		if err != nil {
			continue
		}
		parents[r.ID] = r.Parent
		values := append([]sql.NullString{text(r.Write)}, t.values(m)...)
		opened = append(opened, Record{statements: t.statements, key: key{s.chain, r.Parent, r.ID}, values: values})
	}
	last := rows[len(rows)-1]
	reached := [2]string{last.Parent, last.ID}
	if len(opened) == 0 {
		return nil, reached, nil
	}
	var differ []struct {
		ID      string
		Columns pq.StringArray
	}
	if err := s.all(&differ, t.mismatched, insertArgs(opened)...); err != nil {
		return nil, after, err
	}
	var found []Mismatch
	for _, d := range differ {
		columns := slices.DeleteFunc(d.Columns, func(c string) bool { return c == without })
		if len(columns) > 0 {
			found = append(found, newMismatch(t.name, parents[d.ID], d.ID, "search columns were changed, so it may not be found: "+strings.Join(columns, ", ")))
		}
	}
	return found, reached, nil
}
