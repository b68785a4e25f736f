package ledger

import (
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// The reason codes of an erasure.
const (
	// ErasedOnRequest: the client, or somebody for the client, asked for it.
	ErasedOnRequest = "ON_REQUEST"
	// ErasedInTime: the chain keeps no records for longer.
	ErasedInTime = "RETENTION"
	// ErasedAgain: a restored backup had brought the client back.
	ErasedAgain = "RESTORED_BACKUP"
)

// Erased returns the entry of a client's erasure. The name of the client in it is a
// pseudonym that leads nowhere any more.
func (ec EntryContext) Erased(client, reason string) *pb.AuditEntry {
	return ec.upkeep(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_ERASURE, Client: client, ReasonCode: reason,
		Summary: "the client was erased: the key to everything personal is destroyed"})
}

// Linked returns the entry of a client whose links changed. before is the client as it
// was read, after as it is stored. A client that loses a link without getting one was
// taken out, or its last companion was.
func (ec EntryContext) Linked(before, after *pb.Client) *pb.AuditEntry {
	kind, summary := pb.EntryKind_ENTRY_KIND_CLIENTS_LINKED, "one person with "+strings.Join(after.LinkedClients, ", ")+": their histories are used together"
	if len(after.LinkedClients) < len(before.LinkedClients) {
		kind = pb.EntryKind_ENTRY_KIND_CLIENTS_UNLINKED
		var gone []string
		for _, name := range before.LinkedClients {
			if !slices.Contains(after.LinkedClients, name) {
				gone = append(gone, name)
			}
		}
		summary = "another person than " + strings.Join(gone, ", ") + ": their histories are used apart"
	}
	e := ec.entry(kind, after)
	e.Client, e.Summary = after.Name, summary
	return e
}

// HandedOut returns the entry of an export of everything about a client.
func (ec EntryContext) HandedOut(client string) *pb.AuditEntry {
	return ec.upkeep(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_CLIENT_EXPORTED, Client: client,
		Summary: "everything about the client was handed out in one file"})
}

// Purged returns the entry of n answered requests that were deleted.
func (ec EntryContext) Purged(n int64, days int32) *pb.AuditEntry {
	return ec.upkeep(&pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_PURGE, Count: n, ReasonCode: "REQUESTS",
		Summary: fmt.Sprintf("%d answered requests older than %d days were forgotten", n, days)})
}

// RetentionChanged returns the entry of a change of how long a chain keeps records; nil
// if the change of the chain leaves that as it was.
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
