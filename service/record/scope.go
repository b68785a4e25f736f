package record

import (
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/storage"
)

// authorize returns OUT_OF_SCOPE, which callers see as NOT_FOUND, for a record of
// a salon outside those that the caller is confined to. Clients, their cards and all else
// that belongs to the chain may be read from every salon. Whether the chain is
// the caller's was checked before, by the name alone.
func authorize(r *storage.Snapshot, caller actor.Actor, m Named) error {
	if len(caller.Salons) == 0 {
		return nil
	}
	salon, err := salonOf(r, m)
	if err == nil && !caller.InSalon(salon) {
		err = fault.OutOfScope(m.GetName())
	}
	return err
}

// salonOf is the salon in which a record was made; empty for a record of the
// chain. For an outcome it is that of its session, because older outcomes do not
// say theirs.
func salonOf(r *storage.Snapshot, m proto.Message) (string, error) {
	switch m := m.(type) {
	case *pb.Salon:
		return m.Name, nil
	case *pb.Consultation:
		return m.Salon, nil
	case *pb.Decision:
		return m.Inputs.GetSalon().GetName(), nil
	case *pb.Session:
		return m.Salon, nil
	case *pb.Incident:
		return m.Salon, nil
	case *pb.Outcome:
		session, err := storage.Sessions.GetUnchecked(r, m.Session)
		return session.GetSalon(), err
	}
	return "", nil
}

// maxPages is how many pages are read at most to find a record that the caller may
// see. Our own choice: a caller who is confined to one of many salons gets an
// answer in time, if need be an empty page with a token for the next.
const maxPages = 10

// Pages reads a page by read and leaves out what the caller may not see. The page
// can be shorter than asked for. It is empty only at the end or after maxPages
// pages without a visible record. Filtering here and not in SQL keeps one
// definition of what a caller may see.
func Pages[M Named](r *storage.Snapshot, caller actor.Actor, page storage.Page, read func(storage.Page) ([]M, string, error)) ([]M, string, error) {
	for n := 1; ; n++ {
		ms, next, err := read(page)
		if err != nil {
			return nil, "", err
		}
		var visible []M
		for _, m := range ms {
			switch err := authorize(r, caller, m); {
			case err == nil:
				visible = append(visible, m)
			case fault.Denial(err) == "":
				return nil, "", err
			}
		}
		if len(visible) > 0 || next == "" || n == maxPages {
			return visible, next, nil
		}
		page.Token = next
	}
}
