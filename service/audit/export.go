package audit

import (
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// exportPage is how many entries are read at a time for an export.
const exportPage = 500

// ExportEntries streams the log in its order. What is on the log is there for
// good and nothing comes to stand before it, so a copy that is resumed with the
// last token misses none.
func (s Service) ExportEntries(req *pb.ExportEntriesRequest, stream pb.AuditService_ExportEntriesServer) error {
	filter, err := parse(req.Filter)
	if err != nil {
		return err
	}
	for token := req.ResumeToken; ; {
		var page exported
		err := storage.Read(stream.Context(), s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
			page, err = exportedPage(r, req, filter, token)
			return err
		})
		if errors.Is(err, storage.ErrBadToken) {
			return fault.Invalid("resume_token", "must be the last resume_token received with the same filter, or empty")
		}
		if err != nil {
			return err
		}
		for _, e := range page.entries {
			if req.TreeSize > 0 && e.Position >= req.TreeSize {
				return nil
			}
			sent := &pb.ExportEntriesResponse{Entry: e.AuditEntry, Stored: e.Stored, ResumeToken: e.Token, Index: e.Position}
			if leaf, known := page.leaves[e.Position]; known {
				sent.LeafHash = leaf[:]
			}
			if err := stream.Send(sent); err != nil {
				return err
			}
		}
		if token = page.next; token == "" {
			return nil
		}
	}
}

// exported is a page of an export.
type exported struct {
	entries []storage.Entry
	leaves  map[int64]ledger.Hash // what stands for them in the tree, by place
	next    string
}

// exportedPage reads a page, if there is such a chain and such a tree.
func exportedPage(r *storage.Snapshot, req *pb.ExportEntriesRequest, filter storage.EntryFilter, token string) (page exported, err error) {
	if _, err := record.Get(r, storage.Chains, req.Parent); err != nil {
		return page, err
	}
	head, err := storage.ReadLogHead(r)
	if err != nil && !errors.Is(err, storage.ErrNotFound) {
		return page, err
	}
	if req.TreeSize > head.Size {
		return page, fault.Invalid("tree_size", fmt.Sprintf("must be at most the %d entries that are on the log", head.Size))
	}
	page.entries, page.next, err = storage.ListLog(r, filter, storage.Page{Size: exportPage, Token: token})
	if err != nil || len(page.entries) == 0 || filter.Op != "" {
		return page, err
	}
	first, last := page.entries[0].Position, min(page.entries[len(page.entries)-1].Position, head.Size-1)
	if last >= first+2*exportPage {
		return page, nil // so many are missing that it is not this page's matter any more
	}
	leaves, err := record.LogHead(head).Leaves(first, last-first+1, record.LogTiles(r))
	if errors.Is(err, ledger.ErrTiles) || errors.Is(err, ledger.ErrNoSuchTree) {
		return page, nil
	}
	page.leaves = map[int64]ledger.Hash{}
	for i, leaf := range leaves {
		page.leaves[first+int64(i)] = leaf
	}
	return page, err
}
