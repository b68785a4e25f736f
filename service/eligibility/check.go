// Package eligibility serves the decision: may this be done, and if not, why
// not and what instead. A refusal is an answer; an error means that nothing was
// decided.
package eligibility

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/service/severity"
	"alkalog/service/timing"
	"alkalog/storage"
)

// Service is the EligibilityService.
type Service struct {
	pb.UnimplementedEligibilityServiceServer

	DB      *storage.DB
	Now     func() time.Time
	NewSalt func() []byte // 16 random bytes
	Rules   *rules.Engine
}

// visitsKept is how many past visits a decision's inputs keep whole; the rates
// and the growth on the card rest on all of them. Our own choice: it keeps a
// decision small.
const visitsKept = 3

// CheckEligibility decides, and stores the decision with its audit entry; a
// what-if is decided the same way and not stored.
func (s Service) CheckEligibility(ctx context.Context, req *pb.CheckEligibilityRequest) (*pb.CheckEligibilityResponse, error) {
	scene := record.Scene(ctx, req, req.Parent, s.Now())
	may := record.ActingFor("practitioner", req.Practitioner)
	if req.GetInline() != nil {
		answer := &pb.CheckEligibilityResponse{}
		err := storage.Read(ctx, s.DB, record.Chain(scene.Chain), func(r *storage.Snapshot) (err error) {
			if err = may(r); err != nil {
				return err
			}
			answer.Decision, err = s.decide(r, req, scene.Time, req.GetInline())
			return err
		})
		return answer, err
	}
	return storage.Write(ctx, s.DB, record.Chain(scene.Chain), req, func(r *storage.Snapshot) (*pb.CheckEligibilityResponse, storage.Changes, error) {
		if err := may(r); err != nil {
			return nil, storage.Changes{}, err
		}
		consultation, err := record.Get(r, storage.Consultations, req.GetConsultation())
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if record.Parent(consultation.Name) != req.Parent {
			return nil, storage.Changes{}, fault.NotFound(consultation.Name)
		}
		decision, err := s.decide(r, req, scene.Time, consultation)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		decision.Name = req.Parent + "/decisions/" + storage.NewID()
		decision.CreateTime = timestamppb.New(scene.Time)
		decision.Actor, decision.Role = scene.Actor, scene.Role
		records, err := s.keepPolicy(r, scene.Chain, decision)
		records = append(records, storage.Decisions.Insert(decision))
		return &pb.CheckEligibilityResponse{Decision: decision},
			storage.Changes{Records: records, Entries: scene.Decided(decision)}, err
	})
}

// decide gathers the inputs from one snapshot and decides on them.
func (s Service) decide(r *storage.Snapshot, req *pb.CheckEligibilityRequest, now time.Time, consultation *pb.Consultation) (*pb.Decision, error) {
	in, err := s.inputs(r, req, now, consultation)
	if err != nil {
		return nil, err
	}
	return s.answer(rules.Revision, in)
}

// answer decides on inputs, as the code of a revision does: the same for a check, a
// what-if and a replay.
func (s Service) answer(revision int32, in *pb.DecisionInputs) (*pb.Decision, error) {
	decision, err := s.Rules.DecideAs(revision, in)
	if err != nil {
		return nil, err
	}
	decision.Inputs = in
	if !severity.AtLeast(decision.Verdict, pb.Verdict_VERDICT_REFER) {
		decision.Plan = timing.Plan(in)
	}
	decision.StandingVerdict = rules.Standing(decision)
	return decision, nil
}

// inputs reads everything that the decision rests on.
func (s Service) inputs(r *storage.Snapshot, req *pb.CheckEligibilityRequest, now time.Time, consultation *pb.Consultation) (in *pb.DecisionInputs, err error) {
	in = &pb.DecisionInputs{
		DecideTime:   timestamppb.New(now),
		Consultation: consultation,
		LotCode:      req.LotCode,
		ServiceKind:  req.ServiceKind,
	}
	if _, err = record.Get(r, storage.Clients, req.Parent); err != nil {
		return nil, err
	}
	if in.Product, err = record.Get(r, storage.Products, req.Product); err != nil {
		return nil, err
	}
	if in.Salon, err = record.Get(r, storage.Salons, req.Salon); err != nil {
		return nil, err
	}
	if in.Practitioner, err = record.Get(r, storage.Practitioners, req.Practitioner); err != nil {
		return nil, err
	}
	if req.Supervisor != "" {
		if in.Supervisor, err = record.Get(r, storage.Practitioners, req.Supervisor); err != nil {
			return nil, err
		}
	}
	if in.HousePolicy, err = record.ActivePolicy(r); err != nil {
		return nil, err
	}
	in.Parameters = s.Rules.Parameters(in.HousePolicy.GetParameters())
	in.RecordCard, err = record.Card(r, req.Parent, visitsKept)
	return in, err
}

// GetDecision returns a decision with its overrides and its signature.
func (s Service) GetDecision(ctx context.Context, req *pb.GetDecisionRequest) (*pb.GetDecisionResponse, error) {
	var decision *pb.Decision
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) (err error) {
		decision, err = record.Decision(r, req.Name)
		return err
	})
	return &pb.GetDecisionResponse{Decision: decision}, err
}

// ListDecisions lists a client's decisions, newest first.
func (s Service) ListDecisions(ctx context.Context, req *pb.ListDecisionsRequest) (*pb.ListDecisionsResponse, error) {
	answer := &pb.ListDecisionsResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if err = record.Holds(req.Parent)(r); err != nil {
			return err
		}
		page := storage.Page{Size: req.PageSize, Token: req.PageToken}
		answer.Decisions, answer.NextPageToken, err = record.Pages(r, page, func(page storage.Page) ([]*pb.Decision, string, error) {
			return storage.Decisions.List(r, req.Parent, page)
		})
		for _, d := range answer.Decisions {
			if err == nil {
				err = record.Complete(r, d)
			}
		}
		return err
	})
	return answer, err
}
