package training

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/service/marking"
	"alkalog/service/timing"
)

// perfect is an attempt that leaves nothing to wish for.
func perfect(c *pb.Case) *pb.Attempt {
	ref := c.Reference
	a := &pb.Attempt{Name: c.Name + "/attempts/a", Student: "chains/quay-school/practitioners/ola", State: pb.AttemptState_ATTEMPT_STATE_SUBMITTED,
		Submission: &pb.Submission{Verdict: marking.Verdict(c), Strength: ref.GetRecommendedStrength().GetStrength(), Explained: yes, AgreementAsked: yes}}
	for _, path := range marking.Questions(ref.Inputs) {
		a.Asked = append(a.Asked, &pb.AskedQuestion{Field: path})
	}
	for _, f := range ref.Findings {
		if !slices.Contains(a.Submission.RuleIds, f.RuleId) {
			a.Submission.RuleIds = append(a.Submission.RuleIds, f.RuleId)
		}
	}
	for _, alternative := range ref.Alternatives {
		if alternative.Suitable {
			a.Submission.AlternativeIds = append(a.Submission.AlternativeIds, alternative.AlternativeId)
		}
	}
	for element := pb.CardElement_CARD_ELEMENT_ANALYSIS; element <= pb.CardElement_CARD_ELEMENT_HOME_CARE; element++ {
		a.Submission.Card = append(a.Submission.Card, &pb.CardEntry{Element: element, Text: "written"})
	}
	if marking.Practicable(c) {
		a.Practice = perfectPractice(c, a)
	}
	return a
}

// perfectPractice is a practice service in which everything is done when the clock asks for
// it: the times are those of the plan.
func perfectPractice(c *pb.Case, a *pb.Attempt) *pb.PracticeService {
	p := begin(c, a, nil, visitDay)
	p.Products = []*pb.Product{relaxer()}
	for step := pb.HygieneStep_HYGIENE_STEP_CAPE_AND_TOWELS; step <= pb.HygieneStep_HYGIENE_STEP_HANDS; step++ {
		p.HygieneSteps = append(p.HygieneSteps, step)
	}
	s := &practising{p: p, at: visitDay.Add(time.Minute)}
	s.note(&pb.Event{Fact: &pb.Event_ProductConfirmed{ProductConfirmed: &pb.ProductConfirmed{Product: p.Session.Product, LotCode: p.Session.LotCode}}})
	s.note(&pb.Event{Fact: &pb.Event_BaseApplied{BaseApplied: &pb.BaseApplied{WholeScalp: true}}})
	for _, condition := range p.Session.Conditions {
		s.note(&pb.Event{Fact: &pb.Event_ConditionMet{ConditionMet: &pb.ConditionMet{RuleId: condition.RuleId, Subject: condition.Subject}}})
	}
	s.apply()
	s.note(&pb.Event{Fact: &pb.Event_RinseStarted{RinseStarted: &pb.RinseStarted{}}})
	s.at = s.at.Add(5 * time.Minute)
	s.note(&pb.Event{Fact: &pb.Event_RinseFinished{RinseFinished: &pb.RinseFinished{}}})
	for _, colour := range []pb.IndicatorColour{pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, pb.IndicatorColour_INDICATOR_COLOUR_ALKALI, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR, pb.IndicatorColour_INDICATOR_COLOUR_CLEAR} {
		s.at = s.at.Add(2 * time.Minute)
		s.note(&pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Indicator: colour}}})
	}
	s.note(&pb.Event{Fact: &pb.Event_ScalpChecked{ScalpChecked: &pb.ScalpChecked{}}})
	return p
}

// practising notes events one after the other.
type practising struct {
	p  *pb.PracticeService
	at time.Time
}

// note notes an event at the present time of the practice service.
func (s *practising) note(e *pb.Event) {
	e.EventId, e.OccurTime = string(rune('a'+len(s.p.Events)%26))+string(rune('a'+len(s.p.Events)/26)), timestamppb.New(s.at)
	s.p.Events = append(s.p.Events, &pb.StoredEvent{Event: e, RecordTime: timestamppb.New(s.at), Sequence: int64(len(s.p.Events) + 1)})
}

// state is where the practice service stands.
func (s *practising) state() *pb.SessionState {
	return timing.FoldWith(s.p.Session, s.p.Events, s.p.Products, s.at)
}

