package rules

import (
	"cmp"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// A question is asked only while it can matter: while a rule that waits for it is
// severer than every finding. When a refusal stands, questions about conditions are
// noise. They come back as conditions that begin with "unanswered:", because the refusal
// may be overridden, and then they do matter (Standing).

// verdict gives the verdict and the questions that could still make it worse.
//
// The severest finding decides. Rules that wait and are severer than that are
// open: as long as one of them would ask, refer or refuse, the verdict is at
// least ASK, because unknown is not safe. When the worst that an open rule could
// bring is a condition, the verdict is PROCEED_WITH_CONDITIONS and the condition
// is on the list, to be met unless the answer takes it away.
func (e *Engine) verdict(o *evaluation) (pb.Verdict, []*pb.OpenQuestion) {
	worst := pb.Severity_SEVERITY_UNSPECIFIED
	for _, f := range o.findings {
		worst = contract.MostSevere(worst, f.GetSeverity())
	}
	questions := e.openQuestions(o, worst)
	verdict := verdictOf(worst)
	if len(questions) > 0 {
		verdict = contract.MostSevere(verdict, contract.LeastSevere(verdictOf(questions[0].GetWorstSeverity()), pb.Verdict_VERDICT_ASK))
	}
	return verdict, questions
}

// verdictOf is what a finding of a severity alone brings. A severity that this
// program does not know refuses.
func verdictOf(s pb.Severity) pb.Verdict {
	switch s {
	case pb.Severity_SEVERITY_UNSPECIFIED:
		return pb.Verdict_VERDICT_PROCEED
	case pb.Severity_SEVERITY_CONDITION:
		return pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS
	case pb.Severity_SEVERITY_ASK:
		return pb.Verdict_VERDICT_ASK
	case pb.Severity_SEVERITY_REFER:
		return pb.Verdict_VERDICT_REFER
	}
	return pb.Verdict_VERDICT_REFUSE
}

// questionKey is a field of a subject.
// Rules that wait for the same answer of the case have the same key, in whatever
// zone they were asked.
type questionKey struct {
	field   int
	subject string
}

// askedAnswer is an answer that rules wait for.
type askedAnswer struct {
	questionKey
	code  int // as the first rule that waits for it has it
	about subject
	// decisive is the worst that the answer could bring. It decides whether a question is
	// listed, and where.
	decisive pb.Severity
	rank     int32 // of decisive
	ruleIDs  []string
	text     string // of the question, once it was needed
}

// gatherAsked lists the answers that the waiting rules wait for, each once, in the order
// in which they were first waited for, with the rules that wait.
func (e *Engine) gatherAsked(o *evaluation) {
	places, total := map[questionKey]int{}, 0
	for _, w := range o.waiting {
		total += len(w.fields)
	}
	asks := make([]int, 0, total)
	for n := range o.waiting {
		w := &o.waiting[n]
		before := len(asks)
		for _, i := range w.fields {
			at := e.lang.questionKey(i, w.subject)
			place, known := places[at]
			if !known {
				place = len(o.asked)
				places[at] = place
				o.asked = append(o.asked, askedAnswer{questionKey: at, code: i, about: w.subject, rank: contract.Rank(pb.Severity_SEVERITY_UNSPECIFIED)})
			}
			asks = append(asks, place)
			a := &o.asked[place]
			if w.rank > a.rank {
				a.decisive, a.rank = w.text.GetSeverity(), w.rank
			}
			if id := w.text.GetRuleId(); !slices.Contains(a.ruleIDs, id) {
				a.ruleIDs = append(a.ruleIDs, id)
			}
		}
		w.asks = asks[before:]
	}
}

// textOf is the question of an answer that rules wait for.
func (e *Engine) textOf(a *askedAnswer) string {
	if a.text == "" {
		a.text = e.question(a.code, a.about)
	}
	return a.text
}

// The most decisive question comes first, so that a salon that stops answering has
// answered what could have refused. Between equals the order of the consultation counts,
// which is the order in which the till asks.

// openQuestions are the answers that rules severer than worst wait for, most
// decisive first, then in the order of the consultation. Each names every rule
// that waits for it, milder ones too.
func (e *Engine) openQuestions(o *evaluation, worst pb.Severity) []*pb.OpenQuestion {
	var open []*askedAnswer
	rank := contract.Rank(worst)
	for n := range o.asked {
		if a := &o.asked[n]; a.rank > rank {
			open = append(open, a)
		}
	}
	slices.SortStableFunc(open, func(a, b *askedAnswer) int {
		return cmp.Or(cmp.Compare(b.rank, a.rank), cmp.Compare(a.field, b.field))
	})
	questions, messages := make([]*pb.OpenQuestion, len(open)), make([]pb.OpenQuestion, len(open))
	for n, a := range open {
		q := &messages[n]
		q.Field, q.Question, q.WorstSeverity, q.RuleIds = e.lang.pathOf(a.code, a.about), e.textOf(a), a.decisive, a.ruleIDs
		questions[n] = q
	}
	return questions
}

// question is a field's question in plain words, with the zone or section it is
// about.
// A field without a question in the policy is named by its path, so that it can
// still be asked for.
func (e *Engine) question(i int, about subject) string {
	i, about = e.lang.decodeQuestion(i, about)
	text := e.questions[e.lang.fields[i].path]
	kind, name, _ := strings.Cut(about.name, ":")
	switch {
	case text == "":
		return e.lang.fields[i].path
	case e.lang.ofProduct(i) && about.within != "":
		return "Section " + about.within + ": " + text
	case i < e.lang.zones:
		return text
	case kind == "zone":
		return strings.ToUpper(name[:1]) + strings.ReplaceAll(name[1:], "-", " ") + ": " + text
	}
	return "Section " + name + ": " + text
}

// unanswered begins the id of a condition that is a question: it asks nothing
// while a finding stands that no answer could make worse, and must be answered
// before the service goes ahead should that finding be overridden.
const unanswered = "unanswered:"

// A condition whose answer is missing is listed with the question that could take it
// away. Leaving it out would be a go-ahead on an answer that nobody gave; asking for it
// would hold up a service for a condition that can simply be met.

// conditions are what has to be ticked off if the service goes ahead: what fired
// as a condition, what would unless an answer that is missing says no, and the
// questions that are not open only because a finding outweighs them.
func (e *Engine) conditions(o *evaluation, open []*pb.OpenQuestion) []*pb.Condition {
	var conditions []*pb.Condition
	for _, f := range o.findings {
		if f.GetSeverity() == pb.Severity_SEVERITY_CONDITION {
			conditions = append(conditions, o.condition(f.GetRuleId(), f.GetSubject(), f.GetMessage(), o.beforeContact[f.GetRuleId()]))
		}
	}
	sharing := o.sharedQuestions()
	asked := map[string]bool{}
	for _, q := range open {
		asked[q.GetField()] = true
	}
	for _, w := range o.waiting {
		if w.text.GetSeverity() == pb.Severity_SEVERITY_CONDITION {
			if o.revision >= 2 && sharing[w.asks[0]] > 1 {
				conditions = e.askOnce(o, conditions, w)
				continue
			}
			text := openConditionText(o.revision, w.message, e.textOf(&o.asked[w.asks[0]]))
			conditions = append(conditions, o.condition(w.text.GetRuleId(), w.subject.label(), text, w.text.GetBeforeContact()))
			continue
		}
		for n, i := range w.fields {
			if path := e.lang.pathOf(i, w.subject); !asked[path] {
				asked[path] = true
				// It comes before first contact in any case: its rule is severer
				// than a condition.
				text := "Answer first: " + e.textOf(&o.asked[w.asks[n]])
				c := o.condition(w.text.GetRuleId(), w.subject.label(), text, true)
				c.ConditionId = unanswered + path
				conditions = append(conditions, c)
			}
		}
	}
	return conditions
}

// sharedQuestions are how many conditions wait first for each of the answers asked. Where
// several do, no two may hold at once, as those for thin and for thick hair, so none of
// them is shown before the answer.
func (o *evaluation) sharedQuestions() []int {
	conditions := make([]int, len(o.asked))
	for _, w := range o.waiting {
		if w.text.GetSeverity() == pb.Severity_SEVERITY_CONDITION {
			conditions[w.asks[0]]++
		}
	}
	return conditions
}

// askOnce adds the question that several conditions wait for, once. It comes before first
// contact when one of them does.
func (e *Engine) askOnce(o *evaluation, conditions []*pb.Condition, w waitingRule) []*pb.Condition {
	text := "Answer first: " + e.textOf(&o.asked[w.asks[0]])
	for _, c := range conditions {
		if c.GetText() == text {
			c.BeforeContact = c.BeforeContact || w.text.GetBeforeContact()
			return conditions
		}
	}
	return append(conditions, o.condition(w.text.GetRuleId(), w.subject.label(), text, w.text.GetBeforeContact()))
}

// openConditionText is a condition that holds unless the answer to a question takes it
// away.
// From revision 2 the question comes first, because that is what can be done now.
func openConditionText(revision int32, message, question string) string {
	if revision < 2 {
		return message + " (Unless the answer takes it away: " + question + ")"
	}
	return "Answer first: " + question + " Until then: " + message
}

// condition is what a rule asks for about a subject.
// Revision 0 stored neither its subject nor whether it comes before first contact.
func (o *evaluation) condition(ruleID, subject, text string, beforeContact bool) *pb.Condition {
	id := ruleID
	if subject != "" {
		id += "@" + subject
	}
	c := &pb.Condition{ConditionId: id, Text: text, RuleId: ruleID}
	if o.revision >= 1 {
		c.Subject, c.BeforeContact = subject, beforeContact
	}
	return c
}
