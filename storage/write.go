package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/proto"
)

// Request is a call that changes something. A call with the same request ID is a retry
// of it.
type Request interface {
	proto.Message
	GetRequestId() string
}

// Write answers a request exactly once.
//
// If the request ID was answered before, Write returns the stored answer, or ErrReused
// if the stored request differs or Config.MayReplay refuses. Otherwise fn decides on a
// snapshot of the chain, and its answer and changes are committed together with the
// request ID.
//
// If something that fn has read was changed meanwhile, fn runs again on a fresh
// snapshot, so it must keep no state between runs and must not have side effects. An
// error of fn is returned unchanged and nothing is written. To refuse a request and
// still write, fn returns Changes.Refusal, and Write returns a *Refused.
//
// ErrUnknown means that the result could not be determined before the caller's
// deadline; a retry with the same request ID determines it.
func Write[A proto.Message](ctx context.Context, db *DB, chain string, req Request,
	fn func(*Snapshot) (A, Changes, error)) (A, error) {
	return WritePlanned(ctx, db, chain, nil, req, fn)
}

// WritePlanned is Write for a function that says beforehand what it will read. All of it
// is fetched in one round trip. A nil plan reads record by record.
func WritePlanned[A proto.Message](ctx context.Context, db *DB, chain string, plan *Plan, req Request,
	fn func(*Snapshot) (A, Changes, error)) (A, error) {
	w := &write{db: db, chain: chain, plan: plan, req: req, blank: func() proto.Message { return blank[A]() }}
	w.decide = func(s *Snapshot) (proto.Message, Changes, error) { return fn(s) }
	var none A
	answer, err := w.answer(ctx)
	if err != nil {
		return none, err
	}
	if status, ok := answer.(*spb.Status); ok {
		return none, &Refused{status}
	}
	return answer.(A), nil
}

const (
	// maxAttempts is how often a write is tried when other writes conflict with it. Our own
	// choice.
	maxAttempts = 10
	// maxWriteTime bounds a write whose caller has a later deadline or none. Our own choice.
	maxWriteTime = 30 * time.Second
	// maxPause bounds the pause before the next attempt. Our own choice.
	maxPause = 250 * time.Millisecond
)

// write is one call of Write, without its type parameter.
type write struct {
	db    *DB
	chain string
	// plan is what decide reads; nil: it reads record by record.
	plan   *Plan
	req    Request
	decide func(*Snapshot) (proto.Message, Changes, error)
	// blank returns an empty message of the answer's type.
	blank func() proto.Message
	// unknown is set once the result of a COMMIT is unknown. From then on the call ends only
	// with an answer, with proof that there is none, or at the deadline.
	unknown error
	// losses is how often another write has defeated an attempt; relied are the records that
	// the last attempt has replaced or relied on.
	losses int
	relied []Record
	// back waits for the place that the call has left; nil: it has it.
	back func(context.Context) error
	// retriedAfterErasure is set once the call has read again because of an erasure.
	retriedAfterErasure bool
}

// run makes attempts until there is an answer or a final error.
func (w *write) run(ctx context.Context) (proto.Message, error) {
	if w.req.GetRequestId() == "" {
		return nil, errors.New("storage: request without an id")
	}
	ctx, cancel := context.WithTimeout(ctx, maxWriteTime)
	defer cancel()
	for try := 1; ; try++ {
		answer, err := w.attempt(ctx)
		if err == nil {
			return answer, nil
		}
		if errors.Is(err, ErrUnknown) {
			w.unknown = err
		}
		if isConflict(err) {
			w.db.conflicts.Add(1)
			w.losses++
		}
		if final := w.finalError(err, try); final != nil {
			return nil, final
		}
		if !pause(ctx, try) || w.returnToPlace(ctx) != nil {
			return nil, w.deadlineError(ctx, err)
		}
	}
}

// refusal wraps an error that fn has decided on; it ends the call.
type refusal struct{ error }

