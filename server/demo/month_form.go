package demo

import (
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// intake takes the consultation and decides. The till begins with what the server takes
// over from the record, and sends single answers. A danger changes the answers of the
// first round only: what the server then asks for is answered truthfully, because a
// question of its own is harder to pass over than a line of a form.
func (v *visit) intake() {
	said, known := v.whatIsSaid()
	v.planted = v.danger != nil && v.danger.slip == noSlip
	card := call(v.run, v.by.person, v.consultation.DraftConsultation, &pb.DraftConsultationRequest{
		Parent: v.client, Salon: v.by.salon.name, Practitioner: v.by.name, ServiceKind: v.kind.service(), RequestId: newID(),
	}).GetConsultation()
	v.pause(2)
	card = v.answer(card, answersTo(said, card))
	v.decide(card)
	if v.decision.GetVerdict() == pb.Verdict_VERDICT_ASK {
		v.pause(1)
		card = v.answer(card, v.answersAsked(known))
	}
	v.submit(card, v.by.person)
	v.decide(card)
}

// whatIsSaid returns what is answered at first, and what the practitioner knows
// when asked again. They differ by a danger, or by an answer that was forgotten.
func (v *visit) whatIsSaid() (said, known *pb.Consultation) {
	consultation := func() *pb.Consultation {
		return v.truth.consultationOf(v.kind.service(), v.product, v.by.salon.name, v.by.person, v.clock.Now())
	}
	said, known = consultation(), consultation()
	switch {
	case v.finding != nil:
		v.finding(v, said)
		v.finding(v, known)
	case v.danger != nil && v.danger.answer != nil:
		v.danger.answer(v, said)
	case v.how == careful && v.random.Float64() < skippedShare:
		said.History.Keloids = pb.Answer_ANSWER_UNSPECIFIED
	}
	return said, known
}

// answer sends answers and counts them. The answers of one screen go in one call:
// each of them changes its own field only.
func (v *visit) answer(card *pb.Consultation, answers []*pb.FieldAnswer) *pb.Consultation {
	if len(answers) == 0 {
		return card
	}
	for _, a := range answers {
		v.answers += toInt(!filledIn[lastName(a.GetField())])
	}
	return call(v.run, v.by.person, v.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{
		Name: card.GetName(), Etag: card.GetEtag(), Answers: answers, RequestId: newID(),
	}).GetConsultation()
}

// filledIn are the fields that a till fills in by itself: times, the tester, and the
// product of a strand test, which is the one that was scanned.
var filledIn = map[string]bool{
	"agree_time": true, "seen_time": true, "test_time": true, "strand_time": true, "incompatibility_time": true,
	"tester": true, "strand_product": true,
}

// lastName is the name of a path's field. Zones are named before it, in brackets.
func lastName(path string) string { return path[strings.LastIndex(path, ".")+1:] }

// answersTo lists what is said and not on the card yet. A past event is one answer.
// Times of an event belong to the event, and the service is the draft's already.
func answersTo(said, card *pb.Consultation) []*pb.FieldAnswer {
	whole, have := &pb.DecisionInputs{Consultation: said}, &pb.DecisionInputs{Consultation: card}
	var answers []*pb.FieldAnswer
	for _, path := range fieldpath.Answered(whole) {
		name := strings.TrimSuffix(path.String(), ".happened")
		switch lastName(path.String()) {
		case "last_time", "last_date": // part of the event
			continue
		case "service_kind": // the draft was made for it
			continue
		}
		if !path.InConsultation() || path.IsElement() || sameAnswer(name, whole, have) {
			continue
		}
		answers = append(answers, answerAt(name, whole))
	}
	return answers
}

// answersAsked answers the open questions of the decision from what is known. A
// question about a part of an event is answered with the whole event.
func (v *visit) answersAsked(known *pb.Consultation) []*pb.FieldAnswer {
	whole := &pb.DecisionInputs{Consultation: known}
	var answers []*pb.FieldAnswer
	for _, q := range v.decision.GetOpenQuestions() {
		for _, part := range []string{".happened", ".last_time", ".last_date"} {
			q.Field = strings.TrimSuffix(q.Field, part)
		}
		if a := answerAt(q.GetField(), whole); a != nil {
			answers = append(answers, a)
		}
	}
	return answers
}

// sameAnswer reports whether both have the same answer. Two times of an event on the same
// day are the same answer: that is as well as a client remembers.
func sameAnswer(name string, a, b *pb.DecisionInputs) bool {
	path, err := fieldpath.Parse(name)
	if err != nil {
		return false
	}
	x, okX := path.Get(a)
	y, okY := path.Get(b)
	if !okX || !okY {
		return okX == okY
	}
	if path.Describe().Kind != fieldpath.KindEvent {
		return x.Equal(y)
	}
	first, second := x.Message().Interface().(*pb.PastEvent), y.Message().Interface().(*pb.PastEvent)
	apart := eventTime(first).Sub(eventTime(second)).Abs()
	return first.GetHappened() == second.GetHappened() && apart < 24*time.Hour
}

// eventTime is when an event happened, to the day; zero when that is not known.
// Midday stands for a day, so that two days never look like one.
func eventTime(e *pb.PastEvent) time.Time {
	if d := e.GetLastDate(); d != nil {
		return time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 12, 0, 0, 0, time.UTC)
	}
	if e.GetLastTime() == nil {
		return time.Time{}
	}
	return e.GetLastTime().AsTime()
}

// answerAt is the answer at a path, in the form that the field takes; nil when
// there is none. The kind of the field decides which of the values is sent.
func answerAt(name string, in *pb.DecisionInputs) *pb.FieldAnswer {
	path, err := fieldpath.Parse(name)
	if err != nil {
		return nil
	}
	value, ok := path.Get(in)
	if !ok {
		return nil
	}
	answer := &pb.FieldAnswer{Field: name, Origin: originOf(name)}
	switch path.Describe().Kind {
	case fieldpath.KindAnswer:
		answer.Value = &pb.FieldAnswer_Answer{Answer: pb.Answer(value.Enum())}
	case fieldpath.KindChoice:
		answer.Value = &pb.FieldAnswer_Choice{Choice: string(path.Field().Enum().Values().ByNumber(value.Enum()).Name())}
	case fieldpath.KindNumber:
		answer.Value = &pb.FieldAnswer_Number{Number: numberOf(value)}
	case fieldpath.KindText:
		answer.Value = &pb.FieldAnswer_Text{Text: value.String()}
	case fieldpath.KindTime:
		answer.Value = &pb.FieldAnswer_Time{Time: value.Message().Interface().(*timestamppb.Timestamp)}
	case fieldpath.KindEvent:
		answer.Value = &pb.FieldAnswer_Event{Event: value.Message().Interface().(*pb.PastEvent)}
	default:
		return nil
	}
	return answer
}

// numberOf is a whole or a broken number. An answer carries both as a number.
func numberOf(value protoreflect.Value) float64 {
	if n, ok := value.Interface().(int32); ok {
		return float64(n)
	}
	return value.Float()
}

// originOf says where an answer comes from: scalp, hair and tests are seen, the
// rest is asked. It is stored with the answer, and shows later how much it is
// worth.
func originOf(name string) pb.AnswerOrigin {
	for _, seen := range []string{"consultation.scalp", "consultation.hair", "consultation.tests"} {
		if strings.HasPrefix(name, seen) {
			return pb.AnswerOrigin_ANSWER_ORIGIN_SEEN
		}
	}
	return pb.AnswerOrigin_ANSWER_ORIGIN_ASKED
}
