package storage

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage/lotcode"
)

// Sessions are listed newest first. Each batch of events replaces the session and
// raises its sequence, so that two batches of one session cannot both succeed on the
// same version.
var Sessions = Mutable[*pb.Session]{Kind[*pb.Session]{newestFirst: true, table: newSealed("sessions", "parent",
	column[*pb.Session]{"sequence", "bigint", func(s *pb.Session) any { return s.GetSequence() }},
	column[*pb.Session]{"decision", "text", func(s *pb.Session) any { return s.GetDecision() }},
	column[*pb.Session]{"update_time", "timestamptz", func(s *pb.Session) any { return s.GetUpdateTime() }},
	column[*pb.Session]{"open", "boolean", func(s *pb.Session) any { return isOpen(s) }},
	column[*pb.Session]{"used", "text[]", func(s *pb.Session) any { return productsUsed(s) }},
	// At most one of a client's sessions is the only open one: a unique index keeps
	// two that begin at the same time apart. One that was recorded beside another,
	// because it was under way, does not count.
	column[*pb.Session]{"sole", "boolean", func(s *pb.Session) any { return isOpen(s) && s.GetOtherSession() == "" }},
)}}

// isOpen reports whether a session has neither an outcome nor was closed without one.
func isOpen(s *pb.Session) bool { return s.GetOutcome() == "" && s.GetClosing() == nil }

// events are the facts that were recorded in sessions. Their IDs come from the tills,
// so that an event that is sent again is recognized.
var events = newSealed("session_events", "?",
	column[*pb.StoredEvent]{"sequence", "bigint", func(e *pb.StoredEvent) any { return e.GetSequence() }},
	column[*pb.StoredEvent]{"discomfort", "boolean", func(e *pb.StoredEvent) any { return isDiscomfort(e.GetEvent()) }},
)

// isDiscomfort reports whether an event says that the client feels something. A value
// that this program does not know counts, because guidance takes it at its worst.
func isDiscomfort(e *pb.Event) bool {
	comfort := e.GetComfortCheck().GetComfort()
	return comfort != pb.Comfort_COMFORT_UNSPECIFIED && comfort != pb.Comfort_COMFORT_COMFORTABLE
}

// InsertEvent makes the record of an event of a session, given by its resource name.
// The event's ID and its sequence are unique in the session; a second one is ErrExists.
func InsertEvent(session string, e *pb.StoredEvent) Record {
	at, err := childKey(session, e.GetEvent().GetEventId())
	return events.ofClient(session, at, err, e)
}

// Events reads the events of a session with a sequence above after, in the order of
// recording.
func Events(s *Snapshot, session string, after int64) ([]*pb.StoredEvent, error) {
	at, err := parseName(session)
	if err != nil {
		return nil, err
	}
	rows, planned, err := s.list(eventsID(at.id))
	if !planned {
		err = s.all(&rows, "select "+sealedColumns+" from session_events"+ofClient+" where chain = $1 and parent = $2 and client = $4 and sequence > $3 order by sequence",
			s.chain, at.id, after, at.parent)
	} else if err == nil && after > 0 {
		err = s.miss()
	}
	if err != nil {
		return nil, err
	}
	return openRows[*pb.StoredEvent](s, events.name, at.parent, rows)
}

// eventsID identifies the events of a session among the lists of a plan.
func eventsID(session string) string { return "events of " + session }

// EventsPage reads up to limit events of a session with a sequence above after, in the
// order of recording.
func EventsPage(s *Snapshot, session string, after int64, limit int) ([]*pb.StoredEvent, error) {
	at, err := parseName(session)
	if err != nil {
		return nil, err
	}
	var rows []sealedRow
	err = s.all(&rows, "select "+sealedColumns+" from session_events"+ofClient+" where chain = $1 and parent = $2 and client = $4 and sequence > $3 order by sequence limit $5",
		s.chain, at.id, after, at.parent, limit)
	if err != nil {
		return nil, err
	}
	return openRows[*pb.StoredEvent](s, events.name, at.parent, rows)
}

// SessionFilter says which sessions are wanted. All fields that are set must fit.
type SessionFilter struct {
	// Client is the resource name of a client; empty: sessions of all clients.
	Client string
	// Product, if not empty, is the resource name of a product that was planned or used, and
	// LotCode its lot. A lot is found however it is spelled (package lotcode).
	Product, LotCode string
	// Decision, if not empty, is the resource name of the decision that permitted the session.
	Decision string
	// OpenOnly leaves out sessions that are closed.
	OpenOnly bool
	// Discomfort leaves out sessions without a report of discomfort. Of events whose column
	// is not filled yet it is not known, so their sessions are not left out.
	Discomfort bool
	// From and To, if not zero, bound when the session was stored.
	From, To time.Time
}

// ListSessions reads a page of sessions, newest first.
func ListSessions(s *Snapshot, f SessionFilter, page Page) ([]*pb.Session, string, error) {
	return list[*pb.Session](s, f.listing(s.chain), page)
}

// listing returns the list of the sessions.
func (f SessionFilter) listing(chain string) listing {
	where, args := f.where(chain)
	return Sessions.byID(where, true, args...)
}

// CountSessions counts the sessions that ListSessions lists.
func CountSessions(s *Snapshot, f SessionFilter) (int, error) {
	where, args := f.where(s.chain)
	var n int
	err := s.one(&n, "select count(*) from sessions"+ofClient+" where client = parent and "+where, args...)
	return n, err
}

