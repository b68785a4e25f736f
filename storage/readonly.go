package storage

import (
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// ErrReadOnly means that nothing is written, because the database is not a continuation
// of its last checkpoints.
var ErrReadOnly = errors.New("storage: the database is not what was last seen of it")

// Forbid blocks all writes with a reason, until Permit is called. Three things still
// work: repeated requests get their stored answers; reads by auditors are logged,
// because they are what finds out what happened; and an operator can accept the
// database (AcceptRestore).
func (db *DB) Forbid(why string) { db.forbidden.Store(&why) }

// Permit allows writes again.
func (db *DB) Permit() { db.forbidden.Store(nil) }

// Writable returns ErrReadOnly, with the reason, while writes are blocked.
func (db *DB) Writable() error { return db.writable(Changes{}) }

// writable returns ErrReadOnly for changes that may not be written now.
func (db *DB) writable(c Changes) error {
	why := db.forbidden.Load()
	if why == nil || len(c.Records) == 0 && c.accepts() {
		return nil
	}
	return fmt.Errorf("%w: %s", ErrReadOnly, *why)
}

// accepts reports whether changes do nothing but accept the database as it is.
func (c Changes) accepts() bool {
	for _, e := range c.Entries {
		if e.GetKind() != pb.EntryKind_ENTRY_KIND_RESTORED {
			return false
		}
	}
	return len(c.Entries) > 0
}
