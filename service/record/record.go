// Package record is what the services do alike with the records they keep:
// create one, get one, list a page, change it by a mask. What makes a record
// right is each service's own affair and comes in as a function.
package record

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
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

// Getter reads records of one kind by name; the kinds of package storage are.
type Getter[M Named] interface {
	Get(*storage.Snapshot, string) (M, error)
}

// Check says whether a record may be stored, judged on what is stored already;
// nil: it may.
type Check func(*storage.Snapshot) error

// Free is the check of a record that depends on nothing else.
func Free(*storage.Snapshot) error { return nil }

// Create stores a new record under name, unless that is taken. Begin sets what
// the server alone sets in a new record. A record that decisions rest on is
// created with its audit entry; see ledger.Scene.Changed.
func Create[M Guarded, A proto.Message](ctx context.Context, db *storage.DB, kind storage.Mutable[M], now time.Time,
	req storage.Request, name string, m M, check Check, answer func(M) A, begin ...func(M)) (A, error) {
	return storage.Write(ctx, db, Chain(name), req, func(r *storage.Snapshot) (A, storage.Changes, error) {
		var none A
		if err := check(r); err != nil {
			return none, storage.Changes{}, err
		}
		if _, err := kind.Get(r, name); !errors.Is(err, storage.ErrNotFound) {
			if err == nil {
				err = fault.Exists(name)
			}
			return none, storage.Changes{}, err
		}
		made := proto.CloneOf(m)
		Clear(made)
		set(made, "name", protoreflect.ValueOfString(name))
		SetTime(made, "create_time", now)
		SetTime(made, "update_time", now)
		for _, b := range begin {
			b(made)
		}
		changes := storage.Changes{Records: []storage.Record{kind.Insert(made)}}
		if entry := Scene(ctx, req, name, now).Changed(nil, made); entry != nil {
			changes.Entries = append(changes.Entries, entry)
		}
		return answer(made), changes, nil
	})
}

// Get returns the record of that name, if its reader may see it; NOT_FOUND names
// it, whether or not it exists.
func Get[M Named](r *storage.Snapshot, kind Getter[M], name string) (M, error) {
	m, err := Behind(r, kind, name)
	if err == nil {
		err = seen(r, m)
	}
	if err != nil {
		var none M
		return none, err
	}
	return m, nil
}

// Behind is Get for what stands behind something that the reader was shown to
// have a part in, wherever it was made: the decision of a session, the visits on
// a card.
func Behind[M Named](r *storage.Snapshot, kind Getter[M], name string) (M, error) {
	m, err := kind.Get(r, name)
	if errors.Is(err, storage.ErrNotFound) {
		err = fault.NotFound(name)
	}
	return m, err
}

// Exist checks that every name is that of a stored record; empty names pass.
func Exist[M Named](kind Getter[M], names ...string) Check {
	return func(r *storage.Snapshot) error {
		for _, name := range names {
			if name == "" {
				continue
			}
			if _, err := Get(r, kind, name); err != nil {
				return err
			}
		}
		return nil
	}
}

// All is every check in turn.
func All(checks ...Check) Check {
	return func(r *storage.Snapshot) error {
		for _, check := range checks {
			if err := check(r); err != nil {
				return err
			}
		}
		return nil
	}
}

// Read returns one record.
func Read[M Named](ctx context.Context, db *storage.DB, kind Getter[M], name string) (m M, err error) {
	err = storage.Read(ctx, db, Chain(name), func(r *storage.Snapshot) (err error) {
		m, err = Get(r, kind, name)
		return err
	})
	return m, err
}

// Lister reads pages of records of one kind; the kinds of package storage do.
type Lister[M Named] interface {
	List(*storage.Snapshot, string, storage.Page) ([]M, string, error)
}

// Holds checks the chain or client whose records are wanted: a list of nothing
// must not hide a mistake in its name.
func Holds(parent string) Check {
	if strings.Contains(parent, "/clients/") {
		return Exist(storage.Clients, parent)
	}
	return Exist(storage.Chains, parent)
}

