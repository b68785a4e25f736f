package integration

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a client who comes again is not asked again for what lasts, sees where each
// carried answer comes from, and is asked for everything that may have changed.

const byCarrying = pb.AnswerOrigin_ANSWER_ORIGIN_CARRIED

// drafting asks for a draft of a client.
func (c *chain) drafting(client string) *pb.DraftConsultationRequest {
	return &pb.DraftConsultationRequest{Parent: client, Salon: c.salon, Practitioner: c.amara.name,
		ServiceKind: pb.ServiceKind_SERVICE_KIND_RETOUCH, RequestId: newID()}
}

// fieldOrigin is the stored origin of an answer; nil: there is none.
func fieldOrigin(k *pb.Consultation, field string) *pb.FieldOrigin {
	if i := slices.IndexFunc(k.Origins, func(o *pb.FieldOrigin) bool { return o.Field == field }); i >= 0 {
		return k.Origins[i]
	}
	return nil
}

// TestADraftCarriesTheVisit: after a relaxer and a later answer, the draft holds both, each
// with where it comes from, and nothing that is seen again. It is stored, a draft like any
// other, and the same when asked for once more.
func TestADraftCarriesTheVisit(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(session))
	client := parent(session.Name)
	c.clock.advance(60 * 24 * time.Hour)
	later := c.submitted(t, client, func(k *pb.Consultation) { k.History.Keloids, k.Salon = yes, c.salon })
	req := c.drafting(client)
	k := must(t, c.amara, c.consultation.DraftConsultation, req).Consultation
	if again := must(t, c.amara, c.consultation.DraftConsultation, req).Consultation; !proto.Equal(again, k) {
		t.Errorf("a retry drafted %v", again)
	}
	if stored := must(t, c.amara, c.consultation.GetConsultation, &pb.GetConsultationRequest{Name: k.Name}).Consultation; !proto.Equal(stored, k) {
		t.Errorf("stored is %v", stored)
	}
	for field, from := range map[string]string{
		"consultation.history.keloids":                            later.Name,
		"consultation.hair.texture":                               later.Name,
		"consultation.hair.sections[hairline].hairline":           later.Name,
		"consultation.history.relaxer.last_time":                  session.Name,
		"consultation.hair.zones[mid-strand].hydroxide.happened":  session.Name,
		"consultation.hair.zones[ends].hydroxide_kind":            session.Name,
		"consultation.hair.zones[mid-strand].hydroxide.last_time": session.Name,
	} {
		if o := fieldOrigin(k, field); o.GetOrigin() != byCarrying || o.GetConsultation()+o.GetSession() != from {
			t.Errorf("%s comes from %v, want %s", field, o, from)
		}
	}
	ends := k.Hair.Zones[slices.IndexFunc(k.Hair.Zones, func(z *pb.HairZone) bool { return z.Zone == pb.Zone_ZONE_ENDS })]
	if k.History.Keloids != yes || ends.HydroxideKind != pb.HydroxideKind_HYDROXIDE_KIND_SODIUM || len(k.Hair.Sections) != 4 ||
		k.Scalp != nil || k.Tests != nil || k.Consent != nil || k.History.Allergy != 0 || k.Hair.Density != 0 || ends.Condition != 0 {
		t.Errorf("the draft is %v", k)
	}
	d := must(t, c.amara, c.eligibility.CheckEligibility, c.question(k.Name)).Decision
	if d.Verdict != pb.Verdict_VERDICT_REFER && d.Verdict != pb.Verdict_VERDICT_REFUSE || len(d.OpenQuestions)+len(d.Conditions) == 0 {
		t.Errorf("a relaxed client with keloids, as virgin, and nothing seen yet: %s", d.Verdict)
	}
	k = c.answer(t, k.Name, yesOrNo("consultation.history.keloids", no, byAsking))
	if o := fieldOrigin(k, "consultation.history.keloids"); o.GetOrigin() != byAsking || o.Consultation != "" {
		t.Errorf("asked again, it comes from %v", o)
	}
	if again := must(t, c.amara, c.consultation.DraftConsultation, c.drafting(client)).Consultation; again.History.Keloids != 0 {
		t.Errorf("keloids were answered with no since, and are carried from %v", fieldOrigin(again, "consultation.history.keloids"))
	}
}

