package integration

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
)

// The words of a visit that is moved, each on what is copied with it or stays.
const (
	movedNote    = "whistled the Malachite barcarolle"
	movedStop    = "hurried off to the Sargassine ferry"
	movedComment = "spoke of her godmother Philippasia"
	movedSeen    = "a spot like the Isle of Cormorandy"
	movedPhoto   = "album Chrysolite/nape-4.jpg"
	movedReason  = "The till took the card of her namesake at Quillonbury."
	movedLate    = "rang from the Halcyonide lighthouse"
)

// copiedWords are those that go with the visit; movedReason stays with the old one,
// and movedLate is reported under the old name after the move.
var copiedWords = []string{movedNote, movedStop, movedComment, movedSeen, movedPhoto}

// movedVisit is a visit of one client that was moved to another, and what was asked
// of it.
type movedVisit struct {
	wrong, right string
	old, copied  *pb.Session
	move         *pb.MoveSessionRequest
	late, twice  *pb.RecordEventsRequest // twice brings the same fact once more
}

// movedVisit records a visit under the wrong client and moves it to the right one.
func (c *chain) movedVisit(t *testing.T) movedVisit {
	t.Helper()
	v := movedVisit{old: c.session(t), right: c.client(t)}
	v.wrong = parent(v.old.Name)
	c.clock.advance(time.Hour)
	c.report(t, v.old, append(c.service(v.old), eventAt(v.old, 37*time.Minute, note(movedNote)),
		eventAt(v.old, 38*time.Minute, &pb.Event{Fact: &pb.Event_Stopped{Stopped: &pb.Stopped{Reason: movedStop}}}))...)
	outcome := completed(v.old)
	outcome.Outcome.Comments = movedComment
	outcome.Outcome.Completed, outcome.Outcome.BrokenOffReason = false, movedStop
	must(t, c.amara, c.outcome.RecordOutcome, outcome)
	noticed := c.newIncident()
	noticed.Session, noticed.Seen, noticed.Photos = v.old.Name, movedSeen, []*pb.PhotoTaken{photographed(movedPhoto)}
	must(t, c.amara, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: v.wrong, Incident: noticed, RequestId: newID()})
	v.move = c.move(v.old, v.right)
	v.move.Comment = movedReason
	v.copied = must(t, c.imara, c.processing.MoveSession, v.move).Session
	v.late = &pb.RecordEventsRequest{Name: v.old.Name, SendTime: c.clock.timestamp(), Echo: c.echo(), RequestId: newID(),
		Events: []*pb.Event{eventAt(v.old, 40*time.Minute, note(movedLate))}}
	must(t, c.till, c.processing.RecordEvents, v.late)
	v.twice = again(v.late)
	must(t, c.till, c.processing.RecordEvents, v.twice)
	return v
}

// visibleText is all that callers get of a client and the client's visits.
func (c *chain) visibleText(t *testing.T, client string) string {
	t.Helper()
	var all strings.Builder
	all.Write(c.handedOut(t, client))
	fmt.Fprintln(&all, c.cardOf(t, client))
	return all.String()
}

// TestErasedWrongClientLeavesTheMovedVisit: what was copied to the right client
// stays, what lay with the wrong one is gone.
func TestErasedWrongClientLeavesTheMovedVisit(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	v := c.movedVisit(t)
	file := string(c.handedOut(t, v.wrong))
	wantAll(t, "before, the file for the wrong client", file, []string{movedReason})
	for _, word := range copiedWords {
		if strings.Contains(file, word) {
			t.Errorf("the wrong client's file tells of the other person's visit: %q", word)
		}
	}
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: v.wrong, RequestId: newID()})

	c.wantVisitGone(t, v.old, v.wrong)
	wantError(t, "the move again", mustFail(t, c.imara, c.processing.MoveSession, v.move), codes.NotFound, "NOT_FOUND")
	shown := c.visibleText(t, v.right)
	wantAll(t, "the right client", shown, append(copiedWords, movedLate))
	if strings.Contains(shown, movedReason) {
		t.Errorf("how the move came about was on the wrong client's record, and is on the right one's: %s", shown)
	}
	if card := c.cardOf(t, v.right); len(card.Visits) != 1 || len(card.Incidents) != 1 || card.Visits[0].Session != v.copied.Name {
		t.Errorf("the right client's card has %v", card)
	}
	for _, late := range []*pb.RecordEventsRequest{v.late, v.twice} {
		must(t, c.till, c.processing.RecordEvents, late) // it is the right client's
	}
	c.report(t, v.copied, eventAt(v.copied, 45*time.Minute, note("came back for her scarf")))
}

// TestErasedRightClientTakesTheMovedVisit: the copy is gone, and so is whatever else
// would still tell of it: the answer to the move, and what was reported under the
// old name.
func TestErasedRightClientTakesTheMovedVisit(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	v := c.movedVisit(t)
	wantAll(t, "before, the right client", c.visibleText(t, v.right), append(copiedWords, movedLate))
	must(t, c.imara, c.processing.MoveSession, v.move) // a retry is answered
	must(t, c.till, c.processing.RecordEvents, v.late)
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: v.right, RequestId: newID()})

	c.wantVisitGone(t, v.copied, v.right)
	_, err := c.processing.MoveSession(c.imara.calling(t), v.move)
	wantError(t, "the move again", err, codes.NotFound, "NOT_FOUND")
	for what, late := range map[string]*pb.RecordEventsRequest{"the late fact again": v.late, "the late fact's second report again": v.twice} {
		_, err = c.processing.RecordEvents(c.till.calling(t), late)
		wantError(t, what, err, codes.NotFound, "NOT_FOUND")
	}
	if file := c.handedOut(t, v.wrong); bytes.Contains(file, []byte(movedLate)) || !bytes.Contains(file, []byte(movedReason)) {
		t.Errorf("the wrong client's file has the late fact, or lacks how the move came about: %s", file)
	}
}

// wantVisitGone asks for a session of an erased client and all that hangs on it.
func (c *chain) wantVisitGone(t *testing.T, session *pb.Session, client string) {
	t.Helper()
	gone := func(what string, err error) { t.Helper(); wantError(t, what, err, codes.NotFound, "NOT_FOUND") }
	gone("the session", mustFail(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true}))
	gone("a fact", mustFail(t, c.till, c.processing.RecordEvents, &pb.RecordEventsRequest{Name: session.Name, SendTime: c.clock.timestamp(),
		Echo: c.echo(), RequestId: newID(), Events: []*pb.Event{eventAt(session, 41*time.Minute, note("too late"))}}))
	gone("the outcomes", mustFail(t, c.amara, c.outcome.ListOutcomes, &pb.ListOutcomesRequest{Parent: client}))
	gone("the client", mustFail(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: client}))
	c.wantNotVisible(t, client, nil, gone)
}
