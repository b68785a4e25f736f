package rules

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

// mutants are expressions that say something else than this one: it is dropped, it
// is turned round, or one operator or one word in it is another.
func mutants(expression string) map[string]string {
	changed := map[string]string{"dropped": "false", "turned round": "!(" + expression + ")"}
	for _, swap := range [][2]string{
		{"==", "!="}, {"!=", "=="}, {"||", "&&"}, {"&&", "||"}, {" < ", " <= "}, {" <= ", " < "}, {" > ", " >= "}, {" >= ", " > "},
		{"Answer.YES", "Answer.UNSURE"}, {"Answer.NO", "Answer.UNSURE"}, {"Answer.UNSURE", "Answer.YES"},
	} {
		for at, n := 0, 0; ; n++ {
			i := strings.Index(expression[at:], swap[0])
			if i < 0 {
				break
			}
			at += i
			name := fmt.Sprintf("%s number %d is %s", strings.TrimSpace(swap[0]), n+1, strings.TrimSpace(swap[1]))
			changed[name] = expression[:at] + swap[1] + expression[at+len(swap[0]):]
			at += len(swap[0])
		}
	}
	return changed
}

// sameMeaning are changes that no case can notice.
var sameMeaning = map[string]string{}

// Every part of a rule that refuses or refers is needed by one of its own cases:
// change it, and some case comes out otherwise. A change that means the same is
// named below, with the reason.
func TestCasesNeedEveryPartOfARule(t *testing.T) {
	e := newEngine(t)
	killed, tried := 0, 0
	eachRule(t, e, func(t *testing.T, text ruleText, r *rule) {
		if r.text.GetSeverity() < pb.Severity_SEVERITY_REFER {
			return
		}
		for name, expression := range mutants(r.text.GetExpression()) {
			if sameMeaning[text.ID] == name {
				continue
			}
			f, err := e.lang.compile(expression, r.scope, e.lang.buildBuiltIn)
			if err != nil {
				continue // not an expression: nobody could commit it
			}
			tried++
			mutant := *r
			mutant.expression = f
			if slices.ContainsFunc(text.Cases, func(c caseText) bool { return outcome(t, e, &mutant, c) != c.Expect }) {
				killed++
				continue
			}
			t.Errorf("%s: %s, and every case comes out as before", text.ID, name)
		}
	})
	t.Logf("%d of %d changes are noticed", killed, tried)
}
