package integration

import (
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
)

// The promise: an answer changes itself and nothing beside it, it says where it comes
// from, and what cannot be an answer is refused with the field and what would be right.

const (
	byAsking = pb.AnswerOrigin_ANSWER_ORIGIN_ASKED
	bySeeing = pb.AnswerOrigin_ANSWER_ORIGIN_SEEN
)

// yesOrNo is a yes, a no or a not sure.
func yesOrNo(field string, a pb.Answer, origin pb.AnswerOrigin) *pb.FieldAnswer {
	return &pb.FieldAnswer{Field: field, Value: &pb.FieldAnswer_Answer{Answer: a}, Origin: origin}
}

// emptyDraft is a draft in which nothing is answered.
func (c *chain) emptyDraft(t testing.TB) *pb.Consultation {
	t.Helper()
	client := must(t, c.till, c.consultation.CreateClient, &pb.CreateClientRequest{Parent: c.name, Client: &pb.Client{DisplayName: "Invented"}, RequestId: newID()}).Client
	return must(t, c.amara, c.consultation.CreateConsultation, &pb.CreateConsultationRequest{Parent: client.Name, RequestId: newID(),
		Consultation: &pb.Consultation{Salon: c.salon, Practitioner: c.amara.name}}).Consultation
}

// answer gives answers and returns the consultation afterwards.
func (c *chain) answer(t testing.TB, name string, answers ...*pb.FieldAnswer) *pb.Consultation {
	t.Helper()
	return must(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: name, Answers: answers, RequestId: newID()}).Consultation
}

// origin is the stored origin of an answer; unspecified: there is none.
func originOf(k *pb.Consultation, field string) pb.AnswerOrigin {
	for _, o := range k.Origins {
		if o.Field == field {
			return o.Origin
		}
	}
	return pb.AnswerOrigin_ANSWER_ORIGIN_UNSPECIFIED
}

// TestAnAnswerKeepsItsNeighbours: a till that sends the redness must not erase the broken
// skin that another saw.
func TestAnAnswerKeepsItsNeighbours(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.emptyDraft(t)
	c.answer(t, k.Name, yesOrNo("consultation.scalp.broken_skin", yes, bySeeing))
	k = c.answer(t, k.Name, yesOrNo("consultation.scalp.redness", no, bySeeing))
	if k.Scalp.BrokenSkin != yes || k.Scalp.Redness != no {
		t.Fatalf("the scalp is %v", k.Scalp)
	}

	onlyRedness := &pb.UpdateConsultationRequest{UpdateMask: updateMask("scalp"), RequestId: newID(),
		Consultation: &pb.Consultation{Name: k.Name, Scalp: &pb.ScalpAnalysis{Redness: no}}}
	err := mustFail(t, c.amara, c.consultation.UpdateConsultation, onlyRedness)
	if !strings.Contains(violationsOf(err)["consultation.etag"], "consultation.scalp.broken_skin") {
		t.Errorf("a mask that takes an answer away, without an etag: %v", err)
	}
	kept := must(t, c.amara, c.consultation.GetConsultation, &pb.GetConsultationRequest{Name: k.Name}).Consultation
	if !proto.Equal(kept, k) {
		t.Errorf("the refused call changed %v into %v", k, kept)
	}
	more := again(onlyRedness)
	more.Consultation.Scalp = &pb.ScalpAnalysis{Redness: yes, BrokenSkin: yes, Tender: no}
	if k = must(t, c.amara, c.consultation.UpdateConsultation, more).Consultation; k.Scalp.Tender != no {
		t.Errorf("a mask that takes nothing away needs no etag: %v", k.Scalp)
	}
	wiped := again(onlyRedness)
	wiped.Consultation.Etag = k.Etag
	if k = must(t, c.amara, c.consultation.UpdateConsultation, wiped).Consultation; k.Scalp.BrokenSkin != 0 {
		t.Errorf("a caller who read the answers may remove them: %v", k.Scalp)
	}
}

