// Package marking marks a student's attempt on a case: what was asked against what the
// case holds, what was stated against what the rules decide, and what was done in the
// practice service against what the clock found. It proposes; a person confirms.
//
// Criteria are data (criteria.yaml), each with its source and weight. They follow the
// Australian unit SHBHREF002, Straighten and relax hair with chemical treatments, as
// far as it was read. Some are made for a case: one for each rule that found something,
// with the rule's own source.
//
// Every criterion is marked by itself, so that one omission costs that criterion and no
// other:
//
//   - An element of the analysis by which of its answers were asked for, whatever was
//     made of them.
//   - A finding by whether it was stated, whatever was asked. That it was stated without
//     the question is in the evidence.
//   - The verdict by its rank: right is met, too strict is partly met, too mild is not
//     met. Too strict costs an appointment, too mild a scalp.
//   - The parts of the procedure by the deviations that the clock finds, as in a service
//     on a client.
//
// Marks do not depend on the order of questions, reasons or events' arrival.
//
// The package is pure.
//
// # What follows from this
//
// A sheet for the same case and the same attempt is the same on every server, so a
// proposal can be checked by marking again. A criterion is on the sheet because of the
// case and never because of the attempt: two attempts on one case have the same
// criteria, and a class can be counted criterion by criterion. An attempt that did
// nothing is marked like any other.
//
// # Score
//
// The score is the weight of what is met, and half of that of what is partly met, in
// percent of all that is marked. Weights are our own choice, since the unit has none:
// what can hurt somebody counts most. The verdict weighs so much that a verdict that is
// too mild never scores above one that is too strict, also when strength and agreement
// are left out with it. A test holds this on generated heads.
package marking

import (
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/proto/fieldpath"
)

// Mark marks an attempt on a case, criterion by criterion, in the order of the sheet.
// The case has its reference, the attempt a submission. Neither is changed.
// The groups come in the order in which a service goes: what was asked, what was found,
// the verdict, what follows from it, the card, the procedure, and then what the school
// added. A school's own criteria get no proposal, because no rule knows what they mean.
func Mark(c *pb.Case, a *pb.Attempt) []*pb.Mark {
	m := &marker{criteria: builtIn, it: c, attempt: a}
	m.analysis()
	m.findings()
	m.verdict()
	m.plan()
	m.card()
	m.procedure()
	for _, own := range c.GetCriteria() {
		m.marks = append(m.marks, &pb.Mark{Criterion: &pb.Criterion{CriterionId: own.CriterionId, Title: own.Title, Weight: own.Weight,
			Basis: own.Basis, Group: pb.CriterionGroup_CRITERION_GROUP_SCHOOL}, Evidence: []string{"marked by a person only"}})
	}
	return m.marks
}

// marker is a sheet that is being made.
type marker struct {
	*criteria
	it      *pb.Case
	attempt *pb.Attempt
	marks   []*pb.Mark
}

// add marks a line of the criteria.
// The mark is returned for the few that say more than the criterion's line.
func (m *marker) add(line criterion, group pb.CriterionGroup, value pb.MarkValue, evidence ...string) *pb.Mark {
	mark := &pb.Mark{Criterion: m.of(line, group), Proposed: value, Evidence: evidence}
	m.marks = append(m.marks, mark)
	return mark
}

// when is met if something holds, and not met otherwise.
func when(holds bool) pb.MarkValue {
	if holds {
		return pb.MarkValue_MARK_VALUE_MET
	}
	return pb.MarkValue_MARK_VALUE_NOT_MET
}

// Verdict is the verdict that attempts on a case are marked against.
// An instructor's ruling comes before the rules: local boards and schools differ, and
// the ruling says who answers for it. The findings stay those of the rules.
func Verdict(c *pb.Case) pb.Verdict {
	if c.GetRuling() != nil {
		return c.Ruling.Verdict
	}
	return c.GetReference().GetVerdict()
}

