package storage

import "github.com/lib/pq"

// Inspection is what does not fit together among the entries of a chain, by the
// ids of the entries. All is well when there is nothing in it.
type Inspection struct {
	// Unlogged are not on the log, though it has got beyond them.
	Unlogged []string
	// Causeless are those of refusals, referrals, overrides and signatures without
	// the record that they were written for, as it was.
	Causeless []string
}

// InspectRecord looks at some of the entries on record, those behind a position;
// it returns the position that it has got to, and 0 when there are no more. The
// digest in an entry is compared with its cause as it is now; only causes that
// are never changed can be compared.
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

// Logged is an entry of the log, as it is on record now.
type Logged struct {
	Place int64
	ID    string
	Body  []byte // nil: it is not on record
}

// ReadLogged reads the entries of the log from a place on, up to a number.
func ReadLogged(s *Snapshot, from int64, window int) ([]Logged, error) {
	var found []Logged
	err := s.all(&found, `select l.place, l.id, e.body from log_entries l
		left join audit_entries e on e.chain = l.chain and e.parent = '' and e.id = l.id
		where l.chain = $1 and l.place >= $2 order by l.place limit $3`, s.chain, from, window)
	return found, err
}
