package storage

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
)

// A check looks at what the client's decisions of the last day came to. Decisions are never
// changed, so what is made of one is kept in memory under its ID. The statement of a plan
// returns the IDs of all of them in one row, and the bodies of those only that are not
// known. So a check costs the same after many refusals, and is decided on exactly the
// decisions that the database has: one that was committed late, or by another server, is
// among the IDs.

// Folded is what a caller makes of a decision.
type Folded interface {
	// Size is about how many bytes it takes in memory.
	Size() int
}

// recentDecisions is the condition of RecentDecisions. Decisions from before there was
// the column have no time in it and count as recent.
const recentDecisions = "parent = $2 and client = parent and (create_time is null or create_time >= $3)"

// RecentDecisions returns what fold makes of up to limit of a client's newest decisions
// that were made at a time or later, newest first. Some may be older. For one decision, fold
// must always give the same while the database is open; what it gave is shared between calls
// and must not be changed.
func RecentDecisions[T Folded](s *Snapshot, client string, since time.Time, limit int, fold func(*pb.Decision) (T, error)) ([]T, error) {
	at, err := parseName(client)
	if err != nil {
		return nil, err
	}
	ids, known, rows, err := s.recentDecisions(at, since, limit)
	if err != nil || len(ids) == 0 {
		return nil, err
	}
	if s.db.erased.has(s.chain, at.id) { // although nothing may have to be opened
		s.foundErased = true
		return nil, nil
	}
	// Decisions of before, whose time is not known, are folded too; the caller looks at the
	// time that the decision itself has.
	fresh := map[string]Folded{}
	for _, row := range rows {
		opened, err := openRows[*pb.Decision](s, Decisions.name, at.id, []sealedRow{row})
		if err != nil {
			return nil, err
		}
		for _, d := range opened {
			if fresh[row.ID], err = fold(d); err != nil {
				return nil, err
			}
		}
	}
	var folded []T
	// Only what counts now is kept, so that a day's decisions do not become a year's.
	all := &foldedDecisions{byID: map[string]Folded{}}
	for _, id := range ids {
		f := known.byID[id]
		if f == nil {
			f = fresh[id]
		}
		if f == nil {
			continue
		}
		folded = append(folded, f.(T))
		all.byID[id] = f
		all.bytes += foldOverhead + f.Size()
	}
	if len(fresh) > 0 {
		s.db.keepDecisions(s.chain, at.id, all)
	}
	return folded, nil
}

// recentDecisions returns the IDs of the recent decisions of a client, newest first, what
// is known of them, and the rows of the others.
func (s *Snapshot) recentDecisions(at key, since time.Time, limit int) (ids []string, known *foldedDecisions, rows []sealedRow, err error) {
	if s.planned != nil {
		rows, _, err = s.list(recentDecisionsID(at.id))
		r := s.planned.recent[at.id]
		return r.ids, r.known, rows, err
	}
	err = s.all(&ids, "select id from decisions"+ofClient+" where chain = $1 and "+recentDecisions+" order by id desc limit $4", s.chain, at.id, since, limit)
	known = s.db.knownDecisions(s.chain, at.id)
	unknown := slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return known.byID[id] != nil })
	if err == nil && len(unknown) > 0 {
		err = s.all(&rows, "select "+sealedColumns+" from decisions"+ofClient+" where chain = $1 and parent = $2 and client = parent and id = any($3)",
			s.chain, at.id, pq.Array(unknown))
	}
	return ids, known, rows, err
}

// recentDecisionsID identifies the recent decisions of a client among the lists of a plan.
func recentDecisionsID(client string) string { return "recent decisions of " + client }

// recentlyDecided is what a plan has found of the recent decisions of a client, beside the
// rows of those that were not known.
type recentlyDecided struct {
	ids   []string
	known *foldedDecisions
}

// WantRecentDecisions adds what RecentDecisions reads.
func WantRecentDecisions(p *Plan, client string, since time.Time, limit int) {
	at, err := parseName(client)
	if err != nil {
		return
	}
	// What is known is asked for when the statement is composed, and used when its rows are
	// there: it may be another by then, and what the rows leave out must still be at hand.
	var known *foldedDecisions
	// ids is the list of recent decisions. The bodies are those of decisions from the oldest on
	// the list on, and therefore of those on it and of no others.
	ids := func(st *planStatement) string {
		return fmt.Sprintf("(select id from %s where chain = $1 and %s order by id desc limit %s)", Decisions.name+ofClient,
			st.renumbered(recentDecisions, []any{at.chain, at.id, since}), st.arg("int", strconv.Itoa(limit)))
	}
	p.parts = append(p.parts, wantedPart{func(st *planStatement) string {
		return "(select :part, '', coalesce(string_agg(r.id::text, ' ' order by r.id desc), ''), '', null::bytea, null::text, null::bytea from " + ids(st) + " as r)"
	}, func(f *fetched, rows []plannedRow) {
		r := recentlyDecided{known: known}
		if len(rows) > 0 {
			r.ids = strings.Fields(rows[0].id)
		}
		f.recent[at.id] = r
	}}, wantedPart{func(st *planStatement) string {
		known = st.db.knownDecisions(at.chain, at.id)
		return st.rows(Decisions.name+ofClient, "chain = $1 and parent = "+st.arg("text", at.id)+" and client = parent and id >= (select min(id) from "+ids(st)+
			" as r) and id <> all("+st.list(known.ids())+") and "+st.renumbered(recentDecisions, []any{at.chain, at.id, since}), true, "id desc", 0)
	}, func(f *fetched, rows []plannedRow) {
		f.lists[recentDecisionsID(at.id)] = rows
		f.recent[at.id] = recentlyDecided{f.recent[at.id].ids, known}
	}})
}

// foldedDecisions is what was made of the recent decisions of a client. It is never changed;
// another takes its place.
type foldedDecisions struct {
	byID  map[string]Folded
	bytes int
}

// foldOverhead is what an entry of the map takes in memory, roughly.
const foldOverhead = 100

// maxDecisionBytes bounds what is kept of the recent decisions of all clients. Our own
// choice: a day of a few thousand clients.
const maxDecisionBytes = 8 << 20

func (d *foldedDecisions) memory() int { return d.bytes }

// ids are the IDs of the decisions that are known.
func (d *foldedDecisions) ids() []string { return slices.Sorted(maps.Keys(d.byID)) }

// decisionsOf is the place of the recent decisions of a client in memory.
func decisionsOf(client string) namedRow { return namedRow{Decisions.statements, client, ""} }

// knownDecisions returns what is known of a client's recent decisions; never nil.
func (db *DB) knownDecisions(chain, client string) *foldedDecisions {
	if known, ok := db.decided.get(chain, decisionsOf(client)); ok {
		return known
	}
	return &foldedDecisions{}
}

// keepDecisions keeps what is known of a client's recent decisions, unless the client was
// erased.
func (db *DB) keepDecisions(chain, client string, d *foldedDecisions) {
	db.decided.put(chain, decisionsOf(client), d, nil)
	if db.erased.listed(chain, client) {
		db.decided.dropClient(chain, client)
	}
}
