package integration

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/consultation"
	"alkalog/storage"
)

// link links two clients as a manager does.
func (c *chain) link(t testing.TB, one, other string) *pb.Client {
	t.Helper()
	return must(t, c.odile, c.consultation.LinkClients, &pb.LinkClientsRequest{Name: one, Client: other, RequestId: newID()}).Client
}

// unlink takes a client out of its link.
func (c *chain) unlink(t testing.TB, client string) {
	t.Helper()
	must(t, c.odile, c.consultation.UnlinkClients, &pb.UnlinkClientsRequest{Name: client, RequestId: newID()})
}

// visitOf is a closed visit of a client, 13 minutes long.
func (c *chain) visitOf(t testing.TB, client string, outcome func(*pb.Outcome)) *pb.Session {
	t.Helper()
	session := c.begin(t, wantVerdict(t, c.decisionFor(t, client), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS))
	c.clock.advance(time.Hour)
	c.report(t, session, c.service(session)...)
	req := completed(session)
	outcome(req.Outcome)
	must(t, c.amara, c.outcome.RecordOutcome, req)
	return session
}

// TestLinkedClientsShareTheStricterHistory: whatever one record of a person holds counts
// in a decision on the other record, which alone would go ahead. After the link has ended
// it does not count any more, and the decision made meanwhile replays as it was.
func TestLinkedClientsShareTheStricterHistory(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	goAhead := pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS
	for name, k := range map[string]struct {
		history func(client string)
		want    func(d *pb.Decision) bool
	}{
		"a relaxer on record": {func(client string) {
			c.visitOf(t, client, func(*pb.Outcome) {})
			c.clock.advance(60 * day)
		}, func(d *pb.Decision) bool {
			return d.Verdict == pb.Verdict_VERDICT_REFUSE && answerConflict(d) != nil && len(d.Inputs.RecordedWork) > 0
		}},
		"an incident": {func(client string) {
			must(t, c.amara, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: client, Incident: c.newIncident(), RequestId: newID()})
		}, func(d *pb.Decision) bool { return len(d.Inputs.Incidents) == 1 && d.Verdict != goAhead }},
		"a refusal an hour ago": {func(client string) {
			wantVerdict(t, c.decisionFor(t, client, brokenSkin), pb.Verdict_VERDICT_REFUSE)
			c.clock.advance(time.Hour)
		}, func(d *pb.Decision) bool {
			return d.Verdict == pb.Verdict_VERDICT_ASK && len(d.Inputs.AnswerChanges) == 1
		}},
		"a date of birth": {func(client string) {
			must(t, c.amara, c.consultation.UpdateClient, &pb.UpdateClientRequest{Client: &pb.Client{Name: client, BirthDate: "2012-05-01"},
				UpdateMask: updateMask("birth_date"), RequestId: newID()})
		}, func(d *pb.Decision) bool {
			return d.Verdict == pb.Verdict_VERDICT_REFUSE && d.Inputs.LinkedBirthDate == "2012-05-01"
		}},
	} {
		one, other := c.client(t), c.client(t)
		k.history(other)
		before := wantVerdict(t, c.decisionFor(t, one), goAhead)
		c.link(t, one, other)
		linked := c.decisionFor(t, one)
		if !k.want(linked) {
			t.Errorf("%s of the other record: %s, %v", name, linked.Verdict, linked.Findings)
		}
		booked := must(t, c.amara, c.eligibility.CheckBooking, &pb.CheckBookingRequest{Parent: one, BookTime: timestamppb.New(c.clock.Now().Add(time.Hour)),
			Subject: &pb.CheckBookingRequest_Consultation{Consultation: linked.Inputs.Consultation.Name}, ServiceKind: linked.Inputs.ServiceKind,
			Product: c.relaxer, LotCode: c.relaxerLot, Practitioner: c.amara.name, Salon: c.salon, RequestId: newID()}).Decision
		if booked.Verdict != linked.Verdict {
			t.Errorf("%s: booked it is %s, checked %s", name, booked.Verdict, linked.Verdict)
		}
		c.unlink(t, other)
		if apart := c.decisionFor(t, one); len(apart.Inputs.RecordedWork)+len(apart.Inputs.Incidents) > 0 || apart.Inputs.LinkedBirthDate != "" {
			t.Errorf("%s counts after the link has ended: %v", name, apart.Findings)
		}
		for _, d := range []*pb.Decision{before, linked} {
			if replayed := must(t, c.imara, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name}); !replayed.Identical {
				t.Errorf("%s: %s replays with differences %v", name, d.Name, replayed.Differences)
			}
		}
	}
}

