package storage

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// entries is the audit log. Its rows can be added and read, and nothing else:
// the server's role may do no more, and triggers hold its owner to it.
var entries = newTable("audit_entries",
	column[*pb.AuditEntry]{"kind", "text", func(e *pb.AuditEntry) any { return e.GetKind().String() }},
	column[*pb.AuditEntry]{"salon", "text", func(e *pb.AuditEntry) any { return e.GetSalon() }},
	column[*pb.AuditEntry]{"actor", "text", func(e *pb.AuditEntry) any { return e.GetActor() }},
	column[*pb.AuditEntry]{"client", "text", func(e *pb.AuditEntry) any { return e.GetClient() }},
	column[*pb.AuditEntry]{"decision", "text", func(e *pb.AuditEntry) any { return e.GetDecision() }},
	column[*pb.AuditEntry]{"session", "text", func(e *pb.AuditEntry) any { return e.GetSession() }},
	column[*pb.AuditEntry]{"product", "text", func(e *pb.AuditEntry) any { return e.GetProduct() }},
	column[*pb.AuditEntry]{"reason", "text", func(e *pb.AuditEntry) any { return e.GetReasonCode() }},
	column[*pb.AuditEntry]{"rules", "text[]", func(e *pb.AuditEntry) any { return ruleIDs(e) }},
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

// Entry is an audit entry as it stands on the log.
type Entry struct {
	*pb.AuditEntry
	// Stored is the bytes that were written; nothing re-encodes them.
	Stored []byte
	// Position is its number in the order of the list.
	Position int64
	// Token is the page token that continues behind this entry.
	Token string
}

// EntryFilter is a condition on audit entries; the zero one holds for all.
type EntryFilter struct {
	// Op is "=", "!=", "<", "<=", ">" or ">=", which compare Field with Value,
	// or "AND", "OR" or "NOT", which join what is in Of.
	Op string
	// Field is kind, salon, actor, client, decision, session, product, reason,
	// rule, occur_time or record_time.
	Field string
	// Value is a string as the field has it (for kind, the enum's full name; an
	// empty one for entries without), or a time for the last two.
	Value any
	// Of is what is joined: one condition for NOT, one or more for the others.
	Of []EntryFilter
}

// where writes the condition, and appends its values to args. Every condition
// is true or false, never NULL, so that NOT does what it says.
func (f EntryFilter) where(args *[]any) (string, error) {
	switch f.Op {
	case "":
		return "true", nil
	case "AND", "OR", "NOT":
		return f.join(args)
	}
	_, isText := f.Value.(string)
	_, isTime := f.Value.(time.Time)
	equal, unequal := f.Op == "=", f.Op == "!="
	ordered := f.Op == "<" || f.Op == "<=" || f.Op == ">" || f.Op == ">="
	*args = append(*args, f.Value)
	n := len(*args)
	switch f.Field {
	case "kind", "salon", "actor", "client", "decision", "session", "product", "reason":
		if isText && equal || isText && unequal {
			column := f.Field
			if f.Value == "" {
				column = fmt.Sprintf("coalesce(%s, '')", f.Field)
			}
			return negated(unequal, fmt.Sprintf("%s = $%d", column, n)), nil
		}
	case "rule":
		if isText && equal || isText && unequal {
			comparison := "rules @> array[$%d::text]"
			if f.Value == "" {
				comparison = "coalesce(array_to_string(rules, ''), '') = $%d::text"
			}
			return negated(unequal, fmt.Sprintf(comparison, n)), nil
		}
	case "occur_time", "record_time":
		if isTime && unequal {
			return negated(true, fmt.Sprintf("%s = $%d", f.Field, n)), nil
		}
		if isTime && (equal || ordered) {
			return negated(false, fmt.Sprintf("%s %s $%d", f.Field, f.Op, n)), nil
		}
	}
	return "", fmt.Errorf("storage: no filter %q %s a value of type %T", f.Field, f.Op, f.Value)
}

// negated makes a comparison true or false also where a value is absent, which
// is equal to nothing, and turns it round if asked to.
func negated(not bool, comparison string) string {
	if not {
		return "(" + comparison + ") is not true"
	}
	return "(" + comparison + ") is true"
}

// join writes conditions joined.
func (f EntryFilter) join(args *[]any) (string, error) {
	parts := make([]string, len(f.Of))
	for i, part := range f.Of {
		var err error
		if parts[i], err = part.where(args); err != nil {
			return "", err
		}
	}
	if f.Op == "NOT" && len(parts) == 1 {
		return "not (" + parts[0] + ")", nil
	}
	if f.Op == "NOT" || len(parts) == 0 {
		return "", fmt.Errorf("storage: filter %s of %d conditions", f.Op, len(parts))
	}
	return "(" + strings.Join(parts, " "+strings.ToLower(f.Op)+" ") + ")", nil
}

// ListEntries reads a page of the audit log of a chain, in the order in which
// the entries were written. Entries of transactions that are being committed
// while the log is read may take their places among the newest ones later;
// see SettledBefore.
func ListEntries(s *Snapshot, f EntryFilter, page Page) ([]Entry, string, error) {
	args := []any{s.chain}
	where, err := f.where(&args)
	if err != nil {
		return nil, "", err
	}
	l := listing{table: "audit_entries", where: "chain = $1 and " + where, args: args,
		key: "position", cast: "bigint", before: "0"}
	return listEntries(s, l, page)
}

// listEntries reads one page of audit entries in the order of a number.
func listEntries(s *Snapshot, l listing, page Page) ([]Entry, string, error) {
	rows, next, err := l.rows(s, page)
	if err != nil || len(rows) == 0 {
		return nil, "", err
	}
	found := make([]Entry, len(rows))
	for i, r := range rows {
		e, err := parse[*pb.AuditEntry](r.Body)
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
