package audit

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// GetCheckpoint returns the newest checkpoint of a chain's log with what is needed to
// check it: the public keys, newest first, and the checkpoints that transfer trust from
// one key to the next.
//
// Keys that are no longer in use come from the handovers, so that a verifier who trusts
// an old key can follow the chain of handovers.
func (s Service) GetCheckpoint(ctx context.Context, req *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	answer := &pb.GetCheckpointResponse{}
	err := s.onLog(ctx, req.Name, func(r *storage.Snapshot, head storage.LogHead) error {
		handovers, err := storage.ReadHandovers(r)
		if err != nil {
			return err
		}
		answer.Checkpoint, answer.TreeSize = string(head.Checkpoint), head.Size
		answer.Keys = strings.Split(head.Keys, "\n")
		for _, h := range slices.Backward(handovers) {
			for key := range strings.SplitSeq(h.Keys, "\n") {
				if !slices.Contains(answer.Keys, key) {
					answer.Keys = append(answer.Keys, key)
				}
			}
		}
		for _, h := range handovers {
			answer.Handovers = append(answer.Handovers, string(h.Checkpoint))
		}
		return nil
	})
	return answer, err
}

// GetInclusionProof proves that an entry is on the log. The answer has the stored bytes
// of the entry, over which the proof is made.
//
// If the entry has a place on the log and its bytes are gone from the database, the
// answer is LOG_DAMAGED. With a tree size, the proof is for the tree of that size; an
// entry behind it is ENTRY_NOT_IN_TREE.
func (s Service) GetInclusionProof(ctx context.Context, req *pb.GetInclusionProofRequest) (*pb.GetInclusionProofResponse, error) {
	answer := &pb.GetInclusionProofResponse{}
	caller := actor.From(ctx)
	err := storage.Read(ctx, s.DB, record.Chain(req.Name), func(r *storage.Snapshot) error {
		chain := "chains/" + record.Chain(req.Name)
		if _, err := record.Get(r, caller, storage.Chains, chain); err != nil {
			return err
		}
		e, err := storage.ReadLoggedEntry(r, idOf(req.Name))
		if errors.Is(err, storage.ErrNotFound) || err == nil && (len(e.Checkpoint) == 0 || !e.Place.Valid) {
			return notOnLog(r, req.Name)
		}
		if err != nil {
			return err
		}
		place := e.Place.Int64
		size, err := sizeOf("tree_size", req.TreeSize, e.LogHead)
		if err != nil {
			return err
		}
		if place >= size {
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_ENTRY_NOT_IN_TREE, req.Name, fmt.Sprintf("the entry has index %d; a tree of %d entries does not hold it", place, size))
		}
		proof, err := record.LogHead(e.LogHead).ProveInclusion(place, size, record.LogTiles(r))
		if err != nil {
			return damaged(err, req.Name)
		}
		answer.Index, answer.Hashes, answer.Checkpoint, answer.Stored = place, bytesOf(proof), checkpointOf(size, e.LogHead), e.Stored
		if e.Stored == nil {
			return fault.Damaged(req.Name) // it is on the log, and was taken away
		}
		return nil
	})
	return answer, err
}

// GetConsistencyProof proves that one tree of the log extends an older one.
//
// Sizes that the log has never had are INVALID_ARGUMENT. An old size of 0 gives an
// empty proof.
func (s Service) GetConsistencyProof(ctx context.Context, req *pb.GetConsistencyProofRequest) (*pb.GetConsistencyProofResponse, error) {
	answer := &pb.GetConsistencyProofResponse{}
	err := s.onLog(ctx, req.Name, func(r *storage.Snapshot, head storage.LogHead) error {
		size, err := sizeOf("new_size", req.NewSize, head)
		if err != nil {
			return err
		}
		if req.OldSize > size {
			return fault.Invalid("old_size", fmt.Sprintf("must be at most the size of the newer tree, %d", size))
		}
		proof, err := record.LogHead(head).ProveConsistency(req.OldSize, size, record.LogTiles(r))
		answer.Hashes, answer.Checkpoint = bytesOf(proof), checkpointOf(size, head)
		return damaged(err, req.Name)
	})
	return answer, err
}

// onLog calls do with the head of the log of a chain, if the caller may see the chain and
// something is on the log.
func (s Service) onLog(ctx context.Context, name string, do func(*storage.Snapshot, storage.LogHead) error) error {
	caller := actor.From(ctx)
	return storage.Read(ctx, s.DB, record.Chain(name), func(r *storage.Snapshot) error {
		chain := "chains/" + record.Chain(name)
		if _, err := record.Get(r, caller, storage.Chains, chain); err != nil {
			return err
		}
		head, err := storage.ReadLogHead(r)
		if errors.Is(err, storage.ErrNotFound) || err == nil && len(head.Checkpoint) == 0 {
			return fault.Precondition(pb.ErrorReason_ERROR_REASON_LOG_EMPTY, chain, "nothing is on the log yet; what is recorded comes onto it within about a second")
		}
		if err != nil {
			return err
		}
		return do(r, head)
	})
}

// notOnLog returns the error for an entry that has no place on the log.
//
// An entry that is committed and not yet on the log is ENTRY_NOT_ON_LOG, which a client
// can retry within about a second.
func notOnLog(r *storage.Snapshot, name string) error {
	there, err := storage.HasEntry(r, idOf(name))
	if err == nil && there {
		return fault.Precondition(pb.ErrorReason_ERROR_REASON_ENTRY_NOT_ON_LOG, name, "the entry is not on the log yet; it comes onto it within about a second")
	}
	if err == nil {
		err = fault.NotFound(name)
	}
	return err
}

// idOf returns the ID of an entry.
func idOf(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

// sizeOf returns the size of the tree that is asked for; 0 means the newest.
func sizeOf(field string, asked int64, head storage.LogHead) (int64, error) {
	if asked > head.Size {
		return 0, fault.Invalid(field, fmt.Sprintf("must be at most the %d entries that are on the log", head.Size))
	}
	if asked == 0 {
		asked = head.Size
	}
	return asked, nil
}

// checkpointOf returns the checkpoint of a tree if it is the newest. Older checkpoints
// are not stored; those who received one have it.
func checkpointOf(size int64, head storage.LogHead) string {
	if size != head.Size {
		return ""
	}
	return string(head.Checkpoint)
}

// damaged converts the error of tiles that do not lead to the signed root to
// LOG_DAMAGED. Other errors are returned unchanged.
func damaged(err error, name string) error {
	if errors.Is(err, ledger.ErrTiles) {
		return fault.Damaged(name)
	}
	return err
}

// bytesOf converts hashes to the contract's form.
func bytesOf(hashes []ledger.Hash) [][]byte {
	all := make([][]byte, len(hashes))
	for i := range hashes {
		all[i] = hashes[i][:]
	}
	return all
}
