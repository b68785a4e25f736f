package demo

import (
	"slices"
	"strconv"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// mostScreens is how often a till asks again before it gives up. Our own choice: the first
// screen has nearly everything, and the second what follows from an answer.
const mostScreens = 5

// intake takes the consultation by the forms of the server, and decides. The till begins
// with what the server takes over from the record, and knows no question by itself. A
// danger changes the answers of the first screen only: what the server then still asks
// for is answered truthfully, because a question of its own is harder to pass over than
// a line of a form.
func (v *visit) intake() {
	said, known := v.whatIsSaid()
	v.planted = v.danger != nil && v.danger.slip == noSlip
	planned := &pb.PlannedService{ServiceKind: v.kind.service(), Product: v.product, LotCode: v.lot}
	drafted := call(v.run, v.by.person, v.consultation.DraftConsultation, &pb.DraftConsultationRequest{
		Parent: v.client, Salon: v.by.salon.name, Practitioner: v.by.name, ServiceKind: v.kind.service(), Planned: planned, RequestId: newID(),
	})
	card, form := drafted.GetConsultation(), drafted.GetForm()
	v.pause(2)
	for screen := 0; screen < mostScreens && (screen == 0 || len(form.GetQuestions()) > 0) && !v.failed(); screen++ {
		filled := newScreen(v, said, form)
		if screen == 0 {
			filled.correct(form, card)
		} else {
			v.askedAgain(form)
			v.pause(0.5)
		}
		if len(filled.answers)+len(filled.statements) == 0 {
			break // nobody knows more
		}
		answered := call(v.run, v.by.person, v.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{
			Name: card.GetName(), Answers: filled.answers, Statements: filled.statements, Planned: planned, RequestId: newID(),
		})
		card, form, said = answered.GetConsultation(), answered.GetForm(), known
	}
	v.submit(card, v.by.person)
	v.decide(card)
}

// askedAgain notes what is still asked after the first screen. A question that
// follows from an answer is no second question. These are what a salon feels as
// being asked twice.
func (v *visit) askedAgain(form *pb.Form) {
	for _, q := range form.GetQuestions() {
		if q.GetAskedAfter() == "" {
			v.sign("question", q.GetField())
			v.asked++
		}
	}
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

// How a screen is filled in
//
// A form lists questions and groups. A group is a statement ("none of these"), or questions
// that often have the same answer. What a till can do with them, in taps:
//
//   - a statement is confirmed with one tap, and an item that does apply is answered by
//     itself beside it;
//   - a group with the same answer for all of its questions takes one tap, although each
//     question gets its own answer;
//   - a question that shows its usual answer, or the time of the tap before it, takes none
//     when that is right;
//   - every other question takes one.
//
// A question that follows from an answer is asked only when that answer was given.

// screen is a form that is filled in: one tap for each statement, one for each group whose
// questions have the same answer, and one for each other question.
type screen struct {
	*visit
	// What is said, by the paths of its fields.
	said       *pb.DecisionInputs
	groups     map[string]*pb.QuestionGroup
	answers    []*pb.FieldAnswer
	statements []*pb.StatementAnswer
	// Statements that are not given, because somebody passed over one of their items.
	withheld map[string]bool
	// Groups that were answered with one tap.
	tapped map[string]bool
	// The choices so far, on which other questions depend.
	given map[string]string
}

// newScreen fills in a form from what is said. It goes through the form in the
// order of asking, because a question can depend on the answer to an earlier one. A
// careless practitioner who passes over an item does not get the statement
// confirmed either: its items are then asked by themselves.
func newScreen(v *visit, said *pb.Consultation, form *pb.Form) *screen {
	s := &screen{visit: v, said: &pb.DecisionInputs{Consultation: said}, groups: map[string]*pb.QuestionGroup{},
		withheld: map[string]bool{}, tapped: map[string]bool{}, given: map[string]string{}}
	for _, q := range form.GetQuestions() {
		if v.how == careless && q.GetGroup() != "" && s.choice(q.GetField()) == "" {
			s.withheld[q.GetGroup()] = true
		}
	}
	for _, g := range form.GetGroups() {
		s.groups[g.GetGroupId()] = g
		if g.GetKind() == pb.GroupKind_GROUP_KIND_STATEMENT && !s.withheld[g.GetGroupId()] {
			s.state(g)
		}
	}
	for _, q := range form.GetQuestions() {
		s.fill(q)
	}
	return s
}

// state confirms a statement, which the client does too when it is the client's.
// The text, its items and the single item are stored by the server as they were
// shown.
func (s *screen) state(g *pb.QuestionGroup) {
	confirmed := &pb.StatementAnswer{StatementId: g.GetGroupId(), Version: g.GetVersion()}
	if g.GetOfClient() {
		confirmed.ClientConfirmation = pb.ClientConfirmation_CLIENT_CONFIRMATION_ON_SCREEN
	}
	s.statements = append(s.statements, confirmed)
	s.visit.answers++
}

// fill answers one question. What a statement says is not answered again, and what
// the till has filled in already costs no tap. A single item has no group and is
// answered like any other question.
func (s *screen) fill(q *pb.OpenQuestion) {
	g, value := s.groups[q.GetGroup()], s.choice(q.GetField())
	stated := g.GetKind() == pb.GroupKind_GROUP_KIND_STATEMENT && !s.withheld[q.GetGroup()]
	if stated && (value == "ANSWER_NO" || value == "") || q.GetAskedAfter() != "" && !slices.Contains(q.GetAskedAfterValues(), s.given[q.GetAskedAfter()]) {
		return
	}
	answer := answerAt(q.GetField(), s.said)
	if answer == nil && q.GetUsuallyNow() {
		answer = &pb.FieldAnswer{Field: q.GetField(), Origin: originOf(q.GetField()), Value: &pb.FieldAnswer_Time{Time: s.now()}}
	}
	if answer == nil {
		return // passed over
	}
	shared := g.GetKind() == pb.GroupKind_GROUP_KIND_TOGETHER && slices.ContainsFunc(g.GetSharedChoices(), func(c *pb.QuestionChoice) bool {
		return endOfValue(c.GetValue()) == endOfValue(value)
	})
	filledIn := q.GetUsuallyNow() || q.GetUsualValue() != "" && q.GetUsualValue() == value || shared && s.tapped[q.GetGroup()]
	s.visit.answers += toInt(!filledIn)
	s.tapped[q.GetGroup()] = s.tapped[q.GetGroup()] || shared
	s.given[q.GetField()] = value
	s.answers = append(s.answers, answer)
}

// correct answers what was taken over from the record and is said to be otherwise.
// Only Form.carried is looked at: what was not taken over is asked for anyway.
func (s *screen) correct(form *pb.Form, card *pb.Consultation) {
	have := &pb.DecisionInputs{Consultation: card}
	for _, c := range form.GetCarried() {
		answer := answerAt(c.GetField(), s.said)
		if answer != nil && !sameAnswer(c.GetField(), s.said, have) {
			s.answers = append(s.answers, answer)
			s.visit.answers++
		}
	}
}

// choice is what is said of a field, as the contract writes it; "" when nothing is,
// or when the field takes no choice. A number is written as the form writes it. It
// is compared with the values that a form lists.
func (s *screen) choice(field string) string {
	path, err := fieldpath.Parse(field)
	if err != nil {
		return ""
	}
	value, ok := path.Get(s.said)
	if !ok {
		return ""
	}
	switch path.Describe().Kind {
	case fieldpath.KindAnswer, fieldpath.KindChoice:
		return string(path.Field().Enum().Values().ByNumber(value.Enum()).Name())
	case fieldpath.KindEvent:
		return value.Message().Interface().(*pb.PastEvent).GetHappened().String()
	case fieldpath.KindNumber:
		return strconv.FormatFloat(numberOf(value), 'g', -1, 64)
	}
	return ""
}

// endOfValue is a value without the beginning that its enum's values share: a group may hold
// fields of several enums with the same words.
func endOfValue(value string) string {
	for _, end := range []string{"_NOT_DONE", "_NO", "_YES", "_SOUND", "_NORMAL"} {
		if strings.HasSuffix(value, end) {
			return end
		}
	}
	return value
}

// sameAnswer reports whether both have the same answer. Two times of an event on
// the same day are the same answer: that is as well as a client remembers. A
// missing answer is the same as a missing answer, and as nothing else.
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