// apply puts product on the planned sections of the first stage, tests each strand when it
// is due, and stops when the clock calls for water.
func (s *practising) apply() {
	for _, planned := range s.p.Session.Plan.Sections {
		s.note(&pb.Event{Fact: &pb.Event_SectionApplied{SectionApplied: &pb.SectionApplied{SectionId: planned.SectionId}}})
		s.at = s.at.Add(time.Minute)
	}
	for range 30 {
		for _, alarm := range s.state().Alarms {
			switch alarm.Kind {
			case pb.AlarmKind_ALARM_KIND_STRAND_TEST_DUE:
				s.note(&pb.Event{Fact: &pb.Event_StrandTest{StrandTest: &pb.StrandTest{SectionId: alarm.SectionId, RemainingCurlPercent: new(60.0)}}})
			case pb.AlarmKind_ALARM_KIND_RINSE_DUE, pb.AlarmKind_ALARM_KIND_RINSE_NOW, pb.AlarmKind_ALARM_KIND_TARGET_NEAR:
				return
			}
		}
		s.at = s.at.Add(time.Minute)
	}
}

// cases are generated heads of every difficulty.
func cases(t testing.TB, n int64) []*pb.Case {
	var all []*pb.Case
	for seed := range n {
		for _, difficulty := range []pb.Difficulty{pb.Difficulty_DIFFICULTY_EASY, pb.Difficulty_DIFFICULTY_MEDIUM, pb.Difficulty_DIFFICULTY_HARD} {
			all = append(all, made(t, seed, difficulty))
		}
	}
	return all
}

// TestPerfectAttemptGetsFullMarks on every generated head.
func TestPerfectAttemptGetsFullMarks(t *testing.T) {
	t.Parallel()
	practised := 0
	for _, c := range cases(t, 10) {
		a := perfect(c)
		if a.Practice != nil {
			practised++
		}
		marks := marking.Mark(c, a)
		if score := marking.Score(marks); score == nil || *score != 100 {
			t.Errorf("%s %v: %v", c.Name, c.Reference.Verdict, score)
			for _, m := range marks {
				if m.Proposed != pb.MarkValue_MARK_VALUE_MET {
					t.Errorf("  %s: %v %q", m.Criterion.CriterionId, m.Proposed, m.Evidence)
				}
			}
		}
	}
	if practised == 0 {
		t.Error("no practice service was marked")
	}
}

// TestEachOmissionCostsItsCriterion leaves out one thing after the other and compares the
// sheets: exactly the criterion of that thing has another mark, and the score falls by
// what it weighs.
func TestEachOmissionCostsItsCriterion(t *testing.T) {
	t.Parallel()
	for _, c := range cases(t, 2) {
		whole := perfect(c)
		before := marking.Mark(c, whole)
		omit := func(what, criterion string, change func(*pb.Attempt)) {
			a := proto.CloneOf(whole)
			change(a)
			after := marking.Mark(c, a)
			if len(after) != len(before) {
				t.Fatalf("%s: %d marks, then %d", what, len(before), len(after))
			}
			var differ []string
			lost, all := 0.0, 0.0
			for i, m := range after {
				weight := float64(m.Criterion.GetWeight())
				all += weight
				if m.Proposed != before[i].Proposed {
					differ = append(differ, m.Criterion.CriterionId)
					lost += weight
					if m.Proposed == pb.MarkValue_MARK_VALUE_PARTLY {
						lost -= weight / 2
					}
				}
			}
			if !slices.Equal(differ, []string{criterion}) {
				t.Errorf("%s: without %s differs %q, not %q", c.Name, what, differ, criterion)
			}
			want := 100 * (1 - lost/all)
			if got := *marking.Score(after); got < want-0.051 || got > want+0.051 {
				t.Errorf("%s: without %s the score is %v, not %v", c.Name, what, got, want)
			}
		}
		elements := elementsOf(c)
		for i, q := range whole.Asked {
			if elements[q.Field] == "" {
				continue // of sections, which are known from the beginning
			}
			omit("asking "+q.Field, elements[q.Field], func(a *pb.Attempt) { a.Asked = slices.Delete(a.Asked, i, i+1) })
		}
		for i, id := range whole.Submission.RuleIds {
			if criterion := criterionOf(c, id); criterion != "" {
				omit("stating "+id, criterion, func(a *pb.Attempt) { a.Submission.RuleIds = slices.Delete(a.Submission.RuleIds, i, i+1) })
			}
		}
		omit("explaining", "plan.explained", func(a *pb.Attempt) { a.Submission.Explained = no })
		if marking.GoesAhead(c.Reference.Verdict) {
			omit("agreement", "plan.agreement", func(a *pb.Attempt) { a.Submission.AgreementAsked = 0 })
			omit("strength", "plan.strength", func(a *pb.Attempt) { a.Submission.Strength = 0 })
			omit("home care on the card", "card.home-care", func(a *pb.Attempt) { a.Submission.Card = a.Submission.Card[:6] })
			omit("hygiene", "procedure.hygiene", func(a *pb.Attempt) { a.Practice.HygieneSteps = a.Practice.HygieneSteps[:4] })
			omit("a look at the scalp", "procedure.scalp-after", func(a *pb.Attempt) { drop(a, func(e *pb.Event) bool { return e.GetScalpChecked() != nil }) })
			omit("neutralizing", "procedure.neutral", func(a *pb.Attempt) { drop(a, func(e *pb.Event) bool { return e.GetShampoo() != nil }) })
			omit("base", "procedure.protection", func(a *pb.Attempt) { drop(a, func(e *pb.Event) bool { return e.GetBaseApplied() != nil }) })
			omit("confirming the product", "procedure.product", func(a *pb.Attempt) { drop(a, func(e *pb.Event) bool { return e.GetProductConfirmed() != nil }) })
		}
		omit("the analysis on the card", "card.analysis", func(a *pb.Attempt) { a.Submission.Card = a.Submission.Card[1:] })
	}
}

