package marking_test

import (
	"slices"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/marking"
)

// The attempts below were marked by hand from the criteria, before the program marked
// them. Sources: SHBHREF002, Straighten and relax hair with chemical treatments, as quoted
// beside each line of criteria.yaml (analysis, card, explained, agreement); common practice
// for tests, strength and alternatives; our own choice for the verdict, for reasons that
// were made up, and for all weights. Heads and students are invented.

const (
	no  = pb.Answer_ANSWER_NO
	yes = pb.Answer_ANSWER_YES
)

// calm is a head on which a service goes ahead with one condition. Points by hand: wish 2,
// scalp 8, texture 2, density 2, history 6, age 2, tests 6; nothing made up 8; verdict 40;
// condition 3; strength 6; agreement 4; explained 4; card 3 x 2. Together 99.
func calm() *pb.Case {
	return &pb.Case{Name: "chains/quay-school/cases/calm", Reference: &pb.Decision{
		Verdict:             pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS,
		RecommendedStrength: &pb.StrengthAdvice{Strength: pb.Strength_STRENGTH_REGULAR},
		Findings:            []*pb.Finding{{RuleId: "directions.base", Severity: pb.Severity_SEVERITY_CONDITION, Message: "Base the scalp."}},
		Inputs: &pb.DecisionInputs{Consultation: &pb.Consultation{
			Wishes: &pb.Wishes{StraighteningPercent: new(70.0)}, Scalp: &pb.ScalpAnalysis{Redness: no},
			Hair:    &pb.HairAnalysis{Texture: pb.Texture_TEXTURE_MEDIUM, Density: pb.Density_DENSITY_HIGH},
			History: &pb.ClientHistory{Shampoo: &pb.PastEvent{Happened: no}}, Consent: &pb.Consent{AgeYears: new(int32(30))},
			Tests: &pb.PreliminaryTests{Elasticity: pb.ElasticityReading_ELASTICITY_READING_NORMAL}}}}}
}

// washed is a head that is refused, with a second thing for a doctor. Points by hand: scalp
// 8, texture 2, history 6; the refusal 12, the referral 10; nothing made up 8; verdict 40;
// alternative 6; explained 4; card 3 x 2. Together 102.
func washed() *pb.Case {
	return &pb.Case{Name: "chains/quay-school/cases/washed", Reference: &pb.Decision{
		Verdict: pb.Verdict_VERDICT_REFUSE,
		Findings: []*pb.Finding{
			{RuleId: "wait.shampoo", Severity: pb.Severity_SEVERITY_REFUSE, Message: "Wait.", Answers: []*pb.SeenAnswer{{Field: "consultation.history.shampoo.last_time", Value: "yesterday"}}},
			{RuleId: "medical.medication", Severity: pb.Severity_SEVERITY_REFER, Message: "Ask for a doctor's word."}},
		Alternatives: []*pb.Alternative{{AlternativeId: "trim", Title: "A trim", Suitable: true}, {AlternativeId: "smoothing", Title: "Smoothing"}},
		Inputs: &pb.DecisionInputs{Consultation: &pb.Consultation{
			Scalp: &pb.ScalpAnalysis{Redness: no, Sores: no}, Hair: &pb.HairAnalysis{Texture: pb.Texture_TEXTURE_MEDIUM},
			History: &pb.ClientHistory{Shampoo: &pb.PastEvent{Happened: yes}, Medication: yes}}}}}
}

// whole is an attempt without a fault.
func whole(c *pb.Case) *pb.Attempt {
	a := &pb.Attempt{Submission: &pb.Submission{Verdict: c.Reference.Verdict, Strength: c.Reference.GetRecommendedStrength().GetStrength(), Explained: yes, AgreementAsked: yes,
		Card: []*pb.CardEntry{{Element: pb.CardElement_CARD_ELEMENT_ANALYSIS, Text: "calm"}, {Element: pb.CardElement_CARD_ELEMENT_CONTRAINDICATIONS, Text: "see above"},
			{Element: pb.CardElement_CARD_ELEMENT_DESIRED_DEGREE, Text: "70 %"}}}}
	for _, path := range marking.Questions(c.Reference.Inputs) {
		a.Asked = append(a.Asked, &pb.AskedQuestion{Field: path})
	}
	for _, f := range c.Reference.Findings {
		a.Submission.RuleIds = append(a.Submission.RuleIds, f.RuleId)
	}
	if len(c.Reference.Alternatives) > 0 {
		a.Submission.AlternativeIds = []string{"trim"}
	}
	return a
}

// unasked takes questions back.
func unasked(fields ...string) func(*pb.Attempt) {
	return func(a *pb.Attempt) {
		a.Asked = slices.DeleteFunc(a.Asked, func(q *pb.AskedQuestion) bool { return slices.Contains(fields, q.Field) })
	}
}