// TestALinkWithAnAdultAnswersNoAge: a client without a birth date whose age was not asked
// for is asked for it also after a link with an adult, whose birth date may be somebody
// else's.
func TestALinkWithAnAdultAnswersNoAge(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	one, other := c.client(t), c.client(t)
	must(t, c.amara, c.consultation.UpdateClient, &pb.UpdateClientRequest{Client: &pb.Client{Name: other, BirthDate: "1980-01-02"},
		UpdateMask: updateMask("birth_date"), RequestId: newID()})
	noAge := func(k *pb.Consultation) { k.Consent.AgeYears = nil }
	alone := wantVerdict(t, c.decisionFor(t, one, noAge), pb.Verdict_VERDICT_ASK)
	c.link(t, one, other)
	linked := wantVerdict(t, c.decisionFor(t, one, noAge), pb.Verdict_VERDICT_ASK)
	for _, d := range []*pb.Decision{alone, linked} {
		if replayed := must(t, c.imara, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name}); !replayed.Identical {
			t.Errorf("%s replays with differences %v", d.Name, replayed.Differences)
		}
	}
}

// TestNoVisitHidesOneOfALinkedClient: the breakage of one record stays an input however many
// newer visits the other has, and the later date of a next retouch counts.
func TestNoVisitHidesOneOfALinkedClient(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	one, other := c.client(t), c.client(t)
	c.visitOf(t, other, func(o *pb.Outcome) { o.Sections[0].Breakage = yes })
	c.clock.advance(70 * day)
	for range 3 {
		session := c.begin(t, c.proceedDecision(t)) // of a third client, moved here: a visit needs no new hair then
		c.clock.advance(time.Hour)
		c.report(t, session, c.service(session)...)
		must(t, c.amara, c.outcome.RecordOutcome, completed(session))
		must(t, c.imara, c.processing.MoveSession, c.move(session, one))
		c.clock.advance(day)
	}
	breakage := func() bool {
		d := c.decisionFor(t, one)
		return slices.ContainsFunc(d.Inputs.RecordCard.Visits, func(v *pb.Visit) bool {
			return slices.ContainsFunc(v.Sections, func(s *pb.SectionOutcome) bool { return s.Breakage == yes })
		})
	}
	if breakage() {
		t.Fatal("the breakage counts without the link")
	}
	c.link(t, other, one)
	if !breakage() {
		t.Error("three newer visits of one record hide the breakage of the other")
	}
	card := c.cardOf(t, one)
	if card.Client != one || len(card.Visits) != 4 || !slices.IsSortedFunc(card.Visits, func(a, b *pb.Visit) int { return b.StartTime.AsTime().Compare(a.StartTime.AsTime()) }) ||
		!slices.ContainsFunc(card.Reminders, func(line string) bool { return strings.Contains(line, "Hair broke in front") }) {
		t.Errorf("the card is of %s, with %d visits and the reminders %q", card.Client, len(card.Visits), card.Reminders)
	}
	if theirs := c.cardOf(t, other); len(theirs.Visits) != 4 || !theirs.NextRetouchTime.AsTime().Equal(card.NextRetouchTime.AsTime()) {
		t.Errorf("the other card has %d visits and %v", len(theirs.Visits), theirs.NextRetouchTime)
	}
}

