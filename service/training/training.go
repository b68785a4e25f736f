// Package training is the TrainingService: students practise on cases in a school
// chain, and their attempts are marked.
//
// Practice is apart. Cases, attempts and marking sheets exist only in a chain of the kind
// SCHOOL, which holds no clients (record.NoClientsInSchool). The walls between chains and
// the chain's own log then keep practice out of every figure, list and history of salons,
// without a filter anywhere.
//
// A case is decided by the same engines as a client (record.Decide), once, when it is
// created; that decision is the reference and is stored with its inputs. A student sees
// neither. An attempt keeps what was asked, what was stated and what was done. Marks are
// computed by package marking; Mark stores them as a proposal and ConfirmMarks what a
// person makes of them. Sheets never change.
//
// A practice service is part of its attempt: the facts and the clock are those of a
// service on a client (package timing), with times that may pass faster. What the clock
// finds is a mark, and not a deviation on any log.
//
// An instructor is a supervisor whom the directory calls one, or a manager. A student
// sees and changes only their own attempts.
//
// # What a student may see
//
// A student gets the opening, the shelf, the place and the day, and an answer for each
// question that was asked. shown lists these fields one by one, so a field that is added
// to a case later is hidden until somebody decides otherwise. Sheets are shown once they
// are confirmed, because a proposal is not the school's word.
//
// # What is stored
//
// The case with its reference; the attempt, replaced with each question; the sheets,
// inserted and never changed. A sheet that is confirmed is written with its entry on the
// school's log, which names the student and the sheet and no mark. Neither is personal data
// of a client: there is none in a school.
//
// # Concurrency
//
// A question and the decision replace the attempt, so two tills that work on one attempt
// run one after the other. Marking requires that case and attempt are still as they were
// read. Confirming replaces the attempt for the same reason: of two instructors who confirm
// at once, the second sees the first one's sheet and is refused.
package training

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/marking"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/service/timing"
	"alkalog/storage"
)

// Service implements the TrainingService. Now is the reference clock; tests inject
// theirs. Rules decides on cases.
// It keeps nothing between calls, so several servers can run on one database.
type Service struct {
	pb.UnimplementedTrainingServiceServer

	DB    *storage.DB
	Now   func() time.Time
	Rules *rules.Engine
}

// requireInstructor refuses supervisors whom the directory does not call instructors.
// A manager needs no entry in the directory: those who can appoint an instructor can also
// do an instructor's work. The directory is read in the same snapshot as the write, so
// that a right that was taken away counts from then on.
func requireInstructor(r *storage.Snapshot, caller actor.Actor) error {
	if caller.Role == pb.Role_ROLE_MANAGER {
		return nil
	}
	self, err := storage.Practitioners.GetUnchecked(r, caller.Name)
	if err != nil && !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	if !self.GetInstructor() {
		return fault.NotAnInstructor()
	}
	return nil
}

// CreateCase creates a case, written or generated, and lets the rules decide on it. It
// fails if the facts are not enough for a decision.
// The order of the checks is that of record.Create: the chain, then what it may hold, then
// who asks, then the name. The decision comes last, because it costs the most.
func (s Service) CreateCase(ctx context.Context, req *pb.CreateCaseRequest) (*pb.CreateCaseResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	id := req.CaseId
	if id == "" {
		id = storage.NewID()
	}
	return storage.Write(ctx, s.DB, record.Chain(req.Parent), req, func(r *storage.Snapshot) (*pb.CreateCaseResponse, storage.Changes, error) {
		made := proto.CloneOf(req.Case)
		record.Clear(made)
		if given := made.GetFacts().GetConsultation(); given != nil {
			record.Clear(given) // nobody's consultation, so the server has nothing to say of it
		}
		made.Name = req.Parent + "/cases/" + id
		if err := record.All(record.Exist(storage.Chains, req.Parent), record.OnlyInSchool(req.Parent), requireInstructor)(r, caller); err != nil {
			return nil, storage.Changes{}, err
		}
		if _, err := storage.Cases.GetUnchecked(r, made.Name); !errors.Is(err, storage.ErrNotFound) {
			if err == nil {
				err = fault.Exists(made.Name)
			}
			return nil, storage.Changes{}, err
		}
		if req.Generator != nil {
			generate(made, req.Generator, now)
		}
		err := s.completeCase(r, caller, made, now)
		changes := storage.Changes{Records: []storage.Record{storage.Cases.Insert(made)}}
		return &pb.CreateCaseResponse{Case: made}, changes, err
	})
}

