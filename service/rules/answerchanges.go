package rules

import (
	"slices"
	"strings"

	"cel.dev/cel-go/common/types"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// A salon that is refused can ask again with other answers. That is right when the first
// answer was a mistake and a danger when it was true. The server cannot tell which; it
// can make the change visible. A later decision that rests on the changed answer asks
// what changed, in words, and the change is an entry and a figure. Comparing is done on
// the inputs of both decisions under today's rules, not on their findings alone, so that
// an answer which another rule would also have refused is noticed too.

// AnswerChanges are the answers of earlier refusals and referrals, the newest first,
// that were dangerous then and are not now: an answer that a danger named, which has
// another value, where that danger stands no more. Shopping for a verdict leaves a
// trace; an honest correction costs one sentence.
func (e *Engine) AnswerChanges(earlier []*pb.Decision, in *pb.DecisionInputs) ([]*pb.AnswerChange, error) {
	var changes []*pb.AnswerChange
	var now map[string]string
	var standing []*pb.Finding
	for _, d := range earlier {
		if !contract.AtLeast(d.GetVerdict(), pb.Verdict_VERDICT_ASK) {
			continue
		}
		if now == nil {
			var err error
			if standing, err = e.dangerousFindings(in); err != nil {
				return nil, err
			}
			if now, err = e.answers(in); err != nil {
				return nil, err
			}
		}
		found := d.GetFindings()
		// The earlier inputs are judged again under today's rules, beside the stored
		// findings: a rule that was added since may refuse the earlier answer too.
		if complete(d.GetInputs()) == nil {
			dangers, err := e.dangerousFindings(d.GetInputs())
			if err != nil {
				return nil, err
			}
			found = slices.Concat(found, dangers)
		}
		then, err := e.answers(d.GetInputs())
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			// A danger that still fires was not answered away.
			if !contract.AtLeast(f.GetSeverity(), pb.Severity_SEVERITY_REFER) || stillFires(standing, f) {
				continue
			}
			for _, a := range f.GetAnswers() {
				// Only answers of the consultation are the salon's to change;
				// records and numbers change by themselves.
				if field := a.GetField(); strings.HasPrefix(field, "consultation.") && then[field] != now[field] {
					changes = addChange(changes, &pb.AnswerChange{Field: field, EarlierValue: then[field], Value: now[field],
						Decision: d.GetName(), RuleIds: []string{f.GetRuleId()}})
				}
			}
		}
	}
	return changes, nil
}

// A doctor's word without a date or a reference turns a referral into a question. The
// answer behind it is as dangerous as before, so it is looked at as if it still
// referred; otherwise an incomplete word would be a way to hide the change.

// dangerousFindings are the findings of a case that refuse or refer, and those that only wait
// for the date, the reference or the cause of a doctor's word: an incomplete word
// turns a referral into a question, and the answer behind it is as dangerous.
func (e *Engine) dangerousFindings(in *pb.DecisionInputs) ([]*pb.Finding, error) {
	if err := complete(in); err != nil {
		return nil, err
	}
	s, err := e.lang.open(e.withParameters(in))
	if err != nil {
		return nil, err
	}
	defer s.close()
	o := e.evaluateRules(s, e.policyFor(in.GetHousePolicy()), Revision)
	found := o.findings
	for _, w := range o.waiting {
		if w.scope == pb.RuleScope_RULE_SCOPE_CASE && slices.Contains(w.fields, s.lang.index[wordsPath]) {
			found = append(found, w.finding(s, w.subject, false))
		}
	}
	return slices.DeleteFunc(found, func(f *pb.Finding) bool { return !contract.AtLeast(f.GetSeverity(), pb.Severity_SEVERITY_REFER) }), nil
}

// stillFires tells whether a finding is among those that refuse or refer now.
// The version of the rule does not count here: a rule that was revised and still
// fires is the same danger.
func stillFires(standing []*pb.Finding, f *pb.Finding) bool {
	return slices.ContainsFunc(standing, func(now *pb.Finding) bool {
		return now.GetRuleId() == f.GetRuleId() && now.GetSubject() == f.GetSubject()
	})
}

// One answer is one change, however many rules looked at it: what is asked of the
// practitioner is one sentence.

// addChange adds a change; an answer that several rules or decisions looked at is
// one change, with all of the rules.
func addChange(changes []*pb.AnswerChange, c *pb.AnswerChange) []*pb.AnswerChange {
	for _, known := range changes {
		if known.Field == c.Field {
			if !slices.Contains(known.RuleIds, c.RuleIds[0]) {
				known.RuleIds = append(known.RuleIds, c.RuleIds[0])
			}
			return changes
		}
	}
	return append(changes, c)
}

// answers are all answers of a case in words, by the paths of their fields; empty
// when not answered.
// Derived and supplied fields are left out. Zones and sections are read one by one,
// because a state holds the values of one at a time.
func (e *Engine) answers(in *pb.DecisionInputs) (map[string]string, error) {
	s, err := e.lang.open(e.withParameters(in))
	if err != nil {
		return nil, err
	}
	defer s.close()
	words := map[string]string{}
	read := func(from, to int, about subject) {
		for i := from; i < to; i++ {
			if e.lang.fields[i].asked {
				if v := s.value(i); !types.IsUnknown(v) {
					words[e.lang.pathOf(i, about)] = displayValue(v)
				}
			}
		}
	}
	read(0, e.lang.zones, subject{})
	s.forEachSubject(pb.RuleScope_RULE_SCOPE_ZONE, func(about subject) { read(e.lang.zones, e.lang.sections, about) })
	s.forEachSubject(pb.RuleScope_RULE_SCOPE_SECTION, func(about subject) { read(e.lang.sections, len(e.lang.fields), about) })
	return words, nil
}