// TestEveryAnswerCanBeGivenByItsPath fills an empty draft with all answers of a full
// consultation, one by one, and gets the same consultation.
func TestEveryAnswerCanBeGivenByItsPath(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	full := c.consultationAnswers(func(k *pb.Consultation) {
		k.Hair.Zones[1].Hydroxide = &pb.PastEvent{Happened: yes, LastDate: &date.Date{Year: 2026, Month: 3}}
		k.Hair.Zones[1].HydroxideKind = pb.HydroxideKind_HYDROXIDE_KIND_SODIUM
		k.Consent.GuardianAgreed = yes
		k.Scalp.SeenTime = timestamppb.New(c.clock.Now())
		k.Tests.IncompatibilityTime, k.Tests.StrandTime = k.Tests.TestTime, k.Tests.TestTime
		k.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_SCALP, Reference: "N 1"}, {Cause: pb.ClearanceCause_CLEARANCE_CAUSE_ALLERGY}}
	})
	in := &pb.DecisionInputs{Consultation: full}
	var answers []*pb.FieldAnswer
	for _, p := range fieldpath.Answered(in) {
		value, _ := p.Get(in)
		answers = append(answers, answersOf(p, value)...)
	}
	if len(answers) < 100 {
		t.Fatalf("only %d answers", len(answers))
	}
	got := c.answer(t, c.emptyDraft(t).Name, answers...)
	if len(got.Origins) < 100 || originOf(got, "consultation.hair.zones[mid-strand].hydroxide.last_date") != byAsking {
		t.Errorf("the origins are %v", got.Origins)
	}
	got.Name, got.Etag, got.CreateTime, got.UpdateTime, got.State, got.Origins = "", "", nil, nil, 0, nil
	if !proto.Equal(got, full) {
		t.Errorf("want %v\n got %v", full, got)
	}
}

// answersOf are the answers that give a value; an element is there by its fields.
func answersOf(p fieldpath.Path, value protoreflect.Value) []*pb.FieldAnswer {
	a := &pb.FieldAnswer{Field: p.String(), Origin: byAsking}
	switch p.Describe().Kind {
	case fieldpath.KindElement:
		return nil
	case fieldpath.KindAnswer:
		a.Value = &pb.FieldAnswer_Answer{Answer: pb.Answer(value.Enum())}
	case fieldpath.KindChoice:
		a.Value = &pb.FieldAnswer_Choice{Choice: string(p.Field().Enum().Values().ByNumber(value.Enum()).Name())}
	case fieldpath.KindText:
		a.Value = &pb.FieldAnswer_Text{Text: value.String()}
	case fieldpath.KindTime:
		a.Value = &pb.FieldAnswer_Time{Time: value.Message().Interface().(*timestamppb.Timestamp)}
	case fieldpath.KindDate:
		a.Value = &pb.FieldAnswer_Date{Date: value.Message().Interface().(*date.Date)}
	case fieldpath.KindNumber:
		n, whole := value.Interface().(int32)
		if a.Value = (&pb.FieldAnswer_Number{Number: float64(n)}); !whole {
			a.Value = &pb.FieldAnswer_Number{Number: value.Float()}
		}
	case fieldpath.KindDoctorsWords:
		var words []*pb.FieldAnswer
		for i := range value.List().Len() {
			words = append(words, &pb.FieldAnswer{Field: p.String(), Origin: byAsking,
				Value: &pb.FieldAnswer_DoctorsWord{DoctorsWord: value.List().Get(i).Message().Interface().(*pb.DoctorsWord)}})
		}
		return words
	}
	return []*pb.FieldAnswer{a}
}

