package rules

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// baseClients are invented clients that between them reach every verdict and leave
// many and few answers open.
func baseClients() map[string]*pb.DecisionInputs {
	clients := story()
	bare := soundHead()
	bare.Consultation = &pb.Consultation{Scalp: &pb.ScalpAnalysis{BrokenSkin: pb.Answer_ANSWER_NO}}
	clients["bare"] = bare
	cleared := soundHead()
	for cause := pb.ClearanceCause_CLEARANCE_CAUSE_PREGNANCY; cause <= pb.ClearanceCause_CLEARANCE_CAUSE_SCALP; cause++ {
		cleared.Consultation.History.DoctorsWords = append(cleared.Consultation.History.DoctorsWords,
			&pb.DoctorsWord{Cause: cause, GiveDate: dateAgo(day), Reference: "N 101"})
	}
	clients["with doctors' words"] = cleared
	texas := retouch()
	texas.Salon.Jurisdiction = pb.Jurisdiction_JURISDICTION_US_TEXAS
	clients["retouch in Texas"] = texas
	return clients
}

// stating puts a statement into a copy of a case and takes the items' answers away.
func stating(in *pb.DecisionInputs, s *pb.StatementAnswer, single string) *pb.DecisionInputs {
	in = proto.CloneOf(in)
	given := proto.CloneOf(s)
	given.SingleItem, given.ClientConfirmation = single, pb.ClientConfirmation_CLIENT_CONFIRMATION_READ_OUT
	in.Consultation.Statements = []*pb.StatementAnswer{given}
	for _, item := range s.GetItems() {
		m, f := locate(in, item.GetField())
		m.Clear(f)
	}
	return in
}

// answering answers one field of a copy of a case.
func answering(in *pb.DecisionInputs, path string, a pb.Answer) *pb.DecisionInputs {
	in = proto.CloneOf(in)
	m, f := locate(in, path)
	m.Set(f, protoreflect.ValueOfEnum(a.Number()))
	return in
}

// sameAnswer compares what two decisions say, but for the inputs they were made from.
func sameAnswer(a, b *pb.Decision) []string {
	a, b = proto.CloneOf(a), proto.CloneOf(b)
	a.Inputs, b.Inputs = nil, nil
	return Compare(a, b)
}

// For each item of each statement: an answer beside the statement decides as if every
// other item had been answered NO by itself, and a statement alone as the long form
// with NO everywhere.
func TestStatementDecidesAsTheLongForm(t *testing.T) {
	e := newEngine(t)
	for name, base := range baseClients() {
		for _, s := range e.Statements() {
			long := stating(base, s, "")
			long.Consultation.Statements = nil
			for _, item := range s.GetItems() {
				long = answering(long, item.GetField(), pb.Answer_ANSWER_NO)
			}
			stated := stating(base, s, "")
			if got := sameAnswer(mustDecide(t, e, long), mustDecide(t, e, stated)); len(got) > 0 {
				t.Errorf("%s: %s alone decides otherwise than NO everywhere: %v", name, s.GetStatementId(), got)
			}
			for _, item := range s.GetItems() {
				for _, a := range []pb.Answer{pb.Answer_ANSWER_YES, pb.Answer_ANSWER_UNSURE} {
					want := mustDecide(t, e, answering(long, item.GetField(), a))
					got := mustDecide(t, e, answering(stated, item.GetField(), a))
					if diff := sameAnswer(want, got); len(diff) > 0 {
						t.Errorf("%s: %s with %s %s decides otherwise than the long form: %v", name, s.GetStatementId(), item.GetField(), a, diff)
					}
				}
			}
		}
	}
}

// The decision keeps the consultation as it was given, not as it was expanded.
func TestDecisionKeepsTheStatement(t *testing.T) {
	e := newEngine(t)
	in := stating(soundHead(), e.Statements()[0], "")
	if d := mustDecide(t, e, in); !proto.Equal(d.GetInputs().GetConsultation(), in.GetConsultation()) {
		t.Error("the stored inputs have answers that nobody gave")
	}
	if without := soundHead(); ExpandStatements(without) != without {
		t.Error("inputs without statements are copied")
	}
}

