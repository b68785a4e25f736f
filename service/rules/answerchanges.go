package rules

import (
	"slices"
	"strings"
	"time"

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

// Earlier is what is left of an earlier decision once it was judged again: the answers that
// a danger named. It depends on nothing but the decision and the rules, so a caller may keep
// it as long as the engine. It must not be changed.
type Earlier struct {
	// Decision is the name of the decision.
	Decision string
	// CreateTime is when it was made.
	CreateTime time.Time
	// stopped means that the decision was no go-ahead. Others are not judged again.
	stopped bool
	dangers []danger
}

// danger is a finding that refused or referred, with the answers of the consultation that
// it named.
type danger struct {
	finding *pb.Finding // only its rule and subject
	answers []earlierAnswer
}

// earlierAnswer is the value that a field had, in words.
type earlierAnswer struct{ field, value string }

// Size is about how many bytes it takes in memory.
func (d *Earlier) Size() int {
	size := 200 + len(d.Decision)
	for _, danger := range d.dangers {
		size += 300
		for _, a := range danger.answers {
			size += 50 + len(a.field) + len(a.value)
		}
	}
	return size
}

// Judge judges an earlier decision again. Its inputs are judged under today's rules beside
// the stored findings: a rule that was added since may refuse the earlier answer too.
func (e *Engine) Judge(d *pb.Decision) (*Earlier, error) {
	earlier := &Earlier{Decision: d.GetName(), CreateTime: d.GetCreateTime().AsTime(), stopped: contract.AtLeast(d.GetVerdict(), pb.Verdict_VERDICT_ASK)}
	if !earlier.stopped {
		return earlier, nil
	}
	found := d.GetFindings()
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
		if !contract.AtLeast(f.GetSeverity(), pb.Severity_SEVERITY_REFER) {
			continue
		}
		found := danger{finding: &pb.Finding{RuleId: f.GetRuleId(), Subject: f.GetSubject()}}
		for _, a := range f.GetAnswers() {
			// Only answers of the consultation are the salon's to change; records and
			// numbers change by themselves.
			if field := a.GetField(); strings.HasPrefix(field, "consultation.") {
				found.answers = append(found.answers, earlierAnswer{strings.Clone(field), then[field]})
			}
		}
		if len(found.answers) > 0 {
			earlier.dangers = append(earlier.dangers, found)
		}
	}
	return earlier, nil
}

// AnswerChanges are the answers of earlier refusals and referrals, the newest first,
// that were dangerous then and are not now: an answer that a danger named, which has
// another value, where that danger stands no more. Shopping for a verdict leaves a
// trace; an honest correction costs one sentence.
func (e *Engine) AnswerChanges(earlier []*Earlier, in *pb.DecisionInputs) ([]*pb.AnswerChange, error) {
	if !slices.ContainsFunc(earlier, func(d *Earlier) bool { return d.stopped }) {
		return nil, nil
	}
	standing, err := e.dangerousFindings(in)
	if err != nil {
		return nil, err
	}
	now, err := e.answers(in)
	if err != nil {
		return nil, err
	}
	var changes []*pb.AnswerChange
	for _, d := range earlier {
		for _, danger := range d.dangers {
			if stillFires(standing, danger.finding) {
				continue // it was not answered away
			}
			for _, then := range danger.answers {
				if then.value != now[then.field] {
					changes = addChange(changes, &pb.AnswerChange{Field: then.field, EarlierValue: then.value, Value: now[then.field],
						Decision: d.Decision, RuleIds: []string{danger.finding.RuleId}})
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
	s, err := e.open(e.withParameters(in), Revision)
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