// where returns the filter as an SQL condition with its arguments. Lots are searched in
// session_uses, which triggers fill from the column used, because an array operator
// cannot use an index under row-level security.
func (f SessionFilter) where(chain string) (string, []any) {
	where, args := []string{"chain = $1"}, []any{chain}
	if f.Client != "" {
		// A name that is not one has no id, and no session is found.
		at, _ := parseName(f.Client)
		args = append(args, at.id)
		where = append(where, fmt.Sprintf("parent = $%d", len(args)))
	}
	if f.Product != "" || f.LotCode != "" {
		args = append(args, pq.Array([]string{usedKey(f.Product, f.LotCode), usedAsSpelled(f.Product, f.LotCode)}))
		where = append(where, fmt.Sprintf("(parent, id) in (select parent, session from session_uses where chain = $1 and used = any($%d))", len(args)))
	}
	if f.Decision != "" {
		args = append(args, f.Decision)
		where = append(where, fmt.Sprintf("decision = $%d", len(args)))
	}
	if f.OpenOnly {
		where = append(where, "open")
	}
	if f.Discomfort {
		where = append(where, "id in (select e.parent from session_events e where e.chain = $1 and e.discomfort is distinct from false)")
	}
	if !f.From.IsZero() {
		args = append(args, firstID(f.From))
		where = append(where, fmt.Sprintf("id >= $%d", len(args)))
	}
	if !f.To.IsZero() {
		args = append(args, firstID(f.To))
		where = append(where, fmt.Sprintf("id < $%d", len(args)))
	}
	return strings.Join(where, " and "), args
}

// firstID returns what sorts before every ID that is made at an instant or later, and
// after those made earlier: the first 48 bits of a UUIDv7 are milliseconds (RFC 9562,
// Universally Unique IDentifiers, section 5.7, 2024).
func firstID(at time.Time) string {
	ms := max(0, at.UnixMilli())
	return fmt.Sprintf("%08x-%04x", ms>>16, ms&0xffff)
}

// productsUsed returns what a session is found by: each product that was planned or
// used, and each of its lots.
func productsUsed(s *pb.Session) []string {
	var used []string
	add := func(product, lot string) {
		if product == "" {
			return
		}
		used = append(used, usedKey(product, ""))
		if lot != "" {
			used = append(used, usedKey(product, lot))
		}
	}
	add(s.GetProduct(), s.GetLotCode())
	for _, p := range s.GetProductsUsed() {
		add(p.GetProduct(), p.GetLotCode())
	}
	return used
}

// usedKey returns the search key of a product or of one of its lots. The name of a
// product begins with its chain, and therefore every key does.
func usedKey(product, lot string) string {
	if key := lotcode.Key(lot); key != "" {
		lot = key
	}
	return usedAsSpelled(product, lot)
}

// usedAsSpelled returns the key under which sessions were stored before lots were
// compared in normal form. Migration 7 added the new keys where it could; searches use
// both.
func usedAsSpelled(product, lot string) string {
	if lot == "" {
		return product
	}
	return product + " " + lot
}

// RecentSessions reads the open sessions of the chain that were begun or changed at a
// time or later, and the closed ones that were changed at another time or later. The
// periodic sweep of sessions reads these.
func RecentSessions(s *Snapshot, open, closed time.Time) ([]*pb.Session, error) {
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+" from sessions"+ofClient+` where chain = $1 and client = parent
		and (open and update_time >= $2 or not open and update_time >= $3) order by id`, s.chain, open, closed)
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Session](s, Sessions.name, "", rows)
}

// OpenSessionOf returns the resource name of the client's newest open session; empty if
// none is open.
func OpenSessionOf(s *Snapshot, client string) (string, error) {
	at, err := parseName(client)
	if err != nil {
		return "", err
	}
	var ids []string
	err = s.all(&ids, "select id from sessions where chain = $1 and parent = $2 and open order by id desc limit 1", s.chain, at.id)
	if err != nil || len(ids) == 0 {
		return "", err
	}
	return client + "/sessions/" + ids[0], nil
}

// SilentSessions reads up to limit open sessions of the chain that were last changed
// before a time, the longest silent first.
func SilentSessions(s *Snapshot, before time.Time, limit int) ([]*pb.Session, error) {
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+" from sessions"+ofClient+" where chain = $1 and client = parent and open and update_time < $2 order by update_time limit $3",
		s.chain, before, limit)
	if err != nil {
		return nil, err
	}
	return openRows[*pb.Session](s, Sessions.name, "", rows)
}

// Sequences reads the sequence numbers of the named sessions of the chain, by name.
// Sessions of erased clients are left out.
func Sequences(s *Snapshot, names []string) (map[string]int64, error) {
	ids := make(map[string]string, len(names))
	for _, name := range names {
		ids[name[strings.LastIndexByte(name, '/')+1:]] = name
	}
	var rows []struct {
		ID       string
		Sequence int64
	}
	err := s.all(&rows, "select id, sequence from sessions"+ofClient+" where chain = $1 and client = parent and id = any($2)",
		s.chain, pq.Array(slices.Collect(maps.Keys(ids))))
	found := make(map[string]int64, len(rows))
	for _, r := range rows {
		found[ids[r.ID]] = r.Sequence
	}
	return found, err
}
