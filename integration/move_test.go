package integration

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// cardOf is a client's record card.
func (c *chain) cardOf(t testing.TB, client string) *pb.RecordCard {
	t.Helper()
	return must(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client}).RecordCard
}

// move is the request by which the supervisor puts a visit on the right record.
func (c *chain) move(session *pb.Session, client string) *pb.MoveSessionRequest {
	return &pb.MoveSessionRequest{Name: session.Name, Client: client, Practitioner: c.imara.name,
		Comment: "Two clients of one surname; the till took the other card.", RequestId: newID()}
}

// TestVisitIsMovedToTheRightClient: a visit that was recorded under the wrong
// client leaves that card and is on the other one, with its incident; nothing is
// lost, and the log says who moved it.
func TestVisitIsMovedToTheRightClient(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.carriedOut(t)
	wrong, right := parent(session.Name), c.client(t)
	must(t, c.amara, c.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: wrong, RequestId: newID(),
		Outcome: &pb.Outcome{Session: session.Name, Completed: true, ScalpChanged: yes}})
	if got := c.cardOf(t, wrong); len(got.Visits) != 1 || len(got.Incidents) != 1 {
		t.Fatalf("before: %d visits and %d incidents on the card, want 1 and 1", len(got.Visits), len(got.Incidents))
	}
	req := c.move(session, right)
	moved := must(t, c.imara, c.processing.MoveSession, req).Session
	if again := must(t, c.imara, c.processing.MoveSession, req).Session; again.Name != moved.Name {
		t.Errorf("a retry moved it once more, to %s", again.Name)
	}
	if got := c.cardOf(t, wrong); len(got.Visits) != 0 || len(got.Incidents) != 0 {
		t.Errorf("the wrong card still shows %d visits and %d incidents", len(got.Visits), len(got.Incidents))
	}
	got := c.cardOf(t, right)
	if len(got.Visits) != 1 || got.Visits[0].Session != moved.Name || !got.Visits[0].FirstContact || len(got.Incidents) != 1 {
		t.Fatalf("the right card shows %v", got)
	}
	old := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
	copied := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: moved.Name, WithEvents: true})
	if old.Session.MovedTo != moved.Name || len(old.Events) != 0 || old.Session.Plan != nil || copied.Session.MovedFrom != session.Name || len(copied.Events) != len(c.service(session)) {
		t.Errorf("the old one is %v with %d facts, want where it went and no more; the new one %v with %d", old.Session, len(old.Events), copied.Session, len(copied.Events))
	}
	file := string(c.handedOut(t, wrong))
	if strings.Contains(file, "productUsed") || !strings.Contains(file, moved.Name) {
		t.Error("the wrong client's file shows the other person's visit, or not where it went")
	}
	entries := c.entries(t, `kind = "VISIT_MOVED"`)
	if len(entries) != 1 || entries[0].Session != session.Name || entries[0].MovedTo != moved.Name || entries[0].Actor != c.imara.name {
		t.Errorf("the log says %v", entries)
	}
	// A till that still has the old name loses nothing.
	c.clock.advance(time.Hour)
	c.report(t, session, eventAt(session, 90*time.Minute, note("came back for her scarf")))
	copied = must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: moved.Name, WithEvents: true})
	if len(copied.Events) != len(c.service(session))+1 {
		t.Errorf("a fact for the old name left the visit with %d facts, want %d", len(copied.Events), len(c.service(session))+1)
	}
}

// TestWhoMayMoveAVisit: a second person, once, to another client.
func TestWhoMayMoveAVisit(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session, right := c.session(t), c.client(t)
	own := c.move(session, right)
	own.Practitioner = c.amara.name // a supervisor may act for her
	wantError(t, "her own visit", mustFail(t, c.imara, c.processing.MoveSession, own), codes.FailedPrecondition, "OWN_VISIT")
	c.imara, c.amara = c.amara, c.imara // a service of the supervisor's own
	mine := c.session(t)
	c.imara, c.amara = c.amara, c.imara
	another := c.move(mine, right)
	another.Practitioner = c.amara.name
	wantError(t, "her own visit in another's name", mustFail(t, c.imara, c.processing.MoveSession, another), codes.FailedPrecondition, "OWN_VISIT")
	wantError(t, "to the same client", mustFail(t, c.imara, c.processing.MoveSession, c.move(session, parent(session.Name))), codes.FailedPrecondition, "SAME_CLIENT")
	if err := mustFail(t, c.amara, c.processing.MoveSession, c.move(session, right)); reasonOf(err) == "" {
		t.Errorf("a practitioner moved a visit: %v", err)
	}
	must(t, c.imara, c.processing.MoveSession, c.move(session, right))
	wantError(t, "a second time", mustFail(t, c.imara, c.processing.MoveSession, c.move(session, right)), codes.FailedPrecondition, "VISIT_MOVED")
}

