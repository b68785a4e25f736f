package training

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/marking"
	"alkalog/service/record"
	"alkalog/storage"
)

// What is read at once is bounded, because a school chain can live for many years.
const (
	// mostSheets is how many sheets of an attempt are read. Our own choice: marks are
	// corrected once or twice.
	mostSheets = 100
	// mostCases is how many cases are looked at to choose the next. Our own choice.
	mostCases = 200
	// mostCounted is how many sheets a summary of a class reads; the contract states it.
	mostCounted = 5000
	// longestPractice is the longest time that counts as practice, for the attempt and for
	// the practice service each; the contract states it.
	longestPractice = 2 * time.Hour
)

// Mark marks a stated attempt and stores the proposal.
// Marking again makes another proposal, for instance after an instructor's ruling; the
// earlier one stays.
func (s Service) Mark(ctx context.Context, req *pb.MarkRequest) (*pb.MarkResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	return storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.MarkResponse, storage.Changes, error) {
		if err := requireInstructor(r, caller); err != nil {
			return nil, storage.Changes{}, err
		}
		a, err := record.Get(r, caller, storage.Attempts, req.Name)
		if err == nil {
			err = requireSubmitted(a)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		c, err := record.GetUnchecked(r, storage.Cases, record.Parent(req.Name))
		if err != nil {
			return nil, storage.Changes{}, err
		}
		sheet := &pb.MarkSheet{Name: a.Name + "/sheets/" + storage.NewID(), CreateTime: timestamppb.New(now), State: pb.MarkSheetState_MARK_SHEET_STATE_PROPOSED,
			Student: a.Student, Marks: marking.Mark(c, a), ReferenceVerdict: marking.Verdict(c), Verdict: a.GetSubmission().GetVerdict(),
			CriteriaRevision: marking.Revision(), PracticeMinutes: practiceMinutes(a)}
		sheet.ScorePercent = marking.Score(sheet.Marks)
		if sheet.NextCase, err = nextCase(r, a, sheet.Marks); err != nil {
			return nil, storage.Changes{}, err
		}
		// The marks are of the attempt and the case as they were read.
		return &pb.MarkResponse{Sheet: sheet}, storage.Changes{Records: []storage.Record{
			storage.Cases.Unchanged(c), storage.Attempts.Unchanged(a), storage.MarkSheets.Insert(sheet)}}, nil
	})
}

// practiceMinutes are the minutes of an attempt that count as practice.
// The real clock counts, also where the service's own passes faster: hours of practice are
// hours of a person's life.
func practiceMinutes(a *pb.Attempt) float64 {
	span := min(longestPractice, a.GetSubmitTime().AsTime().Sub(a.GetCreateTime().AsTime()))
	if p := a.GetPractice(); p != nil {
		span += min(longestPractice, p.GetEndTime().AsTime().Sub(p.GetStartTime().AsTime()))
	}
	return span.Minutes()
}

// nextCase chooses the case to try next among those in use that the student has not tried.
// It is a suggestion for the student and changes nothing.
func nextCase(r *storage.Snapshot, a *pb.Attempt, marks []*pb.Mark) (string, error) {
	tried := map[string]bool{record.Parent(a.Name): true}
	attempts, _, err := storage.ListAttempts(r, "", a.Student, storage.Page{Size: storage.MaxPageSize})
	if err != nil {
		return "", err
	}
	for _, other := range attempts {
		tried[record.Parent(other.Name)] = true
	}
	var left []*pb.Case
	for page := (storage.Page{Size: mostCases}); ; {
		cases, next, err := storage.Cases.List(r, actor.ChainOf(a.Name), page)
		if err != nil {
			return "", err
		}
		for _, c := range cases {
			if !c.Archived && !tried[c.Name] && len(left) < mostCases {
				left = append(left, c)
			}
		}
		if page.Token = next; next == "" || len(left) >= mostCases {
			return marking.Next(marks, left), nil
		}
	}
}

// sheets reads the marking sheets of an attempt, newest first.
// An attempt with more sheets than are read is answered with the newest.
func sheets(r *storage.Snapshot, attempt string) ([]*pb.MarkSheet, error) {
	var all []*pb.MarkSheet
	for page := (storage.Page{Size: mostSheets}); ; {
		some, next, err := storage.ListMarkSheets(r, attempt, page)
		all = append(all, some...)
		if page.Token = next; err != nil || next == "" || len(all) >= mostSheets {
			return all, err
		}
	}
}

