package ledger

import (
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// Covered is the entry of a batch of writes whose records are covered by digest.
func (s Scene) Covered(digest []byte, writes, records int64) *pb.AuditEntry {
	e := s.uncaused(pb.EntryKind_ENTRY_KIND_COVERAGE)
	e.CoveredDigest, e.CoveredWrites, e.CoveredRecords = digest, writes, records
	e.Summary = fmt.Sprintf("%d records of %d writes are covered by digest", records, writes)
	return e
}

// Baseline is the entry of records that no write covers.
func (s Scene) Baseline(digest []byte, records int64) *pb.AuditEntry {
	e := s.uncaused(pb.EntryKind_ENTRY_KIND_BASELINE)
	e.CoveredDigest, e.CoveredRecords = digest, records
	e.Summary = fmt.Sprintf("%d records that were stored before are covered by digest", records)
	return e
}
