package storage_test

import (
	"errors"
	"testing"

	"github.com/lib/pq"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestCountersignature is written once with its entry, and read under its
// decision only.
func TestCountersignature(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{})
	const client = "chains/" + chain + "/clients/k"
	const decision = client + "/decisions/d"
	put(t, db, storage.Clients.Insert(&pb.Client{Name: client}))
	signature := &pb.Countersignature{Practitioner: "chains/" + chain + "/practitioners/imara"}
	sign := func(entries ...*pb.AuditEntry) error {
		_, err := storage.Write(t.Context(), db, chain, salonRequest("x"), func(*storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
			return &pb.CreateSalonResponse{}, storage.Changes{Records: []storage.Record{storage.InsertCountersignature(decision, signature)}, Entries: entries}, nil
		})
		return err
	}
	entry := func(kind pb.EntryKind, decision string) *pb.AuditEntry {
		e := caused(t, signature, decision, kind)
		e.Client = client
		return e
	}
	const signed = pb.EntryKind_ENTRY_KIND_COUNTERSIGNED
	for what, err := range map[string]error{
		"no entry":           sign(),
		"another kind":       sign(entry(pb.EntryKind_ENTRY_KIND_ALARM, decision)),
		"another's decision": sign(entry(signed, "chains/"+chain+"/clients/k/decisions/e")),
	} {
		var refused *pq.Error
		if !errors.As(err, &refused) || refused.Code != "23000" {
			t.Errorf("with %s: %v", what, err)
		}
	}
	var refused *pq.Error
	if err := storage.AppendEntries(t.Context(), db, chain, entry(signed, decision)); !errors.As(err, &refused) || refused.Code != "23000" {
		t.Errorf("an entry without its signature: %v", err)
	}
	if err := sign(entry(signed, decision)); err != nil {
		t.Fatal(err)
	}
	if err := sign(entry(signed, decision)); !errors.Is(err, storage.ErrExists) {
		t.Errorf("a second signature: %v", err)
	}
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		for name, want := range map[string]*pb.Countersignature{decision: signature, "chains/" + chain + "/clients/k/decisions/e": nil, "chains/" + chain + "/clients/l/decisions/d": nil} {
			got, err := storage.CountersignatureOf(s, name)
			if err != nil || !proto.Equal(got, want) {
				t.Errorf("under %s: %v, %v", name, got, err)
			}
		}
		_, err := storage.CountersignatureOf(s, "no name")
		return err
	})
	if err == nil {
		t.Error("something that is no name has no signature")
	}
	// Taken away by somebody with all rights, it is missed.
	super := d.SQL(t, localpg.Superuser)
	missed := func() int {
		var found storage.Inspection
		err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) (err error) {
			found, _, err = storage.InspectRecord(s, storage.LogHead{Chain: chain, Position: 1000}, 0, 100)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return len(found.Causeless)
	}
	if n := missed(); n != 0 {
		t.Errorf("%d entries without a cause, and all is there", n)
	}
	do(t, super, "alter table countersignatures disable trigger all; delete from countersignatures")
	if n := missed(); n != 1 {
		t.Errorf("%d entries without a cause, and a signature is gone", n)
	}
}
