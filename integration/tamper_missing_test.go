package integration

import (
	"fmt"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
)

// Attack: somebody deletes an entry with everything that points to it, so that nothing
// is left to be found by rows.

// deleteEntry deletes the refusal at a place of the log with everything that points to
// it: the entry, its row on the log, and its decision.
func (a tamperedChain) deleteEntry(t *testing.T, refusal *pb.AuditEntry) (place int64) {
	t.Helper()
	id := last(refusal.Name)
	if err := a.sql.QueryRow("select place from log_entries where id = $1", id).Scan(&place); err != nil {
		t.Fatal(err)
	}
	damage(t, a.testServer, "decisions", fmt.Sprintf("delete from decisions where id = '%s'", last(refusal.Decision)))
	damage(t, a.testServer, "audit_entries", fmt.Sprintf("delete from audit_entries where id = '%s'", id))
	damage(t, a.testServer, "log_entries", fmt.Sprintf("delete from log_entries where id = '%s'", id))
	return place
}

// TestVanishedEntry: the place is named by the server's log, by lists and figures,
// by the copy and by the report, and the other entries are as they were.
func TestVanishedEntry(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	refusals := a.entries(t, `kind = "REFUSAL"`)
	place := a.deleteEntry(t, refusals[3])
	said := a.restarted(t)
	eventually(t, "the server to name the place", func() bool {
		return strings.Contains(said.String(), "entries were deleted") && strings.Contains(said.String(), fmt.Sprintf("places=[%d]", place))
	})
	check := must(t, a.odile, a.audit.ListEntries, &pb.ListEntriesRequest{Parent: a.name, Filter: `kind = "REFUSAL"`}).GetCheck()
	if check.GetMissingPlaces() != 1 || len(check.GetPlaces()) != 1 || check.GetPlaces()[0] != place {
		t.Errorf("a list says %v", check)
	}
	figures := must(t, a.odile, a.audit.SummarizeEntries, &pb.SummarizeEntriesRequest{Parent: a.name})
	if figures.GetCheck().GetMissingPlaces() != 1 {
		t.Errorf("figures say %v", figures.GetCheck())
	}
	for _, against := range []string{"", a.kept} {
		verdict, err := a.audited(t, against)
		if err != nil || len(verdict.Faults) != 1 || verdict.Faults[0].Index != place || !strings.Contains(verdict.Faults[0].What, "it is missing") {
			t.Errorf("with a checkpoint of before: %v: the copy says %v, %v; want place %d alone", against != "", verdict.Faults, err, place)
		}
		if verdict.Kinds[refusals[3].Kind.String()] != int64(len(refusals)-1) {
			t.Errorf("the copy has %v", verdict.Kinds)
		}
	}
	page := a.report(t, report.Period{From: a.clock.Now().AddDate(1, 0, 0)}) // a period without entries
	if !strings.Contains(page, "was changed by another way") || !strings.Contains(page, fmt.Sprintf("entry %d: the database has no readable entry", place)) {
		t.Errorf("the report does not name place %d", place)
	}
}

// TestVanishedRowOfTheLog: the row on the log alone is deleted. The entry is still
// there, and still its place is empty.
func TestVanishedRowOfTheLog(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	damage(t, a.testServer, "log_entries", "delete from log_entries where place = 5")
	if got := a.verifyCopy(t, a.kept); !strings.Contains(got, "entry 5, ") || !strings.Contains(got, "it is missing") {
		t.Errorf("the copy says %q", got)
	}
	a.restarted(t)
	eventually(t, "lists to count both", func() bool {
		check := must(t, a.odile, a.audit.ListEntries, &pb.ListEntriesRequest{Parent: a.name, PageSize: 1}).GetCheck()
		return check.GetMissingPlaces() == 1 && check.GetUnloggedEntries() == 1
	})
}

// report is the page on a period.
func (a tamperedChain) report(t *testing.T, period report.Period) string {
	t.Helper()
	facts, err := report.Gather(a.odile.calling(t), report.Source{Audit: a.audit}, a.name, period)
	if err != nil {
		t.Fatal(err)
	}
	var page strings.Builder
	if err := report.Write(&page, facts); err != nil {
		t.Fatal(err)
	}
	return page.String()
}
