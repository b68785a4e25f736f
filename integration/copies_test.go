package integration

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
	"alkalog/server/report"
	"alkalog/server/verify"
)

// The promise: an auditor copies the log while the salons work, verifies the copy
// without them, and each later copy contains the earlier one.

// copyOf copies the log of a chain into a fresh directory, as an auditor; every entry
// is passed to also.
func (c *chain) copyOf(t *testing.T, against []byte, also func(*pb.AuditEntry)) (dir string, verdict verify.Report) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "copy")
	log := client.LogCopier{Client: c.audit, Chain: c.name, Against: against, OnEntry: func(e *pb.AuditEntry) error { also(e); return nil }}
	verdict, err := log.Copy(c.odile.calling(t), dir)
	if err != nil {
		t.Fatal(err)
	}
	return dir, verdict
}

// TestCopiesWhileOthersWrite makes copies while four callers write, and compares each
// with the checkpoint of the one before.
func TestCopiesWhileOthersWrite(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	causes := c.causes(t)
	s.waitLogged(t)
	kept := []byte(must(t, c.odile, c.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: c.name}).Checkpoint)
	stop := c.busy(t)
	last := int64(len(causes))
	for range 6 {
		count := int64(0)
		_, verdict := c.copyOf(t, kept, func(*pb.AuditEntry) { count++ })
		if !verdict.Valid() || verdict.Earlier == nil || verdict.Size != count || verdict.Size < last {
			t.Errorf("a copy of %d entries after one of %d, %d were seen: %v", verdict.Size, last, count, verdict.Faults)
		}
		last, kept = verdict.Size, []byte(must(t, c.odile, c.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: c.name}).Checkpoint)
	}
	stop()
	s.waitLogged(t)
	copied := map[string]bool{}
	_, verdict := c.copyOf(t, kept, func(e *pb.AuditEntry) { copied[e.Name] = true })
	if !verdict.Valid() || verdict.Size != int64(len(copied)) || verdict.Size <= int64(len(causes)) {
		t.Errorf("the last copy has %d entries, %d of them different: %v", verdict.Size, len(copied), verdict.Faults)
	}
	for _, e := range c.entries(t, `NOT kind = "AUDITOR_READ"`) {
		if !copied[e.Name] {
			t.Errorf("%s (%s) is listed and not in the copy", e.Name, e.Kind)
		}
	}
}

// TestReport reads the log of a chain for a report: everything that was refused
// or overridden is in it, with its rule, its basis, its answers and its place,
// and nothing from another time.
func TestReport(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.causes(t)
	end := c.clock.advance(time.Minute)
	after, _ := c.asked(t, c.client(t), brokenSkin)
	s.waitLogged(t)
	source := report.Source{Audit: c.audit}
	facts, err := report.Gather(c.odile.calling(t), source, c.name, report.Period{From: end.Add(-time.Hour), To: end})
	if err != nil {
		t.Fatal(err)
	}
	facts.CreateTime = end
	var page strings.Builder
	if err := report.Write(&page, facts); err != nil {
		t.Fatal(err)
	}
	listed := c.entries(t, "")
	for i, e := range facts.Entries {
		if e.Name != listed[i].Name || e.Index != int64(i) {
			t.Errorf("entry %d of the report is %s on place %d, and the log has %s", i, e.Name, e.Index, listed[i].Name)
		}
		decision := facts.Decisions[e.GetDecision()]
		if e.Kind == pb.EntryKind_ENTRY_KIND_REFUSAL && decision == nil {
			t.Errorf("%s is a refusal without its decision", e.Name)
		}
		for _, f := range decision.GetFindings() {
			if f.Severity > pb.Severity_SEVERITY_CONDITION && !strings.Contains(page.String(), f.RuleId+", version ") {
				t.Errorf("the report does not name %s", f.RuleId)
			}
		}
	}
	for _, part := range []string{"Stored with the decision; it matches the commitment.", "it is signed by a key below", "consultation.scalp.broken_skin: yes"} {
		if !strings.Contains(page.String(), part) {
			t.Errorf("the report does not say %q", part)
		}
	}
	for _, secret := range []string{canaryName, canaryComment, "555-0117", after.Name} {
		if strings.Contains(page.String(), secret) {
			t.Errorf("the report says %q", secret)
		}
	}
}

// TestReportAfterErasure: when a client has had everything erased, the refusal
// is still on the log, can be verified against a checkpoint from before, and
// is in the report; what it was decided on is in neither.
func TestReportAfterErasure(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	client := c.client(t)
	refusal, _ := c.asked(t, client, brokenSkin)
	s.waitLogged(t)
	kept := []byte(must(t, c.odile, c.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: c.name}).Checkpoint)
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()})
	s.waitLogged(t)

	facts, err := report.Gather(c.odile.calling(t), report.Source{Audit: c.audit}, c.name, report.Period{})
	if err != nil {
		t.Fatal(err)
	}
	var page strings.Builder
	if err := report.Write(&page, facts); err != nil {
		t.Fatal(err)
	}
	for _, part := range []string{refusal.Findings[0].RuleId + ", version ", refusal.Findings[0].Message, "can no longer be read: its client was erased", "erasure"} {
		if !strings.Contains(page.String(), part) {
			t.Errorf("the report does not say %q", part)
		}
	}
	if strings.Contains(page.String(), "broken_skin: yes") {
		t.Error("the report tells what the client had answered")
	}
	kinds := map[pb.EntryKind]int{}
	_, verdict := c.copyOf(t, kept, func(e *pb.AuditEntry) { kinds[e.Kind]++ })
	if !verdict.Valid() || kinds[pb.EntryKind_ENTRY_KIND_REFUSAL] != 1 || kinds[pb.EntryKind_ENTRY_KIND_ERASURE] != 1 {
		t.Errorf("the copy has %v: %v", kinds, verdict.Faults)
	}
}
