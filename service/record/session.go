package record

import (
	"cmp"
	"errors"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/timing"
	"alkalog/storage"
)

// State is where a session stands at an instant, with what the catalogue says of
// the products used. Events that were recorded after the instant count, too: the
// instant is moved to the last of them, since they did happen.
func State(r *storage.Snapshot, session *pb.Session, events []*pb.StoredEvent, at time.Time) (*pb.SessionState, error) {
	for _, e := range events {
		if recorded := e.RecordTime.AsTime(); recorded.After(at) {
			at = recorded // another server's clock may be milliseconds ahead
		}
	}
	products, err := named(r, events)
	if err != nil {
		return nil, err
	}
	return timing.FoldWith(session, events, products, at), nil
}

// named reads the products that events name, by the catalogue. Each product is
// read once. The order is that of the events, so a fold gives the same result
// each time.
func named(r *storage.Snapshot, events []*pb.StoredEvent) ([]*pb.Product, error) {
	products, known := []*pb.Product{}, map[string]bool{}
	for _, e := range events {
		name := cmp.Or(e.Event.GetProductUsed().GetProduct(), e.Event.GetProductConfirmed().GetProduct())
		if name == "" || known[name] {
			continue
		}
		known[name] = true
		product, err := storage.Products.GetUnchecked(r, name)
		if errors.Is(err, storage.ErrNotFound) {
			continue // the fact stands; the catalogue knows nothing of it
		}
		if err != nil {
			return nil, err
		}
		products = append(products, product)
	}
	return products, nil
}
