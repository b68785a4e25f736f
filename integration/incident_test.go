package integration

import (
	"context"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/service/incident"
	"alkalog/storage"
	"alkalog/storage/keyring"
)

// newIncident is an invented incident as a person writes it down.
func (c *chain) newIncident() *pb.Incident {
	return &pb.Incident{
		Kind: pb.IncidentKind_INCIDENT_KIND_SKIN, Place: pb.Place_PLACE_SKIN, Seen: "A red line under the left ear.",
		FirstAction: "Rinsed at the basin.", FlushMinutes: new(16.0), Advice: "A doctor, if it is still there tomorrow.", Referred: no,
		Salon: c.salon, Practitioner: c.amara.name, Product: c.relaxer, LotCode: c.relaxerLot,
	}
}

// incidents are examples of the incident service.
func (st *fixture) incidents() map[string]example {
	k := &st.names
	fresh := func(t testing.TB) *pb.Incident {
		yesterday := st.newIncident()
		yesterday.OccurTime = timestamppb.New(st.clock.Now().Add(-24 * time.Hour))
		return must(t, st.amara, st.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: k.client, Incident: yesterday, RequestId: newID()}).Incident
	}
	changed := st.newIncident()
	changed.Name = k.incident
	return map[string]example{
		"MoveSession": {st.imara, func(t testing.TB) proto.Message {
			return st.move(st.session(t), k.client)
		}},
		"CreateIncident": requestAs(st.till, &pb.CreateIncidentRequest{Parent: k.client, Incident: st.newIncident()}),
		"UpdateIncident": requestAs(st.imara, &pb.UpdateIncidentRequest{Incident: changed, UpdateMask: updateMask("kind", "occur_time", "place", "section_id",
			"blister", "seen", "first_action", "flush_minutes", "advice", "referred", "session", "product", "lot_code", "salon", "practitioner", "photos", "name_to_maker")}),
		"GetIncident":   requestAs(st.odile, &pb.GetIncidentRequest{Name: k.incident}),
		"ListIncidents": requestAs(st.imara, &pb.ListIncidentsRequest{Parent: k.client}),
		"RecordFollowUp": {st.till, func(t testing.TB) proto.Message {
			return &pb.RecordFollowUpRequest{Name: fresh(t).Name, Number: new(int32(1)), RequestId: newID(), FollowUp: &pb.FollowUp{
				Channel: pb.FollowUpChannel_FOLLOW_UP_CHANNEL_REMOTE, Worse: no, DoctorSeen: no, Text: "Paler today.", Practitioner: st.amara.name}}
		}},
		"ListFollowUps":    requestAs(st.till, &pb.ListFollowUpsRequest{Parent: st.salon}),
		"DescribeFirstAid": requestAs(st.till, &pb.DescribeFirstAidRequest{Salon: st.salon, Kind: pb.IncidentKind_INCIDENT_KIND_EYE}),
		"ExportIncident":   requestAs(st.imara, &pb.ExportIncidentRequest{Name: k.incident}),
	}
}

// felt is what the client says of a section.
func felt(comfort pb.Comfort, section string) *pb.Event {
	return &pb.Event{Fact: &pb.Event_ComfortCheck{ComfortCheck: &pb.ComfortCheck{Comfort: comfort, SectionId: section}}}
}

// incidentsOf lists the incidents of a client.
func (c *chain) incidentsOf(t testing.TB, client string) []*pb.Incident {
	t.Helper()
	return must(t, c.amara, c.incident.ListIncidents, &pb.ListIncidentsRequest{Parent: client}).Incidents
}