// completeCase checks a case and fills in its reference and times.
// Paths of shown answers are put into their one spelling, so that they compare equal to
// those that a student asks for.
func (s Service) completeCase(r *storage.Snapshot, caller actor.Actor, c *pb.Case, now time.Time) error {
	if c.Facts == nil {
		return fault.Invalid("case.facts", "must hold the facts of the head, or generator must be given")
	}
	if err := checkCase(nil, c); err != nil {
		return err
	}
	in, err := s.inputs(r, caller, c.Facts)
	if err != nil {
		return err
	}
	for i, path := range c.ShownFields {
		shown, err := marking.Question(path)
		if err != nil {
			return fault.Invalid(fmt.Sprintf("case.shown_fields[%d]", i), err.Error())
		}
		c.ShownFields[i] = shown
	}
	if c.Reference, err = record.Decide(s.Rules, rules.Revision, in); err != nil {
		return err
	}
	c.Reference.CreateTime = timestamppb.New(now)
	if err := decided(c.Reference); err != nil {
		return err
	}
	fillRuling(caller, nil, c, now)
	c.CreateTime, c.UpdateTime = timestamppb.New(now), timestamppb.New(now)
	return nil
}

// inputs are what the rules decide on. The age is that of the consultation, since a
// mannequin has no date of birth. The pace of application is the usual one.
// Everything is read for the caller, in the snapshot of the write, and is stored with the
// case: the reference stays what it was when the shelf changes. The house policy in force
// counts, because a school teaches its own house's rules too.
func (s Service) inputs(r *storage.Snapshot, caller actor.Actor, f *pb.CaseFacts) (in *pb.DecisionInputs, err error) {
	consultation := proto.CloneOf(f.Consultation)
	record.Clear(consultation)
	consultation.Salon, consultation.Practitioner = f.Salon, f.Practitioner
	in = &pb.DecisionInputs{DecideTime: f.VisitTime, Consultation: consultation, LotCode: f.LotCode, ServiceKind: f.ServiceKind,
		ApplicationPace: timing.LearnPace(f.Practitioner, nil)}
	if in.Product, err = record.Get(r, caller, storage.Products, f.Product); err != nil {
		return nil, err
	}
	if in.Salon, err = record.Get(r, caller, storage.Salons, f.Salon); err != nil {
		return nil, err
	}
	if in.Practitioner, err = record.Get(r, caller, storage.Practitioners, f.Practitioner); err != nil {
		return nil, err
	}
	if in.HousePolicy, err = record.ActivePolicy(r); err != nil {
		return nil, err
	}
	tests, given := consultation.GetTests(), f.Consultation
	if err := record.All(record.Exist(storage.Salons, given.Salon), record.Exist(storage.Practitioners, given.Practitioner),
		record.Exist(storage.Products, tests.GetStrandProduct()), record.Exist(storage.Practitioners, tests.GetTester()))(r, caller); err != nil {
		return nil, err
	}
	in.Parameters = s.Rules.Parameters(in.HousePolicy)
	// Answers given by a statement can be asked for one by one.
	return rules.ExpandStatements(in), nil
}

// decided refuses a case that leaves the verdict open because an answer is missing. That
// something must be tested first is a verdict like others.
// The error names the open questions, so that an instructor can answer them and try again.
func decided(d *pb.Decision) error {
	if d.Verdict != pb.Verdict_VERDICT_ASK || len(d.OpenQuestions) == 0 {
		return nil
	}
	var open []string
	for _, q := range d.OpenQuestions {
		open = append(open, q.Field)
	}
	return fault.Invalid("case.facts.consultation", "must answer what the rules ask; not answered: "+strings.Join(open, ", "))
}

