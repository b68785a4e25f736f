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

// Every rule, also one that only asks or states a condition, is noticed by its own cases
// when it is dropped or turned round.
func TestCasesNeedEveryRule(t *testing.T) {
	e := newEngine(t)
	eachRule(t, e, func(t *testing.T, text ruleText, r *rule) {
		for _, name := range []string{"dropped", "turned round"} {
			f, err := e.lang.compile(mutants(r.text.GetExpression())[name], r.scope, e.lang.buildBuiltIn)
			if err != nil {
				t.Fatal(err)
			}
			mutant := *r
			mutant.expression = f
			if !slices.ContainsFunc(text.Cases, func(c caseText) bool { return outcome(t, e, &mutant, c) != c.Expect }) {
				t.Errorf("%s: %s, and every case comes out as before", text.ID, name)
			}
		}
	})
}

// The wait of a rule is needed by its cases too: without the wait, without one of its
// events, or with the figure of another wait, some case comes out otherwise.
func TestCasesNeedEveryPartOfAWait(t *testing.T) {
	e := newEngine(t)
	killed, tried := 0, 0
	eachRule(t, e, func(t *testing.T, text ruleText, r *rule) {
		if r.wait == nil {
			return
		}
		for name, w := range waitMutants(e, r.wait) {
			mutant := *r
			mutant.wait = w
			tried++
			if slices.ContainsFunc(text.Cases, func(c caseText) bool { return outcome(t, e, &mutant, c) != c.Expect }) {
				killed++
				continue
			}
			t.Errorf("%s: %s, and every case comes out as before", text.ID, name)
		}
	})
	t.Logf("%d of %d changes are noticed", killed, tried)
}

// waitMutants are waits that say something else than this one.
func waitMutants(e *Engine, w *wait) map[string]*wait {
	changed := map[string]*wait{"without the wait": nil}
	if w.until >= 0 {
		return changed // its events only tell since when
	}
	for i := range w.events {
		without := *w
		without.events = slices.Delete(slices.Clone(w.events), i, i+1)
		changed[fmt.Sprintf("without event number %d", i+1)] = &without
	}
	for path, i := range e.lang.index {
		figure := strings.HasPrefix(path, "waits.") || strings.HasPrefix(path, "parameters.")
		if !figure || i == w.hours || i == w.days {
			continue
		}
		other := *w
		switch {
		case w.hours >= 0 && strings.HasSuffix(path, "_hours"):
			other.hours = i
		case w.days >= 0 && strings.HasSuffix(path, "_days"):
			other.days = i
		default:
			continue
		}
		changed["with the figure "+path] = &other
	}
	return changed
}
