package integration

import (
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// TestDeletedBeforeTheLog: entries that were deleted before the log had a place
// for them are missed, because the records that they were written for are there.
func TestDeletedBeforeTheLog(t *testing.T) {
	t.Parallel()
	s := newCoveringServer(t, 50*time.Millisecond)
	c := s.newChain(t, "ebb-and-flow")
	s.allCovered(t)
	tx, err := s.sql.BeginTx(t.Context(), nil)
	if err == nil {
		_, err = tx.Exec("select from log_leader for update") // no log grows meanwhile
	}
	if err != nil {
		t.Fatal(err)
	}
	client, erased := c.client(t), c.client(t)
	refused, gone := c.decisionFor(t, client, brokenSkin), c.decisionFor(t, erased, brokenSkin)
	in := c.newIncident()
	incident := must(t, c.till, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: in, RequestId: newID()}).Incident
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: erased, RequestId: newID()})
	damage(t, s, "audit_entries", "delete from audit_entries where kind in ('ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL', 'ENTRY_KIND_INCIDENT')")
	damage(t, s, "decisions", "update decisions set verdict = 'VERDICT_PROCEED' where id = '"+path.Base(refused.Name)+"'")
	if err := tx.Commit(); err != nil {
		t.Fatal(err)
	}
	s.allCovered(t)
	found := strings.Split(s.faults(t), "\n")
	for _, want := range []string{"decisions " + path.Base(client) + "/" + path.Base(refused.Name), "decisions " + path.Base(erased) + "/" + path.Base(gone.Name),
		"incidents " + path.Base(client) + "/" + path.Base(incident.Name)} {
		if !slices.Contains(found, want+": its audit entry was deleted: none was written for the record as it is") {
			t.Errorf("%s has no entry, and found is %q", want, found)
		}
	}
	column := "decisions " + path.Base(client) + "/" + path.Base(refused.Name) + ": search columns were changed, so it may not be found: verdict"
	if len(found) != 4 || !slices.Contains(found, column) {
		t.Errorf("three entries were deleted and a search column was changed, and found is %q", found)
	}
}
