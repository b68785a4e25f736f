package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
)

// schoolCommands are for instructors of a school. They call a server as a manager of the
// school unless --identity says otherwise.
// All of them are clients, as those of audit are: they can do what their identity may do and
// no more. With --data-dir they start a server for themselves, so an instructor can try
// everything on one machine.
type schoolCommands struct {
	Cases    schoolCasesCommand    `cmd:"" help:"List the cases of a school, or make one."`
	Attempt  schoolAttemptCommand  `cmd:"" help:"Play a student's attempt: ask questions and state the decision."`
	Attempts schoolAttemptsCommand `cmd:"" help:"List the attempts of a school."`
	Class    schoolClassCommand    `cmd:"" help:"Print what the class misses most and which attempts to look at."`
	Sheet    schoolSheetCommand    `cmd:"" help:"Mark an attempt, confirm its marks, and write the marking sheet or a certificate of practice hours for print."`
}

// schoolCasesCommand lists cases. With --difficulty it makes one first.
// A generated case needs the shelf, the place and the person that its facts name, because
// the law of the place and the maker's directions decide with the rest. Cases that are
// written by hand are made with CreateCase, from a till or a script: a whole consultation is
// too long for a command line.
type schoolCasesCommand struct {
	clientFlags
	Chain        string `arg:"" help:"Resource name of the school chain, such as chains/quay-school."`
	Difficulty   string `enum:",easy,medium,hard" default:"" help:"Make a case of this difficulty: easy, medium or hard."`
	Seed         int64  `help:"With --difficulty: seed of the case. The same seed makes the same case."`
	ID           string `name:"id" placeholder:"ID" help:"With --difficulty: id of the case. Default: the server makes one."`
	Product      string `placeholder:"NAME" help:"With --difficulty: resource name of the relaxer on the shelf."`
	Salon        string `placeholder:"NAME" help:"With --difficulty: resource name of the place."`
	Practitioner string `placeholder:"NAME" help:"With --difficulty: resource name of the licensed person who is to do the service."`
	Practice     bool   `help:"With --difficulty: a practice service belongs to the case."`
}

// Run makes the case if one is asked for, and prints all cases.
// The reference is shown as attempts are marked against it: an instructor's ruling comes
// before what the rules decide. A student's identity sees no references, and the column says
// unspecified then.
func (c schoolCasesCommand) Run(ctx context.Context, std streams) error {
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		training := pb.NewTrainingServiceClient(conn)
		if c.Difficulty != "" {
			_, err := training.CreateCase(ctx, &pb.CreateCaseRequest{Parent: chain, CaseId: c.ID, RequestId: uuid.NewString(), Case: &pb.Case{Practice: c.Practice},
				Generator: &pb.CaseGenerator{Seed: c.Seed, Difficulty: pb.Difficulty(pb.Difficulty_value["DIFFICULTY_"+strings.ToUpper(c.Difficulty)]),
					Product: c.Product, Salon: c.Salon, Practitioner: c.Practitioner}})
			if err != nil {
				return err
			}
		}
		table := tabwriter.NewWriter(std.out, 0, 4, 2, ' ', 0)
		fmt.Fprintln(table, "CASE\tREFERENCE\tCALLED")
		for token := ""; ; {
			page, err := training.ListCases(ctx, &pb.ListCasesRequest{Parent: chain, PageToken: token})
			if err != nil {
				return err
			}
			for _, it := range page.Cases {
				verdict := it.GetReference().GetVerdict()
				if it.GetRuling() != nil {
					verdict = it.Ruling.Verdict
				}
				fmt.Fprintf(table, "%s\t%s\t%s\n", it.Name, schoolWords(verdict.String(), "VERDICT_"), report.Visible(it.DisplayName))
			}
			if token = page.NextPageToken; token == "" {
				return table.Flush()
			}
		}
	})
}

// schoolWords is an enum's value in words.
func schoolWords(value, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(value, prefix), "_", " "))
}

