package integration

import (
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// Attack: somebody slips an entry in beside the log.

// TestEntrySlippedInBesideTheLog: an entry that takes a position which the log has
// passed comes onto no copy, and the server names it.
func TestEntrySlippedInBesideTheLog(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	damage(t, a.testServer, "audit_entries", inserted)
	said := a.restarted(t)
	eventually(t, "the server to name it", func() bool {
		return strings.Contains(said.String(), "were inserted") && strings.Contains(said.String(), "made-up")
	})
	eventually(t, "lists to count it", func() bool {
		return must(t, a.odile, a.audit.ListEntries, &pb.ListEntriesRequest{Parent: a.name, PageSize: 1}).GetCheck().GetUnloggedEntries() == 1
	})
	_, verdict := a.copyOf(t, []byte(a.kept), func(e *pb.AuditEntry) {
		if last(e.Name) == "made-up" {
			t.Error("it is on the copy")
		}
	})
	if !verdict.Valid() {
		t.Errorf("the log is what was signed: %v", verdict.Faults)
	}
}