// TestBurnThatWasRinsedAtOnceIsAnIncident: burning that was answered with water
// within seconds is on record, with its follow-ups and its entry, and a second
// report does not make it two.
func TestBurnThatWasRinsedAtOnceIsAnIncident(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.session(t)
	c.clock.advance(10 * time.Minute)
	burning := eventAt(session, 5*time.Minute, felt(pb.Comfort_COMFORT_BURNING, "front"))
	c.report(t, session, eventAt(session, 3*time.Minute, applied("front")), burning,
		eventAt(session, 5*time.Minute+10*time.Second, &pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}}))
	found := c.incidentsOf(t, parent(session.Name))
	if len(found) != 1 {
		t.Fatalf("a burn that was rinsed at once left %d incidents, want 1", len(found))
	}
	i := found[0]
	if i.Kind != pb.IncidentKind_INCIDENT_KIND_BURN || i.Origin != pb.IncidentOrigin_INCIDENT_ORIGIN_FACTS || i.SectionId != "front" ||
		i.Session != session.Name || i.Product != c.relaxer || i.LotCode != c.relaxerLot || len(i.EventIds) != 1 || i.EventIds[0] != burning.EventId {
		t.Errorf("the incident is %v", i)
	}
	for n, after := range []time.Duration{24 * time.Hour, 48 * time.Hour} {
		if due := burning.OccurTime.AsTime().Add(after); len(i.FollowUps) != 2 || !i.FollowUps[n].DueTime.AsTime().Equal(due) {
			t.Errorf("the follow-ups are %v, want number %d due %s", i.FollowUps, n+1, due)
		}
	}
	c.report(t, session, eventAt(session, 7*time.Minute, felt(pb.Comfort_COMFORT_BURNING, "front")))
	if found := c.incidentsOf(t, parent(session.Name)); len(found) != 1 || len(found[0].EventIds) != 2 {
		t.Errorf("a second report of the same place made it %v, want one incident of two facts", found)
	}
	entries := c.entries(t, `kind = "INCIDENT"`)
	if len(entries) != 2 {
		t.Fatalf("%d entries of kind INCIDENT, want one for the incident and one for what was added", len(entries))
	}
	for _, e := range entries {
		if e.Incident != i.Name || e.Session != session.Name || e.Product != c.relaxer || e.Client != parent(session.Name) {
			t.Errorf("the entry is %v", e)
		}
		if text := e.String(); strings.Contains(text, "BURN") || strings.Contains(e.Summary+e.ReasonCode, "front") {
			t.Errorf("the entry tells kind or place in clear: %s", text)
		}
	}
}

// TestLateReportIsAnIncident: a scalp that was seen to have changed after the
// outcome was recorded is an incident as any other.
func TestLateReportIsAnIncident(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: parent(session.Name), RequestId: newID(),
		Outcome: &pb.Outcome{Session: session.Name, Completed: true, ScalpChanged: no}})
	if found := c.incidentsOf(t, parent(session.Name)); len(found) != 0 {
		t.Fatalf("an ordinary service left incidents: %v", found)
	}
	c.clock.advance(20 * time.Hour)
	c.report(t, session, eventAt(session, 20*time.Hour, &pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{Changed: true}}}))
	if found := c.incidentsOf(t, parent(session.Name)); len(found) != 1 || found[0].Kind != pb.IncidentKind_INCIDENT_KIND_BURN {
		t.Errorf("a scalp that had changed the next day left %v, want one incident", found)
	}
}

