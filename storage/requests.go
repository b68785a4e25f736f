package storage

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"
)

// claim is a request with its answer. Whoever stores it first has answered the
// request; it is stored in the transaction that does what was asked.
type claim struct {
	chain, id, kind string
	request, answer []byte
}

// newClaim marshals a request and its answer; nil for one that is not kept.
func newClaim(chain string, req Request, answer proto.Message) (claim, error) {
	c := claim{chain: chain, id: req.GetRequestId(), kind: string(req.ProtoReflect().Descriptor().FullName())}
	var err error
	if c.request, err = stored.Marshal(req); err != nil {
		return c, fmt.Errorf("storage: request: %w", err)
	}
	c.answer = []byte{}
	if answer != nil {
		c.answer, err = stored.Marshal(answer)
	}
	if err != nil {
		return c, fmt.Errorf("storage: answer: %w", err)
	}
	return c, nil
}

// stakeQuery also does, without a round trip of its own, what else a write
// begins with: it takes the lock that SettledBefore looks for.
const stakeQuery = `with low as materialized (select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq)
insert into requests (chain, id, kind, request, answer)
select $1, $2, $3, $4, $5 from low
on conflict (chain, id) do nothing`

// settleQuery is what a write without a claim begins with, in the same way.
const settleQuery = `select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq`

// stake stores the claim, or answers errClaimed. While another transaction
// holds a claim to the same id, it waits.
func (c claim) stake(ctx context.Context, tx *transaction) error {
	result, err := tx.ExecContext(ctx, stakeQuery, c.chain, c.id, c.kind, c.request, c.answer)
	if err != nil {
		return err
	}
	if n, err := result.RowsAffected(); err != nil || n == 1 {
		return err
	}
	return errClaimed
}

// answered is a request that was answered before.
type answered struct {
	Kind    string
	Request []byte
	Answer  []byte
	// Replicated says that commits wait for a standby.
	Replicated bool
}

const requestQuery = `select kind, request, answer, current_setting('synchronous_standby_names') <> '' as replicated
from requests where chain = $1 and id = $2`

// request looks up a request by its id.
func (s *Snapshot) request(id string) (answered, error) {
	var old answered
	err := s.one(&old, requestQuery, s.chain, id)
	return old, err
}

// answerTo returns the answer if the request is the same as req, which means
// equal in content, and ErrReused if it is not. The answer is read into blank.
func (a answered) answerTo(req Request, blank proto.Message) (proto.Message, error) {
	if a.Kind != string(req.ProtoReflect().Descriptor().FullName()) {
		return nil, fmt.Errorf("%w: it was the id of a %s", ErrReused, a.Kind)
	}
	same := req.ProtoReflect().New().Interface()
	if err := proto.Unmarshal(a.Request, same); err != nil {
		return nil, fmt.Errorf("storage: stored request: %w", err)
	}
	if !proto.Equal(same, req) {
		return nil, ErrReused
	}
	if err := proto.Unmarshal(a.Answer, blank); err != nil {
		return nil, fmt.Errorf("storage: stored answer: %w", err)
	}
	return blank, nil
}