// TestADraftCarriesNothingOfAnotherPerson: a visit that was recorded under the wrong client
// leaves nothing in that client's next draft; the right client's has the relaxer.
func TestADraftCarriesNothingOfAnotherPerson(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(session))
	wrong, right := parent(session.Name), c.client(t)
	passedOn := must(t, c.amara, c.consultation.DraftConsultation, c.drafting(wrong)).Consultation
	if passedOn.Hair.GetTexture() == 0 || passedOn.History.GetRelaxer().GetHappened() != yes {
		t.Fatalf("before: %v", passedOn)
	}
	moved := must(t, c.imara, c.processing.MoveSession, c.move(session, right)).Session
	k := must(t, c.amara, c.consultation.DraftConsultation, c.drafting(wrong)).Consultation
	if k.Hair != nil || k.History != nil || len(k.Origins) != 1 {
		t.Errorf("of the other person there is left %v", k)
	}
	k = must(t, c.amara, c.consultation.DraftConsultation, c.drafting(right)).Consultation
	if o := fieldOrigin(k, "consultation.history.relaxer.happened"); o.GetSession() != moved.Name {
		t.Errorf("the right client's draft is %v", k)
	}
}

// TestWhoMayDraft: names that are not there, a practitioner for whom the caller may not act,
// and what one who is confined to another salon gets to see.
func TestWhoMayDraft(t *testing.T) {
	t.Parallel()
	q := newTwoSalons(t)
	c := q.chain
	client := c.client(t)
	c.draft(t, client, func(k *pb.Consultation) { k.History.Keloids = yes })
	elsewhere := c.drafting(c.name + "/clients/nobody")
	wantError(t, "an unknown client", mustFail(t, c.amara, c.consultation.DraftConsultation, elsewhere), codes.NotFound, "NOT_FOUND")
	unknown := c.drafting(client)
	unknown.Salon = c.name + "/salons/nowhere"
	wantError(t, "an unknown salon", mustFail(t, c.amara, c.consultation.DraftConsultation, unknown), codes.NotFound, "NOT_FOUND")
	other := c.drafting(client)
	other.Practitioner = c.imara.name
	wantError(t, "for another", mustFail(t, c.amara, c.consultation.DraftConsultation, other), codes.PermissionDenied, "ACTING_FOR_ANOTHER")

	south := pb.NewConsultationServiceClient(q.conn)
	_, err := south.DraftConsultation(q.calling(t, c.amara, q.south), c.drafting(client))
	wantError(t, "a salon that is not hers", err, codes.NotFound, "NOT_FOUND")
	there := c.drafting(client)
	there.Salon = q.south
	answer, err := south.DraftConsultation(q.calling(t, c.amara, q.south), there)
	if err != nil {
		t.Fatal(err)
	}
	if k := answer.Consultation; k.History != nil || k.Hair != nil {
		t.Errorf("one who is confined to the other salon is told %v", k)
	}
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()})
	wantError(t, "the draft of an erased client", mustFail(t, c.amara, c.consultation.GetConsultation,
		&pb.GetConsultationRequest{Name: answer.Consultation.Name}), codes.NotFound, "NOT_FOUND")
}

// TestADraftKnowsTheHairOfOtherSalons: the record card follows the client, and with it what
// it shows of the hair; not what was answered about health.
func TestADraftKnowsTheHairOfOtherSalons(t *testing.T) {
	t.Parallel()
	q := newTwoSalons(t)
	session := q.carriedOut(t)
	must(t, q.amara, q.outcome.RecordOutcome, completed(session))
	req := q.drafting(parent(session.Name))
	req.Salon = q.south
	answer, err := pb.NewConsultationServiceClient(q.conn).DraftConsultation(q.calling(t, q.amara, q.south), req)
	if err != nil {
		t.Fatal(err)
	}
	k := answer.Consultation
	if k.Hair.GetTexture() == 0 || k.History.GetRelaxer().GetHappened() != yes || fieldOrigin(k, "consultation.hair.texture").GetSession() != session.Name {
		t.Errorf("in the other salon the draft is %v", k)
	}
}

// TestAFormAsksNothingSinceAnotherPersonsVisit: after a visit was moved to the right client,
// the wrong one is asked whether any chemical work was ever done, and nothing is filled in.
func TestAFormAsksNothingSinceAnotherPersonsVisit(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	session := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(session))
	wrong := parent(session.Name)
	seen := func() (work string, filled []string) {
		req := c.drafting(wrong)
		req.Planned = &pb.PlannedService{ServiceKind: pb.ServiceKind_SERVICE_KIND_RETOUCH, Product: session.Product, LotCode: session.LotCode}
		form := must(t, c.amara, c.consultation.DraftConsultation, req).Form
		for _, g := range form.Groups {
			if g.GroupId == "chemical-work" {
				work = g.Text
			}
		}
		for _, q := range form.Questions {
			if q.CarriedFrom != "" {
				filled = append(filled, q.Field)
			}
		}
		return work, filled
	}
	if _, filled := seen(); len(filled) == 0 {
		t.Fatal("before the visit is moved, nothing is filled in")
	}
	must(t, c.imara, c.processing.MoveSession, c.move(session, c.client(t)))
	if work, filled := seen(); !strings.Contains(work, "ever done") || len(filled) > 0 {
		t.Errorf("after it was moved the form asks %q and fills in %v", work, filled)
	}
}
