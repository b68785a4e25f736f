package storage

import (
	"crypto/sha256"
	"fmt"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// Facts reads the events of a session in the order of recording, without the guidance
// that was given with them: what a state is folded from. The events are shared between
// calls and must not be changed.
//
// Events are only ever added, so the opened ones are kept in memory and a plan fetches
// the newest known one and those after it. The cost of a batch therefore does not grow
// with the session. The newest known row must still be there byte for byte; otherwise
// the database has another history, such as that of a backup, and all is read again.
func Facts(s *Snapshot, session string) ([]*pb.StoredEvent, error) {
	at, err := parseName(session)
	if err != nil {
		return nil, err
	}
	place := namedRow{events.statements, at.parent, at.id}
	known := &sessionFacts{}
	var rows []sealedRow
	if s.planned == nil {
		err = s.all(&rows, "select "+sealedColumns+" from session_events"+ofClient+" where chain = $1 and parent = $2 and client = $3 order by sequence",
			s.chain, at.id, at.parent)
	} else if rows, _, err = s.list(factsID(at.id)); err == nil {
		known = s.planned.facts[at.id]
	}
	if err != nil {
		return nil, err
	}
	extended, err := known.extended(s, at.parent, rows)
	if err != nil {
		s.db.facts.drop(s.chain, place)
		return nil, err
	}
	s.db.keepFacts(s.chain, place, extended)
	if s.keepOpened {
		s.digests = append(s.digests, extended.digests)
	}
	return extended.events, nil
}

// factsID identifies the facts of a session among the lists of a plan.
func factsID(session string) string { return "facts of " + session }

// WantFacts adds what Facts reads to a plan.
func WantFacts(p *Plan, session string) {
	at, err := parseName(session)
	if err != nil {
		return
	}
	var known *sessionFacts
	p.parts = append(p.parts, wantedPart{func(st *planStatement) string {
		known = st.db.knownFacts(at.chain, namedRow{events.statements, at.parent, at.id})
		return st.rows(events.name+ofClient, fmt.Sprintf("chain = $1 and parent = %s and client = %s and sequence >= %s",
			st.arg("text", at.id), st.arg("text", at.parent), st.arg("bigint", fmt.Sprint(known.newest))), true, "sequence", 0)
	}, func(f *fetched, rows []plannedRow) {
		f.lists[factsID(at.id)], f.facts[at.id] = rows, known
	}})
}

// sessionFacts are the opened events of a session. They are never changed; a longer list
// takes their place.
type sessionFacts struct {
	events  []*pb.StoredEvent
	digests []factDigests
	// newest is the sequence of the last event; 0: none is known.
	newest int64
	bytes  int
}

// factDigests are SHA-256 digests of an event: as a service sees it, and as it is stored.
// Entries name the latter.
type factDigests struct{ plain, sealed [sha256.Size]byte }

// extended returns the facts with the rows from the newest known one on. That one must be
// the first row, unless nothing is known.
func (k *sessionFacts) extended(s *Snapshot, client string, rows []sealedRow) (*sessionFacts, error) {
	if k.newest > 0 {
		if len(rows) == 0 || sha256.Sum256(rows[0].Body) != k.digests[len(k.digests)-1].sealed {
			return nil, s.miss()
		}
		// The key is looked at although nothing is opened: the client may have been erased.
		if _, err := s.clientKey(wrappedKey{client, rows[0].Version, rows[0].Wrapped}); err != nil {
			return nil, err
		}
		rows = rows[1:]
	}
	more := &sessionFacts{slices.Clip(k.events), slices.Clip(k.digests), k.newest, k.bytes}
	keep := s.keepOpened
	s.keepOpened = false // the digests are kept instead
	defer func() { s.keepOpened = keep }()
	for _, row := range rows {
		opened, err := openRows[*pb.StoredEvent](s, events.name, client, []sealedRow{row})
		if err != nil || len(opened) == 0 {
			return nil, err
		}
		e := opened[0]
		e.Guidance = nil
		plain, err := stored.Marshal(e)
		if err != nil {
			return nil, err
		}
		more.events = append(more.events, e)
		more.digests = append(more.digests, factDigests{sha256.Sum256(plain), sha256.Sum256(row.Body)})
		more.newest, more.bytes = e.GetSequence(), more.bytes+factOverhead+4*len(plain)
	}
	return more, nil
}

const (
	// factOverhead and four times the encoded size are what an opened event takes in memory,
	// roughly.
	factOverhead = 500
	// maxFactBytes bounds the opened events of all sessions. Our own choice: 300 sessions of
	// 100 events.
	maxFactBytes = 32 << 20
)

// keepFacts keeps the facts of a session, unless the client was erased, or a faster call has
// read more.
func (db *DB) keepFacts(chain string, at namedRow, facts *sessionFacts) {
	db.facts.put(chain, at, facts, func(known *sessionFacts) bool { return known.newest > facts.newest })
	if db.erased.listed(chain, at.parent) {
		db.facts.dropClient(chain, at.parent)
	}
}

// knownFacts returns what is known of a session; empty, never nil.
func (db *DB) knownFacts(chain string, at namedRow) *sessionFacts {
	if known, ok := db.facts.get(chain, at); ok {
		return known
	}
	return &sessionFacts{}
}

func (k *sessionFacts) memory() int {
	if k.newest == 0 {
		return 0
	}
	return k.bytes
}
