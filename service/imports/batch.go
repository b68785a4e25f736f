package imports

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/service/record"
	"alkalog/storage"
)

// batch is a batch while it is judged.
type batch struct {
	Service
	r      *storage.Snapshot
	caller actor.Actor
	req    *pb.ImportRecordsRequest
	name   string // of the import
	now    time.Time
	stored *pb.Import // nil: this is its first batch

	// clients and records are what is known of external ids: what is stored, and what
	// items before have made.
	clients, records map[string]storage.External
	salons           map[string]error
	systems          map[string]string // what has brought a record, by its place
	results          []*pb.ImportResult
	accepted         []accepted
}

// accepted is an item that is to be stored, as the message that is stored, with a digest
// of what the source said.
type accepted struct {
	message proto.Message
	content []byte
}

// The same items are judged in the same way in a dry run and in the write, by the same
// function, so a dry run that names no line is followed by an import that refuses none,
// unless something was stored in between.

// judge judges the items of a batch in order. It changes neither the request nor anything
// that is stored.
func (s Service) judge(r *storage.Snapshot, caller actor.Actor, req *pb.ImportRecordsRequest, name string, now time.Time) (*batch, error) {
	b := &batch{Service: s, r: r, caller: caller, req: req, name: name, now: now, salons: map[string]error{}, systems: map[string]string{}}
	var err error
	if b.stored, err = open(r, caller, req, name); err != nil {
		return b, err
	}
	var clients, records []string
	for _, item := range req.Items {
		if item.GetClient() != nil {
			clients = append(clients, item.ExternalId)
		} else {
			clients, records = append(clients, item.ClientExternalId), append(records, item.ExternalId)
		}
	}
	if b.clients, err = storage.FindExternal(r, storage.OfClients, clients); err != nil {
		return b, err
	}
	if b.records, err = storage.FindExternal(r, storage.OfRecords, records); err != nil {
		return b, err
	}
	for _, item := range req.Items {
		result, err := b.item(item)
		if err != nil {
			return b, err
		}
		result.Position = item.Position
		b.results = append(b.results, result)
	}
	return b, nil
}

// refusedItem is the result of an item that is not right.
func refusedItem(field, want string) *pb.ImportResult {
	return &pb.ImportResult{Outcome: pb.ImportOutcome_IMPORT_OUTCOME_REFUSED, Field: field, Problem: want}
}

// item judges one item: first its form, by the rules of the contract; then whether it is
// stored already, and by which system; then its content; and last whether its client is
// known. The error is one of storage; what is wrong with the item is in the result.
func (b *batch) item(item *pb.ImportItem) (*pb.ImportResult, error) {
	if wrong := b.Check(item); len(wrong) > 0 {
		return refusedItem(wrong[0].Field, wrong[0].Want), nil
	}
	known := b.records
	if item.GetClient() != nil {
		known = b.clients
	}
	content, err := b.content(item)
	if err != nil {
		return nil, err
	}
	if stored, exists := known[item.ExternalId]; exists {
		if refused, err := b.fromAnother("external_id", item.ExternalId, stored); refused != nil || err != nil {
			return refused, err
		}
		return &pb.ImportResult{Outcome: pb.ImportOutcome_IMPORT_OUTCOME_EXISTED, Name: b.nameOf(item, stored),
			Differs: len(stored.Content) > 0 && string(stored.Content) != string(content)}, nil
	}
	client, wrong, err := b.clientOf(item)
	if err != nil {
		return nil, err
	}
	message, place, err := b.message(item, client) // its content is judged also without its client
	if invalid, ok := violation(err); ok {
		return invalid, nil
	}
	if err != nil || wrong != nil {
		return wrong, err
	}
	place.Content = content
	known[item.ExternalId] = place
	b.systems[place.Client+"/"+place.Record] = b.req.System
	b.accepted = append(b.accepted, accepted{message, content})
	return &pb.ImportResult{Outcome: pb.ImportOutcome_IMPORT_OUTCOME_CREATED, Name: b.nameOf(item, place)}, nil
}