// TestLinkCountsAtTheStart: a service begins on what is known of all records then: on the
// newest consultation of any of them, and not while a session of one is open.
func TestLinkCountsAtTheStart(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	one, other := c.client(t), c.client(t)
	d := wantVerdict(t, c.decisionFor(t, one), pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	c.clock.advance(time.Minute)
	newest := c.submitted(t, other, brokenSkin)
	c.link(t, one, other)
	if again := c.outdatedBy(t, "a newer consultation of the linked client", d); again.Inputs.Consultation.Name != newest.Name {
		t.Errorf("decided again on %s, want %s", again.Inputs.Consultation.Name, newest.Name)
	}

	one, other = c.client(t), c.client(t)
	ofOne, ofOther := c.decisionFor(t, one), c.decisionFor(t, other)
	c.link(t, one, other)
	open := c.begin(t, ofOne)
	wantError(t, "a second session of one person", mustFail(t, c.amara, c.processing.StartSession, starting(ofOther)), codes.FailedPrecondition, "SESSION_OPEN")
	underWay := starting(ofOther)
	underWay.UnderWay = true
	if got := must(t, c.amara, c.processing.StartSession, underWay).Session; got.OtherSession != open.Name {
		t.Errorf("recorded beside %q, want %s", got.OtherSession, open.Name)
	}
}

// TestMovedVisitNamesTheLinkedSession: an open visit that moves to a client while a session
// of a linked client is open names that session; never itself, when it moves between
// linked clients.
func TestMovedVisitNamesTheLinkedSession(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	one, other := c.client(t), c.client(t)
	c.link(t, one, other)
	open := c.begin(t, c.decisionFor(t, other))
	moved := must(t, c.imara, c.processing.MoveSession, c.move(c.session(t), one)).Session
	if moved.OtherSession != open.Name {
		t.Errorf("moved beside %q, want %s", moved.OtherSession, open.Name)
	}

	one, other = c.client(t), c.client(t)
	c.link(t, one, other)
	moved = must(t, c.imara, c.processing.MoveSession, c.move(c.begin(t, c.decisionFor(t, other)), one)).Session
	if moved.OtherSession != "" {
		t.Errorf("moved beside %q, and no other is open", moved.OtherSession)
	}
}

// TestOneOpenSessionPerPerson: of sessions that begin at the same time on two records of
// one person, one begins; and a link that is made at that time and a session do not miss
// each other.
func TestOneOpenSessionPerPerson(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	for round := range 5 {
		one, other := c.client(t), c.client(t)
		ofOne, ofOther := c.decisionFor(t, one), c.decisionFor(t, other)
		c.link(t, one, other)
		errs := atOnce(
			func() error { _, err := c.processing.StartSession(c.amara.calling(t), starting(ofOne)); return err },
			func() error { _, err := c.processing.StartSession(c.amara.calling(t), starting(ofOther)); return err })
		if (errs[0] == nil) == (errs[1] == nil) {
			t.Errorf("round %d: two sessions at once: %v", round, errs)
		}

		one, other = c.client(t), c.client(t)
		d := c.decisionFor(t, one)
		errs = atOnce(
			func() error { _, err := c.processing.StartSession(c.amara.calling(t), starting(d)); return err },
			func() error {
				_, err := c.consultation.LinkClients(c.odile.calling(t), &pb.LinkClientsRequest{Name: other, Client: one, RequestId: newID()})
				return err
			})
		if errs[0] != nil || errs[1] != nil && reasonOf(errs[1]) != "SESSION_OPEN" {
			t.Errorf("round %d: a session and a link at once: %v", round, errs)
		}
	}
}

// TestALinkIsSeenByAStartUnderWay: a service that was decided before a link and is stored
// after it is decided again, with what the link brings. A locked salon holds it meanwhile.
func TestALinkIsSeenByAStartUnderWay(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	one, other := c.client(t), c.client(t)
	d := c.decisionFor(t, one)
	c.clock.advance(time.Minute)
	c.submitted(t, other, brokenSkin)
	hold, err := c.sql.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer hold.Rollback()
	if _, err := hold.Exec("select id from salons where chain = $1 for update", last(c.name)); err != nil {
		t.Fatal(err)
	}
	started := make(chan error, 1)
	go func() {
		_, err := c.processing.StartSession(c.amara.calling(t), starting(d))
		started <- err
	}()
	c.waitForLock(t)
	c.link(t, one, other)
	if err := hold.Commit(); err != nil {
		t.Fatal(err)
	}
	wantError(t, "a start that a link overtook", <-started, codes.FailedPrecondition, "DECISION_OUTDATED")
}

// TestAStartIsSeenByALinkUnderWay: a link that was decided while no session was open is
// refused if one has begun when it is stored. A locked client holds the link meanwhile.
func TestAStartIsSeenByALinkUnderWay(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	one, other := c.client(t), c.client(t) // clients are locked in the order of their ids: one comes first
	d := c.decisionFor(t, other)
	hold, err := c.sql.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer hold.Rollback()
	if _, err := hold.Exec("select id from clients where id = $1 for update", last(one)); err != nil {
		t.Fatal(err)
	}
	linked := make(chan error, 1)
	go func() {
		_, err := c.consultation.LinkClients(c.odile.calling(t), &pb.LinkClientsRequest{Name: one, Client: other, RequestId: newID()})
		linked <- err
	}()
	c.waitForLock(t)
	c.begin(t, d)
	if err := hold.Commit(); err != nil {
		t.Fatal(err)
	}
	wantError(t, "a link that a start overtook", <-linked, codes.FailedPrecondition, "SESSION_OPEN")
}

// waitForLock waits until a transaction waits for a lock.
func (s *testServer) waitForLock(t testing.TB) {
	t.Helper()
	eventually(t, "a transaction that waits for a lock", func() bool {
		var n int
		err := s.sql.QueryRow("select count(*) from pg_stat_activity where wait_event_type = 'Lock' and datname = current_database()").Scan(&n)
		return err == nil && n > 0
	})
}

// atOnce runs functions at the same time and returns their errors.
func atOnce(all ...func() error) []error {
	errs := make([]error, len(all))
	var wg sync.WaitGroup
	for i, f := range all {
		wg.Go(func() { errs[i] = f() })
	}
	wg.Wait()
	return errs
}

// TestDraftsOfLinkedClients: what lasts of one record is carried into a draft on
// the other, and a doctor's word can name an incident of either.
func TestDraftsOfLinkedClients(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	one, other := c.client(t), c.client(t)
	earlier := c.submitted(t, other, func(k *pb.Consultation) { k.History.Allergy = yes })
	incident := must(t, c.amara, c.incident.CreateIncident, &pb.CreateIncidentRequest{Parent: other, Incident: c.newIncident(), RequestId: newID()}).Incident.Name
	drafted := func() *pb.Consultation {
		return must(t, c.amara, c.consultation.DraftConsultation, &pb.DraftConsultationRequest{Parent: one, Salon: c.salon, Practitioner: c.amara.name, RequestId: newID()}).Consultation
	}
	word := func(k *pb.Consultation) {
		k.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT, Incident: incident, Reference: "note 7"}}
	}
	created := func() error {
		_, err := c.consultation.CreateConsultation(c.amara.calling(t), &pb.CreateConsultationRequest{Parent: one, Consultation: c.consultationAnswers(word), RequestId: newID()})
		return err
	}
	if drafted().GetHistory().GetAllergy() == yes || status.Code(created()) != codes.InvalidArgument {
		t.Fatal("the other record counts without the link")
	}
	c.link(t, one, other)
	d := drafted()
	if d.GetHistory().GetAllergy() != yes || !slices.ContainsFunc(d.Origins, func(o *pb.FieldOrigin) bool { return o.Consultation == earlier.Name }) {
		t.Errorf("the allergy is not carried: %v", d.Origins)
	}
	if err := created(); err != nil {
		t.Errorf("a word about the linked client's incident: %v", err)
	}
}

