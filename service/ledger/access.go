package ledger

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// Denial describes access that was denied, once or several times in the same way.
type Denial struct {
	// Method is such as "AuditService/ListEntries"; empty: several methods.
	Method string
	// Reason is a code from a closed set.
	Reason string
	// Count is how often; First and Last are when.
	Count int64
	First time.Time
	Last  time.Time
}

// uncaused begins an entry that no stored record is the cause of.
func (ec EntryContext) uncaused(kind pb.EntryKind) *pb.AuditEntry {
	e := ec.entry(kind, nil)
	e.CauseDigest = nil
	return e
}

// Denied returns the entry of denials that were alike. It names the method and the
// reason, and nothing of what the caller sent.
func (ec EntryContext) Denied(d Denial) *pb.AuditEntry {
	e := ec.uncaused(pb.EntryKind_ENTRY_KIND_ACCESS_DENIED)
	e.ReasonCode = d.Reason
	e.Summary = "access denied"
	d.describe(e)
	return e
}

// Repeated returns the alarm entry of access that was denied again and again.
func (ec EntryContext) Repeated(d Denial) *pb.AuditEntry {
	e := ec.uncaused(pb.EntryKind_ENTRY_KIND_ALARM)
	e.ReasonCode = "REPEATED_DENIALS"
	e.Summary = fmt.Sprintf("access denied %d times, last for %s", d.Count, d.Reason)
	d.describe(e)
	return e
}

// describe fills in what was called, how often and when.
func (d Denial) describe(e *pb.AuditEntry) {
	e.Method = d.Method
	e.Count = d.Count
	e.OccurTime = timestamppb.New(d.First)
	e.LastTime = timestamppb.New(d.Last)
}

// Read returns the entry of a read by an auditor: the call and the shape of its filter,
// without values that could be about people. The caller fills in what was read about.
func (ec EntryContext) Read(method, filter string) *pb.AuditEntry {
	e := ec.uncaused(pb.EntryKind_ENTRY_KIND_AUDITOR_READ)
	e.Method = method
	e.Query = filter
	e.Summary = "read by an auditor"
	return e
}
