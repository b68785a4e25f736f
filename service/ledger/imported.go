package ledger

import (
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// Imported returns the entry of a batch that stored n records. i is the import after the
// batch, as stored. The records themselves are covered by the digests of their write.
func (ec EntryContext) Imported(i *pb.Import, n int64) *pb.AuditEntry {
	e := ec.entry(pb.EntryKind_ENTRY_KIND_RECORDS_IMPORTED, i)
	e.ChangedRecord, e.AfterDigest = i.Name, Digest(i)
	e.Count = n
	e.Summary = fmt.Sprintf("records imported from another system: %d", n)
	return e
}

// importedReason is the reason code of the entry of an imported incident: it did not happen
// here.
const importedReason = "IMPORTED"

// ImportedIncident returns the entry of an incident that was imported, as stored.
func (ec EntryContext) ImportedIncident(i *pb.Incident) *pb.AuditEntry {
	e := ec.Incident(i)
	e.ReasonCode = importedReason
	e.Summary = "an incident was imported from another system"
	return e
}
