package integration

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
)

// The promise: a read by an auditor is on the audit log before the auditor gets the
// answer.

// reads are the entries of auditors' reads in the database.
func (s *testServer) reads(t testing.TB) []*pb.AuditEntry {
	t.Helper()
	var all []*pb.AuditEntry
	for _, body := range bodies(t, s.sql, "select body from audit_entries where kind = 'ENTRY_KIND_AUDITOR_READ' order by position") {
		e := &pb.AuditEntry{}
		if err := proto.Unmarshal(body, e); err != nil {
			t.Fatal(err)
		}
		all = append(all, e)
	}
	return all
}

// auditors are the RPCs by which an auditor reads.
func auditors() []rpc {
	var all []rpc
	for _, r := range contract() {
		if slices.Contains(r.access().Roles, pb.Role_ROLE_AUDITOR) && !r.access().Mutates {
			all = append(all, r)
		}
	}
	return all
}

// TestReadsByAuditorsAreEntered walks the contract: each read makes one entry,
// which is there with the answer; nobody else's reads make any.
func TestReadsByAuditorsAreEntered(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	st := s.newWholeFixture(t, "ebb-and-flow")
	s.waitLogged(t)
	for _, r := range auditors() {
		st := st.of(r)
		req := st.example(t, r).make(t)
		before := len(s.reads(t))
		if _, err := st.ask(t, st.vesna, r, req); err != nil {
			t.Errorf("%s: %v", r.Name(), err)
			continue
		}
		fresh := s.reads(t)[before:]
		if len(fresh) != 1 {
			t.Errorf("%s: a read makes %d entries: %v", r.Name(), len(fresh), fresh)
			continue
		}
		wantRead(t, st, r, req, fresh[0])
		if slices.Contains(r.access().Roles, pb.Role_ROLE_MANAGER) {
			if _, err := st.ask(t, st.odile, r, req); err != nil {
				t.Errorf("%s: %v", r.Name(), err)
			}
			if after := s.reads(t); len(after) != before+1 {
				t.Errorf("%s: a manager's read is entered: %v", r.Name(), after[before+1:])
			}
		}
	}
	if n := len(auditors()); n < 20 {
		t.Errorf("an auditor reads by only %d RPCs", n)
	}
}

// wantRead checks an entry of a read: the call, the filter as sent, and what was
// read about.
func wantRead(t *testing.T, st *fixture, r rpc, req proto.Message, e *pb.AuditEntry) {
	t.Helper()
	want := &pb.AuditEntry{
		Name: e.Name, Summary: e.Summary, OccurTime: st.clock.timestamp(), RecordTime: st.clock.timestamp(), Till: "front desk 1",
		Kind: pb.EntryKind_ENTRY_KIND_AUDITOR_READ, Format: 1, Actor: st.vesna.name, Role: pb.Role_ROLE_AUDITOR,
		Method: strings.TrimPrefix(r.path(), "/alkalog.v1."),
	}
	if filtered, ok := req.(interface{ GetFilter() string }); ok {
		want.Query = filtered.GetFilter()
	}
	for _, name := range []string{firstOf(req, "name"), firstOf(req, "parent")} {
		for collection, field := range map[string]*string{"/clients/": &want.Client, "/decisions/": &want.Decision,
			"/sessions/": &want.Session, "/salons/": &want.Salon, "/products/": &want.Product, "/policies/": &want.HousePolicy} {
			if at := strings.Index(name, collection); at >= 0 {
				id, _, _ := strings.Cut(name[at+len(collection):], "/")
				*field = name[:at] + collection + id
			}
		}
	}
	if !proto.Equal(e, want) {
		t.Errorf("%s: entered is\n%v\nnot\n%v", r.Name(), e, want)
	}
}

// firstOf is the text in a field of a request; empty when it has none.
func firstOf(req proto.Message, name string) string {
	for _, at := range namesIn(req) {
		if at.String() == name {
			found, _ := at.get(req)
			return found
		}
	}
	return ""
}

// TestNoReadWithoutItsEntry: while entries cannot be written, an auditor gets no answer
// and no part of one; other callers do.
func TestNoReadWithoutItsEntry(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	st := s.newWholeFixture(t, "ebb-and-flow")
	s.waitLogged(t)
	requests := map[rpc]proto.Message{}
	for _, r := range auditors() {
		requests[r] = st.example(t, r).make(t)
	}
	s.mustExec(t, "revoke insert on audit_entries from alkalog_server")
	for r, req := range requests {
		answer, err := st.ask(t, st.of(r).vesna, r, req)
		wantError(t, string(r.Name()), err, codes.Unavailable, "AUDIT_UNAVAILABLE")
		if answer != nil && answer.ProtoReflect().IsValid() && !proto.Equal(answer, r.answer()) {
			t.Errorf("%s: a part of an answer got out: %v", r.Name(), answer)
		}
		if slices.Contains(r.access().Roles, pb.Role_ROLE_MANAGER) {
			if _, err := st.ask(t, st.of(r).odile, r, req); err != nil {
				t.Errorf("%s by a manager: %v", r.Name(), err)
			}
		}
	}
	s.mustExec(t, "grant insert on audit_entries to alkalog_server")
	before := len(s.reads(t))
	for r, req := range requests {
		if _, err := st.ask(t, st.of(r).vesna, r, req); err != nil {
			t.Errorf("%s, when it can be entered again: %v", r.Name(), err)
		}
	}
	if after := len(s.reads(t)); after != before+len(requests) {
		t.Errorf("%d reads make %d entries", len(requests), after-before)
	}
}