// TestCardKnowsWhatWasReportedAfterClosing: a scalp that had changed the next day is
// on the card, and so is it when only the card for print is read.
func TestCardKnowsWhatWasReportedAfterClosing(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.carriedOut(t)
	client := parent(session.Name)
	must(t, c.amara, c.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: client, RequestId: newID(),
		Outcome: &pb.Outcome{Session: session.Name, Completed: true, ScalpChanged: no}})
	const reminder = "The scalp had changed after the last service"
	if text := strings.Join(c.cardOf(t, client).Reminders, "\n"); strings.Contains(text, reminder) {
		t.Fatalf("before the report the card reminds of %q", text)
	}
	c.clock.advance(20 * time.Hour)
	c.report(t, session, eventAt(session, 20*time.Hour, &pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{Changed: true}}}))
	card := c.cardOf(t, client)
	if text := strings.Join(card.Reminders, "\n"); !strings.Contains(text, reminder) {
		t.Errorf("the card reminds of %q, want the changed scalp", text)
	}
	if len(card.Summary.Incidents) != 1 || !strings.Contains(card.Summary.FirstLine, "Went wrong: burn") {
		t.Errorf("the summary is %v", card.Summary)
	}
	page := must(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client, Format: pb.CardFormat_CARD_FORMAT_HTML}).Rendered
	for _, want := range []string{"<svg", reminder, "local codes and licensed practice decide", "front"} {
		if !strings.Contains(page, want) {
			t.Errorf("the card for print lacks %q", want)
		}
	}
	if strings.Contains(page, "<script") || strings.Contains(page, "Invented client") {
		t.Error("the card for print has a script or a name")
	}
	text := must(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client, Format: pb.CardFormat_CARD_FORMAT_TEXT}).Rendered
	if !strings.HasPrefix(text, card.Summary.FirstLine) {
		t.Errorf("the card as text begins with %q, want the first line", text[:min(80, len(text))])
	}
}

// TestWhatIsKnownLaterFollowsAMovedVisit: an outcome and more about an incident, sent
// for the old names, are on the right client's record.
func TestWhatIsKnownLaterFollowsAMovedVisit(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.carriedOut(t)
	c.report(t, session, eventAt(session, 40*time.Minute, felt(pb.Comfort_COMFORT_BURNING, "front")), eventAt(session, 41*time.Minute, &pb.Event{
		Fact: &pb.Event_WaterOn{WaterOn: &pb.WaterOn{Place: pb.Place_PLACE_HEAD}}}))
	wrong, right := parent(session.Name), c.client(t)
	old := c.incidentsOf(t, wrong)[0]
	must(t, c.imara, c.processing.MoveSession, c.move(session, right))
	must(t, c.amara, c.incident.UpdateIncident, &pb.UpdateIncidentRequest{RequestId: newID(),
		Incident: &pb.Incident{Name: old.Name, Blister: yes}, UpdateMask: updateMask("blister")})
	must(t, c.amara, c.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: wrong, RequestId: newID(),
		Outcome: &pb.Outcome{Session: session.Name, BrokenOffReason: "it burned", ScalpChanged: yes}})
	card := c.cardOf(t, right)
	if len(card.Visits) != 1 || card.Visits[0].NotClosed || len(card.Incidents) == 0 || card.Incidents[len(card.Incidents)-1].Blister != yes {
		t.Errorf("the right client's card is %v", card)
	}
	if got := c.cardOf(t, wrong); len(got.Visits) != 0 || len(got.Incidents) != 0 {
		t.Errorf("the wrong client's card is %v", got)
	}
}

// TestNoNumberOfIncidentsHidesAnOlderOne: the card and the next decision know all.
func TestNoNumberOfIncidentsHidesAnOlderOne(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	client := c.client(t)
	first := must(t, c.till, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: c.newIncident(), RequestId: newID()}).Incident
	for range 101 {
		must(t, c.till, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: c.newIncident(), RequestId: newID()})
	}
	incidents := c.cardOf(t, client).Incidents
	if len(incidents) != 102 || incidents[101].Name != first.Name {
		t.Errorf("the card shows %d incidents of 102", len(incidents))
	}
}

// TestTheCardCountsDaysInTheSalon: the days of a card are those in the salon's time zone,
// for a visit with a decision, which holds the salon, and for an incident alone.
func TestTheCardCountsDaysInTheSalon(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	name := "Pacific/Kiritimati" // 14 hours ahead of UTC
	if c.clock.Now().UTC().Hour() < 10 {
		name = "Pacific/Pago_Pago" // 11 hours behind
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	salon := must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: c.salon}).Salon
	salon.TimeZone = name
	must(t, c.odile, c.directory.UpdateSalon, &pb.UpdateSalonRequest{Salon: salon, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"time_zone"}}, RequestId: newID()})
	want := c.clock.Now().In(zone).Format("2 Jan 2006")
	session := c.session(t)
	c.report(t, session, until(session, 20, c.service(session))...)
	if line := c.cardOf(t, parent(session.Name)).Summary.FirstLine; !strings.HasPrefix(line, want+":") {
		t.Errorf("the card begins with %q, want %s", line, want)
	}
	client := must(t, c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{Parent: c.name, Client: &pb.Client{DisplayName: "Invented client"}, RequestId: newID()}).Client.Name
	incident := c.newIncident()
	incident.OccurTime = timestamppb.New(c.clock.Now())
	made := must(t, c.amara, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: incident, RequestId: newID()}).Incident
	want = made.OccurTime.AsTime().In(zone).Format("2 Jan 2006")
	if lines := c.cardOf(t, client).Summary.Incidents; len(lines) != 1 || !strings.HasPrefix(lines[0], want+":") {
		t.Errorf("the incidents are %q, want %s", lines, want)
	}
}