// TestFollowUps: they are listed per salon until they are answered, each once, and
// one that nobody does is on the log once, however many servers look.
func TestFollowUps(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	client := c.client(t)
	i := must(t, c.till, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: c.newIncident(), RequestId: newID()}).Incident
	due := func() []*pb.DueFollowUp {
		return must(t, c.till, c.incident.ListFollowUps, &pb.ListFollowUpsRequest{Parent: c.salon}).FollowUps
	}
	if got := due(); len(got) != 2 || got[0].FollowUp.Number != 1 || got[0].Incident != i.Name {
		t.Fatalf("the salon's follow-ups are %v, want two of %s", got, i.Name)
	}
	answer := &pb.RecordFollowUpRequest{Name: i.Name, Number: new(int32(1)), RequestId: newID(),
		FollowUp: &pb.FollowUp{Channel: pb.FollowUpChannel_FOLLOW_UP_CHANNEL_REMOTE, Worse: no}}
	wantError(t, "a follow-up right after the incident", mustFail(t, c.till, c.incident.RecordFollowUp, again(answer)), codes.FailedPrecondition, "FOLLOW_UP_TOO_EARLY")
	c.clock.advance(25 * time.Hour)
	if got := must(t, c.till, c.incident.RecordFollowUp, answer).Incident; got.State != pb.IncidentState_INCIDENT_STATE_OPEN {
		t.Errorf("after one of two follow-ups the incident is %s, want OPEN", got.State)
	}
	if got := due(); len(got) != 1 || got[0].FollowUp.Number != 2 {
		t.Errorf("then the salon's follow-ups are %v, want number 2 alone", got)
	}
	wantError(t, "a follow-up that was answered", mustFail(t, c.till, c.incident.RecordFollowUp, again(answer)), codes.FailedPrecondition, "FOLLOW_UP_DONE")

	watch := s.overdueWatchers(t, 2)
	c.clock.advance(34 * time.Hour) // 59 hours after: not 12 hours late yet
	watch()
	if got := c.entries(t, `kind = "FOLLOW_UP_OVERDUE"`); len(got) != 0 {
		t.Errorf("11 hours after it was due a follow-up is on the log as overdue: %v", got)
	}
	c.clock.advance(2 * time.Hour)
	watch()
	if got := c.entries(t, `kind = "FOLLOW_UP_OVERDUE"`); len(got) != 1 || got[0].Incident != i.Name || got[0].Actor != "server" {
		t.Errorf("13 hours after it was due the log says %v, want one entry of the server's", got)
	}
	if got := due(); len(got) != 1 || !got[0].FollowUp.Overdue {
		t.Errorf("the salon's follow-ups are %v, want number 2, overdue", got)
	}
	answer = again(answer)
	answer.Number = new(int32(2))
	if got := must(t, c.till, c.incident.RecordFollowUp, answer).Incident; got.State != pb.IncidentState_INCIDENT_STATE_FOLLOWED_UP || !got.FollowUps[1].Overdue {
		t.Errorf("after both the incident is %v, want FOLLOWED_UP and number 2 still marked overdue", got)
	}
}

// overdueWatchers are servers that look for overdue follow-ups all at once, when
// told to.
func (s *testServer) overdueWatchers(t testing.TB, n int) func() {
	t.Helper()
	keys := &keyring.Ring{Read: func() ([]string, error) { return keys.Lines(filepath.Join(s.keys, "clients")) }}
	db, err := storage.Open(t.Context(), storage.Config{DSN: s.database.DSN(storage.RoleServer), Keys: keys})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return func() {
		var servers sync.WaitGroup
		for range n {
			servers.Go(func() {
				if err := (incident.Service{DB: db, Now: s.clock.Now}).LogOverdue(context.Background()); err != nil {
					t.Error(err)
				}
			})
		}
		servers.Wait()
	}
}

// TestFileForTheMaker names the client only when the client agreed.
func TestFileForTheMaker(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	client := c.client(t)
	i := must(t, c.till, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: c.newIncident(), RequestId: newID()}).Incident
	file := func() string {
		return string(must(t, c.imara, c.incident.ExportIncident, &pb.ExportIncidentRequest{Name: i.Name}).Content)
	}
	for _, want := range []string{"Relaxer, regular", c.relaxerLot, "A red line under the left ear.", "not a diagnosis", "invented sheet", "art. 23"} {
		if !strings.Contains(file(), want) {
			t.Errorf("the file lacks %q:\n%s", want, file())
		}
	}
	if strings.Contains(file(), "Invented client") {
		t.Errorf("the file names a client who did not agree:\n%s", file())
	}
	must(t, c.till, c.incident.UpdateIncident, &pb.UpdateIncidentRequest{RequestId: newID(),
		Incident: &pb.Incident{Name: i.Name, NameToMaker: yes}, UpdateMask: updateMask("name_to_maker")})
	if !strings.Contains(file(), "Invented client") {
		t.Errorf("the file does not name a client who agreed:\n%s", file())
	}
}

