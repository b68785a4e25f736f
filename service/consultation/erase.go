package consultation

import (
	"context"
	"fmt"
	"slices"

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
	return s.erase(ctx, req, audit, ledger.ErasedOnRequest, func(_ *storage.Snapshot, clients []*pb.Client, open int) error {
		if err := checkHold(clients); err != nil {
			return err
		}
		if open > 0 {
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_SESSION_OPEN, req.Name, "a session of the client is open; record its outcome first")
		}
		return nil
	})
}

// erase erases a client and those linked with it, unless check objects. check gets the
// clients and how many of their sessions are open. Both a manager's request and the end
// of the retention period come here, with a check and a reason of their own, so that an
// erasure is stored, logged and noted outside of the database in one way only.
func (s Service) erase(ctx context.Context, req *pb.EraseClientRequest, audit ledger.EntryContext, reason string, check func(r *storage.Snapshot, clients []*pb.Client, open int) error) (*pb.EraseClientResponse, error) {
	caller := actor.From(ctx)
	rooms, err := s.reserve(ctx, req.Name)
	defer rooms.release()
	if err != nil {
		return nil, err
	}
	answer, err := storage.Write(ctx, s.DB, record.Chain(req.Name), req, func(r *storage.Snapshot) (*pb.EraseClientResponse, storage.Changes, error) {
		clients, err := readLinked(r, caller, req.Name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		answer := &pb.EraseClientResponse{EraseTime: timestamppb.New(audit.Time)}
		var changes storage.Changes
		open := 0
		for _, c := range clients {
			n, err := storage.CountOpen(r, c.Name)
			if err != nil {
				return nil, storage.Changes{}, err
			}
			open += n
			answer.Clients = append(answer.Clients, c.Name)
			changes.Records = append(changes.Records, storage.Clients.Unchanged(c)) // a legal hold or a link in the meantime counts
			changes.Entries = append(changes.Entries, audit.Erased(c.Name, reason))
			changes.Erase = append(changes.Erase, storage.Erasure{Client: c.Name, Open: n})
		}
		if err := check(r, clients, open); err != nil {
			return nil, storage.Changes{}, err
		}
		return answer, changes, nil
	})
	if err != nil || s.Erasures == nil {
		return answer, err
	}
	// Answers from before there were links name nobody.
	for _, name := range slices.Compact(slices.Sorted(slices.Values(append(slices.Clone(answer.Clients), req.Name)))) {
		if noted := s.note(&rooms, name); noted != nil {
			return nil, fmt.Errorf("%w: the client is erased, and that is not noted outside of the database: %w", storage.ErrUnknown, noted)
		}
	}
	return answer, nil
}

// reservations is the room for the clients that one call erases.
type reservations []Reservation

// release gives back what was not used.
func (all reservations) release() {
	for _, room := range all {
		room.Release()
	}
}

// reserve makes room to note the erasure of a client and of those linked with it now. A
// client that is linked after this, or was by a call that is repeated, gets its room when
// it is noted.
func (s Service) reserve(ctx context.Context, name string) (rooms reservations, err error) {
	if s.Erasures == nil {
		return nil, nil
	}
	clients := []string{name}
	err = storage.Read(ctx, s.DB, record.Chain(name), func(r *storage.Snapshot) (err error) {
		clients, err = record.LinkedNames(r, name)
		return err
	})
	if err != nil {
		return nil, err
	}
	for range clients {
		room, err := s.Erasures.Reserve()
		if err != nil {
			return rooms, fmt.Errorf("%w: %w", fault.NotNoted(), err)
		}
		rooms = append(rooms, room)
	}
	return rooms, nil
}

// note notes the erasure of one client in reserved room, and makes more if it is used up.
func (s Service) note(rooms *reservations, client string) error {
	if len(*rooms) == 0 {
		room, err := s.Erasures.Reserve()
		if err != nil {
			return err
		}
		defer room.Release()
		return room.Note(client)
	}
	room := (*rooms)[0]
	*rooms = (*rooms)[1:]
	defer room.Release()
	return room.Note(client)
}
