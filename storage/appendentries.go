package storage

import (
	"context"

	pb "alkalog/proto/alkalogv1"
)

// AppendEntries puts entries on the audit log that no record goes with: a denial, a read
// by an auditor, a purge. It answers when they are durable. It is not a request
// of a caller and there is no retry to tell from a first try: after ErrUnknown
// the entries may be there or not, and what they are about must not go ahead.
// Every entry needs a record time and a name in the chain.
func AppendEntries(ctx context.Context, db *DB, chain string, entries ...*pb.AuditEntry) error {
	return db.commitWithEntries(ctx, chain, func(*transaction) ([]*pb.AuditEntry, error) { return entries, nil })
}