// The item that is asked singly stays open until it is answered.
func TestSingleItemStaysOpen(t *testing.T) {
	e := newEngine(t)
	for _, s := range e.Statements() {
		for _, item := range s.GetItems() {
			in := stating(soundHead(), s, item.GetField())
			asked := openFields(mustDecide(t, e, in))
			if !slices.Equal(asked, []string{item.GetField()}) {
				t.Errorf("%s without its single item %s asks for %v", s.GetStatementId(), item.GetField(), asked)
			}
			if asked := openFields(mustDecide(t, e, answering(in, item.GetField(), pb.Answer_ANSWER_NO))); len(asked) > 0 {
				t.Errorf("%s: answered singly, %v is still asked", s.GetStatementId(), asked)
			}
		}
	}
}

// What the client did not confirm says nothing, and somebody else need not confirm.
func TestUnconfirmedStatementOfClient(t *testing.T) {
	e := newEngine(t)
	for _, s := range e.Statements() {
		in := stating(soundHead(), s, "")
		in.Consultation.Statements[0].ClientConfirmation = 0
		asked := len(openFields(mustDecide(t, e, in)))
		if want := map[bool]int{true: len(s.GetItems()), false: 0}[s.GetOfClient()]; asked != want {
			t.Errorf("%s, not confirmed by the client: %d of its items are asked, want %d", s.GetStatementId(), asked, want)
		}
	}
}

// openFields are the fields that a decision asks for.
func openFields(d *pb.Decision) []string {
	var fields []string
	for _, q := range d.GetOpenQuestions() {
		fields = append(fields, q.GetField())
	}
	return fields
}

// A statement that was given keeps its items when the policy has a newer version.
func TestStatementKeepsItsMeaning(t *testing.T) {
	const older, newer = `---
statements:
  - id: scalp-seen
    version: 1
    text: None of these.
    items:
      - {field: consultation.scalp.redness, text: Redness}
`, `  - id: scalp-seen
    version: 2
    text: None of these.
    items:
      - {field: consultation.scalp.flaking, text: Flaking}
`
	text, err := builtInText()
	check0(t, err)
	own := strings.Replace(string(text), "\nstatements:", "\nquestions: {}\nstatements:", 1)
	start := strings.Index(own, "statements:\n  - id: scalp-seen")
	own = own[:start] + own[start+strings.Index(own[start:], "together:"):]
	e, err := Load([]byte(own + older + newer))
	check0(t, err)
	if s := e.Statements(); len(s) != 1 || s[0].GetVersion() != 2 {
		t.Fatalf("forms show %v", s)
	}
	in := stating(soundHead(), e.Statement("scalp-seen", 1), "")
	m, f := locate(in, "consultation.scalp.flaking")
	m.Clear(f)
	if asked := openFields(mustDecide(t, e, in)); !slices.Equal(asked, []string{"consultation.scalp.flaking"}) {
		t.Errorf("version 1 leaves %v open, want flaking, which came with version 2", asked)
	}
}

// What is always asked singly cannot be part of a statement, nor can what is no answer
// of the whole case, nor too many.
func TestWhatNoStatementMayHold(t *testing.T) {
	e := newEngine(t)
	item := func(field string) []statementText {
		return []statementText{{ID: "x", Version: 1, Text: "None.", Items: []statementItem{{Field: field}}}}
	}
	forbidden := append(slices.Clone(neverStated), "zone.thio.happened", "zone.metallic_dye", "section.fragile", "consultation.hair.texture",
		"consultation.scalp.none", "service_kind", "consultation.scalp.seen_time", "known.hydroxide.happened")
	for _, field := range forbidden {
		if e.addStatements(item(field)) == nil {
			t.Errorf("a statement may hold %s", field)
		}
	}
	many := item("consultation.scalp.redness")
	many[0].Items = slices.Repeat(many[0].Items, maxItems+1)
	if e.addStatements(many) == nil {
		t.Error("a statement may have eight items")
	}
	check0(t, e.addStatements(item("consultation.scalp.redness")))
	if e.addStatements(item("consultation.scalp.redness")) == nil {
		t.Error("a version of a statement may be there twice")
	}
}