// GoesAhead reports whether a service goes ahead under a verdict.
// No verdict is none that lets a service go ahead.
func GoesAhead(v pb.Verdict) bool {
	return v != pb.Verdict_VERDICT_UNSPECIFIED && contract.CompareRank(v, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS) <= 0
}

// analysis marks the elements of the analysis. An element about which the case says
// nothing is left out.
// Half of the answers is the line between partly and not met, our own choice. What was
// asked for and is not in the case neither helps nor harms: a careful student asks more
// than a case has.
func (m *marker) analysis() {
	asked := map[string]bool{}
	for _, q := range m.attempt.GetAsked() {
		asked[q.Field] = true
	}
	taken := map[string]bool{} // by an element before: each answer belongs to one
	for _, line := range m.Analysis {
		var all, missed []string
		for _, path := range Questions(m.it.GetReference().GetInputs()) {
			if !taken[path] && line.covers(path) {
				taken[path] = true
				all = append(all, path)
				if !asked[path] {
					missed = append(missed, path)
				}
			}
		}
		if len(all) == 0 {
			continue
		}
		value := when(len(missed) == 0)
		if len(missed) > 0 && 2*len(missed) <= len(all) {
			value = pb.MarkValue_MARK_VALUE_PARTLY
		}
		evidence := []string{fmt.Sprintf("asked for %d of %d answers", len(all)-len(missed), len(all))}
		for _, path := range missed {
			evidence = append(evidence, "not asked: "+Label(path))
		}
		m.add(line.criterion, pb.CriterionGroup_CRITERION_GROUP_ANALYSIS, value, evidence...)
	}
}

// covers reports whether a question belongs to an element. An earlier element with a
// longer path takes it first.
// Keys are left out of the comparison, so that one field stands for all zones and all
// sections of a head, however many the case has.
func (a analysisCriterion) covers(path string) bool {
	bare := withoutKeys(strings.TrimPrefix(path, "consultation."))
	return slices.ContainsFunc(a.Fields, func(field string) bool { return bare == field || strings.HasPrefix(bare, field+".") })
}

// withoutKeys is a path without the keys of lists.
// A path whose bracket is not closed stays as it is; there is none.
func withoutKeys(path string) string {
	for {
		open := strings.IndexByte(path, '[')
		if open < 0 {
			return path
		}
		end := strings.IndexByte(path[open:], ']')
		if end < 0 {
			return path
		}
		path = path[:open] + path[open+end+1:]
	}
}

// Question is the question that a path belongs to: of a past event the event as a whole.
// An error says what would be right.
// Whether something happened and when are one question to a client, so asking for either
// answers both. Inputs of a check that are no answers, such as the lot, cannot be asked.
func Question(path string) (string, error) {
	for _, leaf := range []string{".happened", ".last_time", ".last_date"} {
		if event, ok := strings.CutSuffix(path, leaf); ok {
			path = event
		}
	}
	p, err := fieldpath.Parse(path)
	if err != nil {
		return "", err
	}
	if !p.InConsultation() {
		return "", fmt.Errorf("must begin with consultation.: %s is no answer of the client or the head", path)
	}
	return path, nil
}

// notAsked are answers that belong to the record and not to the head.
var notAsked = []string{"consultation.consent.agreed", "consultation.consent.explained", "consultation.consent.agree_time", "consultation.consent.text_version",
	"consultation.consent.language", "consultation.consent.digest", "consultation.tests.tester", "consultation.scalp.seen_time", "consultation.tests.test_time", "consultation.remarks"}

// Questions are what can be asked of a case: a path for each answer that it has.
// Their order is the contract's. Elements of lists are left out: that a head has a section
// is seen and not asked.
func Questions(in *pb.DecisionInputs) []string {
	var all []string
	for _, p := range fieldpath.Answered(in) {
		if path, err := Question(p.String()); err == nil && !p.IsElement() && !slices.Contains(notAsked, path) && !slices.Contains(all, path) {
			all = append(all, path)
		}
	}
	return all
}