// TestReadsThatFailAreNotEntered, nor are pages that belong to a read which was.
func TestReadsThatFailAreNotEntered(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	st := s.newWholeFixture(t, "ebb-and-flow")
	st.decision(t, brokenSkin) // one more refusal
	before := len(s.reads(t))
	reads := func() []*pb.AuditEntry { return s.reads(t)[before:] }
	_, err := st.eligibility.GetDecision(st.vesna.calling(t), &pb.GetDecisionRequest{Name: st.names.client + "/decisions/nobody"})
	wantError(t, "an unknown decision", err, codes.NotFound, "NOT_FOUND")
	if reads := reads(); len(reads) != 0 {
		t.Errorf("a read that failed is entered: %v", reads)
	}
	s.waitLogged(t)
	walk := func(filter string) (items int) {
		for token := ""; ; {
			page := must(t, st.vesna, st.audit.ListEntries, &pb.ListEntriesRequest{Parent: st.name, PageSize: 1, Filter: filter, PageToken: token})
			items += len(page.Entries)
			s.waitLogged(t)
			if token = page.NextPageToken; token == "" {
				return items
			}
		}
	}
	if n := walk(""); n < 2 {
		t.Errorf("the log has %d entries", n)
	}
	if reads := reads(); len(reads) != 1 {
		t.Errorf("one walk through the log makes %d entries: %v", len(reads), reads)
	}
	walk(`kind = "REFUSAL"`)
	if reads := reads(); len(reads) != 2 || reads[1].Query != `kind = "REFUSAL"` {
		t.Errorf("another walk makes %v", reads[1:])
	}
	page := must(t, st.vesna, st.audit.ListEntries, &pb.ListEntriesRequest{Parent: st.name, PageSize: 1})
	st.clock.advance(time.Hour)
	must(t, st.vesna, st.audit.ListEntries, &pb.ListEntriesRequest{Parent: st.name, PageSize: 1, PageToken: page.NextPageToken})
	if reads := reads(); len(reads) != 4 {
		t.Errorf("a page an hour later makes %s", fmt.Sprint(reads[3:]))
	}
}

// TestFiltersKeepNoNames: a value in an auditor's filter is not on the log in clear,
// but different values can be distinguished.
func TestFiltersKeepNoNames(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	one, two := s.newChain(t, "ebb-and-flow"), s.newChain(t, "low-tide")
	query := func(c *chain, filter string) string {
		must(t, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: filter})
		found := c.entries(t, `kind = "AUDITOR_READ"`)
		return found[len(found)-1].Query
	}
	const amara, imara = `kind = "REFUSAL" AND actor="amara"`, `kind = "REFUSAL" AND actor="imara"`
	first, again, other, elsewhere := query(one, amara), query(one, amara), query(one, imara), query(two, amara)
	if !strings.HasPrefix(first, `kind = "REFUSAL" AND actor = #`) || len(first) != len(`kind = "REFUSAL" AND actor = #`)+16 || first != again || first == other || first == elsewhere {
		t.Errorf("on the log stand %q, %q, %q and %q", first, again, other, elsewhere)
	}
	err := mustFail(t, one.vesna, one.audit.ListEntries, &pb.ListEntriesRequest{Parent: one.name, Filter: `actor = "Jane.Doe@example.org"`})
	wantError(t, "somebody whom nothing names", err, codes.InvalidArgument, "INVALID_FIELD")
	if n := 0; s.sql.QueryRowContext(t.Context(), "select count(*) from audit_entries where position('Doe'::bytea in body) > 0").Scan(&n) != nil || n != 0 {
		t.Errorf("the name stands in %d entries", n)
	}
}

// TestReadByAFilterNamesItsClient: a list whose filter requires one client is a read about
// that client, and so found by who asks who read about the client. A list that also has
// entries about others is not.
func TestReadByAFilterNamesItsClient(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	one := wantVerdict(t, c.decisionFor(t, c.client(t), brokenSkin), pb.Verdict_VERDICT_REFUSE)
	other := wantVerdict(t, c.decisionFor(t, c.client(t), brokenSkin), pb.Verdict_VERDICT_REFUSE)
	client, second := record.Parent(one.Name), record.Parent(other.Name)
	for filter, want := range map[string][2]string{
		`client = "` + client + `"`: {client, ""},
		`(kind = "AUDITOR_READ" OR kind = "REFUSAL") AND client = "` + client + `"`: {client, ""},
		`decision = "` + one.Name + `"`:                                             {client, one.Name},
		`client = "` + client + `" OR kind = "REFUSAL"`:                             {},
		`NOT client = "` + client + `"`:                                             {},
		`client != "` + client + `"`:                                                {},
		`client = "` + client + `" AND client = "` + second + `"`:                   {},
		`client = "` + client + `" OR client = "` + second + `"`:                    {},
		`kind = "REFUSAL"`:                                                          {},
	} {
		must(t, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: filter})
		reads := c.entries(t, `kind = "AUDITOR_READ"`)
		if e := reads[len(reads)-1]; e.Client != want[0] || e.Decision != want[1] {
			t.Errorf("the read of %s is about %q and %q, want %q", filter, e.Client, e.Decision, want)
		}
	}
	if found := c.entries(t, `kind = "AUDITOR_READ" AND client = "`+client+`"`); len(found) != 3 {
		t.Errorf("%d reads about the client are found, want 3", len(found))
	}
}
