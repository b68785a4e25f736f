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

// MayReplay reports whether a stored answer may be given to today's caller, who
// repeats a request that was answered before, perhaps to somebody else. The caller
// must see every record that the request names and the one that the answer holds.
// Role, chain and names of salons are checked before, as of every request.
func MayReplay(r *storage.Snapshot, req storage.Request, answer proto.Message) (bool, error) {
	if len(actor.From(r.Context()).Salons) == 0 {
		return true, nil
	}
	err := eachField(req.ProtoReflect(), func(m Named) error { return seenByName(r, m.GetName()) }, func(name string) error { return seenByName(r, name) })
	if err == nil {
		err = eachField(answer.ProtoReflect(), func(m Named) error { return seen(r, m) }, func(string) error { return nil })
	}
	if fault.Denial(err) != "" {
		return false, nil
	}
	return err == nil, err
}

// eachField visits the records that a message itself holds, and its texts, among
// which are the names of records.
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

// seenByName is seen for a record that only its name is known of. What is no name of
// a record, or of one that is not there, shows nothing.
func seenByName(r *storage.Snapshot, name string) error {
	parts := strings.Split(name, "/")
	if len(parts) != 6 || parts[0] != "chains" || parts[2] != "clients" {
		return nil
	}
	var m Named
	var err error
	switch parts[4] {
	case "consultations":
		m, err = storage.Consultations.Get(r, name)
	case "decisions":
		m, err = storage.Decisions.Get(r, name)
	case "sessions":
		m, err = storage.Sessions.Get(r, name)
	case "outcomes":
		m, err = storage.Outcomes.Get(r, name)
	case "incidents":
		m, err = storage.Incidents.Get(r, name)
	default:
		return nil
	}
	if errors.Is(err, storage.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	return seen(r, m)
}
