// Package record is what the services share to read, check and change the records
// of a chain. It has no RPC of its own and holds no state.
//
// # Who calls
//
// The caller is an argument. A handler takes the caller from the context once, at
// its top, and passes it on. Get, List and the checks take it, and answer NOT_FOUND
// for a record of a salon outside those that the caller is confined to; the error
// is the same as for a record that does not exist, so names cannot be probed. A
// read whose name ends in Unchecked checks nothing. It is for what the server
// needs in order to judge, and for records behind one that the caller was allowed
// to read.
//
// # Creating and changing
//
// Kind describes one kind of record; Create and Update do the rest, in this
// order:
//
//   - Fields that only the server sets are cleared, so that no check sees a value that
//     the caller made up.
//   - The record above must exist and be visible. On an update the record itself must
//     be, and its etag must be the one that the caller read.
//   - The service's own check runs. It sees the record as it would be stored.
//   - On creation the name must be free. This comes after the checks, so a caller that
//     may not see a chain learns nothing of the names in it.
//   - Times, the fields that the service fills, and the audit entry are made last,
//     because the entry holds a digest of the record as it is stored.
//
// The function that does this runs inside storage.Write, which may run it again
// if a record that it read was changed meanwhile. It therefore works on copies
// and changes neither the request nor a variable outside.
//
// # Decisions
//
// Inputs gathers everything that a decision is made from, Decide decides on it,
// and StoreDecision returns what to store. They are here because a check and the
// start of a service do the same and services never import one another. What
// Inputs reads is stored whole with the decision: a replay reads nothing else.
// DecideAgain decides an earlier decision again on the records of today, before a
// service starts.
//
// # Visits
//
// A visit is a session with its events, its decision and its outcome. The record
// card, the chemical work that the chain did itself (RecordedWork) and the rates
// of a client are computed from visits at each read and never stored, so that a
// fact that arrives late counts from then on. A visit that was moved to another
// client counts there and nowhere else.
//
// # Errors
//
// Everything that a caller did wrong is a fault.Error with the field or the name.
// Other errors are those of storage and pass through unchanged; package fault
// turns them into statuses.
package record

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/ledger"
	"alkalog/storage"
)

// Named is a record with a resource name, such as
// "chains/ebb/clients/c1/sessions/s1". The name says which chain, client or salon
// the record belongs to.
type Named interface {
	proto.Message
	GetName() string
}

// Guarded is a record that callers may change, guarded by its etag: a change
// names the etag that the caller read and fails if another change came first.
type Guarded interface {
	Named
	GetEtag() string
}

// EachChain visits every chain of the installation, by name. An error of visit
// ends it. It is for the server's own work, such as a sweep: no caller may see
// every chain. Chains are read in pages and no transaction stays open between two
// visits.
func EachChain(ctx context.Context, db *storage.DB, visit func(*pb.Chain) error) error {
	for page := (storage.Page{Size: 500}); ; {
		chains, next, err := storage.ListChains(ctx, db, page)
		if err != nil {
			return err
		}
		for _, chain := range chains {
			if err := visit(chain); err != nil {
				return err
			}
		}
		if page.Token = next; next == "" {
			return nil
		}
	}
}

// Chain is the id of the chain in a resource name: "ebb" for
// "chains/ebb/salons/north".
func Chain(name string) string { return strings.TrimPrefix(actor.ChainOf(name), "chains/") }

// Parent is the resource name above a name: the client of a decision. It is empty
// for a chain. It does not check that the name is well formed; the contract's
// validation does.
func Parent(name string) string {
	parts := strings.Split(name, "/")
	return strings.Join(parts[:max(0, len(parts)-2)], "/")
}

// EntryContext is what the audit entries of a call have in common. Name is the
// name of any record of the chain concerned. Req is nil for a call without a
// request id. The entries of one call have one time, so that they can be told
// apart from those of the next call, and a new random id each.
func EntryContext(caller actor.Actor, req storage.Request, name string, now time.Time) ledger.EntryContext {
	ec := ledger.EntryContext{
		Chain: actor.ChainOf(name), Actor: caller.Name, Role: caller.Role, Till: caller.Till, Version: caller.TillVersion, TraceID: caller.TraceID,
		Time: now, NewID: storage.NewID,
	}
	if req != nil {
		ec.RequestID = req.GetRequestId()
	}
	return ec
}

// OwnRequest is the id of a request that the server makes itself. It depends on
// the purpose alone, so several servers make the same request and one is done. It
// is not a UUID, as the ids of callers must be, so no caller can use it up first.
// The purpose therefore names the record and what is done to it, such as
// "<incident> follow-up 1 overdue".
func OwnRequest(purpose string) string {
	return "own-" + uuid.NewSHA1(uuid.NameSpaceOID, []byte(purpose)).String()
}

// SetTime sets a time field if the record has it.
func SetTime(m proto.Message, field protoreflect.Name, at time.Time) {
	set(m, field, protoreflect.ValueOfMessage(timestamppb.New(at).ProtoReflect()))
}

// set sets a field by its name if the record has it. Some kinds have no such
// field, which is not an error: Create and Update serve all kinds.
func set(m proto.Message, field protoreflect.Name, value protoreflect.Value) {
	if f := m.ProtoReflect().Descriptor().Fields().ByName(field); f != nil {
		m.ProtoReflect().Set(f, value)
	}
}