// TestWhoMayLinkClients: a manager of the whole chain, two clients of that chain, once, in
// any order, up to ten; the link is on the log for each client, with its end.
func TestWhoMayLinkClients(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, elsewhere := s.newChain(t, "ebb-and-flow"), s.newChain(t, "low-tide")
	one, other, third := c.client(t), c.client(t), c.client(t)
	req := func(a, b string) *pb.LinkClientsRequest {
		return &pb.LinkClientsRequest{Name: a, Client: b, RequestId: newID()}
	}
	for _, who := range []person{c.till, c.teo, c.amara, c.imara, c.vesna} {
		if err := mustFail(t, who, c.consultation.LinkClients, req(one, other)); status.Code(err) != codes.PermissionDenied {
			t.Errorf("%s: %v", who.name, err)
		}
	}
	wantError(t, "another chain's", mustFail(t, c.odile, c.consultation.LinkClients, req(one, elsewhere.client(t))), codes.NotFound, "NOT_FOUND")
	wantField(t, "client", c.odile, c.consultation.LinkClients, req(one, one))
	wantError(t, "nobody", mustFail(t, c.odile, c.consultation.LinkClients, req(one, c.name+"/clients/nobody")), codes.NotFound, "NOT_FOUND")
	wantField(t, "name", c.odile, c.consultation.UnlinkClients, &pb.UnlinkClientsRequest{Name: one, RequestId: newID()})

	first := req(one, other)
	made := must(t, c.odile, c.consultation.LinkClients, first).Client
	if again := must(t, c.odile, c.consultation.LinkClients, first).Client; again.Etag != made.Etag || !slices.Equal(made.LinkedClients, []string{other}) {
		t.Errorf("linked with %v; a retry answers %v", made.LinkedClients, again)
	}
	wantError(t, "a second time", mustFail(t, c.odile, c.consultation.LinkClients, req(other, one)), codes.AlreadyExists, "ALREADY_EXISTS")
	c.link(t, third, other)
	for _, client := range []string{one, other, third} {
		var want []string
		for _, name := range []string{one, other, third} {
			if name != client {
				want = append(want, name)
			}
		}
		slices.Sort(want)
		if got := must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: client}).Client.LinkedClients; !slices.Equal(got, want) {
			t.Errorf("%s is linked with %v, want %v", client, got, want)
		}
	}
	wantField(t, "update_mask.paths[0]", c.odile, c.consultation.UpdateClient, &pb.UpdateClientRequest{Client: &pb.Client{Name: one}, UpdateMask: updateMask("linked_clients"), RequestId: newID()})
	c.unlink(t, other)
	if got := must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: one}).Client.LinkedClients; !slices.Equal(got, []string{third}) {
		t.Errorf("after one left, %s is linked with %v", one, got)
	}
	for client, want := range map[string]int{one: 2, other: 2, third: 1} {
		linked, unlinked := c.entries(t, fmt.Sprintf(`kind = "CLIENTS_LINKED" AND client = %q`, client)), c.entries(t, fmt.Sprintf(`kind = "CLIENTS_UNLINKED" AND client = %q`, client))
		if len(linked) != want || len(unlinked) != 1 || linked[0].Actor != c.odile.name || len(linked[0].CauseDigest) == 0 {
			t.Errorf("%s: on the log %v and %v", client, linked, unlinked)
		}
	}
	group := one
	for range 8 {
		c.link(t, group, c.client(t))
	}
	wantField(t, "client", c.odile, c.consultation.LinkClients, req(group, other))
}

