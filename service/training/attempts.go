package training

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/marking"
	"alkalog/service/record"
	"alkalog/storage"
)

// StartAttempt begins an attempt on a case. What the case shows, and which sections the
// head has, is answered from the beginning.
// The case must still be as it was read when the attempt is committed: an attempt never
// begins on a case that was archived meanwhile.
func (s Service) StartAttempt(ctx context.Context, req *pb.StartAttemptRequest) (*pb.StartAttemptResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	return storage.Write(ctx, s.DB, record.Chain(req.Parent), req, func(r *storage.Snapshot) (*pb.StartAttemptResponse, storage.Changes, error) {
		c, err := record.Get(r, caller, storage.Cases, req.Parent)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		student := req.Student
		if student == "" {
			student = caller.Name
		}
		if err := record.All(record.ActingFor("student", student), record.Exist(storage.Practitioners, student))(r, caller); err != nil {
			return nil, storage.Changes{}, err
		}
		if c.Archived {
			return nil, storage.Changes{}, fault.Precondition(pb.ErrorReason_ERROR_REASON_CASE_ARCHIVED, c.Name, c.Name+" is archived; take another case")
		}
		a := &pb.Attempt{Name: c.Name + "/attempts/" + storage.NewID(), Student: student, State: pb.AttemptState_ATTEMPT_STATE_OPEN,
			CreateTime: timestamppb.New(now), UpdateTime: timestamppb.New(now)}
		for _, path := range shownFields(c) {
			a.Asked = append(a.Asked, s.answer(c, path))
		}
		insert := storage.Attempts.Insert(a)
		return &pb.StartAttemptResponse{Attempt: a, Alternatives: s.Rules.Offers()}, storage.Changes{
			Records: []storage.Record{insert, storage.Cases.Unchanged(c)}}, nil
	})
}

// shownFields are the answers that an attempt begins with: those that the case shows,
// and the sections of the head, whose names a student could not know.
// They count as asked: what a case shows need not be asked for.
func shownFields(c *pb.Case) []string {
	paths := slices.Clone(c.ShownFields)
	for _, section := range c.GetReference().GetInputs().GetConsultation().GetHair().GetSections() {
		if path := "consultation.hair.sections[" + section.SectionId + "].hairline"; !slices.Contains(paths, path) {
			paths = append(paths, path)
		}
	}
	return paths
}

// answer is what the case answers to a question.
// The question is that of the policy where it has one, which is what a till would show. A
// past event has the question of whether it happened.
func (s Service) answer(c *pb.Case, path string) *pb.AskedQuestion {
	question := s.Rules.QuestionAt(path)
	if event := path + ".happened"; question == path && s.Rules.QuestionAt(event) != event {
		question = s.Rules.QuestionAt(event)
	}
	if question == path {
		question = marking.Label(path)
	}
	return &pb.AskedQuestion{Field: path, Question: question, Value: marking.ValueAt(c.GetReference().GetInputs(), path)}
}

// Ask answers one question of the case and keeps that it was asked. A question that was
// asked before is answered again and kept once.
// The order in which questions were asked is kept, with the time of each, for the person
// who looks at the attempt. It is not marked: a stylist may begin with the scalp or with
// the story.
func (s Service) Ask(ctx context.Context, req *pb.AskRequest) (*pb.AskResponse, error) {
	now := s.Now()
	path, err := marking.Question(req.Field)
	if err != nil {
		return nil, fault.Invalid("field", err.Error())
	}
	return change(ctx, s, req.Name, req, func(_ *storage.Snapshot, c *pb.Case, a *pb.Attempt) (*pb.AskResponse, error) {
		if err := requireOpen(a); err != nil {
			return nil, err
		}
		asked := s.answer(c, path)
		asked.AskTime = timestamppb.New(now)
		if at := slices.IndexFunc(a.Asked, func(q *pb.AskedQuestion) bool { return q.Field == path }); at >= 0 {
			return &pb.AskResponse{Answer: a.Asked[at]}, nil
		}
		if len(a.Asked) >= mostAsked {
			return nil, fault.Invalid("field", "must be a question that was asked before: this attempt has asked 500")
		}
		a.Asked = append(a.Asked, asked)
		return &pb.AskResponse{Answer: asked}, nil
	})
}

// mostAsked bounds the questions of an attempt. Our own choice: a case has about 100.
const mostAsked = 500

// SubmitAttempt keeps the decision that the student states.
// Nothing is judged here. A decision that names a rule that does not exist is a decision
// like any other, and is marked as one.
func (s Service) SubmitAttempt(ctx context.Context, req *pb.SubmitAttemptRequest) (*pb.SubmitAttemptResponse, error) {
	now := s.Now()
	seen := map[pb.CardElement]bool{}
	for _, entry := range req.Submission.Card {
		if seen[entry.Element] {
			return nil, fault.Invalid("submission.card", "must have one line for each element")
		}
		seen[entry.Element] = true
	}
	return change(ctx, s, req.Name, req, func(_ *storage.Snapshot, _ *pb.Case, a *pb.Attempt) (*pb.SubmitAttemptResponse, error) {
		if err := requireOpen(a); err != nil {
			return nil, err
		}
		a.Submission, a.State, a.SubmitTime = proto.CloneOf(req.Submission), pb.AttemptState_ATTEMPT_STATE_SUBMITTED, timestamppb.New(now)
		return &pb.SubmitAttemptResponse{Attempt: a}, nil
	})
}