// TestIncidentInput: what cannot be right is refused with the field's name.
func TestIncidentInput(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	client, other := c.client(t), c.session(t)
	for name, change := range map[string]func(*pb.Incident){
		"incident.occur_time": func(i *pb.Incident) { i.OccurTime = timestamppb.New(c.clock.Now().Add(time.Hour)) },
		"incident.session":    func(i *pb.Incident) { i.Session = other.Name },
		"incident.kind":       func(i *pb.Incident) { i.Kind = 0 },
	} {
		i := c.newIncident()
		change(i)
		err := mustFail(t, c.till, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: i, RequestId: newID()})
		if said := violationsOf(err); status.Code(err) != codes.InvalidArgument || said[name] == "" {
			t.Errorf("%s: %v names %v, want INVALID_ARGUMENT that names it", name, err, said)
		}
	}
	if found := c.incidentsOf(t, client); len(found) != 0 {
		t.Errorf("bad input left %v", found)
	}
}

// TestNobodyRewritesAnInjury: what the server derived from events cannot be changed;
// what a person wrote is corrected by a second person; everybody can add to it.
func TestNobodyRewritesAnInjury(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.session(t)
	c.clock.advance(10 * time.Minute)
	c.report(t, session, eventAt(session, 5*time.Minute, &pb.Event{Fact: &pb.Event_Splash{Splash: &pb.Splash{Place: pb.Place_PLACE_EYE_LEFT}}}))
	client := parent(session.Name)
	taken := c.incidentsOf(t, client)[0]
	written := must(t, c.amara, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: c.newIncident(), RequestId: newID()}).Incident
	milder := map[string]*pb.Incident{
		"kind":       {Kind: pb.IncidentKind_INCIDENT_KIND_OTHER},
		"occur_time": {OccurTime: timestamppb.New(c.clock.Now().AddDate(-10, 0, 0))},
		"place":      {Place: pb.Place_PLACE_HEAD},
		"session":    {},
	}
	for field, change := range milder {
		for _, stored := range []*pb.Incident{taken, written} {
			change.Name = stored.Name
			req := &pb.UpdateIncidentRequest{Incident: proto.CloneOf(change), UpdateMask: updateMask(field), RequestId: newID()}
			if field == "session" && stored.Session == "" {
				continue // nothing to take away
			}
			reason := "SECOND_PERSON_NEEDED"
			if stored == taken {
				reason = "INCIDENT_FROM_FACTS"
				wantError(t, field+" by the supervisor", mustFail(t, c.imara, c.incident.UpdateIncident, again(req)), codes.FailedPrecondition, reason)
			}
			wantError(t, field+" by her whose service it was", mustFail(t, c.amara, c.incident.UpdateIncident, req), codes.FailedPrecondition, reason)
		}
	}
	if got := c.incidentsOf(t, client); len(got) != 2 || !proto.Equal(got[1], taken) || !proto.Equal(got[0], written) {
		t.Errorf("the incidents are %v", got)
	}
	must(t, c.amara, c.incident.UpdateIncident, &pb.UpdateIncidentRequest{RequestId: newID(),
		Incident: &pb.Incident{Name: taken.Name, Seen: "The eye is red."}, UpdateMask: updateMask("seen")})
	must(t, c.imara, c.incident.UpdateIncident, &pb.UpdateIncidentRequest{RequestId: newID(),
		Incident: &pb.Incident{Name: written.Name, Kind: pb.IncidentKind_INCIDENT_KIND_BURN}, UpdateMask: updateMask("kind")})
}
