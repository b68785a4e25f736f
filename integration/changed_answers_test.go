package integration

import (
	"slices"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// TestAnswersThatChangeAfterARefusal: a dangerous answer that is another one an hour
// later needs a sentence of explanation and makes an entry without personal data; a day
// later it does not.
func TestAnswersThatChangeAfterARefusal(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	refused := wantVerdict(t, c.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE)
	client := parent(refused.Name)
	c.clock.advance(time.Hour)
	question := c.question(c.submitted(t, client).Name)
	asked := must(t, c.amara, c.eligibility.CheckEligibility, question).Decision
	if asked.Verdict != pb.Verdict_VERDICT_ASK || !slices.ContainsFunc(asked.OpenQuestions, func(q *pb.OpenQuestion) bool { return q.Field == "what_changed" }) {
		t.Errorf("without a word: %s, %v", asked.Verdict, asked.OpenQuestions)
	}
	said := again(question)
	said.WhatChanged = "Looked again under the lamp, it was a crease."
	d := wantVerdict(t, must(t, c.amara, c.eligibility.CheckEligibility, said).Decision, pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS)
	changes := d.Inputs.AnswerChanges
	if len(changes) != 1 || changes[0].Field != "consultation.scalp.broken_skin" || changes[0].Decision != refused.Name ||
		changes[0].EarlierValue != "yes" || changes[0].Value != "no" {
		t.Errorf("the changes are %v", changes)
	}
	entries := c.entries(t, `kind = "ANSWER_CHANGED"`)
	if len(entries) != 2 || entries[0].Client != client || entries[0].Practitioner != c.amara.name ||
		!strings.Contains(entries[0].Summary, "consultation.scalp.broken_skin") || strings.Contains(entries[0].String(), "crease") {
		t.Errorf("on the log: %v", entries)
	}
	if session := c.begin(t, d); session.NewerDecision != "" {
		t.Errorf("begun as %v", session)
	}
	if replayed := must(t, c.imara, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: d.Name}); !replayed.Identical {
		t.Errorf("replayed it differs: %v", replayed.Differences)
	}

	other := wantVerdict(t, c.decision(t, brokenSkin), pb.Verdict_VERDICT_REFUSE)
	c.clock.advance(24*time.Hour + time.Second)
	if late := c.decisionFor(t, parent(other.Name)); len(late.Inputs.AnswerChanges) != 0 {
		t.Errorf("a day later: %v", late.Inputs.AnswerChanges)
	}
}