// ConfirmMarks confirms a sheet, with changes, as a new sheet. Of two instructors who
// confirm at the same time, the second is refused: each write replaces the attempt.
// Nobody confirms the marks of their own attempt: an instructor may practise too, and who
// was a student may be an instructor later.
// The sheet that is confirmed may be a proposal or, to correct it, a confirmed sheet. The
// score is computed anew from the marks as they stand then.
func (s Service) ConfirmMarks(ctx context.Context, req *pb.ConfirmMarksRequest) (*pb.ConfirmMarksResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	audit := record.EntryContext(caller, req, req.Name, now)
	return storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.ConfirmMarksResponse, storage.Changes, error) {
		if err := requireInstructor(r, caller); err != nil {
			return nil, storage.Changes{}, err
		}
		old, err := record.Get(r, caller, storage.MarkSheets, req.Name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		a, err := record.Get(r, caller, storage.Attempts, record.Parent(req.Name))
		if err == nil && a.Student == caller.Name {
			err = fault.OwnMarks()
		}
		if err == nil {
			err = requireNewest(r, a.Name, old)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		sheet := proto.CloneOf(old)
		sheet.Name, sheet.CreateTime = a.Name+"/sheets/"+storage.NewID(), timestamppb.New(now)
		sheet.State, sheet.Practitioner, sheet.Replaces = pb.MarkSheetState_MARK_SHEET_STATE_CONFIRMED, caller.Name, old.Name
		var unknown string
		if sheet.Marks, unknown = marking.Confirm(old.Marks, req.Changes); unknown != "" {
			return nil, storage.Changes{}, fault.Invalid("changes", fmt.Sprintf("must name criteria of the sheet, each once; %q is not one, or is there twice", unknown))
		}
		sheet.ScorePercent = marking.Score(sheet.Marks)
		amended := proto.CloneOf(a)
		record.SetTime(amended, "update_time", now)
		return &pb.ConfirmMarksResponse{Sheet: sheet}, storage.Changes{
			Records: []storage.Record{storage.Attempts.Replace(a, amended), storage.MarkSheets.Insert(sheet)},
			Entries: []*pb.AuditEntry{audit.MarksConfirmed(sheet, len(req.Changes))},
		}, nil
	})
}

// requireNewest refuses to confirm a sheet when another one is confirmed already, unless
// it is that one that is corrected.
// Proposals that are newer do not count: marking again takes nothing back.
func requireNewest(r *storage.Snapshot, attempt string, old *pb.MarkSheet) error {
	all, err := sheets(r, attempt)
	if err != nil {
		return err
	}
	for _, sheet := range all {
		if sheet.State != pb.MarkSheetState_MARK_SHEET_STATE_CONFIRMED {
			continue
		}
		if sheet.Name == old.Name {
			return nil
		}
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_SHEET_REPLACED, old.Name, "another sheet was confirmed: correct "+sheet.Name).Naming("sheet", sheet.Name)
	}
	return nil
}

// SummarizeClass counts the newest confirmed sheet of each attempt.
// Sheets are read newest first, so the first one of an attempt is the one that stands. A
// period is that of the confirmation, because that is when marks begin to count.
func (s Service) SummarizeClass(ctx context.Context, req *pb.SummarizeClassRequest) (*pb.SummarizeClassResponse, error) {
	caller, answer := actor.From(ctx), &pb.SummarizeClassResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) error {
		if err := record.All(record.Exist(storage.Chains, req.Parent), record.Exist(storage.Cases, req.Case))(r, caller); err != nil {
			return err
		}
		var counted []*pb.MarkSheet
		var names []string
		read, cut := 0, false
		seen := map[string]bool{} // attempts with a newer sheet
		for page := (storage.Page{Size: storage.MaxPageSize}); ; {
			some, next, err := storage.ListConfirmedSheets(r, page)
			if err != nil {
				return err
			}
			for _, sheet := range some {
				name := record.Parent(sheet.Name)
				if !seen[name] && within(req, sheet) {
					counted, names = append(counted, sheet), append(names, name)
				}
				seen[name] = true
			}
			read += len(some)
			cut = next != "" && read >= mostCounted
			if page.Token = next; next == "" || cut {
				break
			}
		}
		answer = marking.Class(counted, names)
		answer.CutOff = cut
		n, err := storage.CountUnconfirmed(r, req.Case)
		answer.Unconfirmed = int32(n)
		return err
	})
	return answer, err
}

// within reports whether a sheet is of the case and the period that are asked for.
// A corrected sheet counts in the period of its correction.
func within(req *pb.SummarizeClassRequest, sheet *pb.MarkSheet) bool {
	at := sheet.CreateTime.AsTime()
	return (req.Case == "" || record.Parent(record.Parent(sheet.Name)) == req.Case) &&
		(req.StartTime == nil || !at.Before(req.StartTime.AsTime())) && (req.EndTime == nil || at.Before(req.EndTime.AsTime()))
}
