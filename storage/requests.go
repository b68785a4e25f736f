package storage

import (
	"context"
	"fmt"

	"github.com/lib/pq"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/proto"
)

// claim is a request with its answer. The call that stores it first has answered the
// request; it is stored in the transaction that does what was asked.
type claim struct {
	chain, id, kind string
	request, answer []byte
	refused         bool     // the answer is a status
	manifest        []byte   // what the write stores, by digest
	client          string   // whose key they are sealed with; empty: they are in clear
	keepClients     []string // clients who must not be erased meanwhile
}

// newClaim marshals a request and its answer, without what belongs to this attempt
// alone; nil for one that is not kept.
func newClaim(chain string, req Request, answer proto.Message) (claim, error) {
	c := claim{chain: chain, id: req.GetRequestId(), kind: string(req.ProtoReflect().Descriptor().FullName())}
	var err error
	if c.request, err = stored.Marshal(withoutAttempt(req)); err != nil {
		return c, fmt.Errorf("storage: request: %w", err)
	}
	_, c.refused = answer.(*spb.Status)
	c.answer = []byte{}
	if answer != nil {
		c.answer, err = stored.Marshal(withoutAttempt(answer))
	}
	if err != nil {
		return c, fmt.Errorf("storage: answer: %w", err)
	}
	return c, nil
}

// seal seals a request and its answer for a client.
func (c *claim) seal(client string, k *clientKey) {
	c.client = client
	c.request = k.seal("requests", c.sealKey("request"), c.request)
	c.answer = k.seal("requests", c.sealKey("answer"), c.answer)
}

// sealKey is where one of the two stands.
func (c claim) sealKey(which string) key {
	return key{chain: c.chain, parent: which + " " + c.kind, id: c.id}
}

// insertClaimQuery also does, without a round trip of its own, what else a write
// begins with: it takes the lock that SettledBefore looks for, and holds on to
// the keys of clients, so that none is destroyed before the write is done. When
// one is gone already nothing is stored.
const insertClaimQuery = `with low as materialized (select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq),
held as materialized (select client from client_keys where chain = $1 and client = any($7::text[]) for key share)
insert into requests (chain, id, kind, request, answer, client, refused, manifest)
select $1, $2, $3, $4, $5, nullif($6, ''), $8, $9 from low where (select count(*) from held) = coalesce(cardinality($7::text[]), 0)
on conflict (chain, id) do nothing`

// sequencerLockQuery is what a write without a claim begins with, in the same way.
const sequencerLockQuery = `select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq`

// insert stores the claim, or answers errClaimed, also when a client is there no
// more. While another transaction holds a claim to the same id, it waits.
func (c claim) insert(ctx context.Context, tx *transaction) error {
	result, err := tx.ExecContext(ctx, insertClaimQuery, c.chain, c.id, c.kind, c.request, c.answer, c.client, pq.Array(c.keepClients), c.refused, c.manifest)
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
	Refused bool
	// Client is whose key both are sealed with, Version and Wrapped that key.
	Client, Version string
	Wrapped         []byte
	// Replicated says that commits wait for a standby.
	Replicated bool
}

const requestQuery = `select kind, request, answer, refused, coalesce(client, '') as client, coalesce(version, '') as version, wrapped,
current_setting('synchronous_standby_names') <> '' as replicated
from requests left join client_keys using (chain, client) where chain = $1 and id = $2`

// request looks up a request by its id.
func (s *Snapshot) request(id string) (answered, error) {
	var old answered
	err := s.one(&old, requestQuery, s.chain, id)
	return old, err
}

// answerTo returns the answer if the request is the same as req, which means
// equal in content but for the fields of one attempt, and ErrReused if it is not.
// The answer is read into blank, with none of those fields. It is ErrReused too when
// the caller may not have the answer (Config.MayReplay).
// When it was about a client who was erased there is nothing to compare any
// more, and it is ErrNotFound.
func (a answered) answerTo(s *Snapshot, req Request, blank proto.Message) (proto.Message, error) {
	c := claim{chain: s.chain, id: req.GetRequestId(), kind: string(req.ProtoReflect().Descriptor().FullName()), request: a.Request, answer: a.Answer}
	if a.Kind != c.kind {
		return nil, fmt.Errorf("%w: it was the id of a %s", ErrReused, a.Kind)
	}
	if err := a.open(s, &c); err != nil {
		return nil, err
	}
	same := req.ProtoReflect().New().Interface()
	if err := proto.Unmarshal(c.request, same); err != nil {
		return nil, fmt.Errorf("storage: stored request: %w", err)
	}
	if !proto.Equal(withoutAttempt(same), withoutAttempt(req)) {
		return nil, ErrReused
	}
	if a.Refused {
		blank = &spb.Status{}
	}
	if err := unmarshalAnswer(c.answer, blank); err != nil {
		return nil, fmt.Errorf("storage: stored answer: %w", err)
	}
	if may := s.tx.db.cfg.MayReplay; may != nil {
		allowed, err := may(s, req, blank)
		if err == nil && !allowed {
			err = ErrReused
		}
		if err != nil {
			return nil, err
		}
	}
	return blank, nil
}

// unmarshalAnswer reads a stored answer. One that was stored before per_attempt
// was known may hold such fields.
func unmarshalAnswer(body []byte, into proto.Message) error {
	err := proto.Unmarshal(body, into)
	if hasAttempt(into.ProtoReflect().Descriptor()) {
		clearAttempt(into.ProtoReflect())
	}
	return err
}

// open opens a request and its answer, where they are sealed.
func (a answered) open(s *Snapshot, c *claim) error {
	if a.Client == "" {
		return nil
	}
	if a.Wrapped == nil {
		return fmt.Errorf("%w: the request was about a client who was erased", ErrNotFound)
	}
	k, err := s.clientKey(wrappedKey{a.Client, a.Version, a.Wrapped})
	if err != nil {
		return err
	}
	if c.request, err = k.open("requests", c.sealKey("request"), a.Request); err != nil {
		return err
	}
	c.answer, err = k.open("requests", c.sealKey("answer"), a.Answer)
	return err
}