// finalError returns the error to end the call with, or nil to try again. ErrExists is
// tried again too: another write has inserted the record since the snapshot, and fn may
// decide otherwise when it sees it.
func (w *write) finalError(err error, try int) error {
	var refused refusal
	switch {
	case errors.As(err, &refused):
		return refused.error
	case errors.Is(err, ErrReused):
		return err
	case w.unknown != nil:
		return nil
	case isConflict(err), errors.Is(err, ErrExists):
		if try < maxAttempts {
			return nil
		}
		if errors.Is(err, errClaimed) || errors.Is(err, errDeadlock) {
			return fmt.Errorf("%w: %w", ErrStale, err)
		}
	}
	return err
}

// isConflict reports whether a concurrent write has defeated this attempt.
func isConflict(err error) bool {
	return errors.Is(err, errClaimed) || errors.Is(err, errDeadlock) || errors.Is(err, ErrStale)
}

// deadlineError returns the error of a call whose time is up after err. If a COMMIT is
// still unknown, it says so, because the caller must retry.
func (w *write) deadlineError(ctx context.Context, err error) error {
	if w.unknown == nil {
		return fmt.Errorf("storage: %w, last: %w", ctx.Err(), err)
	}
	if errors.Is(err, ErrUnknown) {
		return err
	}
	return fmt.Errorf("%w, last: %w", w.unknown, err)
}

// pause waits before the next attempt: a random time whose maximum doubles, so that
// competing callers separate. It reports whether there is time left.
func pause(ctx context.Context, try int) bool {
	longest := min(maxPause, time.Millisecond<<min(try, 10))
	timer := time.NewTimer(rand.N(longest))
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

// attempt looks the request up, evaluates it if it is new, and commits.
func (w *write) attempt(ctx context.Context) (proto.Message, error) {
	turn := w.takeTurn(ctx)
	defer turn.end()
	evaluated, err := w.evaluate(ctx, turn)
	switch {
	case err == nil && evaluated.known:
		return evaluated.answer, w.confirm(ctx, evaluated.replicated)
	case err == nil:
		prepared, err := w.prepare(evaluated)
		if err != nil {
			return nil, err
		}
		w.relied = reliedOn(prepared.records)
		return evaluated.answer, w.commit(ctx, prepared, turn)
	case w.unknown != nil && !evaluated.known:
		// The commit in doubt may still be under way, and then its answer counts
		// and this error does not.
		if open := w.resolveUnknown(ctx); open != nil {
			return nil, open
		}
	}
	return nil, err
}

// errErasedSinceSnapshot makes the call read again.
var errErasedSinceSnapshot = fmt.Errorf("%w: a client was erased meanwhile", ErrStale)

// erasedSinceSnapshot reports, once per call, that the snapshot has a client that is on
// the list of erased ones: the erasure was committed after the snapshot was taken,
// perhaps by this very request. A fresh snapshot shows its result.
func (w *write) erasedSinceSnapshot(s *Snapshot) bool {
	if !s.foundErased || w.retriedAfterErasure || s.planned != nil && s.planned.missed {
		return false
	}
	w.retriedAfterErasure = true
	return true
}

// evaluation is the result of looking at the database.
type evaluation struct {
	answer  proto.Message
	changes Changes
	// known means that the request was answered before. replicated means that such an answer
	// counts only once it has reached a standby.
	known, replicated bool
	// sealer seals the changes.
	sealer sealer
}

// evaluate runs fn on a snapshot. It takes no locks, and the transaction that reads is
// ended before the one that writes begins. A request that was answered before, and a
// function that reads more than its plan, take the slower way.
func (w *write) evaluate(ctx context.Context, turn *turn) (evaluation, error) {
	if w.plan != nil {
		s, err := w.db.fetch(ctx, inChain(w.chain).during(turn), w.plan, w.req.GetRequestId())
		if err != nil {
			return evaluation{}, err
		}
		s.keepOpened = true
		if !s.planned.claimed {
			if evaluated, err := w.evaluateOn(s); !s.planned.missed {
				return evaluated, err
			}
			w.db.missedPlans.Add(1)
		}
	}
	tx, err := w.db.begin(ctx, inChain(w.chain).during(turn), &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true})
	if err != nil {
		return evaluation{}, err
	}
	defer tx.end()
	s := &Snapshot{ctx: ctx, db: w.db, tx: tx, chain: w.chain, keepOpened: true}
	old, err := s.request(w.req.GetRequestId())
	if err == nil {
		answer, err := old.answerTo(s, w.req, w.blank())
		if errors.Is(err, ErrNotFound) {
			err = refusal{err}
		}
		return evaluation{answer: answer, known: true, replicated: old.Replicated}, err
	}
	if !errors.Is(err, ErrNotFound) {
		return evaluation{}, err
	}
	return w.evaluateOn(s)
}