// findings marks each rule above a condition that found something, and reasons that
// were made up. Several findings of one rule are one criterion.
// One reason that was made up is partly met, more are not met: one can be a slip, and a
// list of everything would otherwise find everything.
func (m *marker) findings() {
	for _, f := range severest(m.it.GetReference().GetFindings()) {
		if f.Severity != pb.Severity_SEVERITY_CONDITION {
			m.finding(f, pb.CriterionGroup_CRITERION_GROUP_FINDINGS, "finding.")
		}
	}
	var invented []string
	for _, id := range m.attempt.GetSubmission().GetRuleIds() {
		if !slices.ContainsFunc(m.it.GetReference().GetFindings(), func(f *pb.Finding) bool { return f.RuleId == id }) {
			invented = append(invented, "stated, but not on this head: "+id)
		}
	}
	value := when(len(invented) == 0)
	if len(invented) == 1 {
		value = pb.MarkValue_MARK_VALUE_PARTLY
	}
	m.add(m.Findings.Invented, pb.CriterionGroup_CRITERION_GROUP_FINDINGS, value, invented...)
}

// finding marks one finding: stated or not.
// The evidence says what the rule saw in the case, and which of it was never asked. The
// basis is that of the rule, so the sheet names the source of every reason.
func (m *marker) finding(f *pb.Finding, group pb.CriterionGroup, prefix string) {
	stated := slices.Contains(m.attempt.GetSubmission().GetRuleIds(), f.RuleId)
	evidence := []string{"not stated: " + f.RuleId}
	if stated {
		evidence[0] = "stated: " + f.RuleId
		for _, seen := range f.Answers {
			path, err := Question(seen.Field)
			if err == nil && !slices.ContainsFunc(m.attempt.GetAsked(), func(q *pb.AskedQuestion) bool { return q.Field == path }) {
				evidence = append(evidence, "stated without asking: "+Label(path))
			}
		}
	}
	for _, seen := range f.Answers {
		evidence = append(evidence, "in the case: "+Label(seen.Field)+": "+seen.Value)
	}
	m.marks = append(m.marks, &pb.Mark{
		Criterion: &pb.Criterion{CriterionId: prefix + f.RuleId, Title: f.Message, Group: group, Weight: new(m.weightOf(f.Severity)), Basis: f.Basis},
		Proposed:  when(stated), Evidence: evidence, Why: f.Message})
}

// severest keeps of each rule its first finding, which is its severest.
// Findings are sorted by severity, the severest first.
func severest(findings []*pb.Finding) []*pb.Finding {
	var kept []*pb.Finding
	for _, f := range findings {
		if !slices.ContainsFunc(kept, func(k *pb.Finding) bool { return k.RuleId == f.RuleId }) {
			kept = append(kept, f)
		}
	}
	return kept
}

// verdict marks the verdict.
// What is not known by this program counts as the most severe verdict, as everywhere. No
// stated verdict is too mild. The words of both verdicts are in the evidence, and so is an
// instructor's ruling with what the rules decided.
func (m *marker) verdict() {
	want, got := Verdict(m.it), m.attempt.GetSubmission().GetVerdict()
	evidence := fmt.Sprintf("stated %s, right is %s", VerdictWords(got), VerdictWords(want))
	value := pb.MarkValue_MARK_VALUE_MET
	switch order := contract.CompareRank(got, want); {
	case got == pb.Verdict_VERDICT_UNSPECIFIED || order < 0:
		value, evidence = pb.MarkValue_MARK_VALUE_NOT_MET, evidence+": too mild"
	case order > 0:
		value, evidence = pb.MarkValue_MARK_VALUE_PARTLY, evidence+": too strict"
	}
	mark := m.add(m.Verdict, pb.CriterionGroup_CRITERION_GROUP_VERDICT, value, evidence)
	if ruling := m.it.GetRuling(); ruling != nil {
		mark.Evidence = append(mark.Evidence, "an instructor's ruling; the rules decide "+VerdictWords(m.it.GetReference().GetVerdict()))
	}
}
