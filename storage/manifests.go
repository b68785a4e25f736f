package storage

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"time"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
)

// CoveredWrite is an answered request with its manifest.
type CoveredWrite struct {
	Chain string
	// ID is the request ID.
	ID string
	// Position is the place in the order of writes, another sequence than that of entries.
	Position  int64
	ClaimTime time.Time `db:"claim_time"`
	Manifest  []byte
}

// EntryOf makes the entry that covers writes of a chain. The caller makes it, because
// only package ledger knows what an entry contains.
type EntryOf func(chain string, c Covered) *pb.AuditEntry

// WriteMark is a point in the order of writes. All writes before it are committed or
// undone as soon as SettledBefore returns more than Entries.
type WriteMark struct {
	// Writes is the position of the next write when the mark was made.
	Writes int64
	// Entries is a position of audit entries that no entry will have.
	Entries int64
}

// MarkWrites makes a mark. Every write first takes a lock whose key is the next
// position of an entry, and then its own position. Writes before the mark therefore
// hold keys up to Entries, a position which MarkWrites uses up, and later writes hold
// higher keys. The order of the two queries matters for this.
func MarkWrites(ctx context.Context, db *DB) (m WriteMark, err error) {
	err = db.inTransaction(ctx, func(tx *transaction) error {
		err := tx.GetContext(ctx, &m.Writes, "select last_value + is_called::int from requests_position_seq")
		if err == nil {
			err = tx.GetContext(ctx, &m.Entries, "select nextval('audit_entries_position_seq')")
		}
		return err
	})
	return m, err
}

// NewestWrite reads the position of the next write, and the position up to which writes
// are covered.
func NewestWrite(ctx context.Context, db *DB) (next, covered int64, err error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, 0, err
	}
	defer tx.end()
	var found struct{ Next, Covered int64 }
	err = tx.GetContext(ctx, &found, "select s.last_value + s.is_called::int as next, l.covered from requests_position_seq s, log_leader l")
	return found.Next, found.Covered, explain(ctx, err)
}

// ChainIDs reads the IDs of all chains that are stored or have a log.
func ChainIDs(ctx context.Context, db *DB) (ids []string, err error) {
	err = db.inTransaction(ctx, func(tx *transaction) error {
		return tx.SelectContext(ctx, &ids, "select id from chains union select chain from log_heads order by 1")
	})
	return ids, err
}

// Cover covers the writes before a position, up to limit of them over all chains, with
// one entry per chain. The position is WriteMark.Writes of a mark that is settled;
// otherwise a write that is still running would be skipped for ever. It reports whether
// there may be more. If another server leads, the error is ErrNotLeading and nothing
// was changed.
//
// Entries, manifests and the new position are committed together. After a crash the
// next leader repeats the batch or continues after it.
func Cover(ctx context.Context, db *DB, lead Lease, settled int64, limit int, entry EntryOf) (more bool, err error) {
	err = db.leading(ctx, lead, func(tx *transaction) error {
		var reached int64
		if err := tx.GetContext(ctx, &reached, "select covered from log_leader"); err != nil {
			return err
		}
		if reached >= settled {
			reached = 0 // somebody has changed it; what is covered already is passed by
		}
		var writes []CoveredWrite
		err := tx.SelectContext(ctx, &writes, `select r.chain, r.id, r.position, r.claim_time, r.manifest from requests r
			where r.position > $1 and r.position < $2 and r.manifest is not null
			and not exists (select from log_writes w where w.chain = r.chain and w.id = r.id and w.position = r.position)
			order by r.position limit $3`, reached, settled, limit)
		if err != nil {
			return err
		}
		reached = settled - 1
		if more = len(writes) == limit; more {
			reached = writes[limit-1].Position
		}
		if err := coverAll(ctx, tx, writes, entry); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "update log_leader set covered = $1", reached)
		return err
	})
	return more, err
}

