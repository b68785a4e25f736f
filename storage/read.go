package storage

import (
	"context"
	"database/sql"
	"fmt"

	"google.golang.org/protobuf/proto"
)

// Snapshot reads the records of one chain as they stood at one moment. It is
// valid until the function that was given it returns.
type Snapshot struct {
	ctx   context.Context
	tx    *transaction
	chain string

	keys       map[string]*clientKey // of clients whose records were read, by id
	keepOpened bool                  // whether opened is kept
	opened     []openedRecord
	// foundErased is set when a client was read who is on the list of erased ones.
	foundErased bool
}

// Read runs fn on a snapshot of a chain. What fn returns is returned as it is.
func Read(ctx context.Context, db *DB, chain string, fn func(*Snapshot) error) error {
	tx, err := db.begin(ctx, inChain(chain), &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.end()
	return fn(&Snapshot{ctx: ctx, tx: tx, chain: chain})
}

// one reads a single row into dest, or answers ErrNotFound.
func (s *Snapshot) one(dest any, query string, args ...any) error {
	return explain(s.ctx, s.tx.GetContext(s.ctx, dest, query, args...))
}

// all reads every row into the slice that dest points to.
func (s *Snapshot) all(dest any, query string, args ...any) error {
	return explain(s.ctx, s.tx.SelectContext(s.ctx, dest, query, args...))
}

// parse reads a stored message.
func parse[M proto.Message](body []byte) (M, error) {
	m := blank[M]()
	if err := proto.Unmarshal(body, m); err != nil {
		return m, fmt.Errorf("%w: stored %s: %w", ErrSealed, m.ProtoReflect().Descriptor().Name(), err)
	}
	return m, nil
}

// blank makes an empty message of a type that is known as a pointer only.
func blank[M proto.Message]() M {
	var m M
	return m.ProtoReflect().New().Interface().(M)
}
