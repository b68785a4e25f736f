package record

import (
	"errors"
	"slices"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/storage"
)

// ActingFor checks that the caller may act in the name of a practitioner, which a
// request gives in a field; an empty name passes. Everybody acts for themselves.
// A supervisor also acts for students and practitioners of the same salons, and a
// till for everybody who works in its salons, by the directory. A practitioner
// without stated salons works in all of the chain. The field is named in the
// error, since a request can name several people. A practitioner that the caller
// may not see is NOT_FOUND.
func ActingFor(field, practitioner string) Check {
	return func(r *storage.Snapshot, caller actor.Actor) error {
		if practitioner == "" || practitioner == caller.Name {
			return nil
		}
		other, err := Get(r, caller, storage.Practitioners, practitioner)
		if err != nil {
			return err
		}
		// A till is confined by its certificate. A supervisor may have an
		// identity for the whole chain and still work in some salons only; then
		// the directory decides. A supervisor that the directory does not have
		// counts as working in all of them.
		salons := caller.Salons
		if caller.Role == pb.Role_ROLE_SUPERVISOR && len(salons) == 0 {
			self, err := storage.Practitioners.GetUnchecked(r, caller.Name)
			if err != nil && !errors.Is(err, storage.ErrNotFound) {
				return err
			}
			salons = self.GetSalons()
		}
		if !mayActFor(caller.Role, salons, other) {
			return fault.ActingForAnother(field)
		}
		return nil
	}
}

// mayActFor says whether somebody in a role, who works in salons, may act for
// another. The directory's role of the other decides, not the one that the other
// last called with. Every other role acts for itself alone.
func mayActFor(role pb.Role, salons []string, other *pb.Practitioner) bool {
	switch role {
	case pb.Role_ROLE_TILL:
		return meet(salons, other.GetSalons())
	case pb.Role_ROLE_SUPERVISOR:
		led := other.GetRole() == pb.Role_ROLE_STUDENT || other.GetRole() == pb.Role_ROLE_PRACTITIONER
		return led && meet(salons, other.GetSalons())
	}
	return false
}

// meet reports whether two who work in these salons meet in one. No stated salon
// means every salon of the chain.
func meet(a, b []string) bool {
	return len(a) == 0 || len(b) == 0 || slices.ContainsFunc(a, func(salon string) bool { return slices.Contains(b, salon) })
}
