package integration

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a statement means the text that the server showed, not what a caller
// claims; nobody can choose the item that is asked singly or have it drawn again.

// stated sends statements for a draft.
func (c *chain) stated(t testing.TB, draft string, statements ...*pb.StatementAnswer) *pb.Consultation {
	t.Helper()
	return must(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: draft, Statements: statements, RequestId: newID()}).Consultation
}

func TestStatementIsTheServers(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.emptyDraft(t)
	seen := &pb.StatementAnswer{StatementId: "scalp-seen", Version: 1, SecondsTaken: new(int32(4))}
	forged := proto.CloneOf(seen)
	forged.Text, forged.Language, forged.SingleItem, forged.GiveTime = "none of anything", "fr", "consultation.scalp.none", timestamppb.New(c.clock.Now().Add(-time.Hour))
	forged.Items = []*pb.StatementItem{{Field: "consultation.scalp.broken_skin", Text: "broken skin"}}
	first := c.stated(t, k.Name, forged).Statements[0]
	if len(first.Items) != 7 || first.Items[0].Field == "consultation.scalp.broken_skin" || first.Text == forged.Text ||
		first.SingleItem == forged.SingleItem || first.Language != "en" || !first.GiveTime.AsTime().Equal(c.clock.Now()) {
		t.Errorf("a caller's own text and items were stored: %v", first)
	}

	c.clock.advance(time.Minute)
	if kept := c.stated(t, k.Name, seen).Statements; len(kept) != 1 || !proto.Equal(kept[0], first) {
		t.Errorf("sent again unchanged, %v became %v", first, kept)
	}
	another := must(t, c.amara, c.consultation.CreateConsultation, &pb.CreateConsultationRequest{Parent: parent(k.Name), RequestId: newID(),
		Consultation: &pb.Consultation{Salon: c.salon, Practitioner: c.amara.name, Statements: []*pb.StatementAnswer{seen}}}).Consultation
	if got := another.Statements[0].SingleItem; got != first.SingleItem {
		t.Errorf("a new draft on the same day asks for %s singly, the first for %s", got, first.SingleItem)
	}
	drawn := map[string]bool{}
	for range 12 {
		drawn[c.stated(t, c.emptyDraft(t).Name, seen).Statements[0].SingleItem] = true
	}
	if len(drawn) < 2 {
		t.Errorf("twelve clients were all asked for %v", drawn)
	}

	unknown := &pb.AnswerConsultationRequest{Name: k.Name, RequestId: newID(), Statements: []*pb.StatementAnswer{{StatementId: "scalp-seen", Version: 99}}}
	if err := mustFail(t, c.amara, c.consultation.AnswerConsultation, unknown); violationsOf(err)["statements[0].version"] == "" {
		t.Errorf("a version that no form shows: %v", err)
	}
}

// A what-if takes a statement as the stored consultation does, and the single item stays
// open in both.
func TestStatementDecides(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.draft(t, c.client(t), func(k *pb.Consultation) {
		k.Scalp = &pb.ScalpAnalysis{BrokenSkin: no, Sores: no, Tender: no, Scratched: &pb.PastEvent{Happened: no}}
		k.Statements = []*pb.StatementAnswer{{StatementId: "scalp-seen", Version: 1}}
	})
	single := k.Statements[0].SingleItem
	stored := c.question(k.Name)
	whatIf := again(stored)
	whatIf.Subject = &pb.CheckEligibilityRequest_Inline{Inline: k}
	for _, req := range []*pb.CheckEligibilityRequest{stored, whatIf} {
		d := must(t, c.amara, c.eligibility.CheckEligibility, req).Decision
		if len(d.OpenQuestions) != 1 || d.OpenQuestions[0].Field != single || d.OpenQuestions[0].Kind != pb.QuestionKind_QUESTION_KIND_ANSWER || len(d.OpenQuestions[0].Choices) != 3 {
			t.Errorf("beside the statement the decision asks for %v, want %s", d.OpenQuestions, single)
		}
	}
	c.answer(t, k.Name, yesOrNo(single, no, bySeeing))
	d := must(t, c.amara, c.eligibility.CheckEligibility, again(stored)).Decision
	wantVerdict(t, d, pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	replayed := must(t, c.imara, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name})
	if !replayed.Identical {
		t.Errorf("a decision on a statement replays otherwise: %v", replayed.Differences)
	}
}

// A statement never says "never" of something that somebody gave a date of, and nobody
// takes a statement away without having read it.
func TestStatementBesideADate(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.draft(t, c.client(t), func(k *pb.Consultation) {
		k.History.Isotretinoin = &pb.PastEvent{LastDate: &date.Date{Year: 2026, Month: 10}}
		k.History.CancerTreatment = &pb.PastEvent{LastTime: timestamppb.New(c.clock.Now().Add(-time.Hour))}
	})
	k = c.stated(t, k.Name, &pb.StatementAnswer{StatementId: "health", Version: 1, ClientConfirmation: pb.ClientConfirmation_CLIENT_CONFIRMATION_ON_PAPER})
	d := must(t, c.amara, c.eligibility.CheckEligibility, c.question(k.Name)).Decision
	for _, field := range []string{"consultation.history.isotretinoin.happened", "consultation.history.cancer_treatment.happened"} {
		if !slices.ContainsFunc(d.OpenQuestions, func(q *pb.OpenQuestion) bool { return q.Field == field }) {
			t.Errorf("%s has a date and is not asked about: %v", field, d.OpenQuestions)
		}
	}

	wiped := &pb.UpdateConsultationRequest{UpdateMask: updateMask("statements"), RequestId: newID(), Consultation: &pb.Consultation{Name: k.Name}}
	err := mustFail(t, c.amara, c.consultation.UpdateConsultation, wiped)
	if !strings.Contains(violationsOf(err)["consultation.etag"], "consultation.statements[health]") {
		t.Errorf("a statement taken away without an etag: %v", err)
	}
	wiped = again(wiped)
	wiped.Consultation.Etag = k.Etag
	if left := must(t, c.amara, c.consultation.UpdateConsultation, wiped).Consultation.Statements; len(left) > 0 {
		t.Errorf("a caller who read it may take it away: %v", left)
	}
}
