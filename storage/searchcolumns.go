package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/lib/pq"
	"google.golang.org/protobuf/proto"
)

// SQL cannot compute the search columns of sealed records, because it cannot open their
// bodies. This file does both things that need the bodies: InspectColumns compares the
// stored columns with recomputed ones, and RecomputeColumns writes them. Both call the
// functions that fill the columns on insert.
//
// Two things are not checked or recomputed: the fixed columns of a kind, such as sole
// of sessions, and client_index, whose hashes need the installation's keys.
// InspectColumns also skips rows from before coverage; RecomputeColumns does not.

// sealedKind is a sealed table as its search columns need it, without its message
// type.
type sealedKind struct {
	*statements
	// owner is an SQL expression for the client of row r.
	owner string
	// fixed names columns that are not a function of the body alone. They are
	// neither compared nor recomputed.
	fixed []string
	// columns are the names of all search columns.
	columns []string
	// recompute updates the rows that differ. It takes the arguments of insert.
	recompute string
	// values computes the column values from an opened body.
	values func(body []byte) ([]sql.NullString, error)
}

// sealedKinds lists every sealed table, in the order of recomputing.
func sealedKinds() []sealedKind {
	return []sealedKind{
		newSealedKind(Clients.table, "r.id"),
		newSealedKind(Consultations.table, "r.parent"),
		newSealedKind(countersignatures, "r.parent"),
		newSealedKind(Decisions.table, "r.parent"),
		newSealedKind(Incidents.table, "r.parent"),
		newSealedKind(Outcomes.table, "r.parent"),
		newSealedKind(overrides, "(select o.parent from decisions o where o.chain = $1 and o.id = r.parent limit 1)"),
		newSealedKind(events, "(select o.parent from sessions o where o.chain = $1 and o.id = r.parent limit 1)"),
		// The trigger keep_sole lets sole only become false: a session from before
		// the column keeps its NULL.
		newSealedKind(Sessions.table, "r.parent", "sole"),
	}
}

// newSealedKind makes the statements for a table whose rows belong to owner.
func newSealedKind[M proto.Message](t table[M], owner string, fixed ...string) sealedKind {
	k := sealedKind{statements: t.statements, owner: owner, fixed: fixed}
	k.values = func(body []byte) ([]sql.NullString, error) {
		m, err := parse[M](body)
		if err != nil {
			return nil, err
		}
		return t.values(m), nil
	}
	var names, arrays strings.Builder
	var sets, stored, wanted []string
	for i, c := range t.columns {
		k.columns = append(k.columns, c.name)
		fmt.Fprintf(&names, ", %s", c.name)
		fmt.Fprintf(&arrays, ", $%d::text[]", i+6)
		if slices.Contains(fixed, c.name) {
			continue
		}
		value := fmt.Sprintf("n.%s::%s", c.name, c.sqlType)
		sets = append(sets, c.name+" = "+value)
		stored, wanted = append(stored, "r."+c.name), append(wanted, value)
	}
	// A row whose body was replaced meanwhile got new columns with the new body.
	k.recompute = fmt.Sprintf("update %s r set %s from unnest($2::text[], $3::text[], $4::text[], $5::bytea[]%s) as n (parent, id, etag, body%s) "+
		"where r.chain = $1 and r.parent = n.parent and r.id = n.id and r.body = n.body and row(%s) is distinct from row(%s)",
		t.name, strings.Join(sets, ", "), &arrays, &names, strings.Join(stored, ", "), strings.Join(wanted, ", "))
	return k
}

// SearchableTables are the sealed tables that have search columns.
func SearchableTables() []string {
	var names []string
	for _, k := range sealedKinds() {
		if len(k.columns) > 0 {
			names = append(names, k.name)
		}
	}
	return names
}

// columnRow is a stored row with its client's key and the ID of its write.
type columnRow struct {
	sealedRow
	Client string
	Write  string
}

// page opens the rows of a table behind a key, and returns them with recomputed
// values and the key of the last row; that is empty on the last page. Rows that
// cannot be opened are left out: InspectRecords reports those that were changed.
func (k sealedKind) page(s *Snapshot, after [2]string, size int, where string) (records []Record, writes []string, last [2]string, err error) {
	var rows []columnRow
	err = s.all(&rows, fmt.Sprintf(`select r.parent, r.id, r.body, coalesce(r.write_id, '') as write, k.client, k.version, k.wrapped
		from %s r join client_keys k on k.chain = $1 and k.client = %s
		where r.chain = $1 and %s and (r.parent, r.id) > ($2, $3) order by r.parent, r.id limit $4`, k.name, k.owner, where),
		s.chain, after[0], after[1], size)
	if err != nil || len(rows) == 0 {
		return nil, nil, [2]string{}, err
	}
	for _, r := range rows {
		body, err := s.open(k.name, r.Client, r.sealedRow)
		if errors.Is(err, ErrNotFound) || errors.Is(err, ErrSealed) {
			continue
		}
		if err != nil {
			return nil, nil, after, err
		}
		values, err := k.values(body)
		if err != nil {
			continue
		}
		records = append(records, Record{statements: k.statements, key: key{s.chain, r.Parent, r.ID}, body: r.Body, values: values})
		writes = append(writes, r.Write)
	}
	return records, writes, [2]string{rows[len(rows)-1].Parent, rows[len(rows)-1].ID}, nil
}