// List returns a page of the records under parent and the next page's token.
func List[M Named](ctx context.Context, db *storage.DB, kind Lister[M], parent string, size int32, token string) (ms []M, next string, err error) {
	err = storage.Read(ctx, db, Chain(parent), func(r *storage.Snapshot) (err error) {
		if err = Holds(parent)(r); err != nil {
			return err
		}
		ms, next, err = Pages(r, storage.Page{Size: size, Token: token}, func(page storage.Page) ([]M, string, error) {
			return kind.List(r, parent, page)
		})
		return err
	})
	return ms, next, err
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

// Update changes the fields of wanted that mask names. The etag in wanted must
// be the stored one or empty. Check judges the stored and the amended record. A
// record that decisions rest on is changed with its audit entry, and told makes
// further ones; nil where there is none.
func Update[M Guarded, A proto.Message](ctx context.Context, db *storage.DB, kind storage.Mutable[M], now time.Time,
	req storage.Request, wanted M, mask *fieldmaskpb.FieldMask, check func(r *storage.Snapshot, stored, amended M) error, answer func(M) A, told ...func(stored, amended M) *pb.AuditEntry) (A, error) {
	var none A
	if wanted.GetName() == "" {
		return none, fault.Invalid(kindOf(wanted)+".name", "must be the name of the record to change")
	}
	return storage.Write(ctx, db, Chain(wanted.GetName()), req, func(r *storage.Snapshot) (A, storage.Changes, error) {
		stored, err := Fresh(r, kind, wanted.GetName(), wanted.GetEtag())
		if err != nil {
			return none, storage.Changes{}, err
		}
		amended, err := Apply(stored, wanted, mask)
		if err != nil {
			return none, storage.Changes{}, err
		}
		if err := check(r, stored, amended); err != nil {
			return none, storage.Changes{}, err
		}
		SetTime(amended, "update_time", now)
		// The record first: it gives the amended one its etag, which the digests cover.
		changes := storage.Changes{Records: []storage.Record{kind.Replace(stored, amended)}}
		if entry := Scene(ctx, req, amended.GetName(), now).Changed(stored, amended); entry != nil {
			changes.Entries = append(changes.Entries, entry)
		}
		for _, tell := range told {
			if entry := tell(stored, amended); entry != nil {
				changes.Entries = append(changes.Entries, entry)
			}
		}
		return answer(amended), changes, nil
	})
}

// Any accepts every change of a record.
func Any[M Named](*storage.Snapshot, M, M) error { return nil }

// Fresh returns the record of that name if etag is its etag or empty, else
// ABORTED.
func Fresh[M Guarded](r *storage.Snapshot, kind storage.Mutable[M], name, etag string) (M, error) {
	m, err := Get[M](r, kind, name)
	if err == nil && etag != "" && etag != m.GetEtag() {
		err = fault.Stale(name)
	}
	return m, err
}

// Chain is the id of the chain that a resource name is of: "ebb" for
// "chains/ebb/salons/north".
func Chain(name string) string { return strings.TrimPrefix(actor.ChainOf(name), "chains/") }

// Parent is the resource name above a name: the client of a decision.
func Parent(name string) string {
	parts := strings.Split(name, "/")
	return strings.Join(parts[:max(0, len(parts)-2)], "/")
}

// Scene is what the audit entries of a call have in common; name is any in the
// chain concerned.
func Scene(ctx context.Context, req storage.Request, name string, now time.Time) ledger.Scene {
	who := actor.From(ctx)
	return ledger.Scene{
		Chain: actor.ChainOf(name), Actor: who.Name, Role: who.Role, Till: who.Till, Version: who.TillVersion, TraceID: who.TraceID,
		RequestID: req.GetRequestId(), Time: now, NewID: storage.NewID,
	}
}

// OwnRequest is the id of a request that the server makes by itself for a purpose:
// the same on every server, so that of several one does it. It is no UUID, as the
// ids of callers must be: nobody can use it up beforehand and so keep the server
// from what it has to do.
func OwnRequest(purpose string) string {
	return "own-" + uuid.NewSHA1(uuid.NameSpaceOID, []byte(purpose)).String()
}

// kindOf is what the contract calls a field of that record's type: "salon".
func kindOf(m proto.Message) string {
	return strings.ToLower(string(m.ProtoReflect().Descriptor().Name()))
}

// SetTime sets a time field, where the record has it.
func SetTime(m proto.Message, field protoreflect.Name, at time.Time) {
	set(m, field, protoreflect.ValueOfMessage(timestamppb.New(at).ProtoReflect()))
}

// set sets a field by its name, where the record has it.
func set(m proto.Message, field protoreflect.Name, value protoreflect.Value) {
	if f := m.ProtoReflect().Descriptor().Fields().ByName(field); f != nil {
		m.ProtoReflect().Set(f, value)
	}
}
