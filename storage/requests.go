package storage

import (
	"fmt"
	"slices"

	"github.com/lib/pq"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/proto"
)

// claim is a request with its answer, a row of the table requests. Inserting it claims
// the request ID. It is inserted in the transaction that does what was asked, so a
// request is answered if and only if it was done. The answer may be a reference to
// records (answers.go).
type claim struct {
	chain, id, kind string
	request, answer []byte
	// refused means that the answer is a status (Changes.Refusal).
	refused bool
	// manifest lists what the write stores, by digest (coverage.go).
	manifest []byte
	// client is whose key seals request and answer; empty: they are in clear.
	client string
	// keepClients are the clients that must not be erased before the write is committed.
	keepClients []string
}

// newClaim encodes a request and its answer, without the fields of one attempt. A nil
// answer gives a claim that is only tried and never committed (resolveUnknown).
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

// seal seals request and answer with a client's key.
func (c *claim) seal(client string, k *clientKey) {
	c.client = client
	c.request = k.seal("requests", c.sealKey("request"), c.request)
	c.answer = k.seal("requests", c.sealKey("answer"), c.answer)
}

// sealKey is the place to which the sealed request or answer is bound. It contains the
// type of the request, so that the answer to one kind of request cannot be presented as
// that to another.
func (c claim) sealKey(which string) key {
	return key{chain: c.chain, parent: which + " " + c.kind, id: c.id}
}

// insertClaimsQuery inserts claims and returns the IDs of those that it has inserted. In
// the same statement it takes the lock that SettledBefore looks for and locks the keys of
// the clients, so that none is destroyed before the write is committed. A claim whose
// request ID is claimed already, or one of whose clients has no key any more, is left out.
// While another transaction has claimed the same ID and is not committed, it waits for it.
const insertClaimsQuery = `with low as materialized (select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq),
held as materialized (select client from client_keys where chain = $1 and client = any($10::text[]) for key share)
insert into requests (chain, id, kind, request, answer, client, refused, manifest)
select $1, n.id, n.kind, n.request, n.answer, nullif(n.client, ''), n.refused, n.manifest
from low, unnest($2::text[], $3::text[], $4::bytea[], $5::bytea[], $6::text[], $7::bool[], $8::bytea[]) as n (id, kind, request, answer, client, refused, manifest)
where not exists (select from unnest($9::text[], $10::text[]) as k (id, client) where k.id = n.id and k.client not in (select client from held))
on conflict (chain, id) do nothing returning id`

// sequencerLockQuery takes the lock for SettledBefore in a write without a claim.
const sequencerLockQuery = `select pg_advisory_xact_lock_shared(last_value + is_called::int) from audit_entries_position_seq`

// claimStep makes the step that inserts claims. The writes of those that are left out fail
// with errClaimed.
func claimStep(chain string, claims []claim) step {
	var ids, kinds, clients, keptBy, kept pq.StringArray
	var requests, answers, manifests pq.ByteaArray
	var refused pq.BoolArray
	for _, c := range claims {
		ids, kinds, clients, refused = append(ids, c.id), append(kinds, c.kind), append(clients, c.client), append(refused, c.refused)
		requests, answers, manifests = append(requests, c.request), append(answers, c.answer), append(manifests, c.manifest)
		for _, client := range c.keepClients {
			keptBy, kept = append(keptBy, c.id), append(kept, client)
		}
	}
	if kept == nil {
		keptBy, kept = pq.StringArray{}, pq.StringArray{} // NULL is no array
	}
	return step{query: insertClaimsQuery, args: []any{chain, ids, kinds, requests, answers, clients, refused, manifests, keptBy, kept},
		check: func(inserted []string, fail func(int, error)) {
			for i, c := range claims {
				if !slices.Contains(inserted, c.id) {
					fail(i, errClaimed)
				}
			}
		}}
}

// answered is a stored request with its answer.
type answered struct {
	Kind    string
	Request []byte
	Answer  []byte
	Refused bool
	// Client is whose key seals both; Version and Wrapped are that key. Wrapped is nil if the
	// client was erased.
	Client, Version string
	Wrapped         []byte
	// Replicated means that commits wait for a standby.
	Replicated bool
}

// requestQuery reads a request with the key that seals it.
const requestQuery = `select kind, request, answer, refused, coalesce(client, '') as client, coalesce(version, '') as version, wrapped,
current_setting('synchronous_standby_names') <> '' as replicated
from requests left join client_keys using (chain, client) where chain = $1 and id = $2`

// request reads a request by its ID; ErrNotFound if it was not answered.
func (s *Snapshot) request(id string) (answered, error) {
	var old answered
	err := s.one(&old, requestQuery, s.chain, id)
	return old, err
}

// answerTo returns the stored answer, decoded into blank, if the stored request equals
// req apart from fields of one attempt. Requests are compared as messages and not as
// bytes, because another version of the program can encode differently.
//
// The error is ErrReused if the requests differ or if the caller may not have the
// answer (Config.MayReplay). It is ErrNotFound if the request was about a client that
// was erased: there is nothing left to compare.
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
	if may := s.db.cfg.MayReplay; may != nil {
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

// unmarshalAnswer decodes a stored answer. An answer from before the option per_attempt
// existed may have such fields; they are cleared.
func unmarshalAnswer(body []byte, into proto.Message) error {
	err := proto.Unmarshal(body, into)
	if hasAttempt(into.ProtoReflect().Descriptor()) {
		clearAttempt(into.ProtoReflect())
	}
	return err
}

// open opens a sealed request and its answer.
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
	if c.answer, err = k.open("requests", c.sealKey("answer"), a.Answer); err != nil {
		return err
	}
	c.answer, err = s.resolve(c.answer, k)
	return err
}
