package storage

import (
	"database/sql"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// named is a message that is a resource.
type named interface {
	proto.Message
	GetName() string
}

// Kind is a kind of record that is written once and never changed. It is
// stored as its bytes, with some of its fields copied into columns to be
// searched; those are filled in one place and never read back.
type Kind[M named] struct {
	table[M]
	newestFirst bool // in lists; else in the order of the ids
}

// Mutable is a kind of record that can be replaced.
type Mutable[M named] struct{ Kind[M] }

// GetUnchecked reads a record by its full resource name, or returns ErrNotFound. It
// does not check who asks beyond the chain of the snapshot; package record does.
func (k Kind[M]) GetUnchecked(s *Snapshot, name string) (M, error) {
	var none M
	at, err := parseName(name)
	if err != nil || at.chain != s.chain {
		return none, fmt.Errorf("%w: %s", ErrNotFound, name)
	}
	body, err := k.read(s, at)
	if err != nil {
		return none, fmt.Errorf("%w: %s", err, name)
	}
	m, err := parse[M](body)
	if err == nil && m.GetName() != name {
		// The key holds the ids of a name, not the words between them.
		err = fmt.Errorf("%w: %s", ErrNotFound, name)
	}
	return m, err
}

// List reads a page of the records of a parent (the resource name of a chain
// or of a client), and the token of the next page.
func (k Kind[M]) List(s *Snapshot, parent string, page Page) ([]M, string, error) {
	at, err := parseName(parent)
	if err != nil || at.chain != s.chain {
		return nil, "", fmt.Errorf("%w: %s", ErrNotFound, parent)
	}
	if !strings.Contains(parent, "/clients/") {
		at.id = "" // the chain itself
	}
	return list[M](s, k.byID("chain = $1 and parent = $2", k.newestFirst, at.chain, at.id), page)
}

// Insert makes the record that stores m anew. If the kind has an etag, m is
// given it.
func (k Kind[M]) Insert(m M) Record {
	at, err := parseName(m.GetName())
	return k.record(at, err, m)
}

// Replace makes the record that stores m in place of old, and gives m its new
// etag. Old is what was read; if it is not the newest when the change is
// committed, the write runs again.
func (k Mutable[M]) Replace(old, m M) Record {
	was := etagOf(old) // first, since m may be the same message
	at, err := parseName(m.GetName())
	if err == nil && old.GetName() != m.GetName() {
		err = fmt.Errorf("storage: %s cannot replace %s", m.GetName(), old.GetName())
	}
	r := k.record(at, err, m)
	r.action, r.was = replace, was
	return r
}

// Unchanged makes the record that says: this was decided on m as it was read,
// so commit only if it still is so.
func (k Mutable[M]) Unchanged(m M) Record {
	at, err := parseName(m.GetName())
	return Record{statements: k.statements, action: unchanged, key: at, client: k.clientOf(at), was: etagOf(m), err: err}
}

// table is where messages of one kind are stored.
type table[M proto.Message] struct {
	*statements
	columns []column[M]
	terms   func(M) []term // what a record is found by though it is sealed
}

// statements are the texts of the statements for a table, put together once.
type statements struct {
	name, get, insert, replace, unchanged string
	// mismatched finds the rows whose search columns differ from the values that
	// insert would give them; it takes the arguments of insert.
	mismatched string
	// client is the column with the client whose key the rows are sealed with, or
	// "?" where no column says; empty for a table in clear.
	client string
	// covered says that records are in manifests and keep the id of their write.
	covered bool
}

// clientOf is the client whose key the row at a key is sealed with; empty when
// that is nobody's, or the key does not say.
func (t *statements) clientOf(at key) string {
	switch t.client {
	case "id":
		return at.id
	case "parent":
		return at.parent
	}
	return ""
}

// read reads the bytes of the record at a key.
func (t *statements) read(s *Snapshot, at key) ([]byte, error) {
	if t.client == "" {
		var body []byte
		err := s.one(&body, t.get, at.chain, at.parent, at.id)
		return body, err
	}
	var row sealedRow
	if err := s.one(&row, t.get, at.chain, at.parent, at.id); err != nil {
		return nil, err
	}
	return s.open(t.name, t.clientOf(at), row)
}

// byID lists the records of the table that a condition holds for.
func (t *statements) byID(where string, newestFirst bool, args ...any) listing {
	l := byID(t.name, where, newestFirst, args...)
	if t.client != "" {
		l.table, l.where, l.sealed = t.name+ofClient, "client = "+t.client+" and "+where, t
	}
	return l
}

// column is a search column. Its value may be a string, a number, a truth
// value, a time or a list of strings; an empty one is stored as NULL.
type column[M proto.Message] struct {
	name, sqlType string
	value         func(M) any
}

// newTable writes the statements for a table with the given search columns.
// They take the values of search columns as text, so that rows can travel as
// arrays whatever their types.
//
// The records are covered: see coverage.go.
func newTable[M proto.Message](name string, columns ...column[M]) table[M] {
	t := newUncovered(name, append([]column[M]{{name: writeColumn, sqlType: "text"}}, columns...)...)
	t.columns, t.covered = columns, true
	coveredTables = append(coveredTables, t.statements)
	return t
}

// writeColumn keeps which write has stored a record as it is. It comes before the
// search columns, and its value is known when the write is made ready.
const writeColumn = "write_id"

// newUncovered is newTable for records that no manifest names.
func newUncovered[M proto.Message](name string, columns ...column[M]) table[M] {
	var names, casts, arrays, sets, differ strings.Builder
	for i, c := range columns {
		fmt.Fprintf(&names, ", %s", c.name)
		fmt.Fprintf(&casts, ", n.%s::%s", c.name, c.sqlType)
		fmt.Fprintf(&arrays, ", $%d::text[]", i+6)
		fmt.Fprintf(&sets, ", %s = $%d::text::%s", c.name, i+7, c.sqlType)
		fmt.Fprintf(&differ, ", case when r.%[1]s is distinct from n.%[1]s::%[2]s then '%[1]s' end", c.name, c.sqlType)
	}
	const at = "where chain = $1 and parent = $2 and id = $3"
	return table[M]{columns: columns, statements: &statements{
		name: name,
		get:  fmt.Sprintf("select body from %s %s", name, at),
		insert: fmt.Sprintf("insert into %s (chain, parent, id, etag, body%s) select $1, n.parent, n.id, n.etag, n.body%s "+
			"from unnest($2::text[], $3::text[], $4::text[], $5::bytea[]%s) as n (parent, id, etag, body%s)",
			name, &names, &casts, &arrays, &names),
		replace:   fmt.Sprintf("update %s set etag = $5, body = $6%s %s and etag = $4", name, &sets, at),
		unchanged: fmt.Sprintf("select 1 from %s %s and etag = $4 for share", name, at),
		mismatched: fmt.Sprintf("select parent, id, columns from (select n.parent, n.id, array_remove(array[null::text%[1]s], null) as columns "+
			"from unnest($2::text[], $3::text[], $4::text[], $5::bytea[]%[2]s) as n (parent, id, etag, body%[3]s) "+
			"join %[4]s r on r.chain = $1 and r.parent = n.parent and r.id = n.id) m where columns <> '{}'", &differ, &arrays, &names, name),
	}}
}

// newSealed is newTable for records of clients. Client is the column that says
// whose they are, or "?".
func newSealed[M proto.Message](name, client string, columns ...column[M]) table[M] {
	t := newTable(name, columns...)
	t.client = client
	t.get = fmt.Sprintf("select %s from %s%s where chain = $1 and parent = $2 and id = $3 and client = %s", sealedColumns, name, ofClient, client)
	return t
}

// record makes the record that inserts m under a key; err is what was wrong
// with the key. If m has an etag, it gets its new one.
func (t table[M]) record(at key, err error, m M) Record {
	r := Record{statements: t.statements, key: at, client: t.clientOf(at)}
	if f := etagField(m); f != nil {
		r.etag = Etag(m)
		m.ProtoReflect().Set(f, protoreflect.ValueOfString(r.etag))
	}
	r.values = t.values(m)
	if t.terms != nil {
		r.terms = t.terms(m)
	}
	if r.body, r.err = stored.Marshal(m); err != nil {
		r.err = err
	}
	return r
}

// values are the search columns that m has.
func (t table[M]) values(m M) []sql.NullString {
	values := make([]sql.NullString, len(t.columns))
	for i, c := range t.columns {
		values[i] = text(c.value(m))
	}
	return values
}

// ofClient makes the record that inserts m under a key that does not say whose
// it is: the client's whose record has that name.
func (t table[M]) ofClient(name string, at key, err error, m M) Record {
	r := t.record(at, err, m)
	if owner, problem := parseName(name); problem == nil {
		r.client = owner.parent
	}
	if r.err == nil && r.client == "" {
		r.err = fmt.Errorf("storage: %q is not a client's", name)
	}
	return r
}
