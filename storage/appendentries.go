package storage

import (
	"context"

	pb "alkalog/proto/alkalogv1"
)

// AppendEntries adds audit entries without a record: a denial, a read by an auditor, a
// purge. It returns when the entries are durable.
//
// It has no request ID and therefore no protection against repetition. After ErrUnknown
// the entries may or may not be stored, and the caller must not go ahead with what they
// are about: a read that is not on the log is not answered. Each entry needs a record
// time. An entry of another chain is an error. It takes two round trips: one with all
// statements, and COMMIT.
func AppendEntries(ctx context.Context, db *DB, chain string, entries ...*pb.AuditEntry) error {
	records, err := (&write{db: db, chain: chain}).records(Changes{Entries: entries}, "", sealer{})
	if err != nil || len(records) == 0 {
		return err
	}
	m := &message{ctx: ctx, steps: []step{{query: sequencerLockQuery}, insertStep(records)}}
	tx, err := db.begin(ctx, inChain(chain).with(m), nil)
	if err != nil {
		return err
	}
	return tx.commit(ctx)
}
