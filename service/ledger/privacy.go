package ledger

import (
	"fmt"

	pb "alkalog/proto/alkalogv1"
)

// Why a client was erased, as the entry's coded reason has it.
const (
	ErasedOnRequest = "ON_REQUEST"      // the client, or somebody for the client, asked for it
	ErasedInTime    = "RETENTION"       // the chain keeps no records for longer
	ErasedAgain     = "RESTORED_BACKUP" // a restored backup had brought the client back
)

// Erased is the entry of a client's erasure. What it says of the client is a
// pseudonym that leads nowhere any more.
func (ec EntryContext) Erased(client, reason string) *pb.AuditEntry {
	return ec.upkeep(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ERASURE, Client: client, ReasonCode: reason,
		Summary: "the client was erased: the key to everything personal is destroyed"})
}

// HandedOut is the entry of an export of everything about a client.
func (ec EntryContext) HandedOut(client string) *pb.AuditEntry {
	return ec.upkeep(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_CLIENT_EXPORTED, Client: client,
		Summary: "everything about the client was handed out in one file"})
}

// Purged is the entry of n answered requests that were forgotten.
func (ec EntryContext) Purged(n int64, days int32) *pb.AuditEntry {
	return ec.upkeep(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_PURGE, Count: n, ReasonCode: "REQUESTS",
		Summary: fmt.Sprintf("%d answered requests older than %d days were forgotten", n, days)})
}

// RetentionChanged is the entry of a change of how long a chain keeps records; nil
// when a change of the chain leaves that as it was.
func (ec EntryContext) RetentionChanged(before, after *pb.Chain) *pb.AuditEntry {
	was, is := before.GetRetention(), after.GetRetention()
	if was.GetClientDays() == is.GetClientDays() && was.GetRequestDays() == is.GetRequestDays() {
		return nil
	}
	return ec.upkeep(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_RETENTION_CHANGED,
		Summary: fmt.Sprintf("days for which clients are kept: %d, before %d; answered requests: %d, before %d (0: as usual, clients without end)",
			is.GetClientDays(), was.GetClientDays(), is.GetRequestDays(), was.GetRequestDays())})
}

// upkeep completes an entry that no stored record is the cause of.
func (ec EntryContext) upkeep(e *pb.AuditEntry) *pb.AuditEntry {
	full := ec.entry(e.Kind, nil)
	full.CauseDigest = nil
	full.Client, full.ReasonCode, full.Summary, full.Count = e.Client, e.ReasonCode, e.Summary, e.Count
	return full
}