// drop takes events out of the practice service.
func drop(a *pb.Attempt, which func(*pb.Event) bool) {
	a.Practice.Events = slices.DeleteFunc(a.Practice.Events, func(e *pb.StoredEvent) bool { return which(e.Event) })
}

// elementsOf are the criteria of questions, found from the sheet alone: the one that says
// that the question was not asked.
func elementsOf(c *pb.Case) map[string]string {
	elements, nothing := map[string]string{}, marking.Mark(c, &pb.Attempt{})
	for _, path := range marking.Questions(c.Reference.Inputs) {
		for _, m := range nothing {
			if slices.Contains(m.Evidence, "not asked: "+marking.Label(path)) {
				elements[path] = m.Criterion.CriterionId
			}
		}
	}
	return elements
}

// criterionOf is the criterion of a rule on the sheet; empty: a condition of a service that
// does not go ahead has none.
func criterionOf(c *pb.Case, rule string) string {
	for _, m := range marking.Mark(c, &pb.Attempt{}) {
		if id := m.Criterion.CriterionId; strings.HasSuffix(id, "."+rule) && (strings.HasPrefix(id, "finding.") || strings.HasPrefix(id, "condition.")) {
			return id
		}
	}
	return ""
}

// TestOrderDoesNotMatter shuffles questions, reasons, card and events.
func TestOrderDoesNotMatter(t *testing.T) {
	t.Parallel()
	draw := rand.New(rand.NewPCG(3, 3))
	for _, c := range cases(t, 4) {
		a := perfect(c)
		a.Asked = a.Asked[:len(a.Asked)*2/3] // so that there is something to get wrong
		want := marking.Mark(c, a)
		draw.Shuffle(len(a.Asked), func(i, j int) { a.Asked[i], a.Asked[j] = a.Asked[j], a.Asked[i] })
		draw.Shuffle(len(a.Submission.RuleIds), func(i, j int) {
			a.Submission.RuleIds[i], a.Submission.RuleIds[j] = a.Submission.RuleIds[j], a.Submission.RuleIds[i]
		})
		slices.Reverse(a.Submission.Card)
		slices.Reverse(a.Practice.GetEvents()) // the order in which they are stored
		for i, m := range marking.Mark(c, a) {
			if !proto.Equal(m, want[i]) {
				t.Errorf("%s: %v, not %v", c.Name, m, want[i])
			}
		}
	}
}

// TestTooMildNeverBeatsTooStrict: with everything else the same, and also when everything
// else follows from the wrong verdict.
func TestTooMildNeverBeatsTooStrict(t *testing.T) {
	t.Parallel()
	verdicts := []pb.Verdict{pb.Verdict_VERDICT_PROCEED, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, pb.Verdict_VERDICT_ASK, pb.Verdict_VERDICT_REFER, pb.Verdict_VERDICT_REFUSE}
	for _, c := range cases(t, 8) {
		var mild, strict []float64
		for _, v := range verdicts {
			for _, follows := range []bool{false, true} {
				a := perfect(c)
				a.Submission.Verdict = v
				if follows && !marking.GoesAhead(v) {
					a.Submission.Strength, a.Submission.AgreementAsked = 0, 0
				}
				score := *marking.Score(marking.Mark(c, a))
				switch order := contract.CompareRank(v, c.Reference.Verdict); {
				case order < 0:
					mild = append(mild, score)
				case order > 0:
					strict = append(strict, score)
				}
			}
		}
		if len(mild) > 0 && len(strict) > 0 && slices.Max(mild) > slices.Min(strict) {
			t.Errorf("%s (%v): too mild gets %v, too strict %v", c.Name, c.Reference.Verdict, mild, strict)
		}
	}
}