// change changes an attempt: work gets a copy, changes it, and returns the answer. It may
// run again on a newer version, so it must keep nothing.
// The etag of the answer's attempt is that of the stored one: the record is made after the
// answer, from the same message.
func change[A proto.Message](ctx context.Context, s Service, name string, req storage.Request, work func(*storage.Snapshot, *pb.Case, *pb.Attempt) (A, error)) (A, error) {
	caller, now := actor.From(ctx), s.Now()
	return storage.Write(ctx, s.DB, record.Chain(name), req, func(r *storage.Snapshot) (none A, _ storage.Changes, err error) {
		stored, err := attempt(r, caller, name)
		if err == nil {
			err = record.ActingFor("name", stored.Student)(r, caller)
		}
		if err != nil {
			return none, storage.Changes{}, err
		}
		c, err := record.GetUnchecked(r, storage.Cases, record.Parent(name))
		if err != nil {
			return none, storage.Changes{}, err
		}
		amended := proto.CloneOf(stored)
		answer, err := work(r, c, amended)
		if err != nil {
			return none, storage.Changes{}, err
		}
		record.SetTime(amended, "update_time", now)
		return answer, storage.Changes{Records: []storage.Record{storage.Attempts.Replace(stored, amended)}}, nil
	})
}

// requireOpen refuses to change an attempt whose decision is stated.
// An answer that came after the decision would look as if the decision had been made on it.
func requireOpen(a *pb.Attempt) error {
	if a.State != pb.AttemptState_ATTEMPT_STATE_SUBMITTED {
		return nil
	}
	return fault.Precondition(pb.ErrorReason_ERROR_REASON_ATTEMPT_SUBMITTED, a.Name, "the decision of "+a.Name+" is stated; begin a new attempt")
}

// requireSubmitted refuses what comes after the decision before it is stated.
func requireSubmitted(a *pb.Attempt) error {
	if a.State == pb.AttemptState_ATTEMPT_STATE_SUBMITTED {
		return nil
	}
	return fault.Precondition(pb.ErrorReason_ERROR_REASON_ATTEMPT_NOT_SUBMITTED, a.Name, "the decision of "+a.Name+" is not stated yet; call SubmitAttempt first")
}

// attempt reads an attempt that the caller may see: a student only their own.
// Another student's attempt is NOT_FOUND, as if it did not exist.
func attempt(r *storage.Snapshot, caller actor.Actor, name string) (*pb.Attempt, error) {
	a, err := record.Get(r, caller, storage.Attempts, name)
	if err == nil && caller.Role == pb.Role_ROLE_STUDENT && a.Student != caller.Name {
		return nil, fault.NotFound(name)
	}
	return a, err
}

// GetAttempt returns an attempt with its marking sheets.
// An instructor sees proposals too. Sheets are not stored with the attempt: they would be
// lost with each change of it.
func (s Service) GetAttempt(ctx context.Context, req *pb.GetAttemptRequest) (*pb.GetAttemptResponse, error) {
	caller, answer := actor.From(ctx), &pb.GetAttemptResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) (err error) {
		if answer.Attempt, err = attempt(r, caller, req.Name); err != nil {
			return err
		}
		answer.Attempt.Sheets, err = sheets(r, req.Name)
		if caller.Role == pb.Role_ROLE_STUDENT {
			answer.Attempt.Sheets = slices.DeleteFunc(answer.Attempt.Sheets, func(m *pb.MarkSheet) bool {
				return m.State != pb.MarkSheetState_MARK_SHEET_STATE_CONFIRMED
			})
		}
		return err
	})
	return answer, err
}

// ListAttempts lists attempts, newest first, without marking sheets and without what was
// done in practice services.
// A practice service is left out because it is long; GetAttempt has it.
func (s Service) ListAttempts(ctx context.Context, req *pb.ListAttemptsRequest) (*pb.ListAttemptsResponse, error) {
	caller, answer := actor.From(ctx), &pb.ListAttemptsResponse{}
	ofCase, exists := req.Parent, record.Exist(storage.Cases, req.Parent)
	if chain, all := strings.CutSuffix(req.Parent, "/cases/-"); all {
		ofCase, exists = "", record.Exist(storage.Chains, chain)
	}
	student := req.Student
	if caller.Role == pb.Role_ROLE_STUDENT {
		if student != "" && student != caller.Name {
			return nil, fault.NotFound(student)
		}
		student = caller.Name
	}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if err = record.All(exists, record.Exist(storage.Practitioners, req.Student))(r, caller); err != nil {
			return err
		}
		page := storage.Page{Size: req.PageSize, Token: req.PageToken}
		answer.Attempts, answer.NextPageToken, err = storage.ListAttempts(r, ofCase, student, page)
		for _, a := range answer.Attempts {
			if a.Practice != nil {
				a.Practice = &pb.PracticeService{TimeFactor: a.Practice.TimeFactor, StartTime: a.Practice.StartTime, EndTime: a.Practice.EndTime}
			}
		}
		return err
	})
	return answer, err
}
