package storage

import (
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// ErrReadOnly says that nothing is written, because the database is not what
// was last seen of it.
var ErrReadOnly = errors.New("storage: the database is not what was last seen of it")

// Forbid lets nothing more be written, and says why, until Permit is called.
// Requests that were answered before are answered as they were; what is being
// read can still be noted on the audit log; and so can it be that somebody
// accepts the database as it is.
func (db *DB) Forbid(why string) { db.forbidden.Store(&why) }

// Permit lets things be written again.
func (db *DB) Permit() { db.forbidden.Store(nil) }

// Writable answers ErrReadOnly while things may not be written.
func (db *DB) Writable() error { return db.writable(Changes{}) }

// writable answers ErrReadOnly for changes that may not be written now.
func (db *DB) writable(c Changes) error {
	why := db.forbidden.Load()
	if why == nil || len(c.Records) == 0 && c.accepts() {
		return nil
	}
	return fmt.Errorf("%w: %s", ErrReadOnly, *why)
}

// accepts reports whether changes do no more than accept the database as it is.
func (c Changes) accepts() bool {
	for _, e := range c.Entries {
		if e.GetKind() != pb.EntryKind_ENTRY_KIND_RESTORED {
			return false
		}
	}
	return len(c.Entries) > 0
}
