package record

import (
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/storage"
)

// seen answers what is of another salon than those its reader is confined to
// as if it did not exist. Clients, their cards, and all else that belongs to the
// chain follow from salon to salon.
func seen(r *storage.Snapshot, m Named) error {
	who := actor.From(r.Context())
	if len(who.Salons) == 0 {
		return nil
	}
	salon, err := salonOf(r, m)
	if err == nil && !who.InSalon(salon) {
		err = fault.OutOfScope(m.GetName())
	}
	return err
}

// salonOf is where a record was made; empty for a record of the chain.
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
		session, err := storage.Sessions.Get(r, m.Session)
		return session.GetSalon(), err
	}
	return "", nil
}

// mostPages is how many pages are read at most to find something that their
// reader may see. Our own choice: a reader who is confined to one of many salons
// gets an answer in time, if need be an empty page with a token for the next.
const mostPages = 10

// Pages reads a page as read does, without what its reader may not see. It may
// be shorter than asked for, and is empty only at the end or after many pages
// that show nothing.
func Pages[M Named](r *storage.Snapshot, page storage.Page, read func(storage.Page) ([]M, string, error)) ([]M, string, error) {
	for n := 1; ; n++ {
		ms, next, err := read(page)
		if err != nil {
			return nil, "", err
		}
		var shown []M
		for _, m := range ms {
			switch err := seen(r, m); {
			case err == nil:
				shown = append(shown, m)
			case fault.Denial(err) == "":
				return nil, "", err
			}
		}
		if len(shown) > 0 || next == "" || n == mostPages {
			return shown, next, nil
		}
		page.Token = next
	}
}
