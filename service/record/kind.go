package record

import (
	"context"
	"errors"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/storage"
)

// Kind is what Create and Update need to know of one kind of record. A service
// makes one for each kind that callers may create or change.
type Kind[M Guarded] struct {
	// DB and Now are those of the service. Store is the kind's table in package
	// storage, which also gives the record its etag.
	DB    *storage.DB
	Now   func() time.Time
	Store storage.Mutable[M]
	// Check returns an error if the record may not be stored as wanted. Stored is
	// nil on creation. Nil: every record may.
	Check func(r *storage.Snapshot, caller actor.Actor, stored, wanted M) error
	// Fill sets in wanted what only the server sets, after the check. Stored is nil
	// on creation. Nil: nothing.
	Fill func(stored, wanted M)
	// ChangeEntry makes a further audit entry for a change, or returns nil. A record
	// that decisions rest on has its entry without it; see
	// ledger.EntryContext.Changed.
	ChangeEntry func(audit ledger.EntryContext, stored, amended M) *pb.AuditEntry
}

// check runs k.Check if there is one.
func (k Kind[M]) check(r *storage.Snapshot, caller actor.Actor, stored, wanted M) error {
	if k.Check == nil {
		return nil
	}
	return k.Check(r, caller, stored, wanted)
}

// Create answers a Create RPC: it stores m under name, unless the name is taken
// or the record above it does not exist. A is the type of the answer. Errors:
// NOT_FOUND for the record above, ALREADY_EXISTS for the name, and those of the
// kind's check. A retry with the same request id gets the first answer from
// storage.Write and does not come here.
func Create[A proto.Message, M Guarded](ctx context.Context, k Kind[M], req storage.Request, name string, m M) (A, error) {
	caller, now := actor.From(ctx), k.Now()
	audit := EntryContext(caller, req, name, now)
	return storage.Write(ctx, k.DB, Chain(name), req, func(r *storage.Snapshot) (none A, _ storage.Changes, err error) {
		// m is part of the request, and this may run again.
		made := proto.CloneOf(m)
		Clear(made)
		set(made, "name", protoreflect.ValueOfString(name))
		if parent := Parent(name); parent != "" {
			err = ParentExists(parent)(r, caller)
		}
		var absent M
		if err == nil {
			err = k.check(r, caller, absent, made)
		}
		if err != nil {
			return none, storage.Changes{}, err
		}
		// Unchecked: a name is taken even if its record is hidden from the
		// caller.
		if _, err := k.Store.GetUnchecked(r, name); !errors.Is(err, storage.ErrNotFound) {
			if err == nil {
				err = fault.Exists(name)
			}
			return none, storage.Changes{}, err
		}
		SetTime(made, "create_time", now)
		SetTime(made, "update_time", now)
		if k.Fill != nil {
			k.Fill(absent, made)
		}
		changes := storage.Changes{Records: []storage.Record{k.Store.Insert(made)}}
		if entry := audit.Changed(nil, made); entry != nil {
			changes.Entries = append(changes.Entries, entry)
		}
		return answerWith[A](made), changes, nil
	})
}

// Update answers an Update RPC: it changes the fields of wanted that mask names.
// The etag in wanted must be the stored one or empty. Errors: NOT_FOUND, ABORTED
// for another etag, INVALID_ARGUMENT for the mask, and those of the kind's check.
// The record gets a new version and its entry even if no value differs.
func Update[A proto.Message, M Guarded](ctx context.Context, k Kind[M], req storage.Request, wanted M, mask *fieldmaskpb.FieldMask) (none A, _ error) {
	caller, now := actor.From(ctx), k.Now()
	name := wanted.GetName()
	if name == "" {
		return none, fault.Invalid(kindOf(wanted)+".name", "must be the name of the record to change")
	}
	audit := EntryContext(caller, req, name, now)
	return storage.Write(ctx, k.DB, Chain(name), req, func(r *storage.Snapshot) (A, storage.Changes, error) {
		stored, err := GetFresh(r, caller, k.Store, name, wanted.GetEtag())
		if err != nil {
			return none, storage.Changes{}, err
		}
		amended, err := Apply(stored, wanted, mask)
		if err == nil {
			err = k.check(r, caller, stored, amended)
		}
		if err != nil {
			return none, storage.Changes{}, err
		}
		if k.Fill != nil {
			k.Fill(stored, amended)
		}
		SetTime(amended, "update_time", now)
		// The record first: it gives the amended one its etag, which the digests cover.
		changes := storage.Changes{Records: []storage.Record{k.Store.Replace(stored, amended)}}
		entries := []*pb.AuditEntry{audit.Changed(stored, amended)}
		if k.ChangeEntry != nil {
			entries = append(entries, k.ChangeEntry(audit, stored, amended))
		}
		for _, entry := range entries {
			if entry != nil {
				changes.Entries = append(changes.Entries, entry)
			}
		}
		return answerWith[A](amended), changes, nil
	})
}

// answerWith makes the answer of a Create or Update RPC, which has one field: the
// record. The field has the name of the record's kind in every such answer of the
// contract; a test checks this, since the field is found by that name at run time.
func answerWith[A proto.Message](m proto.Message) A {
	var none A
	return putRecord(none.ProtoReflect().New(), m).(A)
}

// putRecord sets the field of answer that is named after the kind of m. Without
// such a field it panics.
func putRecord(answer protoreflect.Message, m proto.Message) proto.Message {
	field := answer.Descriptor().Fields().ByName(protoreflect.Name(kindOf(m)))
	answer.Set(field, protoreflect.ValueOfMessage(m.ProtoReflect()))
	return answer.Interface()
}

// kindOf is the contract's field name for a record of that type: "house_policy".
func kindOf(m proto.Message) string {
	var b strings.Builder
	for i, c := range string(m.ProtoReflect().Descriptor().Name()) {
		if 'A' <= c && c <= 'Z' && i > 0 {
			b.WriteByte('_')
		}
		b.WriteRune(c)
	}
	return strings.ToLower(b.String())
}
