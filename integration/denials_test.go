package integration

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
)

// The promise: each denial is on the audit log of the chain that it concerns, similar
// ones aggregated, and without any text that the caller sent.

// denied are the entries of denials of a chain.
func (c *chain) denied(t testing.TB) []*pb.AuditEntry {
	t.Helper()
	return c.entries(t, `kind = "ACCESS_DENIED"`)
}

// times is how many denials entries are of.
func times(entries []*pb.AuditEntry) (n int64) {
	for _, e := range entries {
		n += e.Count
	}
	return n
}

// wantDenied waits until so many denials are entered.
func (c *chain) wantDenied(t testing.TB, n int64) []*pb.AuditEntry {
	t.Helper()
	var found []*pb.AuditEntry
	eventually(t, fmt.Sprintf("%d denials to be entered", n), func() bool {
		found = c.denied(t)
		return times(found) >= n
	})
	if times(found) != n {
		t.Errorf("%d denials are entered, not %d: %v", times(found), n, found)
	}
	return found
}

// products is a call that only a manager may make, with something typed in it.
func (c *chain) listProducts(ctx context.Context) error {
	_, err := c.catalog.CreateProduct(ctx, &pb.CreateProductRequest{
		Parent: c.name, ProductId: "canary-typed", Product: &pb.Product{DisplayName: "Canary typed"}, RequestId: newID()})
	return err
}

// TestDenialsAreEntered: the first at once, similar ones when the minute is over.
func TestDenialsAreEntered(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	ctx := metadata.AppendToOutgoingContext(c.till.calling(t), "traceparent", "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01")
	began := c.clock.Now()
	for i := range 7 {
		wantError(t, "a till's product", c.listProducts(ctx), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
		if i == 0 {
			c.wantDenied(t, 1)
		}
		c.clock.advance(time.Second)
	}
	c.clock.advance(time.Minute)
	entries := c.wantDenied(t, 7)
	if len(entries) != 2 {
		t.Fatalf("seven alike are %d entries: %v", len(entries), entries)
	}
	for i, e := range entries {
		want := &pb.AuditEntry{
			Name: e.Name, RecordTime: e.RecordTime, Summary: e.Summary, OccurTime: e.OccurTime, LastTime: e.LastTime,
			Kind: pb.EntryKind_ENTRY_KIND_ACCESS_DENIED, Format: 1, Actor: c.till.name, Role: pb.Role_ROLE_TILL,
			Method: "CatalogService/CreateProduct", ReasonCode: "ROLE_NOT_ALLOWED", Count: []int64{1, 6}[i],
			Till: "front desk 1", TraceId: "4bf92f3577b34da6a3ce929d0e0e4736",
		}
		if !proto.Equal(e, want) {
			t.Errorf("entry %d is\n%v\nnot\n%v", i, e, want)
		}
		from, to := began.Add(time.Duration(i)*time.Second), began.Add(time.Duration(6*i)*time.Second)
		if !e.OccurTime.AsTime().Equal(from) || !e.LastTime.AsTime().Equal(to) {
			t.Errorf("entry %d is of %v to %v, not %v to %v", i, e.OccurTime.AsTime(), e.LastTime.AsTime(), from, to)
		}
		if strings.Contains(strings.ToLower(fmt.Sprint(e)), "canary") {
			t.Errorf("what was typed is on the log: %v", e)
		}
	}
	if alarms := c.entries(t, `kind = "ALARM"`); len(alarms) != 0 {
		t.Errorf("seven raise %v", alarms)
	}
}

// TestRepeatedDenialsAlarm: ten within ten minutes do.
func TestRepeatedDenialsAlarm(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	for range 15 {
		if err := c.listProducts(c.till.calling(t)); status.Code(err) != codes.PermissionDenied {
			t.Fatal(err)
		}
		c.clock.advance(10 * time.Second)
	}
	var alarms []*pb.AuditEntry
	eventually(t, "an alarm", func() bool {
		alarms = c.entries(t, `kind = "ALARM"`)
		return len(alarms) > 0
	})
	c.clock.advance(time.Minute)
	c.wantDenied(t, 15)
	if a := alarms[0]; len(alarms) != 1 || a.ReasonCode != "REPEATED_DENIALS" || a.Count != 10 || a.Actor != c.till.name ||
		a.Role != pb.Role_ROLE_TILL || a.Method != "CatalogService/CreateProduct" {
		t.Errorf("the alarms: %v", alarms)
	}
}

// TestScopeDenialsAreEntered: a request for a record of another chain is a denial, on
// the log of the caller's chain only.
func TestScopeDenialsAreEntered(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, other := s.newChain(t, "ebb-and-flow"), s.newChain(t, "low-tide")
	for _, name := range []string{other.salon, other.name + "/salons/nowhere"} {
		_, err := c.directory.GetSalon(c.odile.calling(t), &pb.GetSalonRequest{Name: name})
		wantError(t, name, err, codes.NotFound, "NOT_FOUND")
	}
	_, err := c.directory.GetSalon(c.odile.calling(t), &pb.GetSalonRequest{Name: c.name + "/salons/nowhere"})
	wantError(t, "one's own, which is not there", err, codes.NotFound, "NOT_FOUND")
	s.clock.advance(time.Minute)
	entries := c.wantDenied(t, 2)
	if e := entries[0]; e.ReasonCode != "OUT_OF_SCOPE" || e.Actor != c.odile.name || e.Method != "DirectoryService/GetSalon" ||
		strings.Contains(fmt.Sprint(entries), "low-tide") {
		t.Errorf("entered is %v", entries)
	}
	if entries := other.denied(t); len(entries) != 0 {
		t.Errorf("the other chain has %v", entries)
	}
}

// TestStrangersAreEntered: a caller without identity is on the log of the chain that
// the request names, if it exists, and cannot flood that log.
func TestStrangersAreEntered(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	st := s.newWholeFixture(t, "ebb-and-flow")
	before := len(st.entries(t, ""))
	stranger := func() context.Context {
		ctx, cancel := context.WithTimeout(context.Background(), waitTimeout)
		t.Cleanup(cancel)
		return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer canary-token")
	}
	requests := map[rpc]proto.Message{}
	for _, r := range contract() {
		requests[r] = st.example(t, r).make(t) // some take minutes of the salon's time
	}
	named := 0
	for r, req := range requests {
		_, err := st.askIn(stranger(), r, req)
		if status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s by a stranger: %v", r.Name(), err)
		}
		if !r.inSchool() && len(namesIn(req)) > 0 {
			named++
		}
	}
	for _, name := range []string{"chains/nowhere/salons/x", "chains/EBB!", ""} {
		_, err := st.directory.GetSalon(stranger(), &pb.GetSalonRequest{Name: name})
		wantError(t, name, err, codes.Unauthenticated, "UNAUTHENTICATED")
	}
	s.clock.advance(time.Minute)
	entries := st.wantDenied(t, int64(named))
	if len(entries) > 12 {
		t.Errorf("strangers make %d entries in a minute", len(entries))
	}
	for _, e := range entries {
		if e.Actor != "" || e.Role != pb.Role_ROLE_UNSPECIFIED || strings.Contains(fmt.Sprint(e), "canary") {
			t.Errorf("of a stranger is entered %v", e)
		}
	}
	if n := len(st.entries(t, `kind != "ACCESS_DENIED" AND kind != "ALARM"`)); n < before {
		t.Errorf("of %d entries are left %d", before, n)
	}
	var elsewhere int
	if err := s.sql.QueryRow(`select count(*) from audit_entries where chain not in ('ebb-and-flow', 'ebb-and-flow-school')`).Scan(&elsewhere); err != nil || elsewhere != 0 {
		t.Errorf("%d entries are in chains that there are not, %v", elsewhere, err)
	}
}

