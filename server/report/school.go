package report

import (
	_ "embed" // for the page
	"fmt"
	"html/template"
	"io"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// schoolText is the page of a marking sheet and of a certificate. It is plain HTML without
// scripts, made to be printed.
//
//go:embed school.html
var schoolText string

// schoolPage is the parsed page.
var schoolPage = template.Must(template.New("school").Parse(schoolText))

// schoolSheet is what the page shows.
// One template has both pages, since they share their looks; Hours says which one it is.
type schoolSheet struct {
	Title, Student, School, Case, State, By, Date, Verdict, Reference, Score, Next, Hours string
	Attempts                                                                              int32
	Groups                                                                                []schoolGroup
}

// schoolGroup is a part of a marking sheet.
type schoolGroup struct {
	Name  string
	Lines []schoolLine
}

// schoolLine is the mark of one criterion.
// Evidence is left empty for what is met, to save paper.
type schoolLine struct {
	Mark, Title, Comment, Source, Evidence string
	Weight                                 int32
}

// WriteMarkSheet writes a marking sheet as a page for print. What is not met comes with its
// evidence; what is met is a line.
// Everything on it that somebody typed is escaped by the template. Students appear by the
// last part of their names, as in the other reports.
func WriteMarkSheet(w io.Writer, c *pb.Case, sheet *pb.MarkSheet) error {
	page := schoolSheet{Title: "Marking sheet", Student: lastSegment(sheet.Student), Case: c.GetDisplayName(), By: lastSegment(sheet.Practitioner),
		Date: sheet.GetCreateTime().AsTime().Format("2006-01-02 15:04 UTC"), State: "Proposed by the server, not confirmed", Verdict: plainWords(sheet.Verdict.String(), "VERDICT_"),
		Reference: plainWords(sheet.ReferenceVerdict.String(), "VERDICT_"), Score: "none", Next: sheet.NextCase}
	if sheet.State == pb.MarkSheetState_MARK_SHEET_STATE_CONFIRMED {
		page.State = "Confirmed"
	}
	if sheet.ScorePercent != nil {
		page.Score = fmt.Sprintf("%.1f %%", *sheet.ScorePercent)
	}
	for _, m := range sheet.Marks {
		name := groupNames[m.GetCriterion().GetGroup()]
		if n := len(page.Groups); n == 0 || page.Groups[n-1].Name != name {
			page.Groups = append(page.Groups, schoolGroup{Name: name})
		}
		group := &page.Groups[len(page.Groups)-1]
		group.Lines = append(group.Lines, lineOf(m))
	}
	return schoolPage.Execute(w, page)
}

// lineOf is a mark as a line. A mark that nobody gave says so.
// A mark that was confirmed comes before the proposal.
func lineOf(m *pb.Mark) schoolLine {
	value := m.GetConfirmed()
	if value == pb.MarkValue_MARK_VALUE_UNSPECIFIED {
		value = m.GetProposed()
	}
	line := schoolLine{Mark: plainWords(value.String(), "MARK_VALUE_"), Title: m.GetCriterion().GetTitle(), Comment: m.GetComment(),
		Source: m.GetCriterion().GetBasis().GetSource(), Weight: m.GetCriterion().GetWeight()}
	if value == pb.MarkValue_MARK_VALUE_UNSPECIFIED {
		line.Mark = "not marked"
	}
	if value != pb.MarkValue_MARK_VALUE_MET {
		line.Evidence = strings.Join(m.GetEvidence(), "; ")
	}
	return line
}

// groupNames are the headings of a marking sheet.
// They are in the words of the sheet and not of the contract. A group that this program does
// not know has no heading.
var groupNames = map[pb.CriterionGroup]string{
	pb.CriterionGroup_CRITERION_GROUP_ANALYSIS: "Analysis", pb.CriterionGroup_CRITERION_GROUP_FINDINGS: "Contraindications",
	pb.CriterionGroup_CRITERION_GROUP_VERDICT: "Verdict", pb.CriterionGroup_CRITERION_GROUP_PLAN: "Plan and talk",
	pb.CriterionGroup_CRITERION_GROUP_CARD: "Record card", pb.CriterionGroup_CRITERION_GROUP_PROCEDURE: "Practice service",
	pb.CriterionGroup_CRITERION_GROUP_SCHOOL: "The school's own",
}

// WriteCertificate writes a certificate of practice hours as a page for print.
// It says what is counted and what is not, so that nobody takes it for more than it is.
func WriteCertificate(w io.Writer, school, student string, of *pb.ClassStudent) error {
	return schoolPage.Execute(w, schoolSheet{Title: "Certificate of practice hours", Student: student, School: school,
		Hours: fmt.Sprintf("%.1f", of.GetPracticeMinutes()/60), Attempts: of.GetAttempts()})
}

// plainWords is an enum's value in words, without the prefix of its enum.
func plainWords(value, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(value, prefix), "_", " "))
}
