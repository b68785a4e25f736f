package rules

import (
	"fmt"
	"slices"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
)

// Between a decision and the first contact the head, the product and the records can
// change, so the start of a service decides again on the records of that moment. What
// people added to the earlier decision, overrides and a signature, was given for what
// they saw. It carries over where that is the same, and nowhere else. Milder is never
// told; stricter is told line by line, because somebody stands at the chair and must
// know what changed.

// DecisionHolds is how long after it was made a decision lets a service begin, and
// so how long its findings can be overridden. Our own choice: scalp, hair and
// history can change overnight.
const DecisionHolds = 24 * time.Hour

// Carried are the accepted overrides of an earlier decision that still hold for
// one that was made again in its place: those of a finding with the same rule in
// the same version, the same subject and the same answers. An override was given
// for what was known then; it does not cover anything new.
func Carried(earlier, again *pb.Decision) []*pb.Override {
	var carried []*pb.Override
	for _, o := range earlier.GetOverrides() {
		if o.GetDenial() != pb.OverrideDenial_OVERRIDE_DENIAL_UNSPECIFIED {
			continue
		}
		then, now := findingOf(earlier, o.GetRuleId(), o.GetSubject()), findingOf(again, o.GetRuleId(), o.GetSubject())
		if sameFinding(then, now) && sameMembers(earlier, again, o, then) {
			carried = append(carried, o)
		}
	}
	return carried
}

// An override of one cause was given for all of its findings together. If one of them now
// rests on other answers, the whole is another matter and is decided anew.

// sameMembers tells whether all findings that an override set aside together with the
// one it names are there again because of the same answers, or are there no more.
func sameMembers(earlier, again *pb.Decision, o *pb.Override, named *pb.Finding) bool {
	for _, then := range causeMembers(earlier.GetFindings(), named) {
		now := findingOf(again, then.GetRuleId(), then.GetSubject())
		if slices.Contains(o.GetRuleIds(), then.GetRuleId()) && now != nil && !sameFinding(then, now) {
			return false
		}
	}
	return true
}

// CarriedSignature is the supervisor's signature under an earlier decision if it
// still holds for one made again in its place: if that has no finding which the
// supervisor has not seen.
func CarriedSignature(earlier, again *pb.Decision) *pb.Countersignature {
	for _, f := range again.GetFindings() {
		if !sameFinding(findingOf(earlier, f.GetRuleId(), f.GetSubject()), f) {
			return nil
		}
	}
	return earlier.GetCountersignature()
}

// findingOf is a decision's finding by rule and subject; nil when there is none.
func findingOf(d *pb.Decision, ruleID, subject string) *pb.Finding {
	for _, f := range d.GetFindings() {
		if f.GetRuleId() == ruleID && f.GetSubject() == subject {
			return f
		}
	}
	return nil
}

// The version of the rule counts: another version can refuse for another reason under the
// same id, and nobody has looked at that.

// sameFinding tells whether two findings say the same because of the same answers.
// The time of the decision is no answer.
func sameFinding(a, b *pb.Finding) bool {
	return a != nil && b != nil && a.GetRuleVersion() == b.GetRuleVersion() && a.GetSeverity() == b.GetSeverity() &&
		a.GetEvaluationFailed() == b.GetEvaluationFailed() && slices.Equal(evidenceLines(a), evidenceLines(b))
}

// evidenceLines are the answers that a finding looked at, a line each.
func evidenceLines(f *pb.Finding) []string {
	var lines []string
	for _, a := range f.GetAnswers() {
		if a.GetField() != "decide_time" {
			lines = append(lines, a.GetField()+"="+a.GetValue())
		}
	}
	return lines
}

// Stricter says what makes a decision stricter than the earlier one in whose place
// it was made, a line each; nothing when it is the same or milder. The overrides
// that still hold must be in it.
func Stricter(earlier, again *pb.Decision) []string {
	var lines []string
	before, now := Standing(earlier), Standing(again)
	if contract.CompareRank(now, before) > 0 {
		lines = append(lines, fmt.Sprintf("verdict: %s -> %s", verdictWords(before), verdictWords(now)))
	}
	known := map[string]bool{}
	for _, f := range again.GetFindings() {
		known[f.GetRuleId()+"@"+f.GetSubject()] = true
		then := findingOf(earlier, f.GetRuleId(), f.GetSubject())
		name := f.GetRuleId()
		if f.GetSubject() != "" {
			name += " (" + f.GetSubject() + ")"
		}
		switch {
		case setAside(again, f):
		case then == nil:
			lines = append(lines, "new: "+name+": "+f.GetMessage())
		case contract.CompareRank(f.GetSeverity(), then.GetSeverity()) > 0:
			lines = append(lines, "stricter: "+name+": "+f.GetMessage())
		case setAside(earlier, then):
			lines = append(lines, "no longer overridden, because the answers changed: "+name+": "+f.GetMessage())
		}
	}
	for _, c := range again.GetConditions() {
		if !known[c.GetRuleId()+"@"+c.GetSubject()] && !slices.ContainsFunc(earlier.GetConditions(), func(then *pb.Condition) bool {
			return then.GetConditionId() == c.GetConditionId()
		}) {
			lines = append(lines, "new: "+c.GetConditionId()+": "+c.GetText())
		}
	}
	return lines
}

// verdictWords is a verdict in words: "proceed with conditions".
func verdictWords(v pb.Verdict) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(v.String(), "VERDICT_")), "_", " ")
}
