package rules

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
)

// An answer that refused and is another now is a change; the passing of time, a
// correction that makes no difference, and a milder decision before are none.
func TestAnswerChanges(t *testing.T) {
	e := newEngine(t)
	refused := soundHead()
	refused.Consultation.Scalp.BrokenSkin = pb.Answer_ANSWER_YES
	d := mustDecide(t, e, refused)
	d.Name = "chains/ebb-and-flow/clients/c/decisions/refused"
	changes := func(earlier *pb.Decision, in *pb.DecisionInputs) []*pb.AnswerChange {
		t.Helper()
		found, err := e.AnswerChanges(judged(t, e, earlier), in)
		if err != nil {
			t.Fatal(err)
		}
		return found
	}
	got := changes(d, soundHead())
	if len(got) != 1 || got[0].Field != "consultation.scalp.broken_skin" || got[0].EarlierValue != "yes" || got[0].Value != "no" ||
		got[0].Decision != d.Name || !slices.Contains(got[0].RuleIds, "scalp.broken-skin") {
		t.Errorf("yes, then no: %v", got)
	}
	if got := changes(d, proto.CloneOf(refused)); len(got) != 0 {
		t.Errorf("still yes: %v", got)
	}
	if got := changes(mustDecide(t, e, soundHead()), soundHead()); len(got) != 0 {
		t.Errorf("nothing was refused: %v", got)
	}
	washed := soundHead()
	washed.Consultation.History.Shampoo = &pb.PastEvent{Happened: pb.Answer_ANSWER_YES, LastTime: ago(30 * time.Hour)}
	waited := proto.CloneOf(washed)
	waited.DecideTime.Seconds += int64((10 * day).Seconds())
	if got := changes(mustDecide(t, e, washed), waited); len(got) != 0 {
		t.Errorf("the wait is over: %v", got)
	}
}

// An answer that waits for the rest of a doctor's word is as dangerous as one that
// refers: with a no in its place it has changed, with the rest of the word it has not.
func TestAnswerBehindAWordChanges(t *testing.T) {
	e := newEngine(t)
	const field = "consultation.history.allergy"
	undated := []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_ALLERGY, Reference: "N 101"}}
	for name, c := range map[string]struct {
		change func(*pb.ClientHistory)
		want   pb.Verdict
	}{
		"no word":         {func(h *pb.ClientHistory) { h.MedicalClearance = 0 }, pb.Verdict_VERDICT_REFER},
		"an undated one":  {func(h *pb.ClientHistory) { h.DoctorsWords = undated }, pb.Verdict_VERDICT_ASK},
		"one of no cause": {func(h *pb.ClientHistory) { h.MedicalClearance = pb.Answer_ANSWER_YES }, pb.Verdict_VERDICT_ASK},
	} {
		in := soundHead()
		in.Consultation.History.Allergy = pb.Answer_ANSWER_YES
		c.change(in.Consultation.History)
		d := mustDecide(t, e, in)
		if d.GetVerdict() != c.want {
			t.Errorf("%s: %s, want %s", name, d.GetVerdict(), c.want)
		}
		got, err := e.AnswerChanges(judged(t, e, d), soundHead())
		if err != nil || !slices.ContainsFunc(got, func(a *pb.AnswerChange) bool { return a.Field == field && a.EarlierValue == "yes" && a.Value == "no" }) {
			t.Errorf("%s, then no allergy: %v, %v", name, got, err)
		}
		cleared := proto.CloneOf(in)
		cleared.Consultation.History.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_ALLERGY, GiveDate: dateAgo(day), Reference: "N 101"}}
		if got, err := e.AnswerChanges(judged(t, e, d), cleared); err != nil || len(got) > 0 {
			t.Errorf("%s, then a whole word: %v, %v", name, got, err)
		}
	}
}

// A changed answer is asked about, and answered in words.
func TestChangedAnswersAreAskedAbout(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	in.AnswerChanges = []*pb.AnswerChange{{Field: "consultation.scalp.broken_skin"}}
	d := mustDecide(t, e, in)
	if d.Verdict != pb.Verdict_VERDICT_ASK || !slices.ContainsFunc(d.OpenQuestions, func(q *pb.OpenQuestion) bool { return q.Field == "what_changed" }) {
		t.Errorf("without words: %s, %v", d.Verdict, d.OpenQuestions)
	}
	in.WhatChanged = "looked again under the lamp: a crease, no cut"
	d = mustDecide(t, e, in)
	if d.Verdict != pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS || findingOf(d, "answer.changed", "") == nil {
		t.Errorf("with words: %s, %v", d.Verdict, d.Findings)
	}
}

// judged are earlier decisions as AnswerChanges takes them.
func judged(t rapid.TB, e *Engine, decisions ...*pb.Decision) (earlier []*Earlier) {
	t.Helper()
	for _, d := range decisions {
		j, err := e.Judge(d)
		if err != nil {
			t.Fatal(err)
		}
		earlier = append(earlier, j)
	}
	return earlier
}