// schoolAttemptCommand plays an attempt as the student.
// It exists so that an instructor can see what a student sees, and for schools whose till
// does not have cases yet. The time between the questions counts as practice, as at a till.
type schoolAttemptCommand struct {
	clientFlags
	Case     string   `arg:"" help:"Resource name of the case."`
	Student  string   `required:"" placeholder:"NAME" help:"Resource name of the student."`
	Ask      []string `placeholder:"FIELD" help:"Question to ask, such as consultation.scalp.redness. Repeat it."`
	Verdict  string   `required:"" enum:"proceed,proceed_with_conditions,ask,refer,refuse" help:"The verdict: proceed, proceed_with_conditions, ask, refer or refuse."`
	Rule     []string `placeholder:"ID" help:"Reason or condition, as the id of a rule (see: alkalog rules). Repeat it."`
	Offer    []string `placeholder:"ID" help:"What to offer instead, as the id of an alternative. Repeat it."`
	Strength string   `enum:",mild,regular,super" default:"" help:"The strength: mild, regular or super."`
	Explain  bool     `help:"The risks were explained to the client."`
	Agree    bool     `help:"The client was asked to agree."`
}

// Run begins the attempt, prints each answer, and states the decision.
// Without --identity it calls as the student, whose own attempt it is. The name of the
// attempt comes last, on a line of its own, so that a script can read it.
func (c schoolAttemptCommand) Run(ctx context.Context, std streams) error {
	chain, _, _ := strings.Cut(c.Case, "/cases/")
	if c.Identity == "" {
		c.Identity = "role=student name=" + c.Student
	}
	return c.with(ctx, std, chain, "student", func(conn *grpc.ClientConn) error {
		training := pb.NewTrainingServiceClient(conn)
		began, err := training.StartAttempt(ctx, &pb.StartAttemptRequest{Parent: c.Case, Student: c.Student, RequestId: uuid.NewString()})
		if err != nil {
			return err
		}
		name := began.Attempt.Name
		for _, field := range c.Ask {
			asked, err := training.Ask(ctx, &pb.AskRequest{Name: name, Field: field, RequestId: uuid.NewString()})
			if err != nil {
				return err
			}
			fmt.Fprintf(std.out, "%s %s\n", asked.Answer.Question, asked.Answer.Value)
		}
		said := &pb.Submission{Verdict: pb.Verdict(pb.Verdict_value["VERDICT_"+strings.ToUpper(c.Verdict)]), RuleIds: c.Rule, AlternativeIds: c.Offer,
			Strength: pb.Strength(pb.Strength_value["STRENGTH_"+strings.ToUpper(c.Strength)]), Explained: schoolAnswer(c.Explain), AgreementAsked: schoolAnswer(c.Agree)}
		if _, err = training.SubmitAttempt(ctx, &pb.SubmitAttemptRequest{Name: name, Submission: said, RequestId: uuid.NewString()}); err == nil {
			_, err = fmt.Fprintln(std.out, "attempt:", name)
		}
		return err
	})
}

// schoolAnswer is yes or no.
// A flag that is not given means that it was not done: a student who is asked on paper has no
// third answer.
func schoolAnswer(said bool) pb.Answer {
	if said {
		return pb.Answer_ANSWER_YES
	}
	return pb.Answer_ANSWER_NO
}

// schoolAttemptsCommand lists attempts, newest first.
// The number of questions is that of what is known: what the case shows from the beginning
// is counted with what was asked.
type schoolAttemptsCommand struct {
	clientFlags
	Chain   string `arg:"" help:"Resource name of the school chain."`
	Case    string `placeholder:"NAME" help:"Only attempts on this case."`
	Student string `placeholder:"NAME" help:"Only attempts of this student."`
}

