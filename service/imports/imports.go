// Package imports is the ImportService: it takes over clients, their earlier visits and
// what went wrong from other systems.
//
// # What an import may do
//
// Imported facts can only make a decision stricter; package rules judges them so. An item
// is a client, a record of a day, or an incident, and has no field for a test, a doctor's
// word, a consent, a condition, an override or a session. Whatever else a client or an
// incident of the contract can hold is refused, so nothing of the source is lost without
// a word.
//
// # One batch
//
// The items of a batch are judged one by one and in order. Those that are right are stored
// in one write, with the import's new position and one audit entry; those that are not have
// a result that names the field. An external id is stored once in a chain (see
// storage.FindExternal), so a batch that is sent again stores nothing, and an import that
// was interrupted continues after Import.position.
//
// A batch is remembered by a keyed digest of its items and not by the items, because they
// are about many clients and one of them may be erased.
//
// # Clients
//
// A client is made when its external id is new, and is found by it when it is not; a client
// that is stored is never changed, because people may have corrected it since. A record or an
// incident names its client by external id. The client may come earlier in the same batch. An
// id that another system has brought is refused, as it can be another person there.
//
// # Dates
//
// A record states a day, a month or a year, as old cards do. Rules take the moment that is
// worse for the client. A date that is in the future everywhere on earth is refused.
//
// # Incidents
//
// An imported incident is an incident like any other to the rules and on the card, and so can
// be named by a doctor's word. It has no follow-ups: those of the other system are over, and
// nobody here can be late with one. Each has its entry on the log, with the reason IMPORTED.
//
// # Upgrades
//
// Servers from before imports would decide as if nothing had been imported. So nothing is
// imported until none of them may write (storage.ImportsSchema).
//
// # Errors
//
// The errors of a call are about the batch as a whole: an unknown chain, a finished import,
// another system, servers of an older version that would not heed imported records.
package imports

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/storage"
)

// Service is the ImportService.
type Service struct {
	pb.UnimplementedImportServiceServer

	DB  *storage.DB
	Now func() time.Time
	// Check returns what is not right in a message by the rules of the contract.
	Check func(proto.Message) []fault.Violation
}

// ImportRecords judges a batch and stores what is right of it.
func (s Service) ImportRecords(ctx context.Context, req *pb.ImportRecordsRequest) (*pb.ImportRecordsResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	name := req.Parent + "/imports/" + req.ImportId
	if err := record.Upgraded(s.DB, storage.ImportsSchema, pb.ErrorReason_ERROR_REASON_IMPORT_NOT_YET, name, "decide without imported records"); err != nil {
		return nil, err
	}
	if req.DryRun {
		var answer *pb.ImportRecordsResponse
		err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) error {
			b, err := s.judge(r, caller, req, name, now)
			answer = &pb.ImportRecordsResponse{Results: b.results}
			for _, result := range b.results {
				if result.Outcome == pb.ImportOutcome_IMPORT_OUTCOME_CREATED {
					result.Name = "" // it names nothing that exists
				}
			}
			return err
		})
		return answer, err
	}
	remembered, err := s.remembered(req, name)
	if err != nil {
		return nil, err
	}
	audit := record.EntryContext(caller, remembered, name, now)
	return storage.Write(ctx, s.DB, record.Chain(name), remembered, func(r *storage.Snapshot) (*pb.ImportRecordsResponse, storage.Changes, error) {
		b, err := s.judge(r, caller, req, name, now)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		changes, created := b.changes(audit)
		after := b.after(audit, req, created)
		if b.stored == nil {
			changes.Records = append(changes.Records, storage.Imports.Insert(after))
		} else {
			changes.Records = append(changes.Records, storage.Imports.Replace(b.stored, after))
		}
		if created > 0 {
			changes.Entries = append(changes.Entries, audit.Imported(after, created))
		}
		return &pb.ImportRecordsResponse{Results: b.results, Import: after}, changes, nil
	})
}

// Encodings can differ between versions of this program, so a batch that is repeated after an
// upgrade may be refused as another one. It can then be sent with a new request id: external
// ids keep anything from being stored twice.

// remembered is the batch as it is stored with its answer.
func (s Service) remembered(req *pb.ImportRecordsRequest, name string) (*pb.ImportBatch, error) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(body)
	digest, err := s.DB.KeyedDigest(record.Chain(name), "import batch", string(sum[:]))
	return &pb.ImportBatch{Import: name, Digest: hex.EncodeToString(digest), RequestId: req.RequestId}, err
}

// open reads the import, nil if there is none yet, and refuses a batch that does not belong
// to it.
func open(r *storage.Snapshot, caller actor.Actor, req *pb.ImportRecordsRequest, name string) (*pb.Import, error) {
	if err := record.All(record.ParentExists(req.Parent), record.NoClientsInSchool(req.Parent))(r, caller); err != nil {
		return nil, err
	}
	stored, err := storage.Imports.GetUnchecked(r, name)
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return nil, nil
	case err != nil:
		return nil, err
	case stored.State == pb.ImportState_IMPORT_STATE_FINISHED:
		return nil, fault.Precondition(pb.ErrorReason_ERROR_REASON_IMPORT_FINISHED, name, "the import is finished; begin another with a new import_id")
	case stored.System != req.System:
		return nil, fault.Precondition(pb.ErrorReason_ERROR_REASON_IMPORT_FINISHED, name,
			fmt.Sprintf("the import is of system %q; begin another with a new import_id", stored.System))
	}
	return stored, nil
}

// GetImport returns an import.
func (s Service) GetImport(ctx context.Context, req *pb.GetImportRequest) (*pb.GetImportResponse, error) {
	m, err := record.Read(ctx, s.DB, storage.Imports, req.Name)
	return &pb.GetImportResponse{Import: m}, err
}

// ListImports lists the imports of a chain.
func (s Service) ListImports(ctx context.Context, req *pb.ListImportsRequest) (*pb.ListImportsResponse, error) {
	ms, next, err := record.List(ctx, s.DB, storage.Imports, req.Parent, req.PageSize, req.PageToken)
	return &pb.ListImportsResponse{Imports: ms, NextPageToken: next}, err
}

// ListImportedRecords lists the imported records of a client.
func (s Service) ListImportedRecords(ctx context.Context, req *pb.ListImportedRecordsRequest) (*pb.ListImportedRecordsResponse, error) {
	ms, next, err := record.List(ctx, s.DB, storage.ImportedRecords, req.Parent, req.PageSize, req.PageToken)
	return &pb.ListImportedRecordsResponse{ImportedRecords: ms, NextPageToken: next}, err
}

// Every record says where it comes from, so that it can be told from what was done here even
// when it is read alone, in an export or by a program.

// source is where an item comes from, as it is stored with it.
func (b *batch) source(item *pb.ImportItem) *pb.ImportSource {
	return &pb.ImportSource{System: b.req.System, ExternalId: item.ExternalId, Import: b.name, ImportTime: timestamppb.New(b.now), Actor: b.caller.Name}
}
