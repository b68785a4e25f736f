package integration

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
	"alkalog/storage"
)

// The promise: anyone with a checkpoint can get a proof that an entry is on
// the log and that the log only grew since; another implementation of RFC 6962
// agrees, and nothing has to be believed.

// signed reads a checkpoint with the keys that came with it.
func signed(t testing.TB, checkpoint string, keys []string) ledger.Checkpoint {
	t.Helper()
	var public []ledger.PublicKey
	for _, k := range keys {
		key, err := ledger.ParsePublicKey(k)
		if err != nil {
			t.Fatal(err)
		}
		public = append(public, key)
	}
	c, _, err := ledger.OpenCheckpoint([]byte(checkpoint), public)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestProofsOfTheLog: after each batch, every entry is proved to be in every
// tree that holds it, and every tree to extend every earlier one.
func TestProofsOfTheLog(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	var seen []ledger.Checkpoint
	for range 4 {
		c.causes(t)
		s.waitLogged(t)
		got := must(t, c.odile, c.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: c.name})
		now := signed(t, got.Checkpoint, got.Keys)
		if now.Size != got.TreeSize || !strings.HasSuffix(now.Origin, "/ebb-and-flow") || len(got.Handovers) != 0 || len(got.Keys) != 1 {
			t.Errorf("checkpoint %+v", got)
		}
		seen = append(seen, now)
	}
	copied := &logCopy{}
	copied.take(t, c, 1<<30)
	if int64(len(copied.entries)) != seen[len(seen)-1].Size {
		t.Fatalf("the log has %d entries and its checkpoint stands for %d", len(copied.entries), seen[len(seen)-1].Size)
	}
	hash := rfc6962.DefaultHasher
	for _, tree := range seen {
		for i, e := range copied.entries[:tree.Size] {
			got := must(t, c.odile, c.audit.GetInclusionProof, &pb.GetInclusionProofRequest{Name: e.Name, TreeSize: tree.Size})
			if err := proof.VerifyInclusion(hash, uint64(i), uint64(tree.Size), hash.HashLeaf(copied.stored[i]), got.Hashes, tree.Root[:]); err != nil || got.Index != int64(i) {
				t.Errorf("entry %d in the tree of %d: index %d, %v", i, tree.Size, got.Index, err)
			}
		}
		for _, older := range seen {
			if older.Size > tree.Size {
				continue
			}
			got := must(t, c.odile, c.audit.GetConsistencyProof, &pb.GetConsistencyProofRequest{Name: c.name, OldSize: older.Size, NewSize: tree.Size})
			err := proof.VerifyConsistency(hash, uint64(older.Size), uint64(tree.Size), got.Hashes, older.Root[:], tree.Root[:])
			if err != nil {
				t.Errorf("from %d to %d: %v", older.Size, tree.Size, err)
			}
		}
	}
	newest := must(t, c.odile, c.audit.GetInclusionProof, &pb.GetInclusionProofRequest{Name: copied.entries[0].Name})
	older := must(t, c.odile, c.audit.GetConsistencyProof, &pb.GetConsistencyProofRequest{Name: c.name, OldSize: 1, NewSize: 2})
	if newest.Checkpoint == "" || older.Checkpoint != "" {
		t.Errorf("the newest tree has the checkpoint %q, an older one %q", newest.Checkpoint, older.Checkpoint)
	}
}