// said changes the decision.
func said(change func(*pb.Submission)) func(*pb.Attempt) {
	return func(a *pb.Attempt) { change(a.Submission) }
}

// byHand are 22 attempts: what was left out, what was expected to be missed, and the score
// by hand, (all points - lost) / all points.
var byHand = []struct {
	what   string
	of     func() *pb.Case
	change func(*pb.Attempt)
	missed []string
	score  float64
}{
	{"nothing", calm, func(*pb.Attempt) {}, nil, 100},
	{"every question: 28 of 99", calm, func(a *pb.Attempt) { a.Asked = nil }, []string{"analysis.wish", "analysis.scalp", "analysis.texture", "analysis.density", "analysis.history", "analysis.age", "analysis.tests"}, 71.7},
	{"the scalp: 8", calm, unasked("consultation.scalp.redness"), []string{"analysis.scalp"}, 91.9},
	{"the age: 2", calm, unasked("consultation.consent.age_years"), []string{"analysis.age"}, 98.0},
	{"refused, too strict: half of 40", calm, said(func(s *pb.Submission) { s.Verdict = pb.Verdict_VERDICT_REFUSE }), []string{"verdict"}, 79.8},
	{"would ask, too strict: half of 40", calm, said(func(s *pb.Submission) { s.Verdict = pb.Verdict_VERDICT_ASK }), []string{"verdict"}, 79.8},
	{"no condition seen, too mild: 40", calm, said(func(s *pb.Submission) { s.Verdict = pb.Verdict_VERDICT_PROCEED }), []string{"verdict"}, 59.6},
	{"a milder strength: half of 6", calm, said(func(s *pb.Submission) { s.Strength = pb.Strength_STRENGTH_MILD }), []string{"plan.strength"}, 97.0},
	{"a stronger strength: 6", calm, said(func(s *pb.Submission) { s.Strength = pb.Strength_STRENGTH_SUPER }), []string{"plan.strength"}, 93.9},
	{"the condition: 3", calm, said(func(s *pb.Submission) { s.RuleIds = nil }), []string{"condition.directions.base"}, 97.0},
	{"one reason made up: half of 8", calm, said(func(s *pb.Submission) { s.RuleIds = append(s.RuleIds, "wait.colour") }), []string{"findings.none-invented"}, 96.0},
	{"two reasons made up: 8", calm, said(func(s *pb.Submission) { s.RuleIds = append(s.RuleIds, "wait.colour", "scalp.sores") }), []string{"findings.none-invented"}, 91.9},
	{"the card: 3 x 2", calm, said(func(s *pb.Submission) { s.Card = nil }), []string{"card.analysis", "card.contraindications", "card.desired-degree"}, 93.9},
	{"a card with blanks: 2", calm, said(func(s *pb.Submission) { s.Card[0].Text = "  " }), []string{"card.analysis"}, 98.0},
	{"the talk: 4 and 4", calm, said(func(s *pb.Submission) { s.Explained, s.AgreementAsked = no, 0 }), []string{"plan.agreement", "plan.explained"}, 91.9},
	{"nothing", washed, func(*pb.Attempt) {}, nil, 100},
	{"went ahead blindly: 40, 12, 10 and 6 of 102", washed, said(func(s *pb.Submission) { s.Verdict, s.RuleIds, s.AlternativeIds = pb.Verdict_VERDICT_PROCEED, nil, nil }),
		[]string{"finding.wait.shampoo", "finding.medical.medication", "verdict", "plan.alternative"}, 33.3},
	{"referred only, too mild: 40", washed, said(func(s *pb.Submission) { s.Verdict = pb.Verdict_VERDICT_REFER }), []string{"verdict"}, 60.8},
	{"the medication: 10", washed, said(func(s *pb.Submission) { s.RuleIds = s.RuleIds[:1] }), []string{"finding.medical.medication"}, 90.2},
	{"also offered what does not suit: half of 6", washed, said(func(s *pb.Submission) { s.AlternativeIds = append(s.AlternativeIds, "smoothing") }), []string{"plan.alternative"}, 97.1},
	{"offered only what does not suit: 6", washed, said(func(s *pb.Submission) { s.AlternativeIds = []string{"smoothing"} }), []string{"plan.alternative"}, 94.1},
	{"guessed the shampoo: half of 6 for the history", washed, unasked("consultation.history.shampoo"), []string{"analysis.history"}, 97.1},
}

