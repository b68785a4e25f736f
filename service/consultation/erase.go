package consultation

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// ErasureList is where erasures are noted outside of the database.
type ErasureList interface {
	// Reserve makes sure that there is room for one more erasure. The caller notes the
	// erasure with it, or gives it back.
	Reserve() (Reservation, error)
}

// Reservation is the room for one erasure.
type Reservation interface {
	// Note notes that a client, by resource name, was erased. When it returns nil, that is
	// durable.
	Note(client string) error
	// Release gives the room back.
	Release()
}

// EraseClient destroys a client's key, and with it everything personal: consultations with
// their answers and origins, drafts too. The erasure is answered when it is noted outside
// of the database too: without the note a restored backup would bring the client back.
// Room for the note is made first, so that a full disk is found while nothing has
// happened. If the note still fails, the outcome is unknown until the call is repeated.
func (s Service) EraseClient(ctx context.Context, req *pb.EraseClientRequest) (*pb.EraseClientResponse, error) {
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	answer, err := s.erase(ctx, req, audit, ledger.ErasedOnRequest, func(c *pb.Client, open int) error {
		switch {
		case c.LegalHold:
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_LEGAL_HOLD, c.Name, "the records are held for a legal claim; a manager may end that with UpdateClient")
		case open > 0:
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_SESSION_OPEN, c.Name, "a session of the client is open; record its outcome first")
		}
		return nil
	})
	return answer, err
}

// erase erases a client unless check objects. check gets the client and how many of the
// client's sessions are open. Both a manager's request and the end of the retention period
// come here, with a check and a reason of their own, so that an erasure is stored, logged
// and noted outside of the database in one way only.
func (s Service) erase(ctx context.Context, req *pb.EraseClientRequest, audit ledger.EntryContext, reason string, check func(c *pb.Client, open int) error) (*pb.EraseClientResponse, error) {
	caller := actor.From(ctx)
	var room Reservation
	if s.Erasures != nil {
		var err error
		if room, err = s.Erasures.Reserve(); err != nil {
			return nil, fmt.Errorf("%w: %w", fault.NotNoted(), err)
		}
		defer room.Release()
	}
	answer, err := storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.EraseClientResponse, storage.Changes, error) {
		client, err := record.Get(r, caller, storage.Clients, req.Name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		open, err := storage.CountOpen(r, req.Name)
		if err == nil {
			err = check(client, open)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		return &pb.EraseClientResponse{EraseTime: timestamppb.New(audit.Time)}, storage.Changes{
			Records: []storage.Record{storage.Clients.Unchanged(client)}, // a legal hold in the meantime counts
			Entries: []*pb.AuditEntry{audit.Erased(req.Name, reason)},
			Erase:   []storage.Erasure{{Client: req.Name, Open: open}},
		}, nil
	})
	if err == nil && room != nil {
		if noted := room.Note(req.Name); noted != nil {
			return nil, fmt.Errorf("%w: the client is erased, and that is not noted outside of the database: %w", storage.ErrUnknown, noted)
		}
	}
	return answer, err
}
