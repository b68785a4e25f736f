package storage

import (
	"context"
	"database/sql"
	"strconv"

	pb "alkalog/proto/alkalogv1"
)

// ReadLogHead reads the head of the chain's log, or answers ErrNotFound while
// there is none.
func ReadLogHead(s *Snapshot) (LogHead, error) {
	var h LogHead
	err := s.one(&h, "select "+headColumns+" from log_heads where chain = $1", s.chain)
	return h, err
}

// ReadLogTiles reads tiles of the chain's log; one that is not there is left
// out.
func ReadLogTiles(s *Snapshot, wanted []LogTile) ([]LogTile, error) {
	for i := range wanted {
		wanted[i].Chain = s.chain
	}
	tiles, err := readTiles(s.ctx, s.tx, wanted)
	return tiles, explain(s.ctx, err)
}

// ReadLogPlace reads the place of an entry, by its id, on the chain's log, or
// answers ErrNotFound.
func ReadLogPlace(s *Snapshot, id string) (int64, error) {
	var place int64
	err := s.one(&place, "select place from log_entries where chain = $1 and id = $2", s.chain, id)
	return place, err
}

// ReadStoredEntry reads the bytes that an entry is stored as, by its id, or
// answers ErrNotFound.
func ReadStoredEntry(s *Snapshot, id string) ([]byte, error) {
	var stored []byte
	err := s.one(&stored, "select body from audit_entries where chain = $1 and parent = '' and id = $2", s.chain, id)
	return stored, err
}

// HasEntry reports whether the chain has an audit entry of an id.
func HasEntry(s *Snapshot, id string) (bool, error) {
	var there bool
	err := s.one(&there, "select exists (select from audit_entries where chain = $1 and parent = '' and id = $2)", s.chain, id)
	return there, err
}

// Handover is the last checkpoint that was signed by keys which are not today's.
type Handover struct {
	Keys       string
	Checkpoint []byte
}

// ReadHandovers reads the handovers of the chain's log, oldest first.
func ReadHandovers(s *Snapshot) ([]Handover, error) {
	var all []Handover
	err := s.all(&all, "select keys, checkpoint from log_handovers where chain = $1 order by revision", s.chain)
	return all, err
}

// placesOfLog is the list that the tokens of an export belong to.
func placesOfLog(s *Snapshot, f EntryFilter) (listing, error) {
	args := []any{s.chain}
	where, err := f.where(&args)
	return listing{table: "log_entries", where: where, args: args, key: "place", cast: "bigint", before: "-1"}, err
}

// PlaceToken makes the token that resumes an export behind a place of the log.
func PlaceToken(s *Snapshot, f EntryFilter, place int64) (string, error) {
	l, err := placesOfLog(s, f)
	return l.seal(strconv.FormatInt(place, 10)), err
}

// NextPlace is the place behind the one that a token was made for, or answers
// ErrBadToken when it was made for another filter or is none. Without a token it
// is the first.
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

// asFarAsItReads is a stored entry, or an empty one when somebody has made it
// unreadable or taken it away: its bytes are what a copy is verified by, and tell which one it is.
func asFarAsItReads(body []byte) (*pb.AuditEntry, error) {
	e, err := parse[*pb.AuditEntry](body)
	if err != nil {
		return &pb.AuditEntry{}, nil
	}
	return e, nil
}

// LogProgress reads the position up to which entries of all chains are on their
// logs.
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

// ChangedHeads reads up to limit heads of all chains that have changed after a
// revision, in the order in which they did.
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

// NewestRevision reads the revision of the head that was changed last; 0 while
// there is none.
func NewestRevision(ctx context.Context, db *DB) (int64, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, err
	}
	defer tx.end()
	var newest int64
	err = tx.GetContext(ctx, &newest, "select coalesce(max(revision), 0) from log_heads")
	return newest, explain(ctx, err)
}

// ListRestored reads the newest entries of the chain, up to 100, in which an
// operator accepts that the database was restored. One that somebody has made
// unreadable accepts nothing.
func ListRestored(s *Snapshot) ([]*pb.AuditEntry, error) {
	var bodies [][]byte
	err := s.all(&bodies, "select body from audit_entries where chain = $1 and kind = 'ENTRY_KIND_RESTORED' order by position desc limit 100", s.chain)
	entries := make([]*pb.AuditEntry, len(bodies))
	for i := 0; i < len(bodies) && err == nil; i++ {
		entries[i], err = asFarAsItReads(bodies[i])
	}
	return entries, err
}
