package integration

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

// TestFiguresShowWhoAsksAgain: decisions on answers that changed after a refusal, and
// what-ifs, count for the practitioner who is to do the service, no matter who asked and on
// whichever server, on the day they were made; a what-if stores no record.
func TestFiguresShowWhoAsksAgain(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	there := *c
	there.testServer = s.startSecondServer(t)
	client := parent(wantVerdict(t, c.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE).Name)
	c.clock.advance(time.Minute)
	asked := c.question(c.submitted(t, client).Name)
	must(t, c.imara, c.eligibility.CheckEligibility, asked) // for amara
	must(t, c.imara, c.eligibility.CheckEligibility, asked) // sent twice

	whatIf := proto.CloneOf(asked)
	whatIf.Subject = &pb.CheckEligibilityRequest_Inline{Inline: c.consultationAnswers(brokenSkin)}
	before := s.tableDigests(t)
	must(t, c.amara, c.eligibility.CheckEligibility, again(whatIf))
	must(t, c.imara, there.eligibility.CheckEligibility, again(whatIf))
	wantSame(t, before, s.tableDigests(t))
	bad := again(whatIf)
	bad.SectionIds = []string{"moon"}
	mustFail(t, c.amara, c.eligibility.CheckEligibility, bad) // no answer, no what-if
	midnight := c.clock.Now().Truncate(24 * time.Hour).Add(24 * time.Hour)
	c.clock.advance(midnight.Sub(c.clock.Now()))
	supervised := again(whatIf)
	supervised.Practitioner = c.imara.name
	must(t, c.imara, c.eligibility.CheckEligibility, supervised)

	figures := func(req *pb.SummarizeEntriesRequest) map[string][2]int64 {
		got := map[string][2]int64{}
		for _, p := range c.counted(t, req).Practitioners {
			got[p.Practitioner] = [2]int64{p.ChangedAnswers, p.WhatIfs}
		}
		return got
	}
	all := &pb.SummarizeEntriesRequest{Parent: c.name}
	eventually(t, "the what-ifs to be written", func() bool { return c.counted(t, all).WhatIfs >= 3 })
	if got := c.counted(t, all).WhatIfs; got != 3 {
		t.Errorf("%d what-ifs in all", got)
	}
	if got := figures(all); len(got) != 2 || got[c.amara.name] != [2]int64{1, 2} || got[c.imara.name] != [2]int64{0, 1} {
		t.Errorf("changed answers and what-ifs: %v", got)
	}
	late := &pb.SummarizeEntriesRequest{Parent: c.name, StartTime: timestamppb.New(midnight)}
	if got := figures(late); len(got) != 1 || got[c.imara.name] != [2]int64{0, 1} {
		t.Errorf("of the second day: %v", got)
	}
}

// TestFiguresShowHowStatementsAreTaken: a statement counts once, when its consultation is
// submitted, with what the answers beside it say and the time that the till measured.
func TestFiguresShowHowStatementsAreTaken(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "statements")
	given := func(seconds *int32, change func(*pb.Consultation, string)) *pb.SubmitConsultationRequest {
		k := c.consultationAnswers(func(k *pb.Consultation) {
			k.Statements = []*pb.StatementAnswer{{StatementId: "scalp-seen", Version: 1, SecondsTaken: seconds}}
			k.Scalp = &pb.ScalpAnalysis{BrokenSkin: no, Sores: no}
		})
		draft := must(t, c.amara, c.consultation.CreateConsultation, &pb.CreateConsultationRequest{Parent: c.client(t), Consultation: k, RequestId: newID()}).Consultation
		item := draft.Statements[0].SingleItem
		change(draft, item)
		must(t, c.amara, c.consultation.UpdateConsultation, &pb.UpdateConsultationRequest{Consultation: draft, UpdateMask: updateMask("scalp"), RequestId: newID()})
		return &pb.SubmitConsultationRequest{Name: draft.Name, RequestId: newID()}
	}
	answer := func(k *pb.Consultation, item string, a pb.Answer) {
		scalp := k.Scalp.ProtoReflect()
		scalp.Set(scalp.Descriptor().Fields().ByName(protoreflect.Name(strings.TrimPrefix(item, "consultation.scalp."))), protoreflect.ValueOfEnum(a.Number()))
	}
	for _, req := range []*pb.SubmitConsultationRequest{
		given(proto.Int32(9), func(*pb.Consultation, string) {}),                                                  // its single item was not answered
		given(proto.Int32(2), func(k *pb.Consultation, item string) { answer(k, item, no) }),                      // agrees
		given(nil, func(k *pb.Consultation, item string) { answer(k, item, yes) }),                                // differs
		given(nil, func(k *pb.Consultation, item string) { answer(k, otherItem(item), pb.Answer_ANSWER_UNSURE) }), // another item differs
	} {
		must(t, c.amara, c.consultation.SubmitConsultation, req)
		must(t, c.amara, c.consultation.SubmitConsultation, req) // sent twice
	}
	all := &pb.SummarizeEntriesRequest{Parent: c.name}
	var got *pb.PractitionerFigures
	eventually(t, "the statements to be counted", func() bool {
		for _, p := range c.counted(t, all).Practitioners {
			if p.Practitioner == c.amara.name {
				got = p
			}
		}
		return got.GetStatements() >= 4
	})
	want := [6]int64{4, 2, 2, 11, 2, 1}
	if have := [6]int64{got.Statements, got.StatementsAllNone, got.StatementsTimed, got.StatementSeconds, got.SingleItems, got.SingleItemsDiffering}; have != want {
		t.Errorf("statements, none, timed, seconds, single, differing: %v, want %v", have, want)
	}
}

// otherItem is an item of the statement about the scalp that is not that one.
func otherItem(item string) string {
	if item == "consultation.scalp.redness" {
		return "consultation.scalp.swelling"
	}
	return "consultation.scalp.redness"
}
