package marking

import (
	"cmp"
	"math"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/contract"
	"alkalog/service/interval"
)

// These are thresholds of what is said, not of what is counted: every mark counts.
const (
	// enough is how often a criterion must have been marked for a word about the class.
	// Our own choice; the contract states it.
	enough = 5
	// lookAt is how many attempts to look at are named; the contract states it.
	lookAt = 20
	// lowScore is the score below which an attempt is named. Our own choice.
	lowScore = 60
)

// Class summarizes the newest confirmed sheet of each attempt of a class. names are the
// attempts of the sheets, one for each.
// A student who tried a case twice counts twice: both attempts are work of the class. The
// minutes of practice of all attempts are added up for the certificate.
func Class(sheets []*pb.MarkSheet, names []string) *pb.SummarizeClassResponse {
	s := &pb.SummarizeClassResponse{Counted: int32(len(sheets))}
	students, cells, criteria := map[string]*pb.ClassStudent{}, map[[2]string]*pb.ClassCell{}, map[string]*pb.ClassCriterion{}
	scores := map[string]float64{}
	for i, sheet := range sheets {
		student := students[sheet.Student]
		if student == nil {
			student = &pb.ClassStudent{Student: sheet.Student}
			students[sheet.Student], s.Students = student, append(s.Students, student)
		}
		student.Attempts++
		student.PracticeMinutes += sheet.PracticeMinutes
		scores[sheet.Student] += sheet.GetScorePercent()
		for _, m := range sheet.Marks {
			count(s, sheet.Student, m, cells, criteria)
		}
		if why := urgent(sheet); why != "" {
			s.LookAt = append(s.LookAt, &pb.ClassAttempt{Attempt: names[i], Student: sheet.Student, Why: why, ScorePercent: sheet.ScorePercent})
		}
	}
	for _, student := range s.Students {
		student.MeanScorePercent = new(math.Round(scores[student.Student]/float64(student.Attempts)*10) / 10)
	}
	sortClass(s)
	return s
}

// count counts one mark of a student.
// A criterion that was partly met counts as missed for the class: somebody has to hear of
// it again.
func count(s *pb.SummarizeClassResponse, student string, m *pb.Mark, cells map[[2]string]*pb.ClassCell, criteria map[string]*pb.ClassCriterion) {
	value, id := Standing(m), m.GetCriterion().GetCriterionId()
	if value == pb.MarkValue_MARK_VALUE_UNSPECIFIED {
		return
	}
	cell, total := cells[[2]string{student, id}], criteria[id]
	if cell == nil {
		cell = &pb.ClassCell{Student: student, CriterionId: id}
		cells[[2]string{student, id}], s.Cells = cell, append(s.Cells, cell)
	}
	if total == nil {
		total = &pb.ClassCriterion{Criterion: m.Criterion}
		criteria[id], s.Criteria = total, append(s.Criteria, total)
	}
	total.Marked++
	switch value {
	case pb.MarkValue_MARK_VALUE_MET:
		cell.Met++
		return
	case pb.MarkValue_MARK_VALUE_PARTLY:
		cell.Partly++
	default:
		cell.NotMet++
	}
	total.Missed++
}

// urgencies are how the words of urgent begin, the most urgent first.
var urgencies = []string{"would have gone ahead", "too mild", "a low score"}

// urgent says why somebody should look at an attempt; empty: nobody need.
// What could have hurt somebody comes first, whatever the score: a sheet can be good in
// everything but the verdict.
func urgent(sheet *pb.MarkSheet) string {
	mild := contract.CompareRank(sheet.Verdict, sheet.ReferenceVerdict) < 0
	switch {
	case mild && GoesAhead(sheet.Verdict) && !GoesAhead(sheet.ReferenceVerdict):
		return "would have gone ahead where the answer is " + VerdictWords(sheet.ReferenceVerdict)
	case mild:
		return "too mild: " + VerdictWords(sheet.Verdict) + " where the answer is " + VerdictWords(sheet.ReferenceVerdict)
	case sheet.ScorePercent != nil && sheet.GetScorePercent() < lowScore:
		return "a low score"
	}
	return ""
}

// sortClass computes the intervals and puts everything in order: what the class misses
// most first, what was marked too rarely last. Every order is complete, so the same sheets
// give the same summary.
// A share of few marks says little, which the interval shows; those below enough come last,
// so that nobody reads a verdict into two sheets.
func sortClass(s *pb.SummarizeClassResponse) {
	for _, c := range s.Criteria {
		c.LowerPercent, c.UpperPercent = percent(c.Missed, c.Marked)
		c.Enough = c.Marked >= enough
	}
	slices.SortFunc(s.Students, func(a, b *pb.ClassStudent) int { return cmp.Compare(a.Student, b.Student) })
	slices.SortFunc(s.Cells, func(a, b *pb.ClassCell) int {
		return cmp.Or(cmp.Compare(a.Student, b.Student), cmp.Compare(a.CriterionId, b.CriterionId))
	})
	slices.SortFunc(s.Criteria, func(a, b *pb.ClassCriterion) int {
		rate := func(c *pb.ClassCriterion) float64 { return float64(c.Missed) / float64(c.Marked) }
		return cmp.Or(-compareBool(a.Enough, b.Enough), -cmp.Compare(rate(a), rate(b)), -cmp.Compare(a.Marked, b.Marked),
			cmp.Compare(a.Criterion.CriterionId, b.Criterion.CriterionId))
	})
	urgency := func(a *pb.ClassAttempt) int {
		return slices.IndexFunc(urgencies, func(begin string) bool { return strings.HasPrefix(a.Why, begin) })
	}
	slices.SortFunc(s.LookAt, func(a, b *pb.ClassAttempt) int {
		return cmp.Or(cmp.Compare(urgency(a), urgency(b)), cmp.Compare(a.GetScorePercent(), b.GetScorePercent()), cmp.Compare(a.Attempt, b.Attempt))
	})
	s.LookAt = s.LookAt[:min(len(s.LookAt), lookAt)]
}

// compareBool orders false before true.
func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// percent is the 95 % interval of a share, in percent with one decimal: the same as that
// of the figures of the log (package interval). It is rounded here, because more digits
// than one would look more certain than a class can be. A criterion that nobody was marked
// on has the interval 0 to 100.
func percent(count, of int32) (lower, upper float64) {
	low, high := interval.Wilson(int64(count), int64(of))
	return math.Round(low*1000) / 10, math.Round(high*1000) / 10
}
