package ledger

import (
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// TestChangedAnswersAreEnteredOnce: deciding again at the start of a service is no
// second change of an answer.
func TestChangedAnswersAreEnteredOnce(t *testing.T) {
	s := EntryContext{Chain: "chains/ebb", Actor: "chains/ebb/practitioners/amara", Time: time.Unix(1, 0), NewID: func() string { return "1" }}
	d := &pb.Decision{Name: "chains/ebb/clients/c/decisions/d", Inputs: &pb.DecisionInputs{
		AnswerChanges: []*pb.AnswerChange{{Field: "consultation.scalp.broken_skin", EarlierValue: "yes", Value: "no", RuleIds: []string{"scalp.broken-skin"}}}}}
	if got := s.AnswersChanged(d); len(got) != 1 || got[0].Kind != pb.EntryKind_ENTRY_KIND_ANSWER_CHANGED {
		t.Errorf("a decision on a changed answer makes %v, want one entry", got)
	}
	d.Replaces = "chains/ebb/clients/c/decisions/earlier"
	if got := s.AnswersChanged(d); len(got) != 0 {
		t.Errorf("the decision that replaces it makes %v, want none", got)
	}
}
