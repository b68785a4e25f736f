package rules

import (
	"cmp"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// judge gives the verdict and the questions that could still make it worse.
//
// The severest finding decides. Rules that wait and are severer than that are
// open: as long as one of them would ask, refer or refuse, the verdict is at
// least ASK, because unknown is not safe. When the worst that an open rule could
// bring is a condition, the verdict is PROCEED_WITH_CONDITIONS and the condition
// stands on the list, to be met unless the answer takes it away.
func (e *Engine) judge(o *opinion) (pb.Verdict, []*pb.OpenQuestion) {
	worst := pb.Severity_SEVERITY_UNSPECIFIED
	for _, f := range o.fired {
		worst = max(worst, f.finding.GetSeverity())
	}
	questions := e.openQuestions(o, worst)
	verdict := verdictOf(worst)
	if len(questions) > 0 {
		verdict = max(verdict, min(verdictOf(questions[0].GetWorstSeverity()), pb.Verdict_VERDICT_ASK))
	}
	return verdict, questions
}

func verdictOf(s pb.Severity) pb.Verdict { return pb.Verdict_VERDICT_PROCEED + pb.Verdict(s) }

// openQuestions are the answers that rules severer than worst wait for, most
// decisive first, then in the order of the consultation. Each names every rule
// that waits for it, milder ones too.
func (e *Engine) openQuestions(o *opinion, worst pb.Severity) []*pb.OpenQuestion {
	type place struct{ field, order int }
	order := map[string]place{}
	byPath := map[string]*pb.OpenQuestion{}
	var questions []*pb.OpenQuestion
	for _, w := range o.waiting {
		for _, i := range w.fields {
			path := e.book.pathOf(i, w.subject)
			q := byPath[path]
			if q == nil {
				q = &pb.OpenQuestion{Field: path, Question: e.question(i, w.subject)}
				byPath[path], order[path] = q, place{i, len(order)}
				questions = append(questions, q)
			}
			if !slices.Contains(q.RuleIds, w.text.GetRuleId()) {
				q.RuleIds = append(q.RuleIds, w.text.GetRuleId())
			}
			q.WorstSeverity = max(q.WorstSeverity, w.text.GetSeverity())
		}
	}
	questions = slices.DeleteFunc(questions, func(q *pb.OpenQuestion) bool { return q.GetWorstSeverity() <= worst })
	slices.SortFunc(questions, func(a, b *pb.OpenQuestion) int {
		first, second := order[a.GetField()], order[b.GetField()]
		return cmp.Or(cmp.Compare(b.GetWorstSeverity(), a.GetWorstSeverity()), cmp.Compare(first.field, second.field), cmp.Compare(first.order, second.order))
	})
	return questions
}

// question is a field's question in plain words, with the zone or section it is
// about.
func (e *Engine) question(i int, about subject) string {
	text := e.questions[e.book.fields[i].path]
	kind, name, _ := strings.Cut(about.name, ":")
	switch {
	case text == "":
		return e.book.fields[i].path
	case i < e.book.zones:
		return text
	case kind == "zone":
		return strings.ToUpper(name[:1]) + strings.ReplaceAll(name[1:], "-", " ") + ": " + text
	}
	return "Section " + name + ": " + text
}

// conditions are what has to be ticked off if the service goes ahead: what fired
// as a condition, and what would, unless an answer that is missing says no.
func (e *Engine) conditions(o *opinion) []*pb.Condition {
	var conditions []*pb.Condition
	add := func(r *rule, subject, text string) {
		id := r.text.GetRuleId()
		if subject != "" {
			id += "@" + subject
		}
		conditions = append(conditions, &pb.Condition{ConditionId: id, Text: text, RuleId: r.text.GetRuleId()})
	}
	for _, f := range o.fired {
		if f.text.GetSeverity() == pb.Severity_SEVERITY_CONDITION {
			add(f.rule, f.finding.GetSubject(), f.finding.GetMessage())
		}
	}
	for _, w := range o.waiting {
		if w.text.GetSeverity() == pb.Severity_SEVERITY_CONDITION {
			add(w.rule, w.subject.name, w.message+" (Unless the answer takes it away: "+e.question(w.fields[0], w.subject)+")")
		}
	}
	return conditions
}
