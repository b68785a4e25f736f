package rules

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	pb "alkalog/proto/alkalogv1"
)

// A doctor's word clears its own cause, for a time, and needs a date and a
// reference. The 180 days and the rest are our own choice.
func TestDoctorsWord(t *testing.T) {
	e := newEngine(t)
	word := func(cause pb.ClearanceCause, given *date.Date, reference string) *pb.DoctorsWord {
		return &pb.DoctorsWord{Cause: cause, GiveDate: given, Reference: reference}
	}
	pregnancy := pb.ClearanceCause_CLEARANCE_CAUSE_PREGNANCY
	for _, c := range []struct {
		name  string
		words []*pb.DoctorsWord
		want  pb.Verdict
	}{
		{"none", nil, pb.Verdict_VERDICT_REFER},
		{"of today", []*pb.DoctorsWord{word(pregnancy, dateAgo(0), "N 101")}, pb.Verdict_VERDICT_PROCEED},
		{"180 days old", []*pb.DoctorsWord{word(pregnancy, dateAgo(180*day), "N 101")}, pb.Verdict_VERDICT_PROCEED},
		{"181 days old", []*pb.DoctorsWord{word(pregnancy, dateAgo(181*day), "N 101")}, pb.Verdict_VERDICT_REFER},
		{"ten years old", []*pb.DoctorsWord{word(pregnancy, dateAgo(3650*day), "N 101")}, pb.Verdict_VERDICT_REFER},
		{"of tomorrow", []*pb.DoctorsWord{word(pregnancy, dateAgo(-day), "N 101")}, pb.Verdict_VERDICT_REFER},
		{"of a month, whose first day is too old", []*pb.DoctorsWord{word(pregnancy, &date.Date{Year: 2025, Month: 9}, "N 101")}, pb.Verdict_VERDICT_REFER},
		{"of this month", []*pb.DoctorsWord{word(pregnancy, &date.Date{Year: 2026, Month: 3}, "N 101")}, pb.Verdict_VERDICT_PROCEED},
		{"on 30 February", []*pb.DoctorsWord{word(pregnancy, &date.Date{Year: 2026, Month: 2, Day: 30}, "N 101")}, pb.Verdict_VERDICT_REFER},
		{"undated", []*pb.DoctorsWord{word(pregnancy, nil, "N 101")}, pb.Verdict_VERDICT_ASK},
		{"without a reference", []*pb.DoctorsWord{word(pregnancy, dateAgo(day), " ")}, pb.Verdict_VERDICT_ASK},
		{"for medication", []*pb.DoctorsWord{word(pb.ClearanceCause_CLEARANCE_CAUSE_MEDICATION, dateAgo(day), "N 101")}, pb.Verdict_VERDICT_REFER},
		{"undated beside a good one", []*pb.DoctorsWord{word(pregnancy, nil, "N 101"), word(pregnancy, dateAgo(day), "N 102")}, pb.Verdict_VERDICT_PROCEED},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := soundHead()
			h := in.GetConsultation().GetHistory()
			h.Pregnancy, h.DoctorsWords = pb.Answer_ANSWER_YES, c.words
			if d := mustDecide(t, e, in); d.GetVerdict() != c.want {
				t.Errorf("%s, want %s", d.GetVerdict(), c.want)
			}
		})
	}
}

// One word of no cause used to clear everything at once. Alone it clears nothing,
// and the question says what is missing.
func TestLoneClearanceClearsNothing(t *testing.T) {
	in := soundHead()
	h := in.GetConsultation().GetHistory()
	h.MedicalClearance, h.MedicalClearanceTime, h.MedicalClearanceReference = pb.Answer_ANSWER_YES, ago(day), "N 101"
	for name, answer := range map[string]*pb.Answer{
		"pregnancy": &h.Pregnancy, "medication": &h.Medication, "illness": &h.RecentIllness,
		"hair loss": &h.HairLoss, "reaction": &h.BadReaction, "allergy": &h.Allergy,
	} {
		*answer = pb.Answer_ANSWER_YES
		d := mustDecide(t, newEngine(t), in)
		if d.GetVerdict() != pb.Verdict_VERDICT_ASK || !slices.ContainsFunc(d.GetOpenQuestions(), func(q *pb.OpenQuestion) bool { return q.GetField() == wordsPath }) {
			t.Errorf("%s: %s, asks %v", name, d.GetVerdict(), d.GetOpenQuestions())
		}
		*answer = pb.Answer_ANSWER_NO
	}
}

// A word does not cover what began after the day on which it was given, and a word
// about an incident covers that incident.
func TestWordDoesNotCoverWhatCameLater(t *testing.T) {
	e := newEngine(t)
	in := soundHead()
	in.Consultation.History.DoctorsWords = []*pb.DoctorsWord{
		{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT, Incident: "i1", GiveDate: dateAgo(10 * day), Reference: "N 101"},
	}
	s := opened(t, e, e.withParameters(in))
	for _, c := range []struct {
		incident string
		began    time.Duration
		want     pb.Answer
	}{
		{"i1", 11 * day, pb.Answer_ANSWER_YES},
		{"i1", 10 * day, pb.Answer_ANSWER_YES},
		{"i1", 9 * day, pb.Answer_ANSWER_NO},
		{"i2", 11 * day, pb.Answer_ANSWER_NO},
	} {
		got := s.cleared(pb.ClearanceCause_CLEARANCE_CAUSE_INCIDENT, c.incident, today.Add(-c.began))
		if got != e.lang.answer(c.want) {
			t.Errorf("%s, %s ago: %v, want %s", c.incident, c.began, got, c.want)
		}
	}
}

// A finding shows that there is a reference, never the reference.
func TestFindingKeepsTheReference(t *testing.T) {
	in := soundHead()
	h := in.GetConsultation().GetHistory()
	h.Pregnancy = pb.Answer_ANSWER_YES
	h.DoctorsWords = []*pb.DoctorsWord{{Cause: pb.ClearanceCause_CLEARANCE_CAUSE_PREGNANCY, GiveDate: &date.Date{Year: 2025, Month: 3, Day: 1}, Reference: "Dr Wren 7"}}
	got := mustDecide(t, newEngine(t), in).GetFindings()[0].GetAnswers()
	if last := got[len(got)-1]; last.GetField() != wordsPath+"[0]" || last.GetValue() != "2025-03-01" {
		t.Errorf("answers: %v", got)
	}
}
