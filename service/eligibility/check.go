// Package eligibility is the EligibilityService: may this service be done on this
// client, and if not, why not and what instead.
//
// A check gathers its inputs from one snapshot (record.Inputs), decides on them
// with the pure engines of rules and timing (record.Decide), and stores the
// decision, its inputs, the text of the policy and the audit entry in one write.
// The inputs are stored whole, so a decision can be replayed without any other
// record, on any later server.
//
// A refusal or a referral is an answer with status OK. An error means that nothing
// was decided and nothing was stored.
//
// A stored decision never changes. Overrides and countersignatures are records of
// their own beside it; the verdict that remains with them is computed at each read
// (record.Complete). A denied override is stored too, because the attempt
// happened.
//
// A what-if, with an inline consultation, is decided by the same code and is not
// stored. Only its number is counted, for each practitioner and day, so that
// trying answers until one fits is visible.
//
// A booking is decided by the same code for a day to come. It is not stored as a
// decision and is counted like a what-if, since most of what is seen on the day
// cannot be known yet; on the day a check decides.
package eligibility

import (
	"context"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/forms"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// Service implements the EligibilityService. Rules is the engine with the built-in
// policy of this program; house policies are read with the inputs.
type Service struct {
	pb.UnimplementedEligibilityServiceServer

	DB      *storage.DB
	Now     func() time.Time
	NewSalt func() []byte // 16 random bytes
	Rules   *rules.Engine
}

// CheckEligibility decides, and stores the decision with its audit entry. A
// what-if is decided the same way and not stored; it is a plain read and runs no
// write, so it cannot use up a request id. The consultation must belong to the
// client (NOT_FOUND otherwise), and the caller must be the practitioner or be
// allowed to act for that person.
func (s Service) CheckEligibility(ctx context.Context, req *pb.CheckEligibilityRequest) (*pb.CheckEligibilityResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Parent, s.Now())
	actingFor := record.ActingFor("practitioner", req.Practitioner)
	if req.GetInline() != nil {
		answer := &pb.CheckEligibilityResponse{}
		err := storage.Read(ctx, s.DB, record.Chain(audit.Chain), func(r *storage.Snapshot) (err error) {
			if err = actingFor(r, caller); err != nil {
				return err
			}
			inline, err := s.inlineConsultation(r, caller, req.Parent, req.GetInline(), audit.Time)
			if err != nil {
				return err
			}
			if answer.Decision, err = s.decide(r, caller, req, audit.Time, inline); err != nil {
				return err
			}
			return show(r, caller, answer.Decision, req.View)
		})
		if err == nil {
			storage.CountWhatIf(s.DB, req.Practitioner, audit.Time)
		}
		return answer, err
	}
	return storage.WritePlanned(ctx, s.DB, record.Chain(audit.Chain), checkPlan(caller, req, audit.Time), req, func(r *storage.Snapshot) (*pb.CheckEligibilityResponse, storage.Changes, error) {
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
		if err == nil {
			err = show(r, caller, d, req.View)
		}
		return &pb.CheckEligibilityResponse{Decision: d}, changes, err
	})
}

// checkPlan is what a check of a stored consultation reads, so that all of it comes in
// one round trip. It is allowed to be incomplete, never wrong: what is missing is read
// when it is asked for, by a second run. A test counts the trips.
func checkPlan(caller actor.Actor, req *pb.CheckEligibilityRequest, now time.Time) *storage.Plan {
	p := &storage.Plan{}
	record.CallerPlan(p, caller, req.Parent)
	storage.Consultations.Want(p, req.GetConsultation())
	record.InputsPlan(p, req, now)
	storage.WantPolicyTexts(p)
	return p
}

// decide reads the inputs from one snapshot and decides on them with the newest
// revision of the engine.
func (s Service) decide(r *storage.Snapshot, caller actor.Actor, req *pb.CheckEligibilityRequest, now time.Time, consultation *pb.Consultation) (*pb.Decision, error) {
	in, err := record.Inputs(r, caller, s.Rules, req, consultation, now)
	if err != nil {
		return nil, err
	}
	d, err := record.Decide(s.Rules, rules.Revision, in)
	if err != nil {
		return nil, err
	}
	// The texts in the caller's language are added last: they decide nothing, and a
	// replay does not compare them. They are stored, so that the record shows what
	// was on the screen.
	return d, record.Localize(r, caller, s.Rules, d)
}

// show makes a decision what a caller gets of it: described, and without what the view
// leaves out. It comes last, because it takes the inputs away; what is stored was encoded
// before.
func show(r *storage.Snapshot, caller actor.Actor, d *pb.Decision, view pb.RecordView) error {
	err := describe(r, caller, d)
	leaveOut(d, view)
	return err
}

// leaveOut takes away from a decision what a view does not have. Findings, questions,
// conditions and the stages of the plan are in every view.
func leaveOut(d *pb.Decision, view pb.RecordView) {
	if view != pb.RecordView_RECORD_VIEW_BASIC {
		return
	}
	d.Inputs = nil
	if d.Plan != nil {
		d.Plan.Sections, d.Plan.Basis = nil, nil
	}
}

// describe says of the open questions of a decision what they take, in the caller's
// language. The description is made at each read and is not stored: it may get better
// words, and the decision must replay.
func describe(r *storage.Snapshot, caller actor.Actor, d *pb.Decision) error {
	lang, err := record.Language(r, caller, d.GetInputs().GetSalon().GetName())
	if err == nil {
		forms.DescribeAll(d, lang)
	}
	return err
}

// GetDecision returns a decision with its overrides, its signature and the verdict
// that remains with them.
func (s Service) GetDecision(ctx context.Context, req *pb.GetDecisionRequest) (*pb.GetDecisionResponse, error) {
	caller := actor.From(ctx)
	answer := &pb.GetDecisionResponse{}
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) (err error) {
		if answer.Decision, err = record.Decision(r, caller, req.Name); err != nil {
			return err
		}
		return show(r, caller, answer.Decision, req.View)
	})
	return answer, err
}

// ListDecisions lists a client's decisions, newest first, each completed as by
// GetDecision. A caller that is confined to some salons gets those of its salons.
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
			if err == nil {
				err = show(r, caller, d, req.View)
			}
		}
		return err
	})
	return answer, err
}
