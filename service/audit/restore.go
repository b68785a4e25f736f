package audit

import (
	"context"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/storage"
)

// AcceptRestore accepts, for a chain, a database that is not a continuation of the last
// checkpoint, and puts on the log who accepted it and why. The entry contains that
// checkpoint, so that the loss stays visible to every auditor.
//
// It is the only write that is permitted while writes are blocked (storage.Forbid).
// Writes continue when every log with a rollback was accepted. Another server notices
// the entry by itself.
func (s Service) AcceptRestore(ctx context.Context, req *pb.AcceptRestoreRequest) (*pb.AcceptRestoreResponse, error) {
	caller := actor.From(ctx)
	chain := record.Chain(req.Name)
	answer, err := storage.Write(ctx, s.DB, chain, req, func(*storage.Snapshot) (*pb.AcceptRestoreResponse, storage.Changes, error) {
		earlier := s.Logs.RolledBackFrom(chain)
		if earlier == nil {
			return nil, storage.Changes{}, fault.Precondition(pb.ErrorReason_ERROR_REASON_NOTHING_TO_ACCEPT, req.Name, "the log follows from what this server has seen of it; there is nothing to accept")
		}
		entry := record.EntryContext(caller, req, req.Name, s.Now()).Restored(req, string(earlier))
		return &pb.AcceptRestoreResponse{Entry: entry}, storage.Changes{Entries: []*pb.AuditEntry{entry}}, nil
	})
	if err != nil {
		return nil, err
	}
	return answer, s.Logs.CheckAccepted(ctx)
}
