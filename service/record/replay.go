package record

import (
	"errors"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/storage"
)

// MayReplay reports whether the caller in the snapshot's context may have the
// stored answer to a request that was answered before, perhaps to somebody else.
// The caller must be allowed to see every record that the request names and the
// one that the answer holds. Role, chain and names of salons were checked before,
// as for every request. Without this a caller could learn an answer by sending
// somebody else's request id. A record that was moved or changed since is judged
// as it is now. Callers that are not confined to salons may see all of their
// chain.
func MayReplay(r *storage.Snapshot, req storage.Request, answer proto.Message) (bool, error) {
	caller := actor.From(r.Context())
	if len(caller.Salons) == 0 {
		return true, nil
	}
	byName := func(name string) error { return authorizeName(r, caller, name) }
	err := eachField(req.ProtoReflect(), func(m Named) error { return byName(m.GetName()) }, byName)
	if err == nil {
		err = eachField(answer.ProtoReflect(), func(m Named) error { return authorize(r, caller, m) }, func(string) error { return nil })
	}
	if fault.Denial(err) != "" {
		return false, nil
	}
	return err == nil, err
}

// eachField visits the records that a message holds directly, and its texts, some
// of which are names of records. Deeper records are copies in a decision or a
// card, which is a record itself and was judged as one. The first error ends the
// visit.
func eachField(m protoreflect.Message, record func(Named) error, text func(string) error) (err error) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.IsMap() {
			return true
		}
		visit := func(v protoreflect.Value) error {
			if f.Kind() == protoreflect.StringKind {
				return text(v.String())
			}
			if f.Message() != nil {
				if named, ok := v.Message().Interface().(Named); ok {
					return record(named)
				}
			}
			return nil
		}
		if !f.IsList() {
			err = visit(v)
			return err == nil
		}
		for i := 0; i < v.List().Len() && err == nil; i++ {
			err = visit(v.List().Get(i))
		}
		return err == nil
	})
	return err
}

// authorizeName is authorize for a record of which only the name is known. A text
// that names no stored record passes: it reveals nothing.
func authorizeName(r *storage.Snapshot, caller actor.Actor, name string) error {
	parts := strings.Split(name, "/")
	// Records of a client are the only ones that belong to a salon without its
	// name in theirs; names of salons were checked before.
	if len(parts) != 6 || parts[0] != "chains" || parts[2] != "clients" {
		return nil
	}
	var m Named
	var err error
	switch parts[4] {
	case "consultations":
		m, err = storage.Consultations.GetUnchecked(r, name)
	case "decisions":
		m, err = storage.Decisions.GetUnchecked(r, name)
	case "sessions":
		m, err = storage.Sessions.GetUnchecked(r, name)
	case "outcomes":
		m, err = storage.Outcomes.GetUnchecked(r, name)
	case "incidents":
		m, err = storage.Incidents.GetUnchecked(r, name)
	default:
		return nil
	}
	if errors.Is(err, storage.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	return authorize(r, caller, m)
}
