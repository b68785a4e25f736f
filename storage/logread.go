package storage

import (
	"context"
	"database/sql"
	"strconv"

	pb "alkalog/proto/alkalogv1"
)

// ReadLogHead reads the head of the chain's log; ErrNotFound if there is none yet.
func ReadLogHead(s *Snapshot) (LogHead, error) {
	var h LogHead
	err := s.one(&h, "select "+headColumns+" from log_heads where chain = $1", s.chain)
	return seenHead(h), err
}

// ReadLogTiles reads tiles of the chain's log. Tiles that do not exist are left out. It
// sets the chain of the tiles in wanted.
func ReadLogTiles(s *Snapshot, wanted []LogTile) ([]LogTile, error) {
	for i := range wanted {
		wanted[i].Chain = s.chain
	}
	tiles, err := readTiles(s.ctx, s.tx, wanted)
	return tiles, explain(s.ctx, err)
}

// LoggedEntry is an entry with the head of its log.
type LoggedEntry struct {
	LogHead
	// Place is the place of the entry on the log; not valid if it is not on the log.
	Place sql.NullInt64
	// Stored is the stored encoding of the entry; nil if there is none.
	Stored []byte
}

// ReadLoggedEntry reads what a proof of an entry, given by its ID, needs beside tiles, in
// one statement; ErrNotFound if the chain has no log yet.
func ReadLoggedEntry(s *Snapshot, id string) (LoggedEntry, error) {
	var e LoggedEntry
	err := s.one(&e, `select h.chain, h.size, h.root, h.position, h.keys, h.checkpoint, h.revision, h.halted, l.place, e.body as stored
		from log_heads h left join log_entries l on l.chain = h.chain and l.id = $2
		left join audit_entries e on e.chain = h.chain and e.parent = '' and e.id = $2 where h.chain = $1`, s.chain, id)
	e.LogHead = seenHead(e.LogHead)
	return e, err
}

// HasEntry reports whether the chain has an audit entry with an ID, on the log or not.
func HasEntry(s *Snapshot, id string) (bool, error) {
	var there bool
	err := s.one(&there, "select exists (select from audit_entries where chain = $1 and parent = '' and id = $2)", s.chain, id)
	return there, err
}

// Handover is the last checkpoint that was signed by keys that are no longer in use.
type Handover struct {
	// Keys are the public keys that signed it, one per line.
	Keys       string
	Checkpoint []byte
}

// ReadHandovers reads the handovers of the chain's log, oldest first.
func ReadHandovers(s *Snapshot) ([]Handover, error) {
	var all []Handover
	err := s.all(&all, "select keys, checkpoint from log_handovers where chain = $1 order by revision", s.chain)
	return all, err
}

// placesOfLog returns the listing that the tokens of an export belong to. It is never
// read; it ties a token to the chain and the filter.
func placesOfLog(s *Snapshot, f EntryFilter) (listing, error) {
	args := []any{s.chain}
	where, err := f.where(&args)
	return listing{table: "log_entries", where: where, args: args, key: "place", cast: "bigint", before: "-1"}, err
}

// PlaceToken makes the token that resumes an export after a place of the log.
func PlaceToken(s *Snapshot, f EntryFilter, place int64) (string, error) {
	l, err := placesOfLog(s, f)
	return l.seal(strconv.FormatInt(place+tokenError, 10)), err
}

// NextPlace returns the place after the one that a token was made for; 0 without a
// token. A token that was made for another filter, or that is no token, is ErrBadToken.
func NextPlace(s *Snapshot, f EntryFilter, token string) (int64, error) {
	l, err := placesOfLog(s, f)
	if err != nil {
		return 0, err
	}
	key, err := l.open(token)
	if err != nil {
		return 0, err
	}
	place, err := strconv.ParseInt(key, 10, 64)
	if err != nil {
		return 0, ErrBadToken
	}
	return place + 1, nil
}

// asFarAsItReads decodes a stored entry. One that somebody has made unreadable becomes
// an empty entry instead of an error, so that it cannot hide the other entries of a
// list.
func asFarAsItReads(body []byte) (*pb.AuditEntry, error) {
	e, err := parse[*pb.AuditEntry](body)
	if err != nil {
		return &pb.AuditEntry{}, nil
	}
	return e, nil
}

// LogProgress reads the position up to which entries of all chains are on their logs.
func LogProgress(ctx context.Context, db *DB) (int64, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, err
	}
	defer tx.end()
	var position int64
	err = tx.GetContext(ctx, &position, "select position from log_leader")
	return position, explain(ctx, err)
}

// ChangedHeads reads up to limit heads of all chains with a revision above after, in
// the order of revisions.
func ChangedHeads(ctx context.Context, db *DB, after int64, limit int) ([]LogHead, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer tx.end()
	var heads []LogHead
	err = tx.SelectContext(ctx, &heads, "select "+headColumns+" from log_heads where revision > $1 order by revision limit $2", after, limit)
	return heads, explain(ctx, err)
}

// LogState is the state of all logs at one moment.
type LogState struct {
	// Next is the position that the next entry gets, and Settled the one before which no
	// new entry can appear (SettledBefore).
	Next, Settled int64
	// Reached is the position up to which entries are on their logs; not valid if the
	// leader's row is missing.
	Reached sql.NullInt64
	// Logs is the number of logs.
	Logs int64
	// LogHead is the head that has changed last; empty if there is none. A revision below one
	// that was seen earlier means that the database was restored.
	LogHead
}

// stateQuery reads the state of all logs.
const stateQuery = "select s.next, s.settled, l.position as reached, (select count(*) from log_heads) as logs," + `
	coalesce(h.chain, '') as chain, coalesce(h.size, 0) as size, h.root, coalesce(h.position, 0) as position, coalesce(h.keys, '') as keys,
	h.checkpoint, coalesce(h.revision, 0) as revision, coalesce(h.halted, '') as halted
from ` + settledQuery + ` s left join log_leader l on true
left join lateral (select * from log_heads order by revision desc limit 1) h on true`

// ReadLogState reads the state of all logs in one statement.
func ReadLogState(ctx context.Context, db *DB) (LogState, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return LogState{}, err
	}
	defer tx.end()
	var state LogState
	changes := db.Changes()
	err = tx.GetContext(ctx, &state, stateQuery)
	if err == nil {
		db.settled.note(changes, state.Settled)
	}
	return state, explain(ctx, err)
}

// ListRestored reads the newest entries of the chain, at most 100, in which an operator
// accepts a restored database. An unreadable entry is returned empty and accepts
// nothing.
func ListRestored(s *Snapshot) ([]*pb.AuditEntry, error) {
	var bodies [][]byte
	err := s.all(&bodies, "select body from audit_entries where chain = $1 and kind = 'ENTRY_KIND_RESTORED' order by position desc limit 100", s.chain)
	entries := make([]*pb.AuditEntry, len(bodies))
	for i := 0; i < len(bodies) && err == nil; i++ {
		entries[i], err = asFarAsItReads(bodies[i])
	}
	return entries, err
}
