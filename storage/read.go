package storage

import (
	"context"
	"database/sql"
	"fmt"

	"google.golang.org/protobuf/proto"
)

// Snapshot reads the records of one chain as they were at one moment (isolation level
// REPEATABLE READ, read only). It is valid until the function that received it returns,
// and is not safe for concurrent use.
type Snapshot struct {
	ctx   context.Context
	db    *DB
	chain string
	// tx is nil if planned is set: then everything was read before.
	tx      *transaction
	planned *fetched

	// keys are the opened keys of clients, by ID.
	keys map[string]*clientKey
	// keepOpened is set in a Write, which needs opened again.
	keepOpened bool
	// opened are the records of clients that were read.
	opened []openedRecord
	// digests are those of events that were read opened from memory.
	digests [][]factDigests
	// foundErased is set when a client was read that is on the list of erased clients.
	foundErased bool
}

// Read runs fn on a snapshot of a chain, given by its ID. The error of fn is returned
// unchanged. An unknown chain is not an error: nothing is found in it. The transaction
// stays open while fn runs, so fn should not wait for anything else.
func Read(ctx context.Context, db *DB, chain string, fn func(*Snapshot) error) error {
	tx, err := db.begin(ctx, inChain(chain), &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.end()
	return fn(&Snapshot{ctx: ctx, db: db, tx: tx, chain: chain})
}

// one reads a single row into dest; ErrNotFound if there is none. The query must name
// the chain, although row-level security would hide other rows, so that it uses the
// indexes; TestEveryStatementNamesItsChain checks that.
func (s *Snapshot) one(dest any, query string, args ...any) error {
	if s.planned != nil {
		return s.miss()
	}
	return explain(s.ctx, s.tx.GetContext(s.ctx, dest, query, args...))
}

// all reads all rows into the slice that dest points to. No rows are no error.
func (s *Snapshot) all(dest any, query string, args ...any) error {
	if s.planned != nil {
		return s.miss()
	}
	return explain(s.ctx, s.tx.SelectContext(s.ctx, dest, query, args...))
}

// parse decodes a stored message. The error wraps ErrSealed.
func parse[M proto.Message](body []byte) (M, error) {
	m := blank[M]()
	if err := proto.Unmarshal(body, m); err != nil {
		return m, fmt.Errorf("%w: stored %s: %w", ErrSealed, m.ProtoReflect().Descriptor().Name(), err)
	}
	return m, nil
}

// blank returns an empty message of a type that is known only as a pointer type.
func blank[M proto.Message]() M {
	var m M
	return m.ProtoReflect().New().Interface().(M)
}
