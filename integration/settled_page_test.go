package integration

import (
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// TestPageStopsBeforeARunningWrite holds the lock that a running write holds. A page that
// is not the last ends before the positions that this write can still use, although
// the server has seen nothing of them; the next page goes on after its end.
func TestPageStopsBeforeARunningWrite(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	c.decision(t, brokenSkin)
	c.waitLogged(t)
	before := int32(len(c.entries(t, "")))
	running, err := c.sql.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer running.Rollback()
	if _, err := running.Exec("select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq"); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		c.decision(t, brokenSkin)
	}
	page := &pb.ListEntriesRequest{Parent: c.name, PageSize: before + 1}
	answer := must(t, c.odile, c.audit.ListEntries, page)
	if n := int32(len(answer.Entries)); n != before || answer.NextPageToken == "" {
		t.Errorf("a page of %d entries while a write is running, want %d and more to come", n, before)
	}
	if err := running.Rollback(); err != nil {
		t.Fatal(err)
	}
	page.PageToken = answer.NextPageToken
	if answer = must(t, c.odile, c.audit.ListEntries, page); len(answer.Entries) < 3 {
		t.Errorf("%d entries on the next page", len(answer.Entries))
	}
}
