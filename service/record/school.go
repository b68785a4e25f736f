package record

import (
	"errors"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/storage"
)

// NoClientsInSchool refuses what would put a client into a chain that is a school. Every
// write that creates a client runs it. Practice then cannot touch a real record, and a
// school holds no client's data that could be lost.
// It is a check of the service and not of the database, because servers of older versions
// would not have it; no school is created while such servers may write.
func NoClientsInSchool(chain string) Check {
	return func(r *storage.Snapshot, _ actor.Actor) error {
		school, err := isSchool(r, chain)
		if err == nil && school {
			err = fault.Precondition(pb.ErrorReason_ERROR_REASON_SCHOOL_HAS_NO_CLIENTS, chain, chain+" is a school and holds no clients; practise on a case")
		}
		return err
	}
}

// OnlyInSchool refuses what exists only in a chain that is a school.
// A chain that does not exist is refused as one that is no school; callers check before
// that it exists.
func OnlyInSchool(chain string) Check {
	return func(r *storage.Snapshot, _ actor.Actor) error {
		school, err := isSchool(r, chain)
		if err == nil && !school {
			err = fault.Precondition(pb.ErrorReason_ERROR_REASON_NOT_A_SCHOOL, chain, chain+" is not a school; cases exist only in a school chain")
		}
		return err
	}
}

// A chain's kind never changes, so no write depends on the chain staying as it is.

// isSchool reports whether a chain is a school; one that does not exist is none.
// Chains that were created before kinds existed are chains of salons.
func isSchool(r *storage.Snapshot, chain string) (bool, error) {
	c, err := storage.Chains.GetUnchecked(r, chain)
	if errors.Is(err, storage.ErrNotFound) {
		err = nil
	}
	return c.GetKind() == pb.ChainKind_CHAIN_KIND_SCHOOL, err
}
