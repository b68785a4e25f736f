package storage

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"
	"sync"

	pb "alkalog/proto/alkalogv1"
)

// entries is the table of audit entries. Rows can be inserted and read, and nothing
// else: the server's role has no other privilege, and triggers refuse changes by the
// owner of the table too. Search columns are an index and are not signed; the body is
// what the log's tree covers.
var entries = newUncovered("audit_entries",
	column[*pb.AuditEntry]{"kind", "text", func(e *pb.AuditEntry) any { return e.GetKind().String() }},
	column[*pb.AuditEntry]{"salon", "text", func(e *pb.AuditEntry) any { return e.GetSalon() }},
	column[*pb.AuditEntry]{"actor", "text", func(e *pb.AuditEntry) any { return e.GetActor() }},
	column[*pb.AuditEntry]{"on_behalf_of", "text", func(e *pb.AuditEntry) any { return e.GetOnBehalfOf() }},
	column[*pb.AuditEntry]{"client", "text", func(e *pb.AuditEntry) any { return e.GetClient() }},
	column[*pb.AuditEntry]{"decision", "text", func(e *pb.AuditEntry) any { return e.GetDecision() }},
	column[*pb.AuditEntry]{"session", "text", func(e *pb.AuditEntry) any { return e.GetSession() }},
	column[*pb.AuditEntry]{"product", "text", func(e *pb.AuditEntry) any { return e.GetProduct() }},
	column[*pb.AuditEntry]{"reason", "text", func(e *pb.AuditEntry) any { return e.GetReasonCode() }},
	column[*pb.AuditEntry]{"rules", "text[]", func(e *pb.AuditEntry) any { return ruleIDs(e) }},
	column[*pb.AuditEntry]{"till", "text", func(e *pb.AuditEntry) any { return e.GetTill() }},
	column[*pb.AuditEntry]{"practitioner", "text", func(e *pb.AuditEntry) any { return e.GetPractitioner() }},
	column[*pb.AuditEntry]{"lot", "text", func(e *pb.AuditEntry) any { return e.GetLotCode() }},
	column[*pb.AuditEntry]{"subjects", "text[]", func(e *pb.AuditEntry) any { return e.GetSubjects() }},
	column[*pb.AuditEntry]{"override_reason", "text", func(e *pb.AuditEntry) any { return e.GetOverrideReason() }},
	column[*pb.AuditEntry]{"occur_time", "timestamptz", func(e *pb.AuditEntry) any { return e.GetOccurTime() }},
	column[*pb.AuditEntry]{"record_time", "timestamptz", func(e *pb.AuditEntry) any { return e.GetRecordTime() }},
	column[*pb.AuditEntry]{"cause_digest", "bytea", func(e *pb.AuditEntry) any { return e.GetCauseDigest() }},
)

// ruleIDs returns the IDs of the rules that an entry names, the deciding one first.
func ruleIDs(e *pb.AuditEntry) []string {
	var ids []string
	for _, r := range e.GetRules() {
		ids = append(ids, r.GetRuleId())
	}
	return ids
}

// insertEntry makes the record that inserts an audit entry. It fills in the name and
// the request ID if they are empty, and therefore changes the entry. The record has an
// error if the entry has no record time.
func insertEntry(e *pb.AuditEntry, chain, requestID string) Record {
	if e.GetName() == "" {
		e.Name = "chains/" + chain + "/entries/" + NewID()
	}
	if e.GetRequestId() == "" {
		e.RequestId = requestID
	}
	at, err := parseName(e.GetName())
	if err == nil && e.GetRecordTime() == nil {
		err = fmt.Errorf("storage: audit entry %s has no record time", e.GetName())
	}
	return entries.record(at, err, e)
}

// keyDigests replaces the digests in an entry about a practitioner's record by keyed
// ones, in place. The record has few words, a name and a licence, so that somebody who
// has the log could find the content of a plain digest by trying. Entries of other
// kinds are left as they are.
func keyDigests(keys Keys, chain string, e *pb.AuditEntry) error {
	if e.GetKind() != pb.EntryKind_ENTRY_KIND_PRACTITIONER_CHANGED {
		return nil
	}
	for _, digest := range []*[]byte{&e.CauseDigest, &e.BeforeDigest, &e.AfterDigest} {
		if len(*digest) == 0 {
			continue
		}
		keyed, err := keys.KeyedDigest(chain+"\x00digest of a practitioner", string(*digest))
		if err != nil {
			return err
		}
		*digest = keyed
	}
	return nil
}

