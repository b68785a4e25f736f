package record

import (
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/rules"
	"alkalog/storage"
)

// OnlyOne reports whether exactly one practitioner is active in a salon. It reads the
// whole directory of the chain; it is asked only when somebody overrides for a
// service of their own.
func OnlyOne(r *storage.Snapshot, salon *pb.Salon, now time.Time) (bool, error) {
	active, page := 0, storage.Page{}
	for {
		people, next, err := storage.Practitioners.List(r, Parent(salon.GetName()), page)
		if err != nil {
			return false, err
		}
		for _, p := range people {
			if rules.Active(p, salon, now) {
				active++
			}
		}
		if next == "" || active > 1 {
			return active == 1, nil
		}
		page.Token = next
	}
}
