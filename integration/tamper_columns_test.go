package integration

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
	"alkalog/server/report"
)

// Attack: somebody edits search columns, so that filters do not find entries.

// TestEditedColumns: entries are hidden from filters by their search columns, and one
// is made to appear where it does not belong. Exports and copies, which read the signed
// entries, still show them; lists by columns say how many entries they may have missed.
func TestEditedColumns(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	refusals := a.entries(t, `kind = "REFUSAL"`)
	alarm, hidden, past := last(refusals[0].Name), last(refusals[1].Name), last(refusals[2].Name)
	damage(t, a.testServer, "audit_entries",
		fmt.Sprintf("update audit_entries set kind = 'ENTRY_KIND_ALARM' where id in ('%s', '%s')", alarm, hidden),
		fmt.Sprintf("update audit_entries set record_time = record_time - interval '1 year', salon = null where id = '%s'", past))
	said := a.restarted(t)
	eventually(t, "the server to name entries and columns", func() bool {
		text := said.String()
		return strings.Contains(text, "search columns were changed") && strings.Contains(text, hidden+": kind") && strings.Contains(text, past+": salon, record_time")
	})

	listed := must(t, a.odile, a.audit.ListEntries, &pb.ListEntriesRequest{Parent: a.name, Filter: `kind = "REFUSAL"`, PageSize: 500})
	if len(listed.GetEntries()) != len(refusals)-2 || listed.GetCheck().GetMismatchedPlaces() != 3 || len(listed.GetCheck().GetPlaces()) != 3 {
		t.Errorf("a list has %d of %d refusals and says %v", len(listed.GetEntries()), len(refusals), listed.GetCheck())
	}
	alarms := must(t, a.odile, a.audit.ListEntries, &pb.ListEntriesRequest{Parent: a.name, Filter: `kind = "ALARM"`, PageSize: 500})
	if len(alarms.GetEntries()) != 0 || alarms.GetLeftOut() != 2 {
		t.Errorf("as alarms are listed %v, and %d are left out", alarms.GetEntries(), alarms.GetLeftOut())
	}
	if check := must(t, a.odile, a.audit.SummarizeEntries, &pb.SummarizeEntriesRequest{Parent: a.name}).GetCheck(); check.GetMismatchedPlaces() != 3 {
		t.Errorf("figures say %v", check)
	}
	exported := a.exported(t, `kind = "REFUSAL"`)
	wantEntries(t, "an export of refusals", exported, refusals)

	_, verdict := a.copyOf(t, []byte(a.kept), func(*pb.AuditEntry) {})
	if !verdict.Valid() || verdict.Mismatched != 3 || !strings.Contains(verdict.Mismatches[0].String(), "kind") {
		t.Errorf("the copy: %v, %+v", verdict.Faults, verdict.Columns)
	}
	day := a.clock.Now().Truncate(24 * time.Hour)
	page := a.report(t, report.Period{From: day, To: day.AddDate(0, 0, 1)})
	if got := strings.Count(page, "</span>refusal, "); got != len(refusals) {
		t.Errorf("the report of the day shows %d of %d refusals", got, len(refusals))
	}
	if !strings.Contains(page, "search columns of the database differ from the signed entry") {
		t.Error("the report does not say what it cannot be relied upon for")
	}
}

// exported is what an export with a filter gives.
func (a tamperedChain) exported(t *testing.T, filter string) (found []*pb.AuditEntry) {
	t.Helper()
	err := client.ExportEntries(t.Context(), auditor{a.audit, a.odile}, &pb.ExportEntriesRequest{Parent: a.name, Filter: filter}, 0,
		func(sent *pb.ExportEntriesResponse) error { found = append(found, sent.GetEntry()); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// TestChangedEntryCannotHideFromAnExport: an entry whose bytes were changed, so that it
// says another kind, is exported with every filter.
func TestChangedEntryCannotHideFromAnExport(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	all := a.entries(t, "")
	hidden := slices.IndexFunc(all, func(e *pb.AuditEntry) bool { return e.Kind == pb.EntryKind_ENTRY_KIND_REFUSAL })
	forged := proto.CloneOf(all[hidden])
	forged.Kind = pb.EntryKind_ENTRY_KIND_PURGE
	body, err := proto.Marshal(forged)
	if err != nil {
		t.Fatal(err)
	}
	damage(t, a.testServer, "audit_entries", fmt.Sprintf(`update audit_entries set kind = 'ENTRY_KIND_PURGE', body = '\x%x' where id = '%s'`, body, last(forged.Name)))
	if got := a.exported(t, `kind = "DEVIATION"`); len(got) != 1 || got[0].Name != forged.Name {
		t.Errorf("an export of deviations has %v, want the changed entry", namesOf(got))
	}
}