// Run prints the attempts.
func (c schoolAttemptsCommand) Run(ctx context.Context, std streams) error {
	chain := chainName(c.Chain)
	parent := c.Case
	if parent == "" {
		parent = chain + "/cases/-"
	}
	return c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		table := tabwriter.NewWriter(std.out, 0, 4, 2, ' ', 0)
		fmt.Fprintln(table, "ATTEMPT\tSTUDENT\tASKED\tSTATED")
		for token := ""; ; {
			page, err := pb.NewTrainingServiceClient(conn).ListAttempts(ctx, &pb.ListAttemptsRequest{Parent: parent, Student: c.Student, PageToken: token})
			if err != nil {
				return err
			}
			for _, a := range page.Attempts {
				stated := "open"
				if a.Submission != nil {
					stated = schoolWords(a.Submission.Verdict.String(), "VERDICT_")
				}
				fmt.Fprintf(table, "%s\t%s\t%d\t%s\n", a.Name, a.Student[strings.LastIndexByte(a.Student, '/')+1:], len(a.Asked), stated)
			}
			if token = page.NextPageToken; token == "" {
				return table.Flush()
			}
		}
	})
}

// schoolClassCommand summarizes a class.
// It counts the newest confirmed sheet of each attempt. Attempts without one are counted
// apart, so that nobody takes the summary for the whole class.
type schoolClassCommand struct {
	clientFlags
	Chain string `arg:"" help:"Resource name of the school chain."`
	Case  string `placeholder:"NAME" help:"Only attempts on this case."`
}

// Run prints what is missed most, then the attempts to look at. Criteria with too few marks
// to say anything are marked with a question mark.
// Criteria that nobody missed are left out: the table says what to repeat.
func (c schoolClassCommand) Run(ctx context.Context, std streams) error {
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		s, err := pb.NewTrainingServiceClient(conn).SummarizeClass(ctx, &pb.SummarizeClassRequest{Parent: chain, Case: c.Case})
		if err != nil {
			return err
		}
		table := tabwriter.NewWriter(std.out, 0, 4, 2, ' ', 0)
		fmt.Fprintln(table, "MISSED\tOF\t95 % INTERVAL\tCRITERION")
		for _, row := range s.Criteria {
			few := ""
			if !row.Enough {
				few = " ?"
			}
			if row.Missed > 0 {
				fmt.Fprintf(table, "%d\t%d\t%.0f to %.0f %%%s\t%s\n", row.Missed, row.Marked, row.LowerPercent, row.UpperPercent, few, report.Visible(row.Criterion.GetTitle()))
			}
		}
		if err = table.Flush(); err != nil {
			return err
		}
		for _, a := range s.LookAt {
			fmt.Fprintf(std.out, "look at %s: %s\n", a.Attempt, a.Why)
		}
		_, err = fmt.Fprintf(std.out, "%d attempts counted, %d without confirmed marks; ?: too few marks to say anything\n", s.Counted, s.Unconfirmed)
		return err
	})
}

// schoolSheetCommand writes a page for print: the marking sheet of an attempt, or the
// certificate of a student.
// A page has no scripts and no references to other files, like the other pages of package
// report, and is made for paper: it ends with a line to sign on.
type schoolSheetCommand struct {
	clientFlags
	Name    string            `arg:"" help:"Resource name of an attempt, or of a student for a certificate of practice hours."`
	Out     string            `required:"" type:"path" placeholder:"FILE.html" help:"File for the page. An existing file is replaced once the new one is complete."`
	Confirm bool              `help:"Confirm the marks of the newest sheet."`
	Set     map[string]string `placeholder:"CRITERION=MARK" help:"With --confirm: another mark for a criterion: met, partly or not_met. Repeat it."`
	Comment string            `help:"With --set: why."`
}

