package storage

import (
	"database/sql"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// named is a message that is a resource: it has a name.
type named interface {
	proto.Message
	GetName() string
}

// Kind is a kind of record that is written once and never changed. The body column
// holds the encoded message. Some of its fields are copied into search columns; these
// are computed in one place and are never read back into a message.
type Kind[M named] struct {
	table[M]
	// newestFirst lists by descending ID, which for generated IDs is by time. Otherwise lists
	// are in the order of IDs.
	newestFirst bool
}

// Mutable is a kind of record that can be replaced. Its messages have an etag, and a
// replacement succeeds only if the stored etag is the one that was read.
type Mutable[M named] struct{ Kind[M] }

// GetUnchecked reads a record by its full resource name; ErrNotFound if there is none
// in the chain of the snapshot. It does not check whether the caller may see the
// record: record.Get does, and services must use that.
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

// List reads a page of the records of a parent, the resource name of a chain or of a
// client, and the token of the next page. It checks no permissions beyond the chain.
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

// Insert makes the record that stores a new m. If the kind has an etag, m gets its
// etag: the message is changed. A problem with the name is kept in the record and
// returned by Write.
func (k Kind[M]) Insert(m M) Record {
	at, err := parseName(m.GetName())
	return k.record(at, err, m)
}

// Replace makes the record that stores m in place of old, and sets m's new etag. old is
// the message as it was read in this snapshot. If it is not the stored version any more
// at the commit, the write runs again.
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

// Unchanged makes the record that stores nothing and requires that m is still the
// stored version at the commit. Use it for every record that a decision depends on and
// does not change; otherwise two concurrent calls could each decide on what the other
// is changing.
func (k Mutable[M]) Unchanged(m M) Record {
	at, err := parseName(m.GetName())
	return Record{statements: k.statements, action: unchanged, key: at, client: k.clientOf(at), was: etagOf(m), err: err}
}

// table is where messages of one kind are stored.
type table[M proto.Message] struct {
	*statements
	columns []column[M]
	// terms returns what a sealed record is found by; nil for all kinds but clients.
	terms func(M) []term
	// external returns the external id of a record; nil for kinds that have none.
	external func(M) externalID
}

// statements are the SQL texts for a table, composed once at startup. Their arguments
// are the chain first, then the key.
type statements struct {
	// name is the table. get reads one body (for a sealed table also the key of its client),
	// insert takes arrays and stores any number of rows. replace changes one row and returns
	// it if it has the given etag; unchanged takes arrays, locks the rows that have the given
	// etags, and returns their numbers.
	// locked takes arrays and locks rows whatever their etags are.
	name, get, insert, replace, unchanged, locked string
	// mismatched finds the rows whose search columns differ from the values that
	// insert would give them; it takes the arguments of insert.
	mismatched string
	// client is the column that has the ID of the client whose key seals the rows, or "?" if no
	// column does; empty for a table in clear.
	client string
	// covered means that records are in manifests and keep the ID of their write.
	covered bool
}

// clientOf returns the client whose key seals the row at a key; empty if the table is
// in clear or the key does not tell.
func (t *statements) clientOf(at key) string {
	switch t.client {
	case "id":
		return at.id
	case "parent":
		return at.parent
	}
	return ""
}

// read reads the plain bytes of the record at a key; ErrNotFound if there is none.
func (t *statements) read(s *Snapshot, at key) ([]byte, error) {
	if s.planned == nil && t.client == "" {
		var body []byte
		err := s.one(&body, t.get, at.chain, at.parent, at.id)
		return body, err
	}
	var row sealedRow
	var err error
	if s.planned != nil {
		row, err = s.name(t, at)
	} else {
		err = s.one(&row, t.get, at.chain, at.parent, at.id)
	}
	if err != nil || t.client == "" {
		return row.Body, err
	}
	return s.open(t.name, t.clientOf(at), row)
}

// byID returns the listing of the records that a condition holds for, in the order of
// IDs.
func (t *statements) byID(where string, newestFirst bool, args ...any) listing {
	l := byID(t.name, where, newestFirst, args...)
	if t.client != "" {
		l.table, l.where, l.sealed = t.name+ofClient, "client = "+t.client+" and "+where, t
	}
	return l
}

// column is a search column: its name, its SQL type, and the function that computes its
// value. The value may be a string, an int64, a bool, a timestamp, bytes or a list of
// strings. An empty value is stored as NULL. Columns are in clear, so none may hold
// personal data.
type column[M proto.Message] struct {
	name, sqlType string
	value         func(M) any
}

// newTable returns a table in clear, whose records are covered by digest (coverage.go).
// It composes the statements; the values of search columns travel as text arrays and
// are cast in SQL, so that one statement inserts any number of rows of any types.
//
// It registers the table in coveredTables, so call it only for package variables.
func newTable[M proto.Message](name string, columns ...column[M]) table[M] {
	t := newUncovered(name, append([]column[M]{{name: writeColumn, sqlType: "text"}}, columns...)...)
	t.columns, t.covered = columns, true
	coveredTables = append(coveredTables, t.statements)
	return t
}

// writeColumn is the column with the ID of the write that has stored the row as it is.
// It comes before the search columns; its value is added when the write is prepared.
const writeColumn = "write_id"

// newUncovered is newTable for records that are in no manifest: audit entries, which
// the log itself covers.
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
			"from unnest($2::text[], $3::text[], $4::text[], $5::bytea[]%s) as n (parent, id, etag, body%s) returning id",
			name, &names, &casts, &arrays, &names),
		replace: fmt.Sprintf("update %s set etag = $5, body = $6%s %s and etag = $4 returning id", name, &sets, at),
		unchanged: fmt.Sprintf("select n.nr from unnest($2::int[], $3::text[], $4::text[], $5::text[]) as n (nr, parent, id, etag), "+
			"lateral (select from %s r where r.chain = $1 and r.parent = n.parent and r.id = n.id and r.etag = n.etag for share) as r", name),
		locked: fmt.Sprintf("select r.id from %s r where r.chain = $1 and (r.parent, r.id) in (select * from unnest($2::text[], $3::text[])) "+
			"order by r.parent, r.id for no key update", name),
		mismatched: fmt.Sprintf("select parent, id, columns from (select n.parent, n.id, array_remove(array[null::text%[1]s], null) as columns "+
			"from unnest($2::text[], $3::text[], $4::text[], $5::bytea[]%[2]s) as n (parent, id, etag, body%[3]s) "+
			"join %[4]s r on r.chain = $1 and r.parent = n.parent and r.id = n.id) m where columns <> '{}'", &differ, &arrays, &names, name),
	}}
}

