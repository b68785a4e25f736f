package rules

import (
	"fmt"
	"slices"
	"strings"

	"cel.dev/cel-go/common/types"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// waitingRule is a rule that waits for answers about a subject.
// It is kept with the subject, because one rule can wait for another answer in each
// zone.
type waitingRule struct {
	*rule
	subject subject
	fields  []int
	asks    []int  // the places of fields in evaluation.asked
	message string // of a condition
}

// The severest finding decides, so the order in which rules are asked changes no
// verdict. It does change the order of what is listed: scope by scope, within a scope
// subject by subject, within a subject the built-in rules in the order of their files
// and then the house's. Findings are then sorted by severity without changing that
// order otherwise, because a replay compares them one by one.

// evaluation is what the rules of a policy say about a case.
type evaluation struct {
	revision      int32         // of the code that decides, see Revision
	findings      []*pb.Finding // severest first
	waiting       []waitingRule
	asked         []askedAnswer   // what the waiting rules wait for, see gatherAsked
	beforeContact map[string]bool // conditions that come before first contact, by rule
}

// Decide answers a case: verdict, findings, open questions, strength, conditions,
// alternatives and cautions. It leaves the decision's name, times, actor and plan
// to the caller. The decision shares the parts of in, which must not be changed
// afterwards, and of the policy. An error means that nothing was decided.
func (e *Engine) Decide(in *pb.DecisionInputs) (*pb.Decision, error) { return e.DecideAs(Revision, in) }

// DecideAs decides as the code of a revision did, for a replay. Where a later
// revision answers otherwise, the code asks which revision it decides as.
// A revision that this program does not have is an error: a decision by other code
// would be no replay.
func (e *Engine) DecideAs(revision int32, in *pb.DecisionInputs) (*pb.Decision, error) {
	if revision < 0 || revision > Revision {
		return nil, fmt.Errorf("the decision is of engine revision %d; this program knows 0 to %d", revision, Revision)
	}
	if err := complete(in); err != nil {
		return nil, err
	}
	decided := e.withParameters(in)
	s, err := e.open(decided, revision)
	if err != nil {
		return nil, err
	}
	defer s.close()
	policy := e.policyFor(in.GetHousePolicy())
	o := e.evaluateRules(s, policy, revision)
	e.gatherAsked(o)
	verdict, questions := e.verdict(o)
	d := &pb.Decision{
		Verdict:             verdict,
		StandingVerdict:     verdict,
		Findings:            o.findings,
		OpenQuestions:       questions,
		Conditions:          e.conditions(o, questions),
		Inputs:              decided,
		PolicyDigest:        policy.digest,
		EngineVersion:       Version,
		EngineRevision:      revision,
		Cautions:            slices.Clone(e.cautions),
		RecommendedStrength: e.recommendStrength(s),
	}
	if s.bare != nil {
		d.RecommendedStrength = milder(d.RecommendedStrength, e.recommendStrength(s.bare))
	}
	// A policy without rules about the history shows none, so that decisions from
	// before these rules replay unchanged.
	if e.readsHistory {
		d.History = s.history().facts()
	}
	// ASK can still become a go-ahead today; something else is offered only beyond
	// it.
	if contract.AtLeast(verdict, pb.Verdict_VERDICT_REFER) {
		d.Alternatives = e.alternativesFor(s)
		if s.bare != nil {
			d.Alternatives = suitableInBoth(d.Alternatives, e.alternativesFor(s.bare))
		}
	}
	return d, nil
}

// evaluateRules evaluates every rule that holds in the salon's jurisdiction, with and
// without imported facts. Causes are joined last, when all findings are there.
func (e *Engine) evaluateRules(s *state, p *housePolicyRules, revision int32) *evaluation {
	o := e.evaluateOnce(s, p, revision)
	if s.bare != nil {
		o.addBare(e.evaluateOnce(s.bare, p, revision), onlyBy(s.in))
	}
	slices.SortStableFunc(o.findings, func(a, b *pb.Finding) int { return contract.CompareRank(b.Severity, a.Severity) })
	if revision >= 2 {
		joinCauses(o.findings)
	}
	return o
}

// evaluateOnce evaluates the rules on one state. Sections with a product of their own come
// after all scopes, because what they only repeat of the head's product is left out.
func (e *Engine) evaluateOnce(s *state, p *housePolicyRules, revision int32) *evaluation {
	o := &evaluation{revision: revision, beforeContact: map[string]bool{}}
	place := jurisdictionBit(Jurisdiction(s.in.GetSalon()))
	for scope := pb.RuleScope_RULE_SCOPE_CASE; scope <= pb.RuleScope_RULE_SCOPE_SECTION; scope++ {
		s.forEachSubject(scope, func(about subject) {
			for _, r := range e.rulesByScope[scope] {
				if r.places&place != 0 {
					o.evaluate(s, r, about)
				}
			}
			for _, r := range p.byScope[scope] {
				if r.places&place != 0 {
					o.evaluate(s, r, about)
				}
			}
		})
	}
	e.evaluateSectionProducts(s, p, o, place)
	return o
}

// evaluate tests one rule on one subject and keeps its finding, or that it waits. The message of a
// condition that waits is written out now, while the subject is being
// evaluated: the condition is listed unless the answer takes it away.
// A rule that fails gives a finding as well: an error must never be taken for
// silence.
func (o *evaluation) evaluate(s *state, r *rule, about subject) {
	answer, missing, err := r.test(s)
	switch {
	case err != nil:
		o.findings = append(o.findings, r.finding(s, about, true))
	case missing != nil:
		w := waitingRule{rule: r, subject: about, fields: missing}
		if r.text.GetSeverity() == pb.Severity_SEVERITY_CONDITION {
			w.message = about.prefix() + r.message.render(s)
		}
		o.waiting = append(o.waiting, w)
	case answer:
		o.findings = append(o.findings, r.finding(s, about, false))
		if r.text.GetBeforeContact() {
			o.beforeContact[r.text.GetRuleId()] = true
		}
	}
}

// finding returns the finding of a rule that fired, with the answers it is based on. They are the
// evidence that the override and the audit entry refer to, so a derived field shows the
// answers and records behind it instead of itself: nobody answered the derived field.
// Fields without a value are left out, such as a branch that was not reached.
func (r *rule) finding(s *state, about subject, failed bool) *pb.Finding {
	f := &pb.Finding{
		RuleId: r.text.RuleId, RuleVersion: r.text.Version, Layer: r.text.Layer, Severity: r.text.Severity, Subject: about.label(),
		Message: about.prefix() + r.message.render(s), Basis: r.text.Basis, OverrideTerms: r.text.OverrideTerms, EvaluationFailed: failed,
	}
	if s.revision >= 2 {
		f.Cause = r.text.Cause
	}
	// A failed rule refers, whatever its own severity is, and lists no answers: none
	// of them is known to be its reason.
	if failed {
		f.Severity = pb.Severity_SEVERITY_REFER
		f.Message = failedText(s.revision) + f.Message
		return f
	}
	if r.wait != nil {
		if span, holds, _ := r.wait.test(s); holds {
			f.Wait = span.of()
		}
		// The maker's directions are named as the basis only where they gave the
		// length of the wait.
		if basis := r.wait.directedBasis(s); basis != nil {
			f.Basis = basis
		}
	}
	if slices.Contains(r.fields, s.lang.index[contradictedPath]) {
		f.Contradictions = s.history().contradictions
	}
	for _, i := range r.fields {
		if sees := s.lang.fields[i].evidence; sees != nil {
			addEvidence(f, sees(s))
			continue
		}
		if v := s.value(i); !types.IsUnknown(v) && displayValue(v) != "" {
			addEvidence(f, []*pb.SeenAnswer{{Field: s.lang.pathOf(i, about), Value: displayValue(v)}})
		}
	}
	return f
}

// failedText precedes the message of a rule that could not be evaluated.
// From revision 2 it says first what to do.
func failedText(revision int32) string {
	if revision < 2 {
		return "This rule could not be evaluated, so nobody can say that it does not apply: "
	}
	return "Do not go ahead on this one: the rule could not be checked, so it may apply. "
}

// A rule about zones may name fields of the case, and waits for them once per zone.
// The question is one all the same, and so is a question about the product in a rule
// that was asked about several sections with the same product.

// questionKey is a field as it belongs to a subject: a field of the case is the same
// whatever zone a rule was asked about.
func (l *language) questionKey(i int, about subject) questionKey {
	i, about = l.decodeQuestion(i, about)
	switch {
	case l.ofProduct(i):
		return questionKey{i, about.within}
	case i < l.zones:
		return questionKey{i, ""}
	}
	return questionKey{i, about.name}
}

// pathOf returns the path of a field in the inputs.
func (l *language) pathOf(i int, about subject) string {
	i, about = l.decodeQuestion(i, about)
	path := l.fields[i].path
	switch {
	case l.ofProduct(i) && about.within != "":
		return "section_products[" + about.within + "]." + path
	case i < l.zones:
		return path
	}
	if i < l.sections {
		for k, z := range zones() {
			if z.path == about.path {
				return l.zonePaths[k][i-l.zones]
			}
		}
	}
	_, rest, _ := strings.Cut(path, ".")
	return about.path + "." + rest
}