// evaluateOn runs fn on a snapshot and collects the keys that its changes need.
func (w *write) evaluateOn(s *Snapshot) (evaluation, error) {
	answer, changes, err := w.decide(s)
	if err == nil {
		err = w.db.writable(changes)
	}
	if err != nil && w.erasedSinceSnapshot(s) {
		return evaluation{}, errErasedSinceSnapshot
	}
	if err != nil {
		return evaluation{}, refusal{err}
	}
	if changes.Refusal != nil {
		answer = changes.Refusal
	}
	sealer, err := w.newSealer(s, changes)
	if err != nil && w.erasedSinceSnapshot(s) {
		return evaluation{}, errErasedSinceSnapshot
	}
	return evaluation{answer: answer, changes: changes, sealer: sealer}, err
}

// preparedWrite is a write with everything encoded and sealed before its transaction
// begins, so that locks are held for as short a time as possible.
type preparedWrite struct {
	claim claim
	// fresh are the keys of new clients.
	fresh []wrappedKey
	// erase are the clients to be erased.
	erase []string
	// open is the number of open sessions that these may have.
	open        int
	records     []Record
	clientIndex clientIndex
	external    externalChanges
	changes     Changes
}

// prepare checks, encodes and seals what is to be written.
func (w *write) prepare(t evaluation) (preparedWrite, error) {
	claim, err := newClaim(w.chain, w.req, t.answer)
	if err != nil {
		return preparedWrite{}, err
	}
	if w.db.MinimumSchema() >= referencesSchema {
		t.sealer.referTo(&claim, t.changes.Records)
	}
	if err := t.sealer.sealClaim(&claim); err != nil {
		return preparedWrite{}, err
	}
	records, err := w.records(t.changes, w.req.GetRequestId(), t.sealer)
	if err != nil {
		return preparedWrite{}, err
	}
	claim.manifest = newManifest(claim, records)
	index, err := clientIndexChanges(w.db.cfg.Keys, w.chain, records)
	if err != nil {
		return preparedWrite{}, err
	}
	external, err := externalIDChanges(w.db.cfg.Keys, w.chain, records)
	return preparedWrite{claim, t.sealer.fresh, t.sealer.erase, t.sealer.open, records, index, external, t.changes}, err
}

// records returns the records and the entries as one list, sealed and complete, and
// refuses a record of another chain.
func (w *write) records(changes Changes, requestID string, seal sealer) ([]Record, error) {
	records := append([]Record(nil), changes.Records...)
	for i := range records {
		if records[i].covered && records[i].action != unchanged {
			records[i].values = append([]sql.NullString{text(requestID)}, records[i].values...)
		}
		if err := seal.sealRecord(&records[i]); err != nil {
			return nil, err
		}
	}
	for _, entry := range changes.Entries {
		seal.replaceCauseDigest(entry)
		if err := keyDigests(w.db.cfg.Keys, w.chain, entry); err != nil {
			return nil, err
		}
		records = append(records, insertEntry(entry, w.chain, requestID))
	}
	for _, r := range records {
		if r.err != nil {
			return nil, r.err
		}
		if r.key.chain != w.chain {
			return nil, fmt.Errorf("storage: record of chain %q in a write to chain %q", r.key.chain, w.chain)
		}
	}
	return records, nil
}
