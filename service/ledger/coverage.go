package ledger

import (
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// Covered returns the entry of a batch of writes whose records are covered by digest
// (see storage/coverage.go).
func (ec EntryContext) Covered(digest []byte, writes, records int64) *pb.AuditEntry {
	e := ec.uncaused(pb.EntryKind_ENTRY_KIND_COVERAGE)
	e.CoveredDigest, e.CoveredWrites, e.CoveredRecords = digest, writes, records
	e.Summary = fmt.Sprintf("%d records of %d writes are covered by digest", records, writes)
	return e
}

// Baseline returns the entry of records from before coverage, which no write covers.
func (ec EntryContext) Baseline(digest []byte, records int64) *pb.AuditEntry {
	e := ec.uncaused(pb.EntryKind_ENTRY_KIND_BASELINE)
	e.CoveredDigest, e.CoveredRecords = digest, records
	e.Summary = fmt.Sprintf("%d records that were stored before are covered by digest", records)
	return e
}