// Run marks an attempt that has no sheet yet, confirms if asked to, and writes the page to a
// file that only its owner can read.
// The name says which of the two pages is meant. What is written is what the server answers;
// nothing is computed here.
func (c schoolSheetCommand) Run(ctx context.Context, std streams) error {
	chain := strings.Join(strings.SplitN(c.Name, "/", 3)[:min(2, strings.Count(c.Name, "/"))], "/")
	if len(c.Set) > 0 && (!c.Confirm || c.Comment == "") {
		return usage{errors.New("--set needs --confirm and --comment")}
	}
	return c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		training := pb.NewTrainingServiceClient(conn)
		if strings.Contains(c.Name, "/practitioners/") {
			return c.certificate(ctx, std, chain, training, pb.NewDirectoryServiceClient(conn))
		}
		sheet, err := c.sheet(ctx, training)
		if err != nil {
			return err
		}
		of, err := training.GetCase(ctx, &pb.GetCaseRequest{Name: c.Name[:strings.Index(c.Name, "/attempts/")]})
		if err != nil {
			return err
		}
		if err := moveInPlace(c.Out, func(file io.Writer) error { return report.WriteMarkSheet(file, of.Case, sheet) }); err != nil {
			return err
		}
		_, err = fmt.Fprintf(std.out, "written: %s, %s, %.1f %%\n", c.Out, schoolWords(sheet.State.String(), "MARK_SHEET_STATE_"), sheet.GetScorePercent())
		return err
	})
}

// sheet is the newest sheet of the attempt: marked now if there is none, confirmed now if
// that is asked for.
// To confirm a confirmed sheet again is to correct it. A mark that is no mark is refused by
// the server, which names the field.
func (c schoolSheetCommand) sheet(ctx context.Context, training pb.TrainingServiceClient) (*pb.MarkSheet, error) {
	read, err := training.GetAttempt(ctx, &pb.GetAttemptRequest{Name: c.Name})
	if err != nil {
		return nil, err
	}
	var sheet *pb.MarkSheet
	if len(read.Attempt.Sheets) > 0 {
		sheet = read.Attempt.Sheets[0]
	} else {
		marked, err := training.Mark(ctx, &pb.MarkRequest{Name: c.Name, RequestId: uuid.NewString()})
		if err != nil {
			return nil, err
		}
		sheet = marked.Sheet
	}
	if !c.Confirm {
		return sheet, nil
	}
	req := &pb.ConfirmMarksRequest{Name: sheet.Name, RequestId: uuid.NewString()}
	for id, value := range c.Set {
		req.Changes = append(req.Changes, &pb.MarkChange{CriterionId: id, Value: pb.MarkValue(pb.MarkValue_value["MARK_VALUE_"+strings.ToUpper(value)]), Comment: c.Comment})
	}
	confirmed, err := training.ConfirmMarks(ctx, req)
	return confirmed.GetSheet(), err
}

// certificate writes the certificate of a student, by the confirmed sheets.
// A student without confirmed marks gets a certificate of no hours, which is what is known.
func (c schoolSheetCommand) certificate(ctx context.Context, std streams, chain string, training pb.TrainingServiceClient, directory pb.DirectoryServiceClient) error {
	student, err := directory.GetPractitioner(ctx, &pb.GetPractitionerRequest{Name: c.Name})
	if err != nil {
		return err
	}
	school, err := directory.GetChain(ctx, &pb.GetChainRequest{Name: chain})
	if err != nil {
		return err
	}
	s, err := training.SummarizeClass(ctx, &pb.SummarizeClassRequest{Parent: chain})
	if err != nil {
		return err
	}
	hours := &pb.ClassStudent{}
	for _, row := range s.Students {
		if row.Student == c.Name {
			hours = row
		}
	}
	called := student.Practitioner.DisplayName
	if err := moveInPlace(c.Out, func(file io.Writer) error {
		return report.WriteCertificate(file, school.Chain.DisplayName, called, hours)
	}); err != nil {
		return err
	}
	_, err = fmt.Fprintf(std.out, "written: %s, %.1f hours in %d attempts\n", c.Out, hours.PracticeMinutes/60, hours.Attempts)
	return err
}
