package storage_test

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestSlowWriteIsNotStarved: a product is changed all the time, by this server or by
// another. A write that takes longer to decide than the others still gets through.
func TestSlowWriteIsNotStarved(t *testing.T) {
	t.Parallel()
	for _, who := range []string{"this server", "another server"} {
		t.Run(who, func(t *testing.T) {
			t.Parallel()
			d := storagetest.NewDatabase(t)
			here, admin := d.Open(t, storage.Config{ReadTimeout: 5 * time.Minute, MaxConns: 4}), d.SQL(t, "postgres")
			changing := here
			if who == "another server" {
				changing = d.Open(t, storage.Config{ReadTimeout: 5 * time.Minute})
			}
			product := &pb.Product{Name: chainName + "/products/relaxer"}
			put(t, here, storage.Products.Insert(product))
			var changes atomic.Int64
			stop := make(chan struct{})
			var all sync.WaitGroup
			for range 2 {
				all.Go(func() {
					for runs := 0; ; {
						select {
						case <-stop:
							return
						default:
						}
						if err := addLot(t.Context(), changing, product.GetName(), fmt.Sprint(changes.Load()), &runs); err == nil {
							changes.Add(1)
						} else if !isStale(err) {
							t.Error(err)
							return
						}
					}
				})
			}
			runs := 0
			req := &pb.RecallLotRequest{Name: product.GetName(), LotCode: "slow", RequestId: storage.NewID()}
			_, err := storage.Write(t.Context(), here, chain, req, func(s *storage.Snapshot) (*pb.RecallLotResponse, storage.Changes, error) {
				runs++
				old, err := storage.Products.GetUnchecked(s, product.GetName())
				if err != nil {
					return nil, storage.Changes{}, err
				}
				// Until the product has changed, or cannot.
				before := changes.Load()
				eventually(t, "a change or a lock", func() bool {
					return changes.Load() > before+1 || rowsWhere(t, admin, "pg_stat_activity where datname = $1 and wait_event_type = 'Lock'", d.Name) > 0 && changes.Load() == before
				})
				changed := proto.CloneOf(old)
				changed.Lots = append(changed.Lots, &pb.Lot{LotCode: "slow"})
				return &pb.RecallLotResponse{Product: changed}, storage.Changes{Records: []storage.Record{storage.Products.Replace(old, changed)}}, nil
			})
			close(stop)
			all.Wait()
			if err != nil || runs < 2 {
				t.Errorf("after %d runs and %d changes: %v", runs, changes.Load(), err)
			}
			read(t, here, func(s *storage.Snapshot) error {
				got, err := storage.Products.GetUnchecked(s, product.GetName())
				if n := int64(len(got.GetLots())); n != changes.Load()+1 {
					t.Errorf("%d lots after %d changes and one", n, changes.Load())
				}
				return err
			})
			if open := rowsWhere(t, d.SQL(t, localpg.Superuser), "pg_stat_activity where datname = $1 and state like 'idle in transaction%'", d.Name); open > 0 {
				t.Errorf("%d transactions are open", open)
			}
		})
	}
}

// isStale reports whether a write has lost to others.
func isStale(err error) bool { return errors.Is(err, storage.ErrStale) }
