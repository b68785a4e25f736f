package record

import (
	"context"
	"errors"
	"strings"

	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/storage"
)

// Getter reads records of one kind by name and checks nothing; the kinds of
// package storage are Getters. An interface, so that the functions here serve
// every kind without knowing it.
type Getter[M Named] interface {
	GetUnchecked(*storage.Snapshot, string) (M, error)
}

// Lister reads pages of records of one kind; the kinds of package storage are
// Listers.
type Lister[M Named] interface {
	List(*storage.Snapshot, string, storage.Page) ([]M, string, error)
}

// Get returns the record of that name if the caller may see it. NOT_FOUND is the
// same error whether the record does not exist or is hidden.
func Get[M Named](r *storage.Snapshot, caller actor.Actor, kind Getter[M], name string) (M, error) {
	m, err := GetUnchecked(r, kind, name)
	if err == nil {
		err = authorize(r, caller, m)
	}
	if err != nil {
		var none M
		return none, err
	}
	return m, nil
}

// GetUnchecked returns the record of that name to any caller. It is for records
// behind one that the caller was allowed to read, in whichever salon they were
// made: the decision of a session, the visits on a card.
func GetUnchecked[M Named](r *storage.Snapshot, kind Getter[M], name string) (M, error) {
	m, err := kind.GetUnchecked(r, name)
	if errors.Is(err, storage.ErrNotFound) {
		err = fault.NotFound(name)
	}
	return m, err
}

// GetFresh is Get for a change: ABORTED unless etag is the record's etag or empty.
func GetFresh[M Guarded](r *storage.Snapshot, caller actor.Actor, kind Getter[M], name, etag string) (M, error) {
	m, err := Get(r, caller, kind, name)
	if err == nil && etag != "" && etag != m.GetEtag() {
		err = fault.Stale(name)
	}
	return m, err
}

// Check returns an error if a request may not be carried out, judged by the
// stored records that the caller may see. Checks are values, so that a service
// lists those of a request in the order in which their errors matter and All runs
// them.
type Check func(r *storage.Snapshot, caller actor.Actor) error

// Exist checks that every name is that of a stored record that the caller may
// see; empty names pass. The error names the first name that is missing.
func Exist[M Named](kind Getter[M], names ...string) Check {
	return func(r *storage.Snapshot, caller actor.Actor) error {
		for _, name := range names {
			if name == "" {
				continue
			}
			if _, err := Get(r, caller, kind, name); err != nil {
				return err
			}
		}
		return nil
	}
}

// ParentExists checks the chain or client whose records are listed or added to:
// an empty list must not hide a mistake in its name.
func ParentExists(parent string) Check {
	if strings.Contains(parent, "/clients/") {
		return Exist(storage.Clients, parent)
	}
	return Exist(storage.Chains, parent)
}

// All runs the checks in turn and returns the first error.
func All(checks ...Check) Check {
	return func(r *storage.Snapshot, caller actor.Actor) error {
		for _, check := range checks {
			if err := check(r, caller); err != nil {
				return err
			}
		}
		return nil
	}
}

// Read answers a Get RPC: one record, if the caller of ctx may see it. NOT_FOUND
// otherwise.
func Read[M Named](ctx context.Context, db *storage.DB, kind Getter[M], name string) (m M, err error) {
	caller := actor.From(ctx)
	err = storage.Read(ctx, db, Chain(name), func(r *storage.Snapshot) (err error) {
		m, err = Get(r, caller, kind, name)
		return err
	})
	return m, err
}

// List answers a List RPC: a page of the records under parent that the caller of
// ctx may see, and the token of the next page. Errors: NOT_FOUND for the parent,
// INVALID_ARGUMENT for a token of another list.
func List[M Named](ctx context.Context, db *storage.DB, kind Lister[M], parent string, size int32, token string) (ms []M, next string, err error) {
	caller := actor.From(ctx)
	err = storage.Read(ctx, db, Chain(parent), func(r *storage.Snapshot) (err error) {
		if err = ParentExists(parent)(r, caller); err != nil {
			return err
		}
		ms, next, err = Pages(r, caller, storage.Page{Size: size, Token: token}, func(page storage.Page) ([]M, string, error) {
			return kind.List(r, parent, page)
		})
		return err
	})
	return ms, next, err
}
