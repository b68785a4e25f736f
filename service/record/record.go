// Package record is what the services share to read, check and change the records
// of a chain.
//
// Who calls is an argument. A handler takes the caller from the context once, at
// its top, and hands it on: Get, List and the checks take it, and answer NOT_FOUND
// for a record of a salon that the caller is not confined to. A read whose name
// ends in Unchecked checks nothing. It is for what the server needs in order to
// judge, and for records behind one that the caller was allowed to read.
//
// Kind describes one kind of record. Create and Update do the rest: the claim of
// the name, the update mask, the etag, the times and the audit entry. What makes a
// record right is a function of each service.
//
// The package also gathers what a decision is made from (Inputs), because a check
// and the start of a service gather the same and services never import one another.
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

// Named is a record with a resource name.
type Named interface {
	proto.Message
	GetName() string
}

// Guarded is a record that callers may change, guarded by its etag.
type Guarded interface {
	Named
	GetEtag() string
}

// EachChain visits every chain of the installation, by name.
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
// for a chain.
func Parent(name string) string {
	parts := strings.Split(name, "/")
	return strings.Join(parts[:max(0, len(parts)-2)], "/")
}

// EntryContext is what the audit entries of a call have in common. Name is the
// name of any record of the chain concerned. Req is nil for a call without a
// request id.
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
func OwnRequest(purpose string) string {
	return "own-" + uuid.NewSHA1(uuid.NameSpaceOID, []byte(purpose)).String()
}

// SetTime sets a time field if the record has it.
func SetTime(m proto.Message, field protoreflect.Name, at time.Time) {
	set(m, field, protoreflect.ValueOfMessage(timestamppb.New(at).ProtoReflect()))
}

// set sets a field by its name if the record has it.
func set(m proto.Message, field protoreflect.Name, value protoreflect.Value) {
	if f := m.ProtoReflect().Descriptor().Fields().ByName(field); f != nil {
		m.ProtoReflect().Set(f, value)
	}
}