// TestDenialsOutliveTheServer: denials that are counted and not yet entered are entered
// when the server stops; the next server continues.
func TestDenialsOutliveTheServer(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	for range 2 {
		server, err := serve.Start(t.Context(), serve.Config{Address: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer),
			KeysDir: s.keys, Clock: s.clock.Now, Development: true})
		if err != nil {
			t.Fatal(err)
		}
		there := *c
		there.testServer = &testServer{stubs: dial(t, server.Addr())}
		for range 5 {
			if err := there.listProducts(c.till.calling(t)); status.Code(err) != codes.PermissionDenied {
				t.Fatal(err)
			}
		}
		server.Stop(context.Background())
		if err := server.Wait(); err != nil {
			t.Fatal(err)
		}
	}
	if entries := c.wantDenied(t, 10); len(entries) != 4 {
		t.Errorf("two servers make %d entries: %v", len(entries), entries)
	}
}

// TestDenialsWaitForTheLog: while entries cannot be written, denials are still
// answered; they are entered as soon as possible.
func TestDenialsWaitForTheLog(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	s.mustExec(t, "revoke insert on audit_entries from alkalog_server")
	for range 4 {
		wantError(t, "a till's product", c.listProducts(c.till.calling(t)), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	}
	s.clock.advance(time.Minute)
	s.mustExec(t, "grant insert on audit_entries to alkalog_server")
	c.wantDenied(t, 4)
}

// mustExec changes the database as its owner.
func (s *testServer) mustExec(t testing.TB, statement string) {
	t.Helper()
	if _, err := s.sql.Exec(statement); err != nil {
		t.Fatal(err)
	}
}