// coverAll makes one entry per chain for the given writes, and stores the manifests
// with it.
func coverAll(ctx context.Context, tx *transaction, writes []CoveredWrite, entry EntryOf) error {
	var chains []string
	byChain := map[string][]CoveredWrite{}
	for _, w := range writes {
		if byChain[w.Chain] == nil {
			chains = append(chains, w.Chain)
		}
		byChain[w.Chain] = append(byChain[w.Chain], w)
	}
	for _, chain := range chains {
		covered, err := foldWrites(byChain[chain])
		if err != nil {
			return err
		}
		id, err := insertCovering(ctx, tx, chain, entry(chain, covered))
		if err == nil {
			err = keepWrites(ctx, tx, chain, id, byChain[chain])
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// insertCovering stores an entry in the keeper's transaction and returns its ID. It
// does not take the lock that SettledBefore looks for: the leader's row is locked
// meanwhile, so that no batch can be sequenced before this entry is committed.
func insertCovering(ctx context.Context, tx *transaction, chain string, e *pb.AuditEntry) (string, error) {
	r := insertEntry(e, chain, "")
	if r.err != nil {
		return "", r.err
	}
	return r.key.id, insertEntries(ctx, tx, []Record{r})
}

// keepWrites copies the manifests to log_writes, where they outlive the requests.
func keepWrites(ctx context.Context, tx *transaction, chain, entry string, writes []CoveredWrite) error {
	positions, ids, times, manifests := make([]int64, len(writes)), make([]string, len(writes)), make([]string, len(writes)), make([][]byte, len(writes))
	for i, w := range writes {
		positions[i], ids[i], times[i], manifests[i] = w.Position, w.ID, w.ClaimTime.Format(time.RFC3339Nano), w.Manifest
	}
	_, err := tx.ExecContext(ctx, `insert into log_writes (chain, entry, position, id, claim_time, manifest)
		select $1, $2, n.position, n.id, n.claim_time::timestamptz, n.manifest
		from unnest($3::bigint[], $4::text[], $5::text[], $6::bytea[]) as n (position, id, claim_time, manifest)`,
		chain, entry, pq.Array(positions), pq.Array(ids), pq.Array(times), pq.Array(manifests))
	return err
}

// baselineWindow is how many records of a baseline are read per query. Our own choice.
const baselineWindow = 5000

// baselineRow is a record of a baseline: the table (Kind), the key and the digest as in
// recordDigest.
type baselineRow struct {
	Kind, Parent, ID string
	Digest           []byte
}

// CoverBaselines makes an entry for each round of a chain's baseline that has none,
// each in a transaction of its own. If another server leads, the error is
// ErrNotLeading.
func CoverBaselines(ctx context.Context, db *DB, lead Lease, entry EntryOf) error {
	for {
		var found []struct {
			Chain string
			Round int
		}
		err := db.leading(ctx, lead, func(tx *transaction) error {
			err := tx.SelectContext(ctx, &found, `select chain, round from log_baseline b
				where not exists (select from log_baselines e where e.chain = b.chain and e.round = b.round) limit 1`)
			if err != nil || len(found) == 0 {
				return err
			}
			chain, round := found[0].Chain, found[0].Round
			covered, err := foldBaseline(func(after baselineRow) (rows []baselineRow, err error) {
				err = tx.SelectContext(ctx, &rows, baselineQuery, chain, round, after.Kind, after.Parent, after.ID, baselineWindow)
				return rows, err
			})
			if err != nil {
				return err
			}
			id, err := insertCovering(ctx, tx, chain, entry(chain, covered))
			if err == nil {
				_, err = tx.ExecContext(ctx, "insert into log_baselines (chain, round, entry) values ($1, $2, $3)", chain, round, id)
			}
			return err
		})
		if err != nil || len(found) == 0 {
			return err
		}
	}
}

// baselineQuery reads a window of the records of a round after one of them, in order.
const baselineQuery = `select kind, parent, id, digest from log_baseline
where chain = $1 and round = $2 and (kind, parent, id) > ($3, $4, $5) order by kind, parent, id limit $6`

// foldBaseline computes the digest of the records of a round, in the order of keys.
// read returns those after a record; none ends it. The leader and the inspection both
// call it.
func foldBaseline(read func(after baselineRow) ([]baselineRow, error)) (Covered, error) {
	h := sha256.New()
	var c Covered
	for last := (baselineRow{}); ; {
		rows, err := read(last)
		if err != nil || len(rows) == 0 {
			c.Digest = h.Sum(nil)
			return c, err
		}
		for _, r := range rows {
			i := item{table: r.Kind, parent: r.Parent, id: r.ID}
			copy(i.digest[:], r.Digest)
			h.Write(i.append(nil))
			c.Records++
			last = r
		}
	}
}
