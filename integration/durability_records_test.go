package integration

import (
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The log of operations is compared with what the server shows, as sets: nothing is
// missing, doubled or unexpected.

// operationsOf are the calls of an RPC, with their requests and answers.
func operationsOf[Q, A proto.Message](b *operationLog, visit func(Q, A)) {
	for _, d := range b.deeds {
		req, ok := d.req.(Q)
		if ok && d.answer != nil {
			visit(req, d.answer.(A))
		}
	}
}

// wantDecisions checks every client's decisions and their overrides.
func (b *operationLog) wantDecisions(t *testing.T, c *chain) {
	t.Helper()
	clients, made, overrides := map[string]bool{}, map[string]*pb.Decision{}, map[string]int{}
	operationsOf(b, func(_ *pb.CreateClientRequest, a *pb.CreateClientResponse) { clients[a.Client.Name] = true })
	operationsOf(b, func(_ *pb.CheckEligibilityRequest, a *pb.CheckEligibilityResponse) {
		made[a.Decision.Name] = a.Decision
	})
	operationsOf(b, func(q *pb.OverrideDecisionRequest, _ *pb.OverrideDecisionResponse) { overrides[q.Name]++ })
	if len(made) == 0 || len(overrides) == 0 {
		t.Fatalf("%d decisions and overrides of %d were made: too few to show anything", len(made), len(overrides))
	}
	found := 0
	for client := range clients {
		for _, d := range must(t, c.amara, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client, PageSize: 500}).Decisions {
			if len(d.Overrides) != overrides[d.Name] {
				t.Errorf("%s has %d overrides, not %d", d.Name, len(d.Overrides), overrides[d.Name])
			}
			d.Overrides = nil
			if found++; !proto.Equal(d, made[d.Name]) {
				t.Errorf("%s is\n%v\nbut was acknowledged as\n%v", d.Name, d, made[d.Name])
			}
		}
	}
	if found != len(made) {
		t.Errorf("%d decisions are there, not %d", found, len(made))
	}
	if all := c.clients(t); len(all) != len(clients) {
		t.Errorf("%d clients are there, not %d", len(all), len(clients))
	}
}

// clients lists all clients of a chain.
func (c *chain) clients(t testing.TB) []*pb.Client {
	t.Helper()
	var all []*pb.Client
	for token := ""; ; {
		page := must(t, c.amara, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, PageSize: 500, PageToken: token})
		all = append(all, page.Clients...)
		if token = page.NextPageToken; token == "" {
			return all
		}
	}
}

// wantEvents checks the facts of every session: each once, in an unbroken order.
func (b *operationLog) wantEvents(t *testing.T, c *chain) {
	t.Helper()
	sent := map[string]map[string]*pb.Event{}
	operationsOf(b, func(_ *pb.StartSessionRequest, a *pb.StartSessionResponse) {
		sent[a.Session.Name] = map[string]*pb.Event{}
	})
	operationsOf(b, func(q *pb.RecordEventsRequest, _ *pb.RecordEventsResponse) {
		for _, e := range q.Events {
			sent[q.Name][e.EventId] = e
		}
	})
	if len(sent) == 0 {
		t.Fatal("no service was begun: too little to show anything")
	}
	for name, events := range sent {
		answer := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: name, WithEvents: true})
		for i, e := range answer.Events {
			if e.Sequence != int64(i+1) {
				t.Errorf("%s: fact %d has place %d", name, i+1, e.Sequence)
			}
			if !proto.Equal(e.Event, events[e.Event.EventId]) {
				t.Errorf("%s: a fact is %v, but was sent as %v", name, e.Event, events[e.Event.EventId])
			}
			delete(events, e.Event.EventId)
		}
		if len(events) != 0 {
			t.Errorf("%s: %d facts are missing", name, len(events))
		}
	}
	all := must(t, c.amara, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: c.name + "/clients/-", PageSize: 500})
	if len(all.Sessions) != len(sent) {
		t.Errorf("%d sessions are there, not %d", len(all.Sessions), len(sent))
	}
}

// wantEntries checks the audit log: one entry for each refusal, each decision on
// answers that changed after one, each try to override and each deviation, by the
// request that it came of.
func (b *operationLog) wantEntries(t *testing.T, c *chain) {
	t.Helper()
	want := map[string]int{}
	operationsOf(b, func(q *pb.CheckEligibilityRequest, a *pb.CheckEligibilityResponse) {
		if a.Decision.Verdict >= pb.Verdict_VERDICT_REFER {
			want[q.RequestId]++
		}
		if len(a.Decision.Inputs.AnswerChanges) > 0 {
			want[q.RequestId]++
		}
	})
	operationsOf(b, func(q *pb.OverrideDecisionRequest, _ *pb.OverrideDecisionResponse) { want[q.RequestId]++ })
	operationsOf(b, func(q *pb.RecordEventsRequest, a *pb.RecordEventsResponse) { want[q.RequestId] += len(a.NewDeviations) })
	got := map[string]int{}
	for _, e := range c.entries(t, "") {
		if !changesOnly(e) {
			got[e.RequestId]++
		}
	}
	for id, n := range want {
		if got[id] != n {
			t.Errorf("request %s has %d entries, not %d", id, got[id], n)
		}
	}
	for id, n := range got {
		if want[id] == 0 {
			t.Errorf("%d entries of a request %s that called for none", n, id)
		}
	}
}

// entries lists the audit log.
func (c *chain) entries(t testing.TB, filter string) []*pb.AuditEntry {
	t.Helper()
	var all []*pb.AuditEntry
	for token := ""; ; {
		page := must(t, c.odile, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: filter, PageSize: 500, PageToken: token})
		all = append(all, page.Entries...)
		if token = page.NextPageToken; token == "" {
			return all
		}
	}
}
