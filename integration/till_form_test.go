package integration

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a salon that draws its screen from forms has a verdict after a few taps. A
// returning client's ordinary retouch takes at most 20 answers and 3 calls, a first visit
// at most 35 answers. Nothing here knows a question: the till knows what forms say, and
// what it would see and hear of an invented client.

// head is what can be seen and heard of an invented client, by the end of a field's name.
// What is not in it is "no".
type head map[string]string

// ordinaryHead is a client with whom nothing is wrong.
func ordinaryHead(c *chain) head {
	return head{
		"texture": "TEXTURE_MEDIUM", "density": "DENSITY_MEDIUM", "curl_type": "CURL_TYPE_VI",
		"condition": "HAIR_CONDITION_SOUND", "porosity": "POROSITY_NORMAL",
		"elasticity": "ELASTICITY_READING_NORMAL", "incompatibility": "INCOMPATIBILITY_READING_NOT_DONE", "strand": "STRAND_READING_SOUND",
		"explained": "ANSWER_YES", "agreed": "ANSWER_YES", "strand_product": c.relaxer, "lot_code": c.relaxerLot,
		"service_kind": "SERVICE_KIND_VIRGIN",
	}
}

// measured are the measurements of every invented client.
var measured = map[string]float64{"length_mm": 240, "new_growth_mm": 18, "straightening_percent": 70, "age_years": 34, "strand_minutes": 13}

// formTill is a till that plays one consultation.
type formTill struct {
	*chain
	head
	answers, calls int
	lot            string
}

// origin says how a till came to an answer.
func (b *formTill) origin(field string) pb.AnswerOrigin {
	if strings.HasPrefix(field, "consultation.history.") || strings.HasPrefix(field, "consultation.consent.") {
		return byAsking
	}
	return bySeeing
}

// choice is the value that the client's head gives for a field.
func (b *formTill) choice(field string) string {
	if value := b.head[field[strings.LastIndex(field, ".")+1:]]; value != "" {
		return value
	}
	return "ANSWER_NO"
}

// answerTo is the answer to one question, as the till would send it.
func (b *formTill) answerTo(t testing.TB, q *pb.OpenQuestion) *pb.FieldAnswer {
	t.Helper()
	a := &pb.FieldAnswer{Field: q.Field, Origin: b.origin(q.Field)}
	name := q.Field[strings.LastIndex(q.Field, ".")+1:]
	switch q.Kind {
	case pb.QuestionKind_QUESTION_KIND_ANSWER, pb.QuestionKind_QUESTION_KIND_CHOICE:
		value := b.choice(q.Field)
		if !slices.ContainsFunc(q.Choices, func(c *pb.QuestionChoice) bool { return c.Value == value && c.Label != "" }) {
			t.Fatalf("%s is not among the choices of %v", value, q)
		}
		a.Value = &pb.FieldAnswer_Choice{Choice: value}
	case pb.QuestionKind_QUESTION_KIND_NUMBER:
		n, known := measured[name]
		if !known || q.Minimum == nil || n < *q.Minimum || n > *q.Maximum {
			t.Fatalf("%v for %v", n, q)
		}
		a.Value = &pb.FieldAnswer_Number{Number: n}
	case pb.QuestionKind_QUESTION_KIND_TEXT:
		a.Value = &pb.FieldAnswer_Text{Text: b.head[name]}
	case pb.QuestionKind_QUESTION_KIND_TIME:
		a.Value = &pb.FieldAnswer_Time{Time: b.clock.timestamp()}
	case pb.QuestionKind_QUESTION_KIND_PAST_EVENT:
		a.Value = &pb.FieldAnswer_Event{Event: &pb.PastEvent{Happened: no}}
		if days, did := map[string]int{"shampoo": 4}[name]; did {
			a.Value = &pb.FieldAnswer_Event{Event: b.ago(days)}
		}
	default:
		t.Fatalf("a till cannot draw %v", q)
	}
	return a
}

// fill answers a form: one tap for each statement, for each group whose questions all get
// the same shared answer, and for each other question.
func (b *formTill) fill(t testing.TB, form *pb.Form) (answers []*pb.FieldAnswer, statements []*pb.StatementAnswer) {
	t.Helper()
	groups := map[string]*pb.QuestionGroup{}
	for _, g := range form.Groups {
		groups[g.GroupId] = g
		if g.Kind == pb.GroupKind_GROUP_KIND_STATEMENT {
			s := &pb.StatementAnswer{StatementId: g.GroupId, Version: g.Version, SecondsTaken: new(int32(6))}
			if g.OfClient {
				s.ClientConfirmation = pb.ClientConfirmation_CLIENT_CONFIRMATION_ON_SCREEN
			}
			statements = append(statements, s)
			b.answers++
		}
	}
	given := map[string]string{}
	tapped := map[string]bool{}
	for _, q := range form.Questions {
		g := groups[q.Group]
		value := b.choice(q.Field)
		shared := g.GetKind() == pb.GroupKind_GROUP_KIND_TOGETHER &&
			slices.ContainsFunc(g.SharedChoices, func(c *pb.QuestionChoice) bool { return endOf(c.Value) == endOf(value) })
		switch {
		case g.GetKind() == pb.GroupKind_GROUP_KIND_STATEMENT && value == "ANSWER_NO":
			continue // the statement says so
		case q.AskedAfter != "" && !slices.Contains(q.AskedAfterValues, given[q.AskedAfter]):
			continue
		case q.Field == "lot_code":
			b.lot = b.head["lot_code"]
			b.answers++
			continue
		case q.UsuallyNow, b.isUsual(q), shared && tapped[q.Group]:
		default:
			b.answers++
		}
		tapped[q.Group] = tapped[q.Group] || shared
		given[q.Field] = value
		answers = append(answers, b.answerTo(t, q))
	}
	return answers, statements
}

