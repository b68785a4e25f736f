package storage_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// folded is a decision that is kept whole.
type folded struct{ *pb.Decision }

// Size implements storage.Folded.
func (d folded) Size() int { return proto.Size(d.Decision) }

// whole keeps a decision whole.
func whole(d *pb.Decision) (folded, error) { return folded{d}, nil }

// decisionsIn are the decisions that were kept whole.
func decisionsIn(kept []folded) (decisions []*pb.Decision) {
	for _, d := range kept {
		decisions = append(decisions, d.Decision)
	}
	return decisions
}

// TestRecentDecisionsAreThoseOfTheDatabase: two servers decide in any order, also with an ID
// that is older than one that is known. Each finds exactly the newest decisions of the
// time, and opens each of them once.
func TestRecentDecisionsAreThoseOfTheDatabase(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	servers := []*storage.DB{d.Open(t, storage.Config{}), d.Open(t, storage.Config{})}
	put(t, servers[0], storage.Clients.Insert(&pb.Client{Name: clientName}))
	var all []*pb.Decision
	opened := make([]map[string]int, len(servers))
	const limit = 10
	for n := range 40 {
		made := &pb.Decision{Name: fmt.Sprintf("%s/decisions/%03d-%d", clientName, rand.N(1000), n), CreateTime: at(n), Verdict: pb.Verdict_VERDICT_PROCEED}
		put(t, servers[rand.N(2)], storage.Decisions.Insert(made))
		all = append(all, made)
		since := at(max(0, n-20))
		var want []string
		for _, d := range all {
			if !d.CreateTime.AsTime().Before(since.AsTime()) {
				want = append(want, d.Name)
			}
		}
		slices.Sort(want)
		slices.Reverse(want)
		want = want[:min(limit, len(want))]
		for i, db := range servers {
			if opened[i] == nil {
				opened[i] = map[string]int{}
			}
			checkRecent(t, db, since.AsTime(), limit, rand.N(2) == 0, opened[i], want)
		}
	}
	for _, ids := range opened {
		for name, times := range ids {
			// One that other decisions had displaced is opened again.
			if times > 4 {
				t.Errorf("%s was opened %d times", name, times)
			}
		}
	}
	servers[0].MarkErased(clientName)
	if kept, bytes := storage.KeptDecisions(servers[0]); kept != 0 || bytes != 0 {
		t.Errorf("decisions of %d clients are in memory after the erasure, %d bytes", kept, bytes)
	}
	checkRecent(t, servers[0], at(0).AsTime(), limit, false, opened[0], nil)
}

// checkRecent reads the recent decisions of a client, with a plan or without.
func checkRecent(t *testing.T, db *storage.DB, since time.Time, limit int, planned bool, opened map[string]int, want []string) {
	t.Helper()
	var plan *storage.Plan
	if planned {
		plan = &storage.Plan{}
		storage.WantRecentDecisions(plan, clientName, since, limit)
	}
	var got []string
	missed := storage.MissedPlans(db)
	_, err := look(t, db, chain, plan, func(s *storage.Snapshot) error {
		kept, err := storage.RecentDecisions(s, clientName, since, limit, func(d *pb.Decision) (folded, error) {
			opened[d.Name]++
			return folded{d}, nil
		})
		got = nil
		for _, d := range kept {
			got = append(got, d.Name)
		}
		return err
	})
	if err != nil || !slices.Equal(got, want) || storage.MissedPlans(db) != missed {
		t.Errorf("planned %t: %v\n%s, want\n%s", planned, err, strings.Join(got, " "), strings.Join(want, " "))
	}
}

// TestErasedClientsLeaveMemory: a slow call keeps what it has read after the client was
// erased, and the server forgets it all the same.
func TestErasedClientsLeaveMemory(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	storage.KeepFacts(db, chain, "s1", 1000)
	if kept, _ := storage.CachedFacts(db); kept != 1 {
		t.Fatalf("%d sessions are kept, want 1", kept)
	}
	db.MarkErased("chains/" + chain + "/clients/c")
	storage.KeepFacts(db, chain, "s1", 1000)
	if kept, bytes := storage.CachedFacts(db); kept != 0 || bytes != 0 {
		t.Errorf("%d sessions of an erased client are kept, %d bytes", kept, bytes)
	}
}