// TestErasureTakesLinkedClients: erasing one record of a person erases all, each with an entry
// and a line in the file of erasures; a hold on one holds all, and the link cannot be
// ended under it. Retention waits for the record that was used last.
func TestErasureTakesLinkedClients(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	hold := func(client string, held bool) {
		must(t, c.odile, c.consultation.UpdateClient, &pb.UpdateClientRequest{Client: &pb.Client{Name: client, LegalHold: held},
			UpdateMask: updateMask("legal_hold"), RequestId: newID()})
	}
	one, other, stranger := c.client(t), c.client(t), c.client(t)
	c.link(t, one, other)
	hold(other, true)
	erase := &pb.EraseClientRequest{Name: one, RequestId: newID()}
	wantError(t, "a hold on the other record", mustFail(t, c.odile, c.consultation.EraseClient, erase), codes.FailedPrecondition, "LEGAL_HOLD")
	wantError(t, "leaving under a hold", mustFail(t, c.odile, c.consultation.UnlinkClients, &pb.UnlinkClientsRequest{Name: one, RequestId: newID()}), codes.FailedPrecondition, "LEGAL_HOLD")
	hold(other, false)
	open := c.begin(t, c.decisionFor(t, other))
	wantError(t, "an open session of the other", mustFail(t, c.odile, c.consultation.EraseClient, again(erase)), codes.FailedPrecondition, "SESSION_OPEN")
	wantError(t, "leaving meanwhile", mustFail(t, c.odile, c.consultation.UnlinkClients, &pb.UnlinkClientsRequest{Name: one, RequestId: newID()}), codes.FailedPrecondition, "SESSION_OPEN")
	wantError(t, "a link meanwhile", mustFail(t, c.odile, c.consultation.LinkClients, &pb.LinkClientsRequest{Name: one, Client: stranger, RequestId: newID()}), codes.FailedPrecondition, "SESSION_OPEN")
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(open))
	erase = again(erase)
	done := must(t, c.odile, c.consultation.EraseClient, erase)
	if repeated := must(t, c.odile, c.consultation.EraseClient, erase); !slices.Equal(done.Clients, []string{one, other}) || !slices.Equal(repeated.Clients, done.Clients) {
		t.Errorf("erased are %v, repeated %v", done.Clients, repeated.Clients)
	}
	var logged []string
	for _, e := range c.entries(t, `kind = "ERASURE"`) {
		logged = append(logged, e.Client)
	}
	slices.Sort(logged)
	if want := slices.Sorted(slices.Values([]string{one, other})); !slices.Equal(logged, want) {
		t.Errorf("on the log are %v, want %v", logged, want)
	}
	for _, gone := range []string{one, other} {
		wantError(t, gone, mustFail(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: gone}), codes.NotFound, "NOT_FOUND")
	}
	must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: stranger})
}

