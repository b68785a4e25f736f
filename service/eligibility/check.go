// Package eligibility serves the decision: may this be done, and if not, why
// not and what instead. A refusal is an answer; an error means that nothing was
// decided.
package eligibility

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
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

// CheckEligibility decides, and stores the decision with its audit entry; a
// what-if is decided the same way and not stored.
func (s Service) CheckEligibility(ctx context.Context, req *pb.CheckEligibilityRequest) (*pb.CheckEligibilityResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Parent, s.Now())
	actingFor := record.ActingFor("practitioner", req.Practitioner)
	if req.GetInline() != nil {
		answer := &pb.CheckEligibilityResponse{}
		err := storage.Read(ctx, s.DB, record.Chain(audit.Chain), func(r *storage.Snapshot) (err error) {
			inline := proto.CloneOf(req.GetInline())
			record.Clear(inline)
			record.SetTime(inline, "update_time", audit.Time) // the answers are of now
			check := record.All(actingFor, record.ConsultationInput("inline", req.Parent, inline, audit.Time),
				record.ActingFor("inline.practitioner", inline.GetPractitioner()))
			if err = check(r, caller); err != nil {
				return err
			}
			answer.Decision, err = s.decide(r, caller, req, audit.Time, inline)
			return err
		})
		if err == nil {
			storage.CountWhatIf(s.DB, req.Practitioner, audit.Time)
		}
		return answer, err
	}
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.CheckEligibilityResponse, storage.Changes, error) {
		if err := actingFor(r, caller); err != nil {
			return nil, storage.Changes{}, err
		}
		consultation, err := record.Get(r, caller, storage.Consultations, req.GetConsultation())
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if record.Parent(consultation.Name) != req.Parent {
			return nil, storage.Changes{}, fault.NotFound(consultation.Name)
		}
		d, err := s.decide(r, caller, req, audit.Time, consultation)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		changes, err := record.StoreDecision(r, s.Rules, audit, req.Parent, d)
		return &pb.CheckEligibilityResponse{Decision: d}, changes, err
	})
}

// decide gathers the inputs from one snapshot and decides on them.
func (s Service) decide(r *storage.Snapshot, caller actor.Actor, req *pb.CheckEligibilityRequest, now time.Time, consultation *pb.Consultation) (*pb.Decision, error) {
	in, err := record.Inputs(r, caller, s.Rules, req, consultation, now)
	if err != nil {
		return nil, err
	}
	return record.Decide(s.Rules, rules.Revision, in)
}

// GetDecision returns a decision with its overrides and its signature.
func (s Service) GetDecision(ctx context.Context, req *pb.GetDecisionRequest) (*pb.GetDecisionResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.GetDecisionResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) (err error) {
		answer.Decision, err = record.Decision(r, caller, req.Name)
		return err
	})
	return answer, err
}

// ListDecisions lists a client's decisions, newest first.
func (s Service) ListDecisions(ctx context.Context, req *pb.ListDecisionsRequest) (*pb.ListDecisionsResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.ListDecisionsResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if err = record.ParentExists(req.Parent)(r, caller); err != nil {
			return err
		}
		page := storage.Page{Size: req.PageSize, Token: req.PageToken}
		answer.Decisions, answer.NextPageToken, err = record.Pages(r, caller, page, func(page storage.Page) ([]*pb.Decision, string, error) {
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