// newSealed is newTable for records of clients. client is the column with the ID of the
// owner, or "?" if the key does not contain it.
func newSealed[M proto.Message](name, client string, columns ...column[M]) table[M] {
	t := newTable(name, columns...)
	t.client = client
	t.get = fmt.Sprintf("select %s from %s%s where chain = $1 and parent = $2 and id = $3 and client = %s", sealedColumns, name, ofClient, client)
	return t
}

// record makes the record that inserts m under a key. err is a problem with the key,
// which Write returns. If m has an etag field, it is set.
func (t table[M]) record(at key, err error, m M) Record {
	r := Record{statements: t.statements, key: at, client: t.clientOf(at), final: isFinal(m)}
	if f := etagField(m); f != nil {
		r.etag = Etag(m)
		m.ProtoReflect().Set(f, protoreflect.ValueOfString(r.etag))
	}
	r.values = t.values(m)
	if t.terms != nil {
		r.terms = t.terms(m)
	}
	if t.external != nil {
		r.external = t.external(m)
	}
	if r.body, r.err = stored.Marshal(m); err != nil {
		r.err = err
	}
	return r
}

// values returns the values of the search columns of m.
func (t table[M]) values(m M) []sql.NullString {
	values := make([]sql.NullString, len(t.columns))
	for i, c := range t.columns {
		values[i] = text(c.value(m))
	}
	return values
}

// ofClient makes the record that inserts m under a key that does not name the client.
// The client is that of the record with the given resource name, such as the decision
// of an override.
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
