package report

import (
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
)

// TestDamageIsNamed checks that deleted and changed entries are named, and that the present
// content of a changed entry is not shown.
func TestDamageIsNamed(t *testing.T) {
	stored := []byte("as it is stored")
	leaf := ledger.LeafHash(stored)
	f := facts(t)
	for index, sent := range []*pb.ExportEntriesResponse{
		{Entry: &pb.AuditEntry{Name: ebb + "/entries/e0", Summary: "sound"}, Stored: stored, LeafHash: leaf[:]},
		{Entry: &pb.AuditEntry{}, LeafHash: leaf[:]},
		{Entry: &pb.AuditEntry{Name: ebb + "/entries/e2", Summary: "forged words"}, Stored: []byte("other"), LeafHash: leaf[:]},
		{Entry: &pb.AuditEntry{Name: ebb + "/entries/e3", Summary: "right words"}, Stored: stored, LeafHash: leaf[:], MismatchedColumns: []string{"kind"}},
		{Entry: &pb.AuditEntry{Name: ebb + "/entries/e4", Summary: "without tiles"}, Stored: stored},
	} {
		sent.Index = int64(100 + index)
		f.Entries = append(f.Entries, Entry{f.Damage.addEntry(sent), sent.Index, leaf})
	}
	f.Figures[pb.SummaryDimension_SUMMARY_DIMENSION_KIND].Check = &pb.LogCheck{ComparedPlaces: 105, MissingPlaces: 1, ChangedPlaces: 1, MismatchedPlaces: 1,
		Places: []int64{101, 102, 103}, Halted: "its tiles do not add up"}
	var page strings.Builder
	if err := Write(&page, f); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"entry 101: the database has no readable entry", "entry 102: the entry in the database is not the one", "entry 103: search columns",
		"3 of 105 indexes did not match", "its tiles do not add up", "sound", "right words", "without tiles"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page does not contain %q", want)
		}
	}
	if strings.Contains(page.String(), "forged words") {
		t.Error("the page repeats what an edited entry says")
	}
}
