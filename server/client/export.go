// Package export carries the audit log of a chain from a server into a
// directory, in the form that verify reads, and has it verified there at once.
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

// LogCopier is the log of a chain on a server.
type LogCopier struct {
	Client pb.AuditServiceClient
	// Chain is the chain's resource name.
	Chain string
	// Against is an earlier checkpoint to hold the copy against; nil: none.
	Against []byte
	// Keys are public keys to hold the copy to; empty: those that come with it.
	Keys []string
	// Timeout is how long to wait for a server that is away. Default 1 min, our
	// own choice.
	Timeout time.Duration
	// Progress is told how many entries have come, of how many; nil: nobody.
	Progress func(done, of int64)
	// OnEntry gets every entry as it comes, in order; nil: nobody.
	OnEntry func(*pb.AuditEntry) error
}

// Copy copies the log into a directory, which must be empty or not exist, and
// returns the verdict on the copy. The checkpoint is taken first, and the
// entries that it stands for are copied. The directory appears when it is
// whole, whatever the verdict is; when the copy fails there is none. The verdict
// also names entries whose search columns in the database do not say what they say.
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

// checkEmpty refuses a directory that holds something already.
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

// writeExport writes the entries and what they are held to.
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

// copyEntries copies the entries of a tree, each in its place.
func (l LogCopier) copyEntries(ctx context.Context, copied *verify.Export, size int64, columns *verify.Columns) error {
	if size == 0 {
		return nil
	}
	next := int64(0)
	request := &pb.ExportEntriesRequest{Parent: l.Chain, TreeSize: size}
	err := ExportEntries(ctx, l.Client, request, l.Timeout, func(sent *pb.ExportEntriesResponse) error {
		if sent.GetIndex() != next || next >= size {
			return fmt.Errorf("the server sent entry %d where entry %d of %d should be", sent.GetIndex(), next, size)
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
		err = fmt.Errorf("the checkpoint stands for %d entries, and the server sent %d", size, next)
	}
	return err
}

// ExportEntries takes the entries of an export one by one. A stream that breaks is
// resumed behind the last entry, so that each comes once; when the server is
// away for longer than patience (0: a minute), its error is returned.
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

// receiveEntries takes entries from one stream, and keeps in the request where to
// resume.
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

// wait waits, unless ctx ends first.
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
