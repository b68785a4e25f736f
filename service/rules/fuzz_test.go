package rules

import (
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// Whatever somebody writes as a house rule: it is checked or refused without a
// crash, a decision is still made, and it is no milder than without the rule.
func FuzzHouseRule(f *testing.F) {
	e := newEngine(f)
	for _, r := range e.Rules(nil) {
		f.Add(r.GetExpression(), r.GetMessage(), int32(r.GetScope()))
	}
	f.Add(`"a".matches("(a+)+$")`, "{decide_time}", int32(1))
	f.Add(`[1,2,3].map(x, [1,2,3].map(y, x * y)).size() > 2`, "{", int32(9))
	f.Add(`product.ingredients.filter(i, true) == product.ingredients`, "}{", int32(-1))
	f.Add(`percent(product.ingredients.filter(i, true), Substance.AMMONIA) > 1.0`, "", int32(1))
	in := soundHead()
	in.RecordCard = retouch().GetRecordCard()
	without := mustDecide(f, e, in).GetVerdict()
	f.Fuzz(func(t *testing.T, expression, message string, scope int32) {
		r := houseRuleOf(expression)
		r.Message, r.Scope = message, pb.RuleScope(scope)
		with := proto.CloneOf(in)
		with.HousePolicy = &pb.HousePolicy{Rules: []*pb.Rule{r}}
		problems := e.CheckHouse(with.GetHousePolicy())
		d := mustDecide(t, e, with)
		if d.GetVerdict() < without {
			t.Errorf("%s with the rule, %s without", d.GetVerdict(), without)
		}
		if len(problems) == 0 && !proto.Equal(d, mustDecide(t, e, with)) {
			t.Error("decided twice, differently")
		}
	})
}

// Whatever bytes a consultation is made of: a decision is made, its questions are
// of fields, and it is the same when made again.
func FuzzConsultation(f *testing.F) {
	e := newEngine(f)
	for _, in := range story() {
		body, err := proto.Marshal(in.GetConsultation())
		if err != nil {
			f.Fatal(err)
		}
		f.Add(body)
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		in := soundHead()
		in.Consultation = &pb.Consultation{}
		if proto.Unmarshal(body, in.GetConsultation()) != nil {
			return
		}
		d := mustDecide(t, e, in)
		if d.GetVerdict() < pb.Verdict_VERDICT_PROCEED || d.GetVerdict() > pb.Verdict_VERDICT_REFUSE || Standing(d) != d.GetVerdict() {
			t.Errorf("verdict %s, stands at %s", d.GetVerdict(), Standing(d))
		}
		for _, q := range d.GetOpenQuestions() {
			if q.GetQuestion() == "" || q.GetQuestion() == q.GetField() || len(q.GetRuleIds()) == 0 {
				t.Errorf("question %v", q)
			}
		}
		for _, finding := range d.GetFindings() {
			if finding.GetEvaluationFailed() {
				t.Errorf("failed: %v", finding)
			}
		}
		if again := mustDecide(t, e, in); len(Compare(d, again)) > 0 {
			t.Errorf("decided twice, differently: %v", Compare(d, again))
		}
	})
}

// One engine serves many callers at once, under many house policies.
func TestManyCallers(t *testing.T) {
	e := newEngine(t)
	e.policies = newPolicyCache(20) // so small that policies come and go
	want := map[string]*pb.Decision{}
	for name, in := range story() {
		want[name] = mustDecide(t, e, in)
	}
	var callers sync.WaitGroup
	for n := range 8 {
		callers.Go(func() {
			for name, in := range story() {
				if got := mustDecide(t, e, in); !proto.Equal(got, want[name]) {
					t.Errorf("caller %d: %s: %v", n, name, Compare(want[name], got))
				}
				in.HousePolicy = &pb.HousePolicy{Rules: []*pb.Rule{houseRuleOf("true")}}
				in.HousePolicy.Rules[0].Version = int32(n)
				if mustDecide(t, e, in).GetVerdict() != pb.Verdict_VERDICT_REFUSE {
					t.Errorf("caller %d: %s: its own policy did not refuse", n, name)
				}
			}
		})
	}
	callers.Wait()
}