func TestMarkedByHand(t *testing.T) {
	t.Parallel()
	for _, h := range byHand {
		c := h.of()
		a := whole(c)
		h.change(a)
		marks := marking.Mark(c, a)
		if missed := marking.Missed(marks); !slices.Equal(missed, h.missed) {
			t.Errorf("without %s: missed %q, by hand %q", h.what, missed, h.missed)
		}
		if score := marking.Score(marks); score == nil || *score != h.score {
			t.Errorf("without %s: %v, by hand %v", h.what, *score, h.score)
		}
	}
}

// TestRulingComesBeforeTheRules: on a head that an instructor wants referred, a refusal is
// too strict, and a service that would go ahead is too mild as before.
func TestRulingComesBeforeTheRules(t *testing.T) {
	t.Parallel()
	c := washed()
	c.Ruling = &pb.ReferenceRuling{Verdict: pb.Verdict_VERDICT_REFER, Comment: "our board refers"}
	if score := *marking.Score(marking.Mark(c, whole(c))); score != 80.4 { // 82 of 102
		t.Errorf("a refusal of what should be referred gets %v", score)
	}
	if !slices.ContainsFunc(marking.Mark(c, whole(c)), func(m *pb.Mark) bool {
		return slices.Contains(m.Evidence, "an instructor's ruling; the rules decide refuse")
	}) {
		t.Error("the sheet does not say that an instructor ruled")
	}
}

// TestConfirm: a change needs a criterion of the sheet, once; what was not changed is
// confirmed as proposed; a school's own criterion counts once somebody marked it.
func TestConfirm(t *testing.T) {
	t.Parallel()
	c := calm()
	c.Criteria = []*pb.Criterion{{CriterionId: "school.manner", Title: "Speak at eye level.", Weight: new(int32(1))}}
	marks := marking.Mark(c, whole(c))
	same, unknown := marking.Confirm(marks, nil)
	if unknown != "" || *marking.Score(same) != 100 || same[len(same)-1].Confirmed != 0 {
		t.Errorf("confirmed as proposed: %q %v", unknown, same[len(same)-1])
	}
	missed := &pb.MarkChange{CriterionId: "school.manner", Value: pb.MarkValue_MARK_VALUE_NOT_MET, Comment: "from above"}
	changed, _ := marking.Confirm(marks, []*pb.MarkChange{missed})
	if score := *marking.Score(changed); score != 99 { // 99 of 100
		t.Errorf("with the school's own not met: %v", score)
	}
	if _, unknown = marking.Confirm(marks, []*pb.MarkChange{missed, missed}); unknown != "school.manner" {
		t.Errorf("twice: %q", unknown)
	}
	if _, unknown = marking.Confirm(marks, []*pb.MarkChange{{CriterionId: "made.up"}}); unknown != "made.up" {
		t.Errorf("not on the sheet: %q", unknown)
	}
}

// TestClass counts by hand: three sheets of two students, and Wilson's interval for two of
// three, 20.8 to 93.9 % (Newcombe, Statistics in Medicine 17:857, 1998, method 3, computed
// with the quantile 1.959964).
func TestClass(t *testing.T) {
	t.Parallel()
	sheet := func(student string, c *pb.Case, change func(*pb.Attempt)) *pb.MarkSheet {
		a := whole(c)
		change(a)
		marks := marking.Mark(c, a)
		return &pb.MarkSheet{Student: student, Marks: marks, ScorePercent: marking.Score(marks), Verdict: a.Submission.Verdict, ReferenceVerdict: c.Reference.Verdict, PracticeMinutes: 30}
	}
	s := marking.Class([]*pb.MarkSheet{
		sheet("ola", calm(), unasked("consultation.scalp.redness")),
		sheet("teo", washed(), func(a *pb.Attempt) {
			unasked("consultation.scalp.redness", "consultation.scalp.sores")(a)
			a.Submission.Verdict = pb.Verdict_VERDICT_PROCEED
		}),
		sheet("ola", washed(), func(*pb.Attempt) {}),
	}, []string{"one", "two", "three"})
	if len(s.Students) != 2 || s.Students[0].Attempts != 2 || s.Students[0].PracticeMinutes != 60 || s.Students[0].GetMeanScorePercent() != 96 { // (91.9 + 100) / 2 = 95.95
		t.Errorf("students: %v", s.Students)
	}
	if len(s.LookAt) != 1 || s.LookAt[0].Attempt != "two" || s.LookAt[0].Why != "would have gone ahead where the answer is refuse" {
		t.Errorf("look at %v", s.LookAt)
	}
	at := slices.IndexFunc(s.Criteria, func(c *pb.ClassCriterion) bool { return c.Criterion.CriterionId == "analysis.scalp" })
	if row := s.Criteria[at]; row.Missed != 2 || row.Marked != 3 || row.LowerPercent != 20.8 || row.UpperPercent != 93.9 || row.Enough {
		t.Errorf("the scalp: %v", row)
	}
}