// TestProofsThatThereAreNot: what cannot be proved is said to be so, each in its
// own way.
func TestProofsThatThereAreNot(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.describeChain("ebb-and-flow")
	bare := &pb.CreateChainRequest{RequestId: newID()}
	_, err := storage.Write(t.Context(), s.database.Open(t, storage.Config{}), "ebb-and-flow", bare, func(*storage.Snapshot) (*pb.CreateChainResponse, storage.Changes, error) {
		return &pb.CreateChainResponse{}, storage.Changes{Records: []storage.Record{storage.Chains.Insert(&pb.Chain{Name: c.name})}}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	wantError(t, "a log of nothing", mustFail(t, c.vesna, c.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: c.name}), codes.FailedPrecondition, "LOG_EMPTY")
	wantError(t, "two trees of nothing", mustFail(t, c.vesna, c.audit.GetConsistencyProof, &pb.GetConsistencyProofRequest{Name: c.name}), codes.FailedPrecondition, "LOG_EMPTY")
	unknown := &pb.GetInclusionProofRequest{Name: c.name + "/entries/unknown"}
	wantError(t, "an unknown entry of a log of nothing", mustFail(t, c.vesna, c.audit.GetInclusionProof, unknown), codes.NotFound, "NOT_FOUND")
	c = s.newChain(t, "low-tide")
	unknown = &pb.GetInclusionProofRequest{Name: c.name + "/entries/unknown"}
	c.causes(t)
	s.waitLogged(t)
	entries := c.entries(t, "")
	size := int64(len(entries))
	wantError(t, "an unknown entry", mustFail(t, c.vesna, c.audit.GetInclusionProof, unknown), codes.NotFound, "NOT_FOUND")
	last := entries[size-1].Name
	inclusion := func(size int64) error {
		return mustFail(t, c.odile, c.audit.GetInclusionProof, &pb.GetInclusionProofRequest{Name: last, TreeSize: size})
	}
	wantError(t, "a tree that does not hold it", inclusion(size-1), codes.FailedPrecondition, "ENTRY_NOT_IN_TREE")
	wantError(t, "a tree beyond the log", inclusion(size+1), codes.InvalidArgument, "INVALID_FIELD")
	for field, req := range map[string]*pb.GetConsistencyProofRequest{
		"new_size": {Name: c.name, OldSize: 1, NewSize: size + 1},
		"old_size": {Name: c.name, OldSize: 3, NewSize: 2},
	} {
		err := mustFail(t, c.odile, c.audit.GetConsistencyProof, req)
		wantError(t, field, err, codes.InvalidArgument, "INVALID_FIELD")
		if violationsOf(err)[field] == "" {
			t.Errorf("the error does not name %s: %v", field, err)
		}
	}
	damage(t, s, "log_tiles", "update log_tiles set hashes = set_byte(hashes, 0, 255 - get_byte(hashes, 0))")
	wantError(t, "damaged tiles", inclusion(0), codes.DataLoss, "LOG_DAMAGED")
}

// damage changes a table as somebody would who may do anything: the triggers
// that would not let him are switched off first.
func damage(t testing.TB, s *testServer, table string, statements ...string) {
	t.Helper()
	script := fmt.Sprintf(`begin; alter table %[1]s disable trigger all; %[2]s;
		do $$ declare name text; begin
			for name in select tgname from pg_trigger where tgrelid = '%[1]s'::regclass and not tgisinternal loop
				execute format('alter table %[1]s enable always trigger %%I', name);
			end loop;
		end $$; commit`, table, strings.Join(statements, ";"))
	if _, err := s.sql.ExecContext(t.Context(), script); err != nil {
		t.Fatalf("%s: %v", script, err)
	}
}

// TestExportOfATree: an export ends where the tree ends that is asked for, and
// its entries give that tree's root.
func TestExportOfATree(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	c.causes(t)
	s.waitLogged(t)
	got := must(t, c.odile, c.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: c.name})
	tree := signed(t, got.Checkpoint, got.Keys)
	c.causes(t)
	s.waitLogged(t)
	stored := c.exported(t, &pb.ExportEntriesRequest{Parent: c.name, TreeSize: tree.Size})
	leaves := make([]ledger.Hash, len(stored))
	for i, e := range stored {
		leaves[i] = ledger.LeafHash(e.Stored)
		if e.Index != int64(i) {
			t.Errorf("entry %d has index %d", i, e.Index)
		}
	}
	head, _, err := ledger.Empty().Append(nil, leaves)
	if err != nil || head != tree.Head {
		t.Errorf("the export gives %v, the checkpoint says %v, %v", head, tree.Head, err)
	}
	resumed := c.exported(t, &pb.ExportEntriesRequest{Parent: c.name, TreeSize: tree.Size, ResumeToken: stored[2].ResumeToken})
	if len(resumed) != len(stored)-3 || !bytes.Equal(resumed[0].Stored, stored[3].Stored) {
		t.Errorf("resumed behind the third of %d entries: %d entries", len(stored), len(resumed))
	}
	stream, err := c.audit.ExportEntries(c.odile.calling(t), &pb.ExportEntriesRequest{Parent: c.name, TreeSize: 10_000})
	if err == nil {
		_, err = stream.Recv()
	}
	wantError(t, "a tree beyond the log", err, codes.InvalidArgument, "INVALID_FIELD")
}

// exported is all that an export sends.
func (c *chain) exported(t testing.TB, req *pb.ExportEntriesRequest) (all []*pb.ExportEntriesResponse) {
	t.Helper()
	stream, err := c.audit.ExportEntries(c.odile.calling(t), req)
	for err == nil {
		var sent *pb.ExportEntriesResponse
		if sent, err = stream.Recv(); err == nil {
			all = append(all, sent)
		}
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	return all
}
