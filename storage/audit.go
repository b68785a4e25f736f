package storage

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"

	pb "alkalog/proto/alkalogv1"
)

// entries is the audit log. Its rows can be added and read, and nothing else:
// the server's role may do no more, and triggers hold its owner to it.
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

// ruleIDs lists the rules an entry speaks of, the deciding one first.
func ruleIDs(e *pb.AuditEntry) []string {
	var ids []string
	for _, r := range e.GetRules() {
		ids = append(ids, r.GetRuleId())
	}
	return ids
}

// insertEntry makes the record of an audit entry, and completes the entry.
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

// keyDigests replaces the digests of a practitioner's record by keyed ones. The
// record holds a person's name and licence in few words, which somebody who has
// the log could find by trying.
func keyDigests(keys Keys, chain string, e *pb.AuditEntry) error {
	if e.GetKind() != pb.EntryKind_ENTRY_KIND_PRACTITIONER_CHANGED {
		return nil
	}
	for _, digest := range []*[]byte{&e.CauseDigest, &e.BeforeDigest, &e.AfterDigest} {
		if len(*digest) == 0 {
			continue
		}
		keyed, err := keys.Mark(chain+"\x00digest of a practitioner", string(*digest))
		if err != nil {
			return err
		}
		*digest = keyed
	}
	return nil
}

// Entry is an audit entry as it is on the log.
type Entry struct {
	*pb.AuditEntry
	// Stored is the bytes that were written; nothing re-encodes them.
	Stored []byte
	// Position is its number in the order of the list.
	Position int64
	// Token is the page token that continues behind this entry.
	Token string
}

// ListEntries reads a page of the audit log of a chain, in the order in which
// the entries were written. An entry that is being committed while the log is
// read may take its place before ones that are seen already, at settled (see
// SettledBefore) or behind. So only what is before that is passed by: a page that
// is not the last ends there, if need be without any entry on it.
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
	for len(entries) > 0 && entries[len(entries)-1].Position >= settled {
		entries = entries[:len(entries)-1]
	}
	if len(entries) == 0 {
		return nil, l.seal(begun), err
	}
	return entries, entries[len(entries)-1].Token, err
}

// listEntries reads one page of audit entries in the order of a number; read
// makes entries of what is stored.
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

// SettledBefore returns the position before which no entry can appear any
// more: a snapshot taken afterwards shows all that ever will be there. A copy
// that stops before it misses none when it goes on later.
//
// Positions are given out before a transaction ends, and transactions end in
// any order. So each write holds a shared lock whose key is the next position
// to be given out when it began, and the lowest such key is the answer.
func SettledBefore(ctx context.Context, db *DB) (int64, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, err
	}
	defer tx.end()
	// In this order: a write that takes its lock after the second query gets
	// positions that the first has not seen.
	var next, lowest int64
	if err := tx.GetContext(ctx, &next, "select last_value + is_called::int from audit_entries_position_seq"); err != nil {
		return 0, explain(ctx, err)
	}
	err = tx.GetContext(ctx, &lowest, `select coalesce(min((classid::bigint << 32) | objid::bigint), $1) from pg_locks
		where locktype = 'advisory' and mode = 'ShareLock' and objsubid = 1
		and database = (select oid from pg_database where datname = current_database())`, next)
	return min(lowest, next), explain(ctx, err)
}
