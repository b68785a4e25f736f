package rules

import (
	"slices"
	"testing"

	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/interpreter"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// joined are expressions with every joint, around values that are known, missing and
// wrong: a division by zero is an error.
func joined() []string {
	const no, yes, open, wrong = "consultation.scalp.burns == Answer.YES", "consultation.scalp.burns != Answer.YES", "consultation.scalp.redness == Answer.YES", "1 / int(0 * consultation.consent.age_years) == 1"
	var all []string
	for _, a := range []string{no, yes, open, wrong} {
		all = append(all, a, "!("+a+")")
		for _, b := range []string{no, yes, open, wrong, "consultation.scalp.flaking == Answer.YES"} {
			all = append(all, a+" && "+b, a+" || "+b, "!("+a+" && !("+b+"))", "("+a+") ? "+b+" : "+open)
			for _, c := range []string{no, yes, open, wrong} {
				all = append(all, a+" && "+b+" && "+c, "("+a+" || "+b+") && "+c, a+" && "+b+" || "+c)
			}
		}
	}
	return all
}

// TestLogicIsTheInterpreters compares the joints with the interpreter alone, which looks
// every field up by its name: on all rules of the policy and on expressions that can fail.
func TestLogicIsTheInterpreters(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	type pair struct {
		expression string
		scope      pb.RuleScope
		ours       *expression
		plain      interpreter.InterpretableV2
	}
	var pairs []pair
	add := func(text string, scope pb.RuleScope) {
		checked, err := e.lang.typeCheck(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		ours, err := e.lang.buildBuiltIn(checked)
		if err != nil {
			t.Fatal(err)
		}
		plain, err := e.lang.planner.NewInterpretable(checked.NativeRep())
		if err != nil {
			t.Fatal(err)
		}
		pairs = append(pairs, pair{text, scope, ours, plain})
	}
	for _, r := range e.builtInRules {
		add(r.text.GetExpression(), r.scope)
	}
	for _, text := range joined() {
		add(text, pb.RuleScope_RULE_SCOPE_CASE)
	}
	seen := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		in := anyCase(t, e)
		if rapid.Bool().Draw(t, "one open") {
			in.Consultation.Scalp.Redness, in.Consultation.Scalp.Burns = pb.Answer_ANSWER_UNSPECIFIED, pb.Answer_ANSWER_NO
		}
		s := opened(t, e, in)
		for _, p := range pairs {
			s.forEachSubject(p.scope, func(about subject) {
				answer, missing, err := p.ours.test(s)
				missing = slices.Clone(missing)
				switch v := p.plain.Exec(s.frame).(type) {
				case types.Bool:
					seen["known"]++
					if answer != bool(v) || missing != nil || err != nil {
						t.Fatalf("%s about %q: %v, %v, %v; the interpreter says %v", p.expression, about.name, answer, missing, err, v)
					}
				case *types.Unknown:
					seen["open"]++
					if answer || err != nil || !slices.Equal(missing, s.missingFields(v)) {
						t.Fatalf("%s about %q: %v, %v, %v; the interpreter waits for %v", p.expression, about.name, answer, missing, err, v)
					}
				default:
					seen["failed"]++
					if answer || missing != nil || err == nil {
						t.Fatalf("%s about %q: %v, %v, %v; the interpreter says %v", p.expression, about.name, answer, missing, err, v)
					}
				}
			})
		}
	})
	if seen["open"] == 0 || seen["failed"] == 0 {
		t.Errorf("of all cases %d wait and %d fail; the test needs some of both", seen["open"], seen["failed"])
	}
}

// TestHouseRulesThatCannotBeCostly: a house rule runs without counting only if it looks at
// no list and no text, whatever these hold.
func TestHouseRulesThatCannotBeCostly(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	for text, counted := range map[string]bool{
		"consultation.scalp.redness == Answer.YES && consultation.consent.age_years < 18": false,
		"consultation.tests.wet_stretch_percent > 20.0 ? true : false":                    false,
		"product.lots.exists(l, l.lot_code == lot_code)":                                  true,
		"lot_code.contains('x')": true,
	} {
		checked, err := e.lang.typeCheck(text)
		if err != nil {
			t.Fatal(err)
		}
		f, err := e.lang.buildHouse(checked)
		if err != nil || (f.program != nil) != counted {
			t.Errorf("%s is counted: %v, want %v, %v", text, f.program != nil, counted, err)
		}
	}
}