// Entry is an audit entry as it is stored.
type Entry struct {
	*pb.AuditEntry
	// Stored is the stored encoding. The leaf hash of the log is over these bytes, so nothing
	// may encode the entry again.
	Stored []byte
	// Position is the number that the database gave the row on insert. It rises from entry to
	// entry and has gaps; the place on the log is another number.
	Position int64
	// Token is the page token that continues after this entry.
	Token string
}

// ListEntries reads a page of the audit log of a chain, in the order of positions.
//
// settled is a position from SettledBefore, taken before the snapshot. A write that is
// committed while the log is read can still put an entry before ones at settled or
// later. A page that is not the last therefore ends before settled, if necessary
// without any entry, so that a reader who continues with the token misses none.
func ListEntries(s *Snapshot, f EntryFilter, page Page, settled int64) ([]Entry, string, error) {
	args := []any{s.chain}
	where, err := f.where(&args)
	if err != nil {
		return nil, "", err
	}
	where += f.recordTimes().where(&args)
	l := listing{table: "audit_entries", where: "chain = $1 and " + where, args: args,
		key: "position", cast: "bigint", before: "0"}
	entries, next, err := listEntries(s, l, page, parse)
	if err != nil || next == "" {
		return entries, next, err
	}
	begun, err := l.open(page.Token)
	// Drop what is not settled yet; the next page begins with it.
	for len(entries) > 0 && entries[len(entries)-1].Position >= settled {
		entries = entries[:len(entries)-1]
	}
	if len(entries) == 0 {
		return nil, l.seal(begun), err
	}
	return entries, entries[len(entries)-1].Token, err
}

// listEntries reads one page of a listing whose key is a number. read decodes the
// stored bytes; the caller decides what an unreadable body means.
func listEntries(s *Snapshot, l listing, page Page, read func([]byte) (*pb.AuditEntry, error)) ([]Entry, string, error) {
	rows, next, err := l.rows(s, page)
	if err != nil || len(rows) == 0 {
		return nil, "", err
	}
	found := make([]Entry, len(rows))
	for i, r := range rows {
		e, err := read(r.Body)
		if err != nil {
			return nil, "", err
		}
		position, err := strconv.ParseInt(r.Key, 10, 64)
		if err != nil {
			return nil, "", err
		}
		found[i] = Entry{AuditEntry: e, Stored: r.Body, Position: position, Token: l.seal(r.Key)}
	}
	return found, next, nil
}

// SettledBefore returns the position before which no new entry can appear: a snapshot
// that is taken afterwards shows all entries that there will ever be before it. A copy
// that stops there misses none when it continues later.
//
// PostgreSQL gives out positions before a transaction ends, and transactions end in any
// order. Therefore every write holds a shared advisory lock whose key is the next
// position at the time when it began (insertClaimsQuery, sequencerLockQuery). The lowest
// key that is held is the answer; without one, the next position is. Code that inserts
// entries must take that lock first; otherwise the sequencer passes its entries.
func SettledBefore(ctx context.Context, db *DB) (int64, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, err
	}
	defer tx.end()
	var settled int64
	changes := db.Changes()
	err = tx.GetContext(ctx, &settled, "select settled from "+settledQuery+" s")
	if err == nil {
		db.settled.note(changes, settled)
	}
	return settled, explain(ctx, err)
}

// settledMemory is the highest settled position that was seen. What was settled once
// stays so, unless the database is replaced by an older one.
type settledMemory struct {
	mu sync.Mutex
	// changes is DB.Changes at the time.
	changes, position int64
}

// note keeps a settled position, which was read after changes.
func (m *settledMemory) note(changes, position int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if changes != m.changes {
		m.changes, m.position = changes, 0
	}
	m.position = max(m.position, position)
}

// KnownSettled returns a position before which no new entry can appear, without asking
// the database: the highest that SettledBefore or ReadLogState has found; 0 if none is
// known. It can be some seconds old, which SettledBefore never is.
func KnownSettled(db *DB) int64 {
	changes, m := db.Changes(), &db.settled
	m.mu.Lock()
	defer m.mu.Unlock()
	if changes != m.changes {
		return 0
	}
	return m.position
}

// settledQuery computes the settled position, and the next one. The inner query
// depends on the outer row, so the locks are read after the sequence: a write that
// takes its lock later gets positions that the sequence has not given out yet.
const settledQuery = `(select n.next, least(n.next, (select coalesce(min((classid::bigint << 32) | objid::bigint), n.next) from pg_locks
	where locktype = 'advisory' and mode = 'ShareLock' and objsubid = 1
	and database = (select oid from pg_database where datname = current_database()))) as settled
	from (select last_value + is_called::int as next from audit_entries_position_seq offset 0) n)`
