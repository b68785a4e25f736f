package audit

import (
	"context"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/storage"
)

// AcceptRestore lets the server write again to a database that is not what it
// saw last, and puts on the log who said so and why.
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
