package serve

import (
	"context"
	"encoding/hex"
	"errors"
	"log/slog"
	"regexp"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/ledger"
	"alkalog/storage"
)

// auditDenials records denials in the audit log of the chain whose member was
// denied. The first of a kind in a minute is recorded at once; later ones are
// counted and recorded in one entry when the minute ends or the server stops.
// The answer does not wait for its entry. A server that is killed therefore
// loses at most the counts of one minute and the first denials of the last
// milliseconds.
//
// An anonymous caller belongs to no chain. Its denial is recorded in the log of
// the chain that the request names first, if that chain exists, and only a few
// each minute, so that nobody outside can fill a log. All other denials appear
// only in the server's own log, as a count: an unknown chain, a request that
// did not arrive within a second or is too long.
func (in *interceptors) auditDenials(ctx context.Context, c *call, next func(context.Context) error) error {
	err := next(ctx)
	reason := fault.Denial(err)
	if reason == "" || isPublic(c.method) {
		return err
	}
	in.counters.Denials.Add(1)
	in.denials.add(denial{
		chain: in.chainOf(c), actor: c.actor.Name, role: c.actor.Role, method: shortMethod(c.method), reason: reason,
	}, c.actor.Till, c.actor.TraceID)
	return err
}

// shortMethod removes the package from a method: "AuditService/ListEntries".
// Entries hold this form.
func shortMethod(full string) string { return strings.TrimPrefix(full, "/alkalog.v1.") }

// chainOf returns the chain whose log a denied call belongs to; empty if none
// is known.
func (in *interceptors) chainOf(c *call) string {
	if c.actor.Chain != "" {
		return c.actor.Chain
	}
	chain := c.chain
	if !c.received {
		chain = c.peekChain()
	}
	if !chainName.MatchString(chain) {
		return ""
	}
	return chain
}

// chainName matches the name of a chain, as in the contract.
var chainName = regexp.MustCompile(`^chains/[a-z0-9][a-z0-9-]{0,62}$`)

// auditWriter appends entries to the audit log that belong to no stored record.
// Without a database it discards them. Entries of denials and reads have no
// record, so they are not part of a write of a service.
type auditWriter struct{ db *storage.DB }

// append adds entries to the log of a chain. All entries are committed together
// or none is.
func (b auditWriter) append(ctx context.Context, chain string, entries ...*pb.AuditEntry) error {
	if b.db == nil {
		return nil
	}
	return storage.AppendEntries(ctx, b.db, strings.TrimPrefix(chain, "chains/"), entries...)
}

// digest returns 16 hexadecimal digits that stand for a value in the log of a
// chain. They are keyed, so that nobody can test guesses. Equal values have equal
// digests in one chain, so an auditor can see that a filter was used twice, and
// different ones in two chains.
func (b auditWriter) digest(chain, value string) (string, error) {
	if b.db == nil {
		return "#", nil
	}
	mark, err := b.db.KeyedDigest(strings.TrimPrefix(chain, "chains/"), "value in a filter", value)
	if err != nil {
		return "", err
	}
	return "#" + hex.EncodeToString(mark[:8]), nil
}

