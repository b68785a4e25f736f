package storage_test

import (
	"context"
	"math"
	"net"
	"sync/atomic"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestNote puts entries on the log that no record goes with; what is not of the
// chain, or has no record time, stays off.
func TestNote(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	read := func(id string) *pb.AuditEntry {
		return &pb.AuditEntry{Name: chainName + "/entries/" + id, Kind: pb.EntryKind_ENTRY_KIND_AUDITOR_READ, RecordTime: timestamppb.Now()}
	}
	if err := storage.AppendEntries(t.Context(), db, chain, read("a"), read("b")); err != nil {
		t.Fatal(err)
	}
	foreign := read("c")
	foreign.Name = "chains/another/entries/c"
	if err := storage.AppendEntries(t.Context(), db, chain, read("d"), foreign); err == nil {
		t.Error("an entry of another chain was taken")
	}
	if err := storage.AppendEntries(t.Context(), db, chain, &pb.AuditEntry{Name: chainName + "/entries/e"}); err == nil {
		t.Error("an entry without a record time was taken")
	}
	err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
		entries, _, err := storage.ListEntries(s, storage.EntryFilter{}, storage.Page{}, math.MaxInt64)
		if len(entries) != 2 || entries[0].GetName() != chainName+"/entries/a" {
			t.Errorf("on the log: %v", entries)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// countedConn counts the messages of a connection.
type countedConn struct {
	net.Conn
	sent *atomic.Int64
}

func (c countedConn) Write(p []byte) (int, error) {
	c.sent.Add(1)
	return c.Conn.Write(p)
}

// TestNoteTakesTwoTrips: a read by an auditor waits for its entry.
func TestNoteTakesTwoTrips(t *testing.T) {
	t.Parallel()
	var sent atomic.Int64
	db := storagetest.NewDatabase(t).Open(t, storage.Config{MaxConns: 1, Dial: func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := (&net.Dialer{}).DialContext(ctx, network, address)
		return countedConn{c, &sent}, err
	}})
	for range 3 {
		before := sent.Load()
		if err := storage.AppendEntries(t.Context(), db, chain, &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_AUDITOR_READ, RecordTime: timestamppb.Now()}); err != nil {
			t.Fatal(err)
		}
		if n := sent.Load() - before; n != 2 {
			t.Errorf("an entry takes %d messages, want 2", n)
		}
	}
}