// TestAnswersThatCannotBe: each is named with what would be right, and nothing is changed,
// not even by the good answers of the same call.
func TestAnswersThatCannotBe(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.emptyDraft(t)
	number := func(n float64) *pb.FieldAnswer { return &pb.FieldAnswer{Value: &pb.FieldAnswer_Number{Number: n}} }
	choice := func(v string) *pb.FieldAnswer { return &pb.FieldAnswer{Value: &pb.FieldAnswer_Choice{Choice: v}} }
	at := func(t time.Time) *pb.FieldAnswer {
		return &pb.FieldAnswer{Value: &pb.FieldAnswer_Time{Time: timestamppb.New(t)}}
	}
	no := yesOrNo("", no, bySeeing)
	for _, test := range []struct {
		path        string
		value       *pb.FieldAnswer
		named, want string
	}{
		{"consultation.scalp.dandruff", no, "answers[1].field", "must have one of broken_skin"},
		{"scalp.redness", no, "answers[1].field", "must have one of consultation"},
		{"consultation.scalp", no, "answers[1].field", "such as consultation.scalp.broken_skin"},
		{"service_kind", choice("SERVICE_KIND_RETOUCH"), "answers[1].field", "given with CheckEligibility"},
		{"consultation.salon", no, "answers[1].field", "must have one of wishes"},
		{"consultation.hair.zones[tips].condition", choice("HAIR_CONDITION_SOUND"), "answers[1].field", "new-growth, mid-strand, ends"},
		{"consultation.hair.sections[nape]", no, "answers[1]", "answer one of its fields"},
		{"consultation.hair.texture", no, "answers[1]", "must be given as a choice, for consultation.hair.texture"},
		{"consultation.hair.texture", choice("TEXTURE_SILKY"), "answers[1]", "TEXTURE_FINE, TEXTURE_MEDIUM, TEXTURE_COARSE"},
		{"consultation.hair.new_growth_mm", no, "answers[1]", "must be given as a number"},
		{"consultation.hair.new_growth_mm", number(501), "answers[1]", "from 0 to 500 (mm)"},
		{"consultation.hair.new_growth_mm", number(math.NaN()), "answers[1].number", "must be finite"},
		{"consultation.consent.age_years", number(33.5), "answers[1]", "a whole number from 0 to 120 (years)"},
		{"consultation.consent.age_years", number(1e18), "answers[1]", "a whole number from 0 to 120 (years)"},
		{"consultation.tests.strand_product", &pb.FieldAnswer{Value: &pb.FieldAnswer_Text{Text: "lye"}}, "answers[1]", "the name of a product"},
		{"consultation.scalp.redness", no, "answers[1].field", "beside consultation.scalp.redness"},
		{"consultation.history.relaxer.last_time", at(c.clock.Now().Add(time.Hour)), "consultation.history.relaxer.last_time", "must not lie in the future"},
	} {
		bad := proto.CloneOf(test.value)
		bad.Field, bad.Origin = test.path, byAsking
		err := mustFail(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: k.Name, RequestId: newID(),
			Answers: []*pb.FieldAnswer{yesOrNo("consultation.scalp.redness", yes, bySeeing), bad}})
		if !strings.Contains(violationsOf(err)[test.named], test.want) {
			t.Errorf("%s: %v, want %s: %s", test.path, err, test.named, test.want)
		}
	}
	for _, origin := range []pb.AnswerOrigin{0, pb.AnswerOrigin_ANSWER_ORIGIN_CARRIED, pb.AnswerOrigin_ANSWER_ORIGIN_STATED} {
		err := mustFail(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: k.Name, RequestId: newID(),
			Answers: []*pb.FieldAnswer{yesOrNo("consultation.scalp.redness", yes, origin)}})
		if !strings.Contains(violationsOf(err)["answers[0].origin"], "ANSWER_ORIGIN_ASKED, ANSWER_ORIGIN_SEEN") {
			t.Errorf("origin %s: %v", origin, err)
		}
	}
	err := mustFail(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: k.Name, RequestId: newID()})
	if violationsOf(err)["answers"] == "" {
		t.Errorf("no answers: %v", err)
	}
	stays := must(t, c.amara, c.consultation.GetConsultation, &pb.GetConsultationRequest{Name: k.Name}).Consultation
	if !proto.Equal(stays, k) {
		t.Errorf("refused answers changed %v into %v", k, stays)
	}
	wantError(t, "a stale etag", mustFail(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: k.Name, Etag: "other",
		Answers: []*pb.FieldAnswer{yesOrNo("consultation.scalp.redness", yes, bySeeing)}, RequestId: newID()}), codes.Aborted, "ETAG_MISMATCH")
	must(t, c.amara, c.consultation.SubmitConsultation, &pb.SubmitConsultationRequest{Name: k.Name, RequestId: newID()})
	wantError(t, "after submission", mustFail(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: k.Name,
		Answers: []*pb.FieldAnswer{yesOrNo("consultation.scalp.redness", yes, bySeeing)}, RequestId: newID()}), codes.FailedPrecondition, "CONSULTATION_SUBMITTED")
}

