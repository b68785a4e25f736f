package sequencer

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/ledger"
	"alkalog/storage"
)

// CheckRecords compares everything that is stored of a chain with its log: every
// entry, and every record that an entry covers. It changes nothing. It calls tell
// with each fault and returns the number of entries on the log. It needs the
// private keys because the chain's keys are derived from them.
func CheckRecords(ctx context.Context, db *storage.DB, keys []ledger.PrivateKey, chain string, tell func(fault string)) (entries int64, err error) {
	head := storage.LogHead{Chain: chain}
	err = storage.Read(ctx, db, chain, func(s *storage.Snapshot) (err error) {
		head, err = storage.ReadLogHead(s)
		return err
	})
	if errors.Is(err, storage.ErrNotFound) {
		tell("there is no log")
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	set, err := keysFor(keys, chain)
	if err != nil {
		return 0, err
	}
	found, err := compareLog(ctx, db, set, head)
	if err != nil {
		return 0, err
	}
	found.report(func(what string, count int64, attrs ...any) {
		tell(fmt.Sprintf("%s: %d, such as %v", what, count, attrs))
	})
	return head.Size, compareRecords(ctx, db, chain, func(m storage.Mismatch) { tell(m.String()) })
}

// compareRecords inspects the writes of a chain and then its records.
//
// The order matters: the writes say which records there should be, and the records
// are compared with their writes afterwards. Every look has its own table list,
// kept by storage, so that a new kind of record is inspected without a change here.
// Erasures come last: an erased record is not a missing one if a signed entry says
// that it was erased.
func compareRecords(ctx context.Context, db *storage.DB, chain string, tell func(storage.Mismatch)) error {
	_, covered, err := storage.NewestWrite(ctx, db)
	if err != nil {
		return err
	}
	err = readWindows(ctx, db, chain, int64(0), tell, func(s *storage.Snapshot, after int64) ([]storage.Mismatch, int64, error) {
		return storage.InspectWrites(s, after, inspectWindow)
	})
	if err == nil {
		err = readWindows(ctx, db, chain, int64(0), tell, func(s *storage.Snapshot, after int64) ([]storage.Mismatch, int64, error) {
			return storage.InspectSkipped(s, covered, after, inspectWindow)
		})
	}
	for _, table := range storage.CoveredTables() {
		if err == nil {
			err = readWindows(ctx, db, chain, [2]string{}, tell, func(s *storage.Snapshot, after [2]string) ([]storage.Mismatch, [2]string, error) {
				return storage.InspectRecords(s, table, after, inspectWindow)
			})
		}
		if err == nil {
			err = readWindows(ctx, db, chain, [2]string{}, tell, func(s *storage.Snapshot, after [2]string) ([]storage.Mismatch, [2]string, error) {
				return storage.InspectBaseline(s, table, after, inspectWindow)
			})
		}
	}
	for _, table := range storage.AuditedTables() {
		if err == nil {
			err = readWindows(ctx, db, chain, [2]string{}, tell, func(s *storage.Snapshot, after [2]string) ([]storage.Mismatch, [2]string, error) {
				return storage.InspectAudited(s, table, after, inspectWindow)
			})
		}
	}
	for _, table := range storage.SearchableTables() {
		if err == nil {
			err = readWindows(ctx, db, chain, [2]string{}, tell, func(s *storage.Snapshot, after [2]string) ([]storage.Mismatch, [2]string, error) {
				return storage.InspectColumns(s, table, after, inspectWindow)
			})
		}
	}
	if err != nil {
		return err
	}
	var erased []string
	err = storage.Read(ctx, db, chain, func(s *storage.Snapshot) (err error) {
		erased, err = storage.Erasures(s)
		return err
	})
	if err != nil {
		return err
	}
	return readWindows(ctx, db, chain, "", tell, func(s *storage.Snapshot, after string) ([]storage.Mismatch, string, error) {
		return storage.InspectErasures(s, erased, after, inspectWindow)
	})
}

// readWindows calls look for window after window, each in its own snapshot, until
// look returns a zero position. The windows are not one consistent snapshot. A
// record that changes in between is compared with the state of its own window,
// which covers both the record and its digest.
func readWindows[K comparable](ctx context.Context, db *storage.DB, chain string, from K, tell func(storage.Mismatch),
	look func(*storage.Snapshot, K) ([]storage.Mismatch, K, error)) error {
	var none K
	for at := from; ; {
		var found []storage.Mismatch
		err := storage.Read(ctx, db, chain, func(s *storage.Snapshot) (err error) {
			found, at, err = look(s, at)
			return err
		})
		if err != nil {
			return err
		}
		for _, m := range found {
			tell(m)
		}
		if at == none {
			return nil
		}
	}
}

// inspectCoverage checks the digests of a coverage entry.
func (f *inspection) inspectCoverage(s *storage.Snapshot, body []byte) error {
	e := &pb.AuditEntry{}
	if proto.Unmarshal(body, e) != nil {
		return nil // an unreadable entry is reported as changed
	}
	mismatches, err := storage.InspectCovering(s, e)
	for _, m := range mismatches {
		f.Uncovered++
		f.uncovered = appendLimited(f.uncovered, m.Record)
	}
	return err
}