// chainExists reports whether a chain exists. An error is no answer: the denial
// is kept and tried again.
func (b auditWriter) chainExists(ctx context.Context, chain string) (bool, error) {
	if b.db == nil || chain == "" {
		return false, nil
	}
	err := storage.Read(ctx, b.db, strings.TrimPrefix(chain, "chains/"), func(r *storage.Snapshot) error {
		_, err := storage.Chains.GetUnchecked(r, chain)
		return err
	})
	if errors.Is(err, storage.ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}

// denials counts denials and writes them in the background. It is written by one
// goroutine (run) and added to by all calls.
type denials struct {
	aggregator aggregator
	audit      auditWriter
	now        func() time.Time
	log        *slog.Logger
	wake       chan struct{} // holds a value when there is something to write

	withoutLog atomic.Int64 // denials that belong to no chain's log
	reported   int64        // how many of these the server's log has reported
}

// newDenials returns a counter that writes nothing until run is called.
func newDenials(cfg Config, now func() time.Time, audit auditWriter) *denials {
	return &denials{audit: audit, now: now, log: cfg.Logger, wake: make(chan struct{}, 1), aggregator: newAggregator(now())}
}

// add counts one denial. It does not block: the first of a kind wakes run, and
// nothing waits for it.
func (d *denials) add(what denial, till, trace string) {
	if what.chain == "" {
		d.withoutLog.Add(1)
		return
	}
	d.aggregator.add(what, till, trace, d.now())
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

const (
	// windowCheckInterval is how often run checks whether the window has ended.
	windowCheckInterval = time.Second
	// finalWriteTime bounds the last write when the server stops.
	finalWriteTime = 5 * time.Second
)

// run writes what is waiting until ctx is done. It does not write what is left
// when it ends; close does.
func (d *denials) run(ctx context.Context) {
	tick := time.NewTicker(windowCheckInterval)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-d.wake:
		case <-tick.C:
		}
		if d.aggregator.rotate(d.now()) {
			d.logWithoutLog()
		}
		d.write(ctx)
	}
}

// close writes what is left. Nothing is added any more. It takes at most
// finalWriteTime. What is not written then is lost; the server's log has the
// number.
func (d *denials) close() {
	ctx, cancel := context.WithTimeout(context.Background(), finalWriteTime)
	defer cancel()
	d.aggregator.flush(d.now())
	d.write(ctx)
	d.logWithoutLog()
}

// logWithoutLog logs how many denials belong to no chain's log.
func (d *denials) logWithoutLog() {
	if n := d.withoutLog.Load(); n > d.reported {
		d.log.Warn("denials that belong to no chain's audit log", "since_last_report", n-d.reported, "since_start", n)
		d.reported = n
	}
}

// write appends the waiting entries, chain by chain. What fails is kept for the
// next time. A chain that fails does not hold up the others.
func (d *denials) write(ctx context.Context) {
	waiting, lost := d.aggregator.takeWaiting()
	d.withoutLog.Add(lost)
	for chain, rows := range waiting {
		left, err := d.writeTo(ctx, chain, rows)
		if err != nil {
			d.log.Warn("cannot record denials in the audit log", "waiting", len(left), "error", err.Error())
			d.aggregator.requeue(left)
		}
	}
}

// writeTo appends aggregates to the log of one chain and returns those that
// failed. If the outcome of an earlier attempt is unknown, it retries one by
// one with the same entry ids, so that no entry is stored twice.
func (d *denials) writeTo(ctx context.Context, chain string, rows []aggregate) (left []aggregate, err error) {
	there, err := d.audit.chainExists(ctx, chain)
	if err != nil {
		return rows, err
	}
	if !there {
		for _, r := range rows {
			d.withoutLog.Add(r.denials())
		}
		return nil, nil
	}
	var fresh []aggregate
	for i, r := range rows {
		if !r.attempted {
			fresh = append(fresh, r)
			continue
		}
		if err := d.audit.append(ctx, chain, r.entry(d.now())); err != nil && !errors.Is(err, storage.ErrExists) {
			return append(fresh, rows[i:]...), err
		}
	}
	var entries []*pb.AuditEntry
	for _, r := range fresh {
		entries = append(entries, r.entry(d.now()))
	}
	if len(entries) == 0 {
		return nil, nil
	}
	if err := d.audit.append(ctx, chain, entries...); err != nil {
		for i := range fresh {
			fresh[i].attempted = true
		}
		return fresh, err
	}
	return nil, nil
}

// entry returns an aggregate as an audit entry.
func (t aggregate) entry(now time.Time) *pb.AuditEntry {
	audit := ledger.EntryContext{
		Chain: t.chain, Actor: t.actor, Role: t.role, Till: t.till, TraceID: t.trace, Time: now,
		NewID: func() string { return t.id },
	}
	d := ledger.Denial{Method: t.method, Reason: t.reason, Count: t.count, First: t.first, Last: t.last}
	if t.alarm {
		return audit.Repeated(d)
	}
	return audit.Denied(d)
}

// message returns a request as a message; nil if it is none.
func message(req any) proto.Message {
	m, _ := req.(proto.Message)
	return m
}
