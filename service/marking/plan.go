package marking

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// plan marks what follows from the verdict: conditions and strength if the service goes
// ahead, something else to offer if it does not, and the talk with the client. What is
// expected follows from the right verdict, not from the student's.
// That makes the sheet of a refusal shorter than that of a service, and a wrong verdict
// does not change which criteria there are.
func (m *marker) plan() {
	const group = pb.CriterionGroup_CRITERION_GROUP_PLAN
	said := m.attempt.GetSubmission()
	if GoesAhead(Verdict(m.it)) {
		for _, f := range severest(m.it.GetReference().GetFindings()) {
			if f.Severity == pb.Severity_SEVERITY_CONDITION {
				m.finding(f, group, "condition.")
			}
		}
		m.strength(said.GetStrength())
		m.add(m.Plan.Agreement, group, when(said.GetAgreementAsked() == pb.Answer_ANSWER_YES), "asked to agree: "+answerWords(said.GetAgreementAsked()))
	} else {
		m.alternative(said.GetAlternativeIds())
	}
	m.add(m.Plan.Explained, group, when(said.GetExplained() == pb.Answer_ANSWER_YES), "explained: "+answerWords(said.GetExplained()))
}

// strength marks the strength. One that is too mild is partly met, one that is too
// strong is not met.
// Hair that is not described well enough has no right strength, and nothing is marked.
// The reasons of the rules are in the evidence.
func (m *marker) strength(got pb.Strength) {
	want := m.it.GetReference().GetRecommendedStrength().GetStrength()
	if want == pb.Strength_STRENGTH_UNSPECIFIED {
		return
	}
	value := pb.MarkValue_MARK_VALUE_NOT_MET
	switch {
	case got == want:
		value = pb.MarkValue_MARK_VALUE_MET
	case got != pb.Strength_STRENGTH_UNSPECIFIED && got < want: // the enum goes from mild to super
		value = pb.MarkValue_MARK_VALUE_PARTLY
	}
	mark := m.add(m.Plan.Strength, pb.CriterionGroup_CRITERION_GROUP_PLAN, value, "stated "+strengthWords(got)+", right is "+strengthWords(want))
	mark.Evidence = append(mark.Evidence, m.it.GetReference().GetRecommendedStrength().GetReasons()...)
}

// alternative marks what is offered instead: met if something suitable is among it and
// nothing that this head's answers speak against. If nothing suits, nothing is marked.
// The cautions of what does not suit are in the evidence: they say what speaks against
// it on this head.
func (m *marker) alternative(offered []string) {
	suitable, unsuitable := false, false
	var evidence []string
	possible := false
	for _, a := range m.it.GetReference().GetAlternatives() {
		possible = possible || a.Suitable
		if !slices.Contains(offered, a.AlternativeId) {
			continue
		}
		word := "suits: "
		if !a.Suitable {
			word = "does not suit: "
			unsuitable = true
		}
		suitable = suitable || a.Suitable
		evidence = append(evidence, word+a.Title)
		if !a.Suitable {
			evidence = append(evidence, a.Cautions...)
		}
	}
	if !possible {
		return
	}
	value := when(suitable)
	if suitable && unsuitable {
		value = pb.MarkValue_MARK_VALUE_PARTLY
	}
	if len(evidence) == 0 {
		evidence = []string{"nothing of the list was offered"}
	}
	m.add(m.Plan.Alternative, pb.CriterionGroup_CRITERION_GROUP_PLAN, value, evidence...)
}

// card marks the elements of the record card by whether there is a line for each. What
// the line says is for the person who confirms. Elements of a service count only where a
// practice service belongs to the case.
// A case that is refused has no service to record, and neither has one without practice.
func (m *marker) card() {
	for _, line := range m.Card {
		if line.Service && !m.practised() {
			continue
		}
		element := pb.CardElement(pb.CardElement_value[line.Element])
		written := ""
		for _, entry := range m.attempt.GetSubmission().GetCard() {
			if entry.Element == element {
				written = strings.TrimSpace(entry.Text)
			}
		}
		evidence := "no line on the card"
		if written != "" {
			evidence = "written: " + written
		}
		m.add(line.criterion, pb.CriterionGroup_CRITERION_GROUP_CARD, when(written != ""), evidence)
	}
}

// practised reports whether a practice service belongs to the case.
func (m *marker) practised() bool { return m.it.GetPractice() && Practicable(m.it) }

// Practicable reports whether the rules let a service go ahead on a case, so that it has
// a plan. An instructor's ruling may forbid one and cannot allow one.
// A school that finds a case harmless where the rules refuse can mark it so, and still
// nobody practises what the rules refuse.
func Practicable(c *pb.Case) bool {
	return GoesAhead(Verdict(c)) && GoesAhead(c.GetReference().GetVerdict()) && c.GetReference().GetPlan() != nil
}
