package client

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/verify"
	"alkalog/service/ledger"
)

// LogCopier copies the audit log of a chain.
//
// A copy is evidence, so it must not depend on the server that it is about. The
// copier stores what the server sends and leaves the verdict to package verify.
type LogCopier struct {
	Client pb.AuditServiceClient
	// Chain is the chain's resource name.
	Chain string
	// Against is an earlier checkpoint that the copy must be a continuation of; nil:
	// none.
	Against []byte
	// Keys are trusted public keys of the log; empty: the keys in the copy are
	// trusted.
	Keys []string
	// Timeout is how long to wait for an unavailable server. Default 1 min, our own
	// choice.
	Timeout time.Duration
	// Progress is called with the number of entries received and their total; may be
	// nil.
	Progress func(done, of int64)
	// OnEntry is called with every entry, in order; may be nil.
	OnEntry func(*pb.AuditEntry) error
}

// Copy copies the log into a directory, which must be empty or not exist, and
// returns the verdict on the copy. It copies the entries that the checkpoint
// covers, and gets the checkpoint first. The directory appears when the copy is
// complete, even if it is not valid, because an invalid copy is evidence; if
// copying fails there is no directory. The verdict also names the entries whose
// search columns in the database differ from the entry.
func (l LogCopier) Copy(ctx context.Context, dir string) (verdict verify.Report, err error) {
	seal, err := l.Client.GetCheckpoint(ctx, &pb.GetCheckpointRequest{Name: l.Chain})
	if err != nil {
		return verdict, err
	}
	if err := checkEmpty(dir); err != nil {
		return verdict, err
	}
	part, err := os.MkdirTemp(filepath.Dir(filepath.Clean(dir)), filepath.Base(dir)+".part-")
	if err != nil {
		return verdict, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(part))
		}
	}()
	var columns verify.Columns
	if err := l.writeExport(ctx, part, seal, &columns); err != nil {
		return verdict, err
	}
	if verdict, err = verify.DirProgress(part, verify.TrustedInput{Against: l.Against, Keys: l.Keys}, func(int64, int64) error { return ctx.Err() }); err != nil {
		return verdict, err
	}
	verdict.Columns = columns
	return verdict, os.Rename(part, dir)
}

// checkEmpty returns an error if the directory is not empty.
func checkEmpty(dir string) error {
	held, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return err
	case len(held) > 0:
		return fmt.Errorf("%w: %s", verify.ErrNotEmpty, dir)
	}
	return nil
}

// writeExport writes the entries, the checkpoint and the keys.
//
// The checkpoint is written last. A copy that was interrupted therefore has none and is
// no export.
func (l LogCopier) writeExport(ctx context.Context, dir string, seal *pb.GetCheckpointResponse, columns *verify.Columns) error {
	copied, err := verify.Create(dir)
	if err != nil {
		return err
	}
	if err := l.copyEntries(ctx, copied, seal.GetTreeSize(), columns); err != nil {
		return errors.Join(err, copied.Close())
	}
	handovers := make([][]byte, len(seal.GetHandovers()))
	for i, h := range seal.GetHandovers() {
		handovers[i] = []byte(h)
	}
	return copied.Finish(verify.SignedHead{Checkpoint: []byte(seal.GetCheckpoint()), Keys: seal.GetKeys(), Handovers: handovers})
}

// copyEntries copies the entries of a tree in order.
//
// The order of the indexes is checked for each entry, so that a server cannot leave one
// out unnoticed.
func (l LogCopier) copyEntries(ctx context.Context, copied *verify.Export, size int64, columns *verify.Columns) error {
	if size == 0 {
		return nil
	}
	next := int64(0)
	request := &pb.ExportEntriesRequest{Parent: l.Chain, TreeSize: size}
	err := ExportEntries(ctx, l.Client, request, l.Timeout, func(sent *pb.ExportEntriesResponse) error {
		if sent.GetIndex() != next || next >= size {
			return fmt.Errorf("the server sent entry %d where entry %d of %d was expected", sent.GetIndex(), next, size)
		}
		next++
		if l.Progress != nil {
			l.Progress(next, size)
		}
		columns.Add(sent.GetIndex(), sent.GetEntry().GetName(), sent.GetMismatchedColumns())
		if l.OnEntry != nil {
			if err := l.OnEntry(sent.GetEntry()); err != nil {
				return err
			}
		}
		if leaf := sent.GetLeafHash(); len(leaf) == len(ledger.Hash{}) {
			return copied.AddWithLeafHash(sent.GetStored(), ledger.Hash(leaf))
		}
		return copied.Add(sent.GetStored())
	})
	if err == nil && next < size {
		err = fmt.Errorf("the checkpoint covers %d entries, but the server sent %d", size, next)
	}
	return err
}

// ExportEntries passes the entries of an export to take, one by one. A broken
// stream is resumed after the last entry, so that every entry comes exactly once.
// If the server is unavailable for longer than patience (0: one minute), its error
// is returned.
//
// Every entry that arrives resets the patience: a slow export is not an unavailable
// server. The pause doubles from 100 ms to 2 s, so that a restarting server is not
// called by all its clients at once.
func ExportEntries(ctx context.Context, client pb.AuditServiceClient, request *pb.ExportEntriesRequest, patience time.Duration, take func(*pb.ExportEntriesResponse) error) error {
	patience = cmp.Or(patience, time.Minute)
	const first, longest = 100 * time.Millisecond, 2 * time.Second // our own choice
	asked := &pb.ExportEntriesRequest{Parent: request.Parent, Filter: request.Filter, ResumeToken: request.ResumeToken, TreeSize: request.TreeSize}
	pause, heard := first, time.Now()
	for {
		before := asked.ResumeToken
		err := receiveEntries(ctx, client, asked, take)
		if err == nil || !IsResumable(err) {
			return err
		}
		if asked.ResumeToken != before {
			pause, heard = first, time.Now()
		}
		if time.Since(heard) > patience {
			return fmt.Errorf("no more entries for %v: %w", patience, err)
		}
		if err := wait(ctx, pause); err != nil {
			return err
		}
		pause = min(2*pause, longest)
	}
}

// receiveEntries receives entries from one stream and stores the resume token in
// the request.
//
// The token is stored after take has accepted the entry, so that a broken stream
// resumes with the next one.
func receiveEntries(ctx context.Context, client pb.AuditServiceClient, asked *pb.ExportEntriesRequest, take func(*pb.ExportEntriesResponse) error) error {
	ctx, leave := context.WithCancel(ctx)
	defer leave()
	entries, err := client.ExportEntries(ctx, asked)
	if err != nil {
		return err
	}
	for {
		sent, err := entries.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := take(sent); err != nil {
			return err
		}
		asked.ResumeToken = sent.GetResumeToken()
	}
}

// wait waits for a duration or until ctx is done.
func wait(ctx context.Context, pause time.Duration) error {
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
