package integration

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
)

// The promise: every record that bears on a decision or a visit is covered by the log,
// so that verification names what somebody with all rights in the database changed,
// deleted or inserted.

// allCovered waits until an entry on the logs covers all that was written.
func (s *testServer) allCovered(t *testing.T) {
	t.Helper()
	eventually(t, "the writes to be covered", func() bool {
		waiting := 0
		err := s.sql.QueryRowContext(t.Context(), `select count(*) from requests r where manifest is not null
			and not exists (select from log_writes w where w.chain = r.chain and w.id = r.id)`).Scan(&waiting)
		if err != nil {
			t.Fatal(err)
		}
		return waiting == 0
	})
	s.waitLogged(t)
}

// faults is what the verification of the records finds, a line each.
func (s *testServer) faults(t *testing.T) string {
	t.Helper()
	var lines []string
	cfg := serve.Config{Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys}
	err := serve.VerifyRecords(t.Context(), cfg, "", func(chain string, entries int64, faults []string) {
		if entries == 0 {
			t.Errorf("%s: %v", chain, faults)
		}
		lines = append(lines, faults...)
	})
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(lines, "\n")
}

// TestRecordsAreCovered writes one of everything and damages one record of every
// table.
func TestRecordsAreCovered(t *testing.T) {
	t.Parallel()
	s := newCoveringServer(t, 50*time.Millisecond)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	stage.causes(t)
	for _, r := range contract() {
		if r.access().Mutates && r.Name() != "AcceptRestore" {
			example := stage.example(t, r)
			answered(t, s, example.who, r, example.make(t))
		}
	}
	s.allCovered(t)
	if got := s.faults(t); got != "" {
		t.Fatalf("nothing was damaged: %s", got)
	}
	s.stop()
	for _, table := range storage.CoveredTables() {
		id := ""
		if err := s.sql.QueryRowContext(t.Context(), fmt.Sprintf("select coalesce(min(id), '') from %s where body <> ''", table)).Scan(&id); err != nil {
			t.Fatal(err)
		}
		if id == "" {
			t.Errorf("%s: no record was written, so nothing is shown of it", table)
			continue
		}
		damage(t, s, table, fmt.Sprintf("update %s set body = set_byte(body, 0, 255 - get_byte(body, 0)) where id = '%s'", table, id))
		got := s.faults(t)
		if !slices.ContainsFunc(strings.Split(got, "\n"), func(line string) bool {
			return strings.HasPrefix(line, table+" ") && strings.Contains(line, id) && strings.Contains(line, "was changed")
		}) {
			t.Errorf("%s %s was changed, and found is: %s", table, id, got)
		}
		damage(t, s, table, fmt.Sprintf("update %s set body = set_byte(body, 0, 255 - get_byte(body, 0)) where id = '%s'", table, id))
		damage(t, s, table, fmt.Sprintf("create table if not exists public.kept_%[1]s as select * from %[1]s; delete from %[1]s where id = '%[2]s'", table, id))
		if got := s.faults(t); !strings.Contains(got, id+": the record was deleted") {
			t.Errorf("%s %s was deleted, and found is: %s", table, id, got)
		}
		damage(t, s, table, fmt.Sprintf("insert into %[1]s select * from public.kept_%[1]s where id = '%[2]s'", table, id))
		if got := s.faults(t); got != "" {
			t.Fatalf("%s: all is as it was, and found is: %s", table, got)
		}
	}
}

// TestErasureIsNotReportedAsTampering: an erased client and expired requests are not
// reported as faults.
func TestErasureIsNotReportedAsTampering(t *testing.T) {
	t.Parallel()
	s := newCoveringServer(t, 50*time.Millisecond)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: parent(session.Name), RequestId: newID()})
	s.allCovered(t)
	if got := s.faults(t); got != "" {
		t.Errorf("after an erasure: %s", got)
	}
}

// TestCoverageEntriesAreFew: entries of coverage are listed on request,
// counted nowhere, and in every copy.
func TestCoverageEntriesAreFew(t *testing.T) {
	t.Parallel()
	s := newCoveringServer(t, 50*time.Millisecond)
	c := s.newChain(t, "ebb-and-flow")
	c.decision(t, brokenSkin)
	s.allCovered(t)
	kind := func(e *pb.AuditEntry) bool { return e.Kind == pb.EntryKind_ENTRY_KIND_COVERAGE }
	if found := c.entries(t, `kind = "COVERAGE"`); len(found) == 0 || !slices.ContainsFunc(found, kind) {
		t.Errorf("asked for, there are %v", found)
	}
	for _, filter := range []string{"", `kind != "REFUSAL"`, `salon = ""`, `record_time > "2020-01-01T00:00:00Z"`} {
		if slices.ContainsFunc(c.entries(t, filter), kind) {
			t.Errorf("not asked for by %q, they are listed", filter)
		}
	}
	_, verdict := c.copyOf(t, nil, func(*pb.AuditEntry) {})
	if !verdict.Valid() || verdict.Kinds["ENTRY_KIND_COVERAGE"] == 0 {
		t.Errorf("a copy: %v", verdict)
	}
	figures := c.counted(t, &pb.SummarizeEntriesRequest{Parent: c.name})
	for _, row := range figures.Rows {
		if row.Kind == pb.EntryKind_ENTRY_KIND_COVERAGE {
			t.Errorf("they are counted: %v", row)
		}
	}
}

// TestSearchColumnsAreCompared: somebody edits the search columns of sessions and
// incidents, so that they are not found. The verification names them.
func TestSearchColumnsAreCompared(t *testing.T) {
	t.Parallel()
	s := newCoveringServer(t, 50*time.Millisecond)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	incident := must(t, c.till, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: parent(session.Name), Incident: c.newIncident(), RequestId: newID()}).Incident
	s.allCovered(t)
	if got := s.faults(t); got != "" {
		t.Fatalf("nothing was changed: %s", got)
	}
	damage(t, s, "incidents", "update incidents set due_time = null, unlogged_time = null, salon = 'x'")
	damage(t, s, "sessions", "update sessions set open = false, used = '{}', decision = 'x'")
	got := s.faults(t)
	for name, columns := range map[string]string{incident.Name: "salon, due_time, unlogged_time", session.Name: "decision, open, used"} {
		if want := name[strings.LastIndex(name, "/")+1:] + ": search columns were changed, so it may not be found: " + columns; !strings.Contains(got, want) {
			t.Errorf("want %s, and found is %s", want, got)
		}
	}
}
