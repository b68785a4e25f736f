package audit

import (
	"errors"
	"fmt"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
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
		var entries []storage.Entry
		err := storage.Read(stream.Context(), s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
			if err := exportable(r, req); err != nil {
				return err
			}
			entries, token, err = storage.ListLog(r, filter, storage.Page{Size: exportPage, Token: token})
			return err
		})
		if errors.Is(err, storage.ErrBadToken) {
			return fault.Invalid("resume_token", "must be the last resume_token received with the same filter, or empty")
		}
		if err != nil {
			return err
		}
		for _, e := range entries {
			if req.TreeSize > 0 && e.Position >= req.TreeSize {
				return nil
			}
			sent := &pb.ExportEntriesResponse{Entry: e.AuditEntry, Stored: e.Stored, ResumeToken: e.Token, Index: e.Position}
			if err := stream.Send(sent); err != nil {
				return err
			}
		}
		if token == "" {
			return nil
		}
	}
}

// exportable checks that there is such a chain, and such a tree of its log.
func exportable(r *storage.Snapshot, req *pb.ExportEntriesRequest) error {
	if _, err := record.Get(r, storage.Chains, req.Parent); err != nil {
		return err
	}
	head, err := storage.ReadLogHead(r)
	if err != nil && !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	if req.TreeSize > head.Size {
		return fault.Invalid("tree_size", fmt.Sprintf("must be at most the %d entries that are on the log", head.Size))
	}
	return nil
}