// The digest tells a source that has changed since from one that has not, without opening any
// record. It goes with the client, like the external id beside it.

// content is a keyed digest of what the source says in an item.
func (b *batch) content(item *pb.ImportItem) ([]byte, error) {
	bare := proto.CloneOf(item)
	bare.Position = 0
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil {
		return nil, err
	}
	return b.DB.KeyedDigest(record.Chain(b.name), "imported content", string(body))
}

// nameOf is the resource name of what an item is, or was when it was imported before.
func (b *batch) nameOf(item *pb.ImportItem, at storage.External) string {
	client := b.req.Parent + "/clients/" + at.Client
	switch {
	case item.GetClient() != nil:
		return client
	case item.GetIncident() != nil:
		return client + "/incidents/" + at.Record
	}
	return client + "/importedRecords/" + at.Record
}

// clientOf is the id of the client of an item, a new one for a client; or the result if the
// item names none that is known.
func (b *batch) clientOf(item *pb.ImportItem) (string, *pb.ImportResult, error) {
	switch {
	case item.GetClient() != nil && item.ClientExternalId != "":
		return "", refusedItem("client_external_id", "must be empty for a client"), nil
	case item.GetClient() != nil:
		return storage.NewID(), nil, nil
	case item.ClientExternalId == "":
		return "", refusedItem("client_external_id", "must be the external id of the client"), nil
	}
	client, known := b.clients[item.ClientExternalId]
	if !known {
		return "", &pb.ImportResult{Outcome: pb.ImportOutcome_IMPORT_OUTCOME_CLIENT_UNKNOWN, Field: "client_external_id",
			Problem: "must be the external id of a client that is stored or comes before"}, nil
	}
	refused, err := b.fromAnother("client_external_id", item.ClientExternalId, client)
	return client.Client, refused, err
}

// violation is the result for an error about the item's content; ok is false for any other.
func violation(err error) (*pb.ImportResult, bool) {
	violations := fault.Violations(err)
	if len(violations) == 0 {
		return nil, false
	}
	return refusedItem(violations[0].Field, violations[0].Want), true
}

// changes is what is to be stored of the accepted items: clients first, as they are what
// the rest belongs to.
func (b *batch) changes(audit ledger.EntryContext) (storage.Changes, int64) {
	var changes, rest storage.Changes
	for _, a := range b.accepted {
		switch m := a.message.(type) {
		case *pb.Client:
			changes.Records = append(changes.Records, storage.Clients.Insert(m).WithContent(a.content))
		case *pb.ImportedRecord:
			rest.Records = append(rest.Records, storage.ImportedRecords.Insert(m).WithContent(a.content))
		case *pb.Incident:
			rest.Records = append(rest.Records, storage.Incidents.Insert(m).WithContent(a.content))
			rest.Entries = append(rest.Entries, audit.ImportedIncident(m))
		}
	}
	return changes.With(rest), int64(len(b.accepted))
}

// The position is the greatest that was judged, also of items that were refused: continuing
// does not judge them again. Who has corrected them imports the file from its start.

// after is the import after the batch.
func (b *batch) after(audit ledger.EntryContext, req *pb.ImportRecordsRequest, created int64) *pb.Import {
	after := &pb.Import{Name: b.name, System: req.System, Actor: audit.Actor, CreateTime: timestamppb.New(audit.Time)}
	if b.stored != nil {
		after = proto.CloneOf(b.stored)
	}
	after.UpdateTime = timestamppb.New(audit.Time)
	after.State = pb.ImportState_IMPORT_STATE_OPEN
	if req.Finished {
		after.State = pb.ImportState_IMPORT_STATE_FINISHED
	}
	after.CreatedItems += created
	for _, result := range b.results {
		after.Position = max(after.Position, result.Position)
		switch result.Outcome {
		case pb.ImportOutcome_IMPORT_OUTCOME_EXISTED:
			after.ExistedItems++
		case pb.ImportOutcome_IMPORT_OUTCOME_REFUSED, pb.ImportOutcome_IMPORT_OUTCOME_CLIENT_UNKNOWN:
			after.RefusedItems++
		}
	}
	return after
}