// isUsual tells whether the till shows what is right filled in already.
func (b *formTill) isUsual(q *pb.OpenQuestion) bool {
	name := q.Field[strings.LastIndex(q.Field, ".")+1:]
	if n, isNumber := measured[name]; isNumber {
		return q.UsualValue == strconv.FormatFloat(n, 'g', -1, 64)
	}
	return q.UsualValue != "" && q.UsualValue == b.choice(q.Field)
}

// endOf is a value without the beginning that its enum's values share; groups may hold
// fields of different enums that share a value.
func endOf(value string) string {
	for _, end := range []string{"_NOT_DONE", "_NO", "_YES", "_SOUND", "_NORMAL"} {
		if strings.HasSuffix(value, end) {
			return end
		}
	}
	return value
}

// verdict plays a consultation from the draft to the verdict.
func (b *formTill) verdict(t testing.TB, client string, kind pb.ServiceKind) *pb.Decision {
	t.Helper()
	planned := &pb.PlannedService{ServiceKind: kind, Product: b.relaxer}
	drafted := must(t, b.amara, b.consultation.DraftConsultation, &pb.DraftConsultationRequest{Parent: client, Salon: b.salon,
		Practitioner: b.amara.name, ServiceKind: kind, Planned: planned, RequestId: newID()})
	b.calls++
	name, form := drafted.Consultation.Name, drafted.Form
	for len(form.Questions) > 0 {
		answers, statements := b.fill(t, form)
		planned.LotCode = b.lot
		answered := must(t, b.amara, b.consultation.AnswerConsultation, &pb.AnswerConsultationRequest{Name: name, Answers: answers,
			Statements: statements, Planned: planned, SubmitWhenComplete: true, RequestId: newID()})
		b.calls++
		if len(answered.Form.Questions) >= len(form.Questions) {
			t.Fatalf("the same is asked again: %v", answered.Form.Questions)
		}
		form = answered.Form
		if submitted := answered.Consultation.State == pb.ConsultationState_CONSULTATION_STATE_SUBMITTED; submitted != (len(form.Questions) == 0) {
			t.Fatalf("submitted: %v, and the form still asks %v", submitted, form.Questions)
		}
	}
	check := b.question(name)
	check.ServiceKind, check.LotCode = kind, b.lot
	d := must(t, b.amara, b.eligibility.CheckEligibility, check).Decision
	b.calls++
	t.Logf("%s: %s after %d answers and %d calls", kind, d.Verdict, b.answers, b.calls)
	if len(d.OpenQuestions) > 0 {
		t.Errorf("after an empty form the decision asks: %v", d.OpenQuestions)
	}
	return wantVerdict(t, d, pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
}

// TestTillDrawsFromForms plays a first visit, the service, and the retouch nine weeks
// later, and counts.
func TestTillDrawsFromForms(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	client := must(t, c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{Parent: c.name,
		Client: &pb.Client{DisplayName: "Invented client", BirthDate: "1991-04-27"}, RequestId: newID()}).Client.Name
	first := &formTill{chain: c, head: ordinaryHead(c), answers: 1} // the birth date
	d := first.verdict(t, client, pb.ServiceKind_SERVICE_KIND_VIRGIN)
	if first.answers > 35 {
		t.Errorf("a first visit takes %d answers, want at most 35", first.answers)
	}
	session := c.begin(t, d)
	c.clock.advance(time.Hour)
	c.report(t, session, c.service(session)...)
	must(t, c.amara, c.outcome.RecordOutcome, completed(session))

	c.clock.advance(63 * 24 * time.Hour)
	second := &formTill{chain: c, head: ordinaryHead(c)}
	second.head["service_kind"] = "SERVICE_KIND_RETOUCH"
	second.verdict(t, client, pb.ServiceKind_SERVICE_KIND_RETOUCH)
	if second.answers > 20 || second.calls > 3 {
		t.Errorf("an ordinary retouch takes %d answers and %d calls, want at most 20 and 3", second.answers, second.calls)
	}
}