// InspectColumns compares the search columns of a table with recomputed ones,
// behind a key in the order of keys. No digest covers the columns, and a record
// with wrong columns is not found. It skips records of erased clients and records
// from before coverage. It returns the key that it has reached, and an empty one
// when there are no more.
func InspectColumns(s *Snapshot, table string, after [2]string, window int) ([]Mismatch, [2]string, error) {
	at := slices.IndexFunc(sealedKinds(), func(k sealedKind) bool { return k.name == table && len(k.columns) > 0 })
	if at < 0 {
		return nil, after, fmt.Errorf("storage: table %q has no sealed records with search columns", table)
	}
	k := sealedKinds()[at]
	records, writes, last, err := k.page(s, after, window, "r.write_id is not null")
	if err != nil || len(records) == 0 {
		return nil, last, err
	}
	for i, r := range records {
		records[i].values = append([]sql.NullString{text(writes[i])}, r.values...)
	}
	var differ []struct {
		Parent, ID string
		Columns    pq.StringArray
	}
	if err := s.all(&differ, k.mismatched, insertArgs(records)...); err != nil {
		return nil, after, err
	}
	var found []Mismatch
	for _, d := range differ {
		columns := slices.DeleteFunc(d.Columns, func(c string) bool { return slices.Contains(k.fixed, c) })
		if len(columns) > 0 {
			found = append(found, newMismatch(k.name, d.Parent, d.ID, "search columns were changed, so it may not be found: "+strings.Join(columns, ", ")))
		}
	}
	return found, last, nil
}

// ColumnsPosition is how far RecomputeColumns has come: the table and the key of
// the last row of the last committed page. The zero position is the start.
type ColumnsPosition struct{ Table, Parent, ID string }

// recomputedAtATime is how many rows RecomputeColumns reads and updates in one
// transaction. Writes to the table wait for that transaction; reads do not.
const recomputedAtATime = 500

// RecomputeColumns recomputes the search columns of all sealed records of a chain,
// those from before coverage too, and updates the rows that differ. A migration
// that adds a search column to a sealed table needs it, because SQL cannot read the
// bodies.
//
// It works page by page, in the order of tables and keys, and commits each page.
// After each page it calls progress with the position and the number of rows
// updated; an error of progress ends it. To resume, pass the last position. To
// start again is correct too: rows that are right are not updated.
//
// The db reads and opens the records. The owner's connection string, of a superuser
// or of RoleMigrator, updates them: the server's role may not change decisions,
// outcomes and events, and their trigger refuse_change is disabled for the
// transaction. Only the search columns are changed; the bodies, which the audit log
// covers, are not. Servers may run meanwhile.
func RecomputeColumns(ctx context.Context, db *DB, ownerDSN, chain string, from ColumnsPosition, progress func(at ColumnsPosition, updated int64) error) error {
	kinds := slices.DeleteFunc(sealedKinds(), func(k sealedKind) bool { return len(k.columns) == len(k.fixed) })
	after := [2]string{from.Parent, from.ID}
	if from.Table != "" {
		at := slices.IndexFunc(kinds, func(k sealedKind) bool { return k.name == from.Table })
		if at < 0 {
			return fmt.Errorf("storage: cannot resume in table %q: it has no sealed records with search columns", from.Table)
		}
		kinds = kinds[at:]
	}
	return asOwner(ctx, ownerDSN, RoleOwner, func(ctx context.Context, owner *sql.DB) error {
		for _, k := range kinds {
			if err := k.recomputeTable(ctx, db, owner, chain, after, progress); err != nil {
				return err
			}
			after = [2]string{}
		}
		return nil
	})
}

// recomputeTable recomputes the rows of one table behind a key.
func (k sealedKind) recomputeTable(ctx context.Context, db *DB, owner *sql.DB, chain string, after [2]string, progress func(ColumnsPosition, int64) error) error {
	for {
		var records []Record
		var last [2]string
		err := Read(ctx, db, chain, func(s *Snapshot) (err error) {
			records, _, last, err = k.page(s, after, recomputedAtATime, "true")
			return err
		})
		if err != nil || last == ([2]string{}) {
			return err
		}
		updated, err := k.updatePage(ctx, owner, chain, records)
		if err != nil {
			return fmt.Errorf("search columns of %s: %w", k.name, err)
		}
		if err := progress(ColumnsPosition{k.name, last[0], last[1]}, updated); err != nil {
			return err
		}
		after = last
	}
}

// updatePage updates the rows of a page whose columns differ, and counts them.
func (k sealedKind) updatePage(ctx context.Context, owner *sql.DB, chain string, records []Record) (updated int64, err error) {
	if len(records) == 0 {
		return 0, nil
	}
	tx, err := owner.BeginTx(ctx, nil)
	if err != nil {
		return 0, err
	}
	defer tx.Rollback() // without effect after the commit
	if _, err := tx.ExecContext(ctx, inChain(chain).statement()); err != nil {
		return 0, err
	}
	var guarded bool
	err = tx.QueryRowContext(ctx, "select exists (select from pg_trigger where tgrelid = $1::regclass and tgname = 'refuse_change')", schema+"."+k.name).Scan(&guarded)
	if err != nil {
		return 0, err
	}
	if guarded {
		if _, err := tx.ExecContext(ctx, "alter table "+k.name+" disable trigger refuse_change"); err != nil {
			return 0, err
		}
	}
	result, err := tx.ExecContext(ctx, k.recompute, insertArgs(records)...)
	if err != nil {
		return 0, err
	}
	if updated, err = result.RowsAffected(); err != nil {
		return 0, err
	}
	if guarded {
		if _, err := tx.ExecContext(ctx, "alter table "+k.name+" enable always trigger refuse_change"); err != nil {
			return 0, err
		}
	}
	return updated, tx.Commit()
}