// checkCase checks what can be changed of a case, and that nothing else was. stored is
// nil for a new case.
// Facts that could change would make two sheets of one case incomparable, and the reference
// would no longer be what the rules decided on them.
func checkCase(stored, wanted *pb.Case) error {
	if stored != nil && (!proto.Equal(stored.Facts, wanted.Facts) || stored.Practice != wanted.Practice || !slices.Equal(stored.ShownFields, wanted.ShownFields)) {
		return fault.Invalid("update_mask", "must name only display_name, opening, criteria, ruling and archived; facts, shown_fields and practice never change: create another case")
	}
	switch {
	case wanted.DisplayName == "":
		return fault.Invalid("case.display_name", "must be the name of the case")
	case wanted.Opening == "":
		return fault.Invalid("case.opening", "must be what the client says on arrival")
	}
	seen := map[string]bool{}
	criteria := wanted.Criteria
	wanted.Criteria = nil // the request's own must not change
	for i, own := range criteria {
		own = proto.CloneOf(own)
		at := fmt.Sprintf("case.criteria[%d].criterion_id", i)
		if seen[own.CriterionId] {
			return fault.Invalid(at, "must be another than those before it")
		}
		seen[own.CriterionId] = true
		own.Group = pb.CriterionGroup_CRITERION_GROUP_SCHOOL
		wanted.Criteria = append(wanted.Criteria, own)
	}
	return nil
}

// fillRuling notes who ruled and when, if the ruling is new.
// A ruling that stays as it was keeps its author and time, so that changing the opening of
// a case does not make somebody else answer for the verdict.
func fillRuling(caller actor.Actor, stored, c *pb.Case, now time.Time) {
	if c.GetRuling() == nil {
		return
	}
	old, ruling := stored.GetRuling(), proto.CloneOf(c.Ruling) // the request's own must not change
	c.Ruling = ruling
	ruling.Practitioner, ruling.RuleTime = caller.Name, timestamppb.New(now)
	if old != nil && old.Verdict == ruling.Verdict && old.Comment == ruling.Comment {
		ruling.Practitioner, ruling.RuleTime = old.Practitioner, old.RuleTime
	}
}

// UpdateCase changes what may change of a case.
// An archived case keeps its attempts and sheets; only no attempt begins on it.
func (s Service) UpdateCase(ctx context.Context, req *pb.UpdateCaseRequest) (*pb.UpdateCaseResponse, error) {
	kind := record.Kind[*pb.Case]{DB: s.DB, Now: s.Now, Store: storage.Cases,
		Check: func(r *storage.Snapshot, caller actor.Actor, stored, wanted *pb.Case) error {
			if err := requireInstructor(r, caller); err != nil {
				return err
			}
			if err := checkCase(stored, wanted); err != nil {
				return err
			}
			fillRuling(caller, stored, wanted, s.Now())
			return nil
		}}
	return record.Update[*pb.UpdateCaseResponse](ctx, kind, req, req.Case, req.UpdateMask)
}

// GetCase returns a case, to a student without answers and reference.
// Instructors, managers and examiners see all of it.
func (s Service) GetCase(ctx context.Context, req *pb.GetCaseRequest) (*pb.GetCaseResponse, error) {
	c, err := record.Read(ctx, s.DB, storage.Cases, req.Name)
	if err != nil {
		return nil, err
	}
	return &pb.GetCaseResponse{Case: shown(actor.From(ctx), c)}, nil
}

// ListCases lists the cases of a chain by name, as GetCase returns them.
// Pages are those of the stored cases, so a student's page is as long as an instructor's.
func (s Service) ListCases(ctx context.Context, req *pb.ListCasesRequest) (*pb.ListCasesResponse, error) {
	cases, next, err := record.List(ctx, s.DB, storage.Cases, req.Parent, req.PageSize, req.PageToken)
	for i, c := range cases {
		cases[i] = shown(actor.From(ctx), c)
	}
	return &pb.ListCasesResponse{Cases: cases, NextPageToken: next}, err
}

// shown is a case as a caller sees it. It lists what a student may see and not what is
// left out, so that a field that is added later is hidden.
// The difficulty is not among them: that a case is called hard tells that something is
// hidden. Neither are the school's own criteria, which can give an answer away.
func shown(caller actor.Actor, c *pb.Case) *pb.Case {
	if caller.Role != pb.Role_ROLE_STUDENT {
		return c
	}
	f := c.GetFacts()
	return &pb.Case{Name: c.Name, Etag: c.Etag, CreateTime: c.CreateTime, UpdateTime: c.UpdateTime, DisplayName: c.DisplayName, Opening: c.Opening,
		Practice: c.Practice, Archived: c.Archived,
		Facts: &pb.CaseFacts{Product: f.GetProduct(), LotCode: f.GetLotCode(), ServiceKind: f.GetServiceKind(), Salon: f.GetSalon(), VisitTime: f.GetVisitTime()}}
}
