package rules

import (
	"fmt"
	"slices"

	pb "alkalog/proto/alkalogv1"
)

// The recommended strength is advice, worked out by steps in the order of the file: the
// texture sets it, curl and porosity move it, weak or coloured hair caps it, and some
// findings leave none. Each step that moved it is told as a reason. Steps never go up
// because of time or wishes; there is no step for those.
//
// Checks are shared with the alternatives: a condition asked of every subject of its
// scope, of which one yes is enough.

// check is a condition about the case, or about any of its zones or sections.
// It has neither a severity nor a finding of its own.
type check struct {
	*expression
	scope pb.RuleScope
}

// newCheck builds a check of a policy's file.
func (l *language) newCheck(expression, scope string) (check, error) {
	n, err := number("RULE_SCOPE_", pb.RuleScope_value, or(scope, "CASE"))
	if err != nil {
		return check{}, err
	}
	f, err := l.compile(expression, pb.RuleScope(n), l.buildBuiltIn)
	if err != nil {
		return check{}, fmt.Errorf("%s: %w", expression, err)
	}
	return check{f, pb.RuleScope(n)}, nil
}

// checkResult is a check's answer: yes, no, or open for want of fields.
type checkResult struct {
	yes, open bool
	missing   []int
	about     subject
}

// runChecks asks checks, each of every subject of its scope: one yes is enough, and
// one that waits keeps a no from being sure.
// The scopes are the outer loop, so that each zone and each section is entered once
// for all checks.
func runChecks(s *state, checks []check) []checkResult {
	replies := make([]checkResult, len(checks))
	for scope := pb.RuleScope_RULE_SCOPE_CASE; scope <= pb.RuleScope_RULE_SCOPE_SECTION; scope++ {
		if !slices.ContainsFunc(checks, func(c check) bool { return c.scope == scope }) {
			continue
		}
		s.forEachSubject(scope, func(about subject) {
			for i, c := range checks {
				if c.scope == scope && !replies[i].yes {
					replies[i].add(c, s, about)
				}
			}
		})
	}
	return replies
}

// add asks one check about one subject.
// The first subject that waits is kept, so that always the same question is asked
// for.
func (r *checkResult) add(c check, s *state, about subject) {
	yes, missing, err := c.test(s)
	switch {
	case yes:
		*r = checkResult{yes: true}
	case (err != nil || len(missing) > 0) && !r.open:
		*r = checkResult{open: true, missing: missing, about: about}
	}
}

// step moves the recommended strength.
type step struct {
	text     stepText
	strength pb.Strength // of To or AtMost
}

// newStep reads a step of a policy's file.
// To and at_most exclude each other: two words joined name no strength, which is an
// error.
func newStep(text stepText) (step, error) {
	word := text.To + text.AtMost
	if word == "" {
		return step{text, 0}, nil
	}
	n, err := number("STRENGTH_", pb.Strength_value, word)
	return step{text, pb.Strength(n)}, err
}

// apply is the strength after the step.
// Lowering ends at mild. That no strength suits is said only by a step with none.
func (t step) apply(from pb.Strength) pb.Strength {
	switch {
	case t.text.None:
		return pb.Strength_STRENGTH_UNSPECIFIED
	case t.text.AtMost != "":
		return min(from, t.strength)
	case t.text.To != "":
		return t.strength
	case t.text.Lower && from > pb.Strength_STRENGTH_MILD:
		return from - 1
	}
	return from
}

// An answer that is missing leaves the advice open only if it could change it: a step
// that waits and would leave the strength as it is, is passed over. So a half-filled
// consultation gets advice as early as it can be right.

// recommendStrength works out the strength that suits this hair, step by step. A step that
// would change it and waits for an answer leaves it open.
// Reasons are kept also when the strength is open, so that a salon sees what it
// depends on.
func (e *Engine) recommendStrength(s *state) *pb.StrengthAdvice {
	a := &pb.StrengthAdvice{}
	strength, open := pb.Strength_STRENGTH_UNSPECIFIED, false
	for i, r := range runChecks(s, e.strengthChecks) {
		t := e.strength[i]
		after := t.apply(strength)
		switch {
		case after == strength && !t.text.None:
		case r.open:
			open = true
			a.Reasons = append(a.Reasons, e.missingAnswerText(s.revision, r))
		case r.yes && t.text.None:
			return &pb.StrengthAdvice{Reasons: append(a.Reasons, t.text.Because)}
		case r.yes:
			strength = after
			a.Reasons = append(a.Reasons, t.text.Because)
		}
	}
	if !open {
		a.Strength = strength
	}
	return a
}

// missingAnswerText says which answer a check waits for.
func (e *Engine) missingAnswerText(revision int32, r checkResult) string {
	switch {
	case revision < 2 && len(r.missing) == 0:
		return "Not known, because it could not be worked out."
	case revision < 2:
		return "Not known yet: " + e.question(r.missing[0], r.about)
	case len(r.missing) == 0:
		return "Look again: this could not be worked out."
	}
	return "Answer first: " + e.question(r.missing[0], r.about)
}
