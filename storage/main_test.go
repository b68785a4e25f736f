package storage_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

func TestMain(m *testing.M) { os.Exit(storagetest.Run(m)) }

// chain is the invented chain of these tests.
const chain = "ebb-and-flow"

// salonRequest is a request with an id of its own.
func salonRequest(salon string) *pb.CreateSalonRequest {
	return &pb.CreateSalonRequest{Parent: "chains/" + chain, SalonId: salon, RequestId: storage.NewID(),
		Salon: &pb.Salon{DisplayName: "Ebb and Flow " + salon}}
}

// openSalon is a handler as services write them: it makes a salon with an audit
// entry, and its answer differs from run to run, so that an answer given twice
// can be told from one made twice.
func openSalon(ctx context.Context, db *storage.DB, req *pb.CreateSalonRequest) (*pb.CreateSalonResponse, error) {
	return storage.Write(ctx, db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
		return newSalon(s, req)
	})
}

func newSalon(s *storage.Snapshot, req *pb.CreateSalonRequest) (*pb.CreateSalonResponse, storage.Changes, error) {
	salon := proto.CloneOf(req.GetSalon())
	salon.Name = req.GetParent() + "/salons/" + req.GetSalonId()
	salon.DisplayName += " " + storage.NewID()
	if _, err := storage.Salons.GetUnchecked(s, salon.GetName()); !errors.Is(err, storage.ErrNotFound) {
		return nil, storage.Changes{}, errors.Join(errTaken, err)
	}
	insert := storage.Salons.Insert(salon)
	return &pb.CreateSalonResponse{Salon: salon}, storage.Changes{
		Records: []storage.Record{insert},
		Entries: []*pb.AuditEntry{{Kind: pb.EntryKind_ENTRY_KIND_ALARM, Salon: salon.GetName(), RecordTime: timestamppb.Now()}},
	}, nil
}

var errTaken = errors.New("the salon's id is taken")

// counted is how many rows a database holds.
type counted struct{ requests, salons, entries int }

// count counts the rows of a database by plain SQL.
func count(t testing.TB, pool *sql.DB) counted {
	t.Helper()
	var c counted
	err := pool.QueryRowContext(t.Context(),
		"select (select count(*) from requests), (select count(*) from salons), (select count(*) from audit_entries)",
	).Scan(&c.requests, &c.salons, &c.entries)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// wantOnce fails unless the database holds exactly one salon, one entry and one
// answered request, and the answer is that of the salon.
func wantOnce(t testing.TB, db *storage.DB, pool *sql.DB, answer *pb.CreateSalonResponse) {
	t.Helper()
	if got := count(t, pool); got != (counted{1, 1, 1}) {
		t.Errorf("rows are %+v, want one of each", got)
	}
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		salon, err := storage.Salons.GetUnchecked(s, answer.GetSalon().GetName())
		if err == nil && !proto.Equal(salon, answer.GetSalon()) {
			err = fmt.Errorf("stored %v, answered %v", salon, answer.GetSalon())
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

// eventually waits for a condition that costs a round trip to find out. It
// reports whether it came; a minute without it is a failure.
func eventually(t testing.TB, what string, holds func() bool) bool {
	t.Helper()
	for end := time.Now().Add(time.Minute); !holds(); {
		if time.Now().After(end) {
			t.Errorf("waited in vain for %s", what)
			return false
		}
	}
	return true
}

// rowsWhere counts the rows of a query that says what to count.
func rowsWhere(t testing.TB, pool *sql.DB, from string, args ...any) int {
	t.Helper()
	var n int
	if err := pool.QueryRowContext(t.Context(), "select count(*) from "+from, args...).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
