package eligibility

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// CountersignDecision puts a supervisor's signature under a student's decision,
// once. The rules say who may sign (rules.JudgeSignature); anything else is
// FAILED_PRECONDITION with the reason. The signature is a record beside the
// decision, so the digest of the decision in its audit entry stays valid.
func (s Service) CountersignDecision(ctx context.Context, req *pb.CountersignDecisionRequest) (*pb.CountersignDecisionResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.CountersignDecisionResponse, storage.Changes, error) {
		decision, by, err := readDecisionAndPractitioner(r, caller, req)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		if reason, message := rules.JudgeSignature(decision, by, audit.Time); reason != pb.ErrorReason_ERROR_REASON_UNSPECIFIED {
			return nil, storage.Changes{}, fault.Precondition(reason, decision.Name, message)
		}
		signature := &pb.Countersignature{Practitioner: by.Name, CreateTime: timestamppb.New(audit.Time)}
		changes := storage.Changes{
			Records: []storage.Record{storage.InsertCountersignature(decision.Name, signature)},
			Entries: []*pb.AuditEntry{audit.Countersigned(decision, signature)},
		}
		decision.Countersignature = signature
		return &pb.CountersignDecisionResponse{Decision: decision}, changes, nil
	})
}

// readDecisionAndPractitioner reads a decision and the practitioner who judges it.
// The caller must be that person or be allowed to act for them: an override or a
// signature under somebody else's name would make the log worthless. Role and
// licence come from the directory and never from the request.
func readDecisionAndPractitioner(r *storage.Snapshot, caller actor.Actor, req interface {
	GetName() string
	GetPractitioner() string
}) (*pb.Decision, *pb.Practitioner, error) {
	if err := record.ActingFor("practitioner", req.GetPractitioner())(r, caller); err != nil {
		return nil, nil, err
	}
	decision, err := record.Decision(r, caller, req.GetName())
	if err != nil {
		return nil, nil, err
	}
	by, err := record.Get(r, caller, storage.Practitioners, req.GetPractitioner())
	return decision, by, err
}