// notedErasures is a list of erasures in memory. It fails to note one name once.
type notedErasures struct {
	names []string
	fails string
}

func (n *notedErasures) Reserve() (consultation.Reservation, error) { return n, nil }
func (n *notedErasures) Release()                                   {}
func (n *notedErasures) Note(client string) error {
	if n.fails == client {
		n.fails = ""
		return errors.New("invented fault of the disk")
	}
	n.names = append(n.names, client)
	return nil
}

// TestLinkedErasuresAreNoted: each erased record is noted outside of the database, also by a
// repeated call, which cannot read any more who was linked. Retention erases a person only
// when all records are idle.
func TestLinkedErasuresAreNoted(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	must(t, c.operator, c.directory.UpdateChain, &pb.UpdateChainRequest{UpdateMask: updateMask("retention"), RequestId: newID(),
		Chain: &pb.Chain{Name: c.name, Retention: &pb.Retention{ClientDays: 100, RequestDays: 40}}})
	s.clock.advance(time.Since(s.clock.Now())) // ids tell the machine's time
	one, other, third, fourth := c.client(t), c.client(t), c.client(t), c.client(t)
	c.link(t, one, other)
	c.link(t, third, fourth)
	list := &notedErasures{fails: fourth}
	service := consultation.Service{DB: s.database.Open(t, storage.Config{Keys: ringOf(s.keys)}), Now: s.clock.Now, Erasures: list}
	ctx := actor.NewContext(t.Context(), actor.Actor{Name: c.odile.name, Role: c.odile.role})
	erase := &pb.EraseClientRequest{Name: third, RequestId: newID()}
	if _, err := service.EraseClient(ctx, erase); !errors.Is(err, storage.ErrUnknown) {
		t.Errorf("an erasure that is not noted: %v", err)
	}
	if _, err := service.EraseClient(ctx, erase); err != nil || !slices.Contains(list.names, third) || !slices.Contains(list.names, fourth) {
		t.Errorf("repeated: %v; noted are %v", err, list.names)
	}

	list.names = nil
	s.clock.advance(60 * day)
	session := c.session(t)
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	must(t, c.imara, c.processing.MoveSession, c.move(session, other)) // the other record was in use on that day
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: parent(session.Name), RequestId: newID()})
	s.clock.advance(50 * day)
	if err := service.ApplyRetention(t.Context()); err != nil || len(list.names) > 0 {
		t.Errorf("while one record was in use: %v; noted are %v", err, list.names)
	}
	must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: one})
	s.clock.advance(60 * day)
	if err := service.ApplyRetention(t.Context()); err != nil {
		t.Fatal(err)
	}
	slices.Sort(list.names)
	if want := slices.Sorted(slices.Values([]string{one, other})); !slices.Equal(list.names, want) {
		t.Errorf("noted are %v, want %v", list.names, want)
	}
}
