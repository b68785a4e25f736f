package storage_test

import (
	"errors"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// errPaired is the error of a write that finds the other product marked already.
var errPaired = errors.New("the other product is marked")

// TestBatchIsSerial: of two products one may be marked. Two writes of one batch each mark
// the product that the other one relies on. One of them must run again and see the mark.
func TestBatchIsSerial(t *testing.T) {
	t.Parallel()
	b := newBatch(t, storagetest.NewDatabase(t))
	products := []*pb.Product{{Name: chainName + "/products/one"}, {Name: chainName + "/products/two"}}
	put(t, b.db, storage.Products.Insert(products[0]), storage.Products.Insert(products[1]))
	mark := func(mine, other string) func() error {
		return func() error {
			req := &pb.RecallLotRequest{Name: mine, LotCode: "a", RequestId: storage.NewID()}
			_, err := storage.Write(t.Context(), b.db, chain, req, func(s *storage.Snapshot) (*pb.RecallLotResponse, storage.Changes, error) {
				read, err := storage.Products.GetUnchecked(s, other)
				if err == nil && len(read.GetLots()) > 0 {
					err = errPaired
				}
				if err != nil {
					return nil, storage.Changes{}, err
				}
				old, err := storage.Products.GetUnchecked(s, mine)
				if err != nil {
					return nil, storage.Changes{}, err
				}
				changed := proto.CloneOf(old)
				changed.Lots = append(changed.Lots, &pb.Lot{LotCode: "a"})
				return &pb.RecallLotResponse{Product: changed}, storage.Changes{
					Records: []storage.Record{storage.Products.Unchanged(read), storage.Products.Replace(old, changed)}}, nil
			})
			return err
		}
	}
	errs := b.together(t, 2, nil, mark(products[0].Name, products[1].Name), mark(products[1].Name, products[0].Name))
	if (errs[0] == nil) == (errs[1] == nil) || !errors.Is(errors.Join(errs...), errPaired) {
		t.Errorf("got %v, want one write done and one refused", errs)
	}
}

// TestBytesWithBackslashes: a record that is replaced keeps its bytes on a database where a
// backslash in a string begins an escape. A server refuses to start on such a database, but
// standard_conforming_strings can be turned off while it runs.
func TestBytesWithBackslashes(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	product := &pb.Product{Name: chainName + "/products/relaxer"}
	put(t, db, storage.Products.Insert(product))
	do(t, super, "alter database "+d.Name+" set standard_conforming_strings = off")
	do(t, super, "select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and usename = 'alkalog_server'")
	runs := 0
	lot := `a\b'c"d{NULL},\\x41`
	if err := addLot(t.Context(), db, product.GetName(), lot, &runs); err != nil {
		t.Fatal(err)
	}
	read(t, db, func(s *storage.Snapshot) error {
		got, err := storage.Products.GetUnchecked(s, product.GetName())
		if len(got.GetLots()) != 1 || got.GetLots()[0].GetLotCode() != lot {
			t.Errorf("the lots are %v", got.GetLots())
		}
		return err
	})
}