// TestAnswersThatReplaceOthers: last_time and last_date are two ways to say one thing,
// and an event that did not happen has no date and no alkali.
func TestAnswersThatReplaceOthers(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.emptyDraft(t)
	const relaxer, ends = "consultation.history.relaxer", "consultation.hair.zones[ends]"
	day := &pb.FieldAnswer{Field: relaxer + ".last_date", Value: &pb.FieldAnswer_Date{Date: &date.Date{Year: 2026, Month: 3}}, Origin: byAsking}
	k = c.answer(t, k.Name, yesOrNo(relaxer+".happened", yes, byAsking),
		&pb.FieldAnswer{Field: relaxer + ".last_time", Value: &pb.FieldAnswer_Time{Time: timestamppb.New(c.clock.Now().AddDate(0, -2, 0))}, Origin: byAsking},
		yesOrNo(ends+".hydroxide.happened", yes, byAsking),
		&pb.FieldAnswer{Field: ends + ".hydroxide_kind", Value: &pb.FieldAnswer_Choice{Choice: "HYDROXIDE_KIND_SODIUM"}, Origin: byAsking})
	if k = c.answer(t, k.Name, day); k.History.Relaxer.LastTime != nil || k.History.Relaxer.LastDate.GetMonth() != 3 {
		t.Errorf("the date did not replace the time: %v", k.History.Relaxer)
	}
	never := &pb.FieldAnswer{Field: ends + ".hydroxide", Value: &pb.FieldAnswer_Event{Event: &pb.PastEvent{Happened: no}}, Origin: byAsking}
	if k = c.answer(t, k.Name, yesOrNo(relaxer+".happened", no, byAsking), never); k.History.Relaxer.LastDate != nil || k.Hair.Zones[0].HydroxideKind != 0 {
		t.Errorf("what never was has a date or an alkali: %v, %v", k.History.Relaxer, k.Hair.Zones[0])
	}
	if originOf(k, relaxer+".last_date") != 0 || originOf(k, ends+".hydroxide.happened") != byAsking {
		t.Errorf("the origins are %v", k.Origins)
	}
	err := mustFail(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: k.Name, RequestId: newID(),
		Answers: []*pb.FieldAnswer{yesOrNo(relaxer+".happened", no, byAsking), day}})
	if violationsOf(err)[relaxer+".last_date"] == "" {
		t.Errorf("never, and when, in one call: %v", err)
	}
}

// TestAnAnswerAboutASectionKeepsTheHead: a head without a list has the usual sections, and
// has them still when one of them is described. The decision plans all of them.
func TestAnAnswerAboutASectionKeepsTheHead(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.answer(t, c.emptyDraft(t).Name, yesOrNo("consultation.hair.sections[back-left].resistant", yes, byAsking))
	if len(k.Hair.Sections) != 5 || k.Hair.Sections[0].Resistant != yes || k.Hair.Sections[4].Hairline != yes {
		t.Errorf("the sections are %v", k.Hair.Sections)
	}
	k = c.answer(t, k.Name, yesOrNo("consultation.hair.sections[nape].fragile", yes, bySeeing))
	if len(k.Hair.Sections) != 6 {
		t.Errorf("with the nape: %v", k.Hair.Sections)
	}
	k = must(t, c.amara, c.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: k.Name, RequestId: newID(),
		ClearFields: []string{"consultation.hair.sections[nape]", "consultation.hair.sections[back-left].resistant"}}).Consultation
	if len(k.Hair.Sections) != 5 || k.Hair.Sections[0].Resistant != 0 || len(k.Origins) != 0 {
		t.Errorf("without them: %v, %v", k.Hair.Sections, k.Origins)
	}
	own := c.answer(t, c.emptyDraft(t).Name, yesOrNo("consultation.hair.sections[left-half].hairline", no, bySeeing))
	if len(own.Hair.Sections) != 1 {
		t.Errorf("a salon's own sections: %v", own.Hair.Sections)
	}
}

