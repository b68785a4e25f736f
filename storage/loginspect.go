package storage

import (
	"context"
	"database/sql"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
)

// Inspection is what does not fit together among the entries of a chain, by the IDs of
// the entries. Without findings it is empty.
type Inspection struct {
	// Unlogged are entries that are not on the log although it has passed their position: they
	// were inserted by another way than Write.
	Unlogged []string
	// Causeless are entries of refusals, referrals, overrides and countersignatures whose
	// record does not exist or differs from the digest in the entry.
	Causeless []string
}

// InspectRecord checks stored entries after a position, a window of them, and returns
// the position that it has reached; 0: there are no more. The digest in an entry is
// compared with its cause as it is now, so only causes that never change are compared.
// Use a head whose Position is not higher than that of the log.
func InspectRecord(s *Snapshot, head LogHead, after int64, window int) (Inspection, int64, error) {
	var found struct {
		Reached   int64
		Unlogged  pq.StringArray
		Causeless pq.StringArray
	}
	err := s.one(&found, `with part as materialized (
			select id, position, decision, cause_digest,
				kind in ('ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL') as decides,
				kind in ('ENTRY_KIND_OVERRIDE', 'ENTRY_KIND_OVERRIDE_DENIED') as overrides,
				kind = 'ENTRY_KIND_COUNTERSIGNED' as signs
			from audit_entries where chain = $1 and position > $2 and position <= $3 order by position fetch first $4 rows with ties)
		select coalesce(max(position), 0) as reached,
			array_agg(id order by position) filter (where not exists (select from log_entries l where l.chain = $1 and l.id = part.id)) as unlogged,
			array_agg(id order by position) filter (where
				decides and not exists (select from decisions d where d.chain = $1
					and d.parent = split_part(decision, '/', 4) and d.id = split_part(decision, '/', 6) and sha256(d.body) = cause_digest)
				or overrides and not exists (select from overrides o where o.chain = $1
					and o.parent = split_part(decision, '/', 6) and sha256(o.body) = cause_digest)
				or signs and not exists (select from countersignatures c where c.chain = $1
					and c.parent = split_part(decision, '/', 4) and c.id = split_part(decision, '/', 6) and sha256(c.body) = cause_digest)) as causeless
		from part`, s.chain, after, head.Position, window)
	return Inspection{Unlogged: found.Unlogged, Causeless: found.Causeless}, found.Reached, err
}

// Logged is a place of a chain's log with what the database has for it.
type Logged struct {
	Place int64
	// ID is the ID of the entry; empty if nothing says which entry it was.
	ID string
	// Body is the stored encoding of the entry; nil if there is none.
	Body []byte
	// Entry is the decoded body; nil if there is none or it cannot be decoded.
	Entry *pb.AuditEntry
	// Mismatched names the search columns that differ from the body.
	Mismatched []string

	// position is that of the stored entry; 0 if there is none.
	position int64
}

// ReadLogged reads the places [from, to) of the chain's log. There is an element for
// every place, whether the database has an entry for it or not. Only if the bodies are
// large (MaxPageBytes), the answer ends earlier, with at least one place. Search
// columns are compared with the bodies.
func ReadLogged(s *Snapshot, from, to int64) ([]Logged, error) {
	var found []struct {
		Place    int64
		ID       sql.NullString
		Body     []byte
		Position sql.NullInt64
	}
	err := s.all(&found, `with page as (
			select g.place, l.id, e.body, e.position from generate_series(greatest($2::bigint - 1, 0), $3::bigint - 1) as g (place)
			left join log_entries l on l.chain = $1 and l.place = g.place and l.place >= $2 - 1 and l.place < $3
			left join audit_entries e on e.chain = $1 and e.parent = '' and e.id = l.id
		), sized as (
			select *, sum(coalesce(octet_length(body), 0)) over (order by place) - coalesce(octet_length(body), 0) as before from page
		)
		select place, id, body, position from sized where before < $4 order by place`, s.chain, from, to, MaxPageBytes)
	if err != nil {
		return nil, err
	}
	reached := int64(0) // position of the entry before the first place
	if len(found) > 0 && found[0].Place < from {
		reached, found = found[0].Position.Int64, found[1:]
	}
	logged := make([]Logged, len(found))
	for i, f := range found {
		logged[i] = Logged{Place: f.Place, ID: f.ID.String, Body: f.Body, position: f.Position.Int64}
		if f.Body == nil {
			continue
		}
		if e, err := parse[*pb.AuditEntry](f.Body); err == nil {
			logged[i].Entry = e
		}
	}
	return logged, compareColumns(s, logged, reached)
}

// compareColumns fills in Mismatched. Besides the search columns it checks the ID
// against the name in the body, and the position, which must rise from place to place;
// reached is the position of the entry before the first place.
func compareColumns(s *Snapshot, logged []Logged, reached int64) error {
	var rows []storedRow[*pb.AuditEntry]
	for _, l := range logged {
		if l.Entry != nil {
			rows = append(rows, storedRow[*pb.AuditEntry]{key{chain: s.chain, id: l.ID}, l.Entry})
		}
	}
	differ, err := entries.mismatches(s, rows)
	if err != nil {
		return err
	}
	for i := range logged {
		l := &logged[i]
		if l.Entry == nil {
			continue
		}
		l.Mismatched = differ[l.ID]
		if l.Entry.GetName() != "chains/"+s.chain+"/entries/"+l.ID {
			l.Mismatched = append(l.Mismatched, "id")
		}
		if l.position <= reached {
			l.Mismatched = append(l.Mismatched, "position")
		}
		reached = l.position
	}
	return nil
}

// maxPending bounds how far CountPending counts, so that a metric costs a bounded time
// after a long outage. Our own choice.
const maxPending = 10_000

// PendingEntries is the number of entries of a chain that are not yet on its log, and
// the position of the oldest.
type PendingEntries struct {
	Chain  string
	Count  int64
	Oldest int64
}

// CountPending counts the entries of all chains that are not yet on their logs: up to
// 10,000 for all logs that are not halted together, and up to 10,000 for each halted
// log.
func CountPending(ctx context.Context, db *DB) ([]PendingEntries, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer tx.end()
	var pending []PendingEntries
	err = tx.SelectContext(ctx, &pending, `with growing as (
			select chain, position from audit_entries where position > (select position from log_leader) order by position limit $1
		), halted as (
			select h.chain, e.position from log_heads h cross join lateral (select position from audit_entries e
				where e.chain = h.chain and e.position > h.position order by position limit $1) e where h.halted <> ''
		)
		select chain, count(*), min(position) as oldest from (select * from growing where chain not in (select chain from log_heads where halted <> '')
			union all select * from halted) p group by chain order by chain`, maxPending)
	return pending, explain(ctx, err)
}