// TestAnswersOfTwoPeopleAtOnce: nobody's answer is lost.
func TestAnswersOfTwoPeopleAtOnce(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.emptyDraft(t)
	fields := []string{"broken_skin", "sores", "infection_signs", "burns", "redness", "tender", "swelling", "flaking"}
	var all sync.WaitGroup
	for _, field := range fields {
		all.Go(func() {
			req := &pb.AnswerConsultationRequest{Name: k.Name, Answers: []*pb.FieldAnswer{yesOrNo("consultation.scalp."+field, yes, bySeeing)}, RequestId: newID()}
			for range 2 { // and again, as a till does that heard nothing
				if _, err := c.consultation.AnswerConsultation(c.amara.calling(t), req); err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	k = must(t, c.amara, c.consultation.GetConsultation, &pb.GetConsultationRequest{Name: k.Name}).Consultation
	for _, field := range fields {
		if originOf(k, "consultation.scalp."+field) != bySeeing {
			t.Errorf("the answer to %s is lost: %v", field, k.Scalp)
		}
	}
}

// TestOriginsOfWholeConsultations: a caller may say where answers come from, but not that
// the server carried them; and an entry goes with the answer it was made for.
func TestOriginsOfWholeConsultations(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	k := c.emptyDraft(t)
	const redness = "consultation.scalp.redness"
	update := func(k *pb.Consultation, mask ...string) *pb.UpdateConsultationRequest {
		return &pb.UpdateConsultationRequest{Consultation: k, UpdateMask: updateMask(mask...), RequestId: newID()}
	}
	with := func(answer pb.Answer, origins ...*pb.FieldOrigin) *pb.Consultation {
		return &pb.Consultation{Name: k.Name, Scalp: &pb.ScalpAnalysis{Redness: answer}, Origins: origins}
	}
	for named, bad := range map[string]*pb.FieldOrigin{
		"consultation.origins[0].origin": {Field: redness, Origin: pb.AnswerOrigin_ANSWER_ORIGIN_CARRIED},
		"consultation.origins[0].field":  {Field: "consultation.scalp.tender", Origin: bySeeing},
		"consultation.origins[0]":        {Field: redness, Origin: bySeeing, Consultation: k.Name},
	} {
		err := mustFail(t, c.amara, c.consultation.UpdateConsultation, update(with(no, bad), "scalp", "origins"))
		if violationsOf(err)[named] == "" {
			t.Errorf("%v: %v", bad, err)
		}
	}
	err := mustFail(t, c.amara, c.consultation.UpdateConsultation,
		update(with(no, &pb.FieldOrigin{Field: redness, Origin: bySeeing}, &pb.FieldOrigin{Field: redness, Origin: byAsking}), "scalp", "origins"))
	if !strings.Contains(violationsOf(err)["consultation.origins"], "each field at most once") {
		t.Errorf("two origins of one field: %v", err)
	}
	k = must(t, c.amara, c.consultation.UpdateConsultation, update(with(no, &pb.FieldOrigin{Field: redness, Origin: bySeeing}), "scalp", "origins")).Consultation
	if originOf(k, redness) != bySeeing || k.Origins[0].AnswerTime == nil {
		t.Errorf("the origins are %v", k.Origins)
	}
	same := must(t, c.amara, c.consultation.UpdateConsultation, update(with(no), "scalp")).Consultation
	if originOf(same, redness) != bySeeing {
		t.Errorf("after the same answer: %v", same.Origins)
	}
	changed := must(t, c.amara, c.consultation.UpdateConsultation, update(with(yes), "scalp")).Consultation
	if len(changed.Origins) != 0 {
		t.Errorf("after another answer: %v", changed.Origins)
	}
}
