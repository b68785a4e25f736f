package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
)

// What is done to the keys of clients and to answered requests beside the work of
// the salons. Each of these concerns one chain.

// CheckKeys makes sure that clients' keys open with the keys at hand: one of each
// version that was wrapped with. Those of erased clients are not looked at.
func CheckKeys(ctx context.Context, db *DB, chain string) error {
	return Read(ctx, db, chain, func(s *Snapshot) error {
		var samples []wrappedKey
		err := s.all(&samples, `select distinct on (version) client, version, wrapped from client_keys where chain = $1 and client <> all($2)
			order by version, client`, chain, pq.Array(db.ErasedClients(chain)))
		for _, sample := range samples {
			if err == nil {
				_, err = s.clientKey(sample)
			}
		}
		return err
	})
}

// rewrapAtATime is how many keys Rewrap wraps in one transaction.
const rewrapAtATime = 500

// Rewrap wraps the keys of the chain's clients that were wrapped with an older
// version anew, and returns how many these were. The clients' own keys stay what
// they are, and so does everything that is sealed with them.
func Rewrap(ctx context.Context, db *DB, chain string) (int, error) {
	for done := 0; ; {
		n, err := rewrapSome(ctx, db, chain)
		if done += n; err != nil || n < rewrapAtATime {
			return done, err
		}
	}
}

// rewrapSome wraps some. Keys that are in use or being destroyed are left for
// later.
func rewrapSome(ctx context.Context, db *DB, chain string) (int, error) {
	version, err := db.cfg.Keys.Version()
	if err != nil {
		return 0, err
	}
	tx, err := db.begin(ctx, inChain(chain), nil)
	if err != nil {
		return 0, err
	}
	var old []wrappedKey
	err = tx.SelectContext(ctx, &old, `select client, version, wrapped from client_keys where chain = $1 and version <> $2
		limit $3 for no key update skip locked`, chain, version, rewrapAtATime)
	var clients, versions []string
	var wrapped [][]byte
	for _, w := range old {
		if err == nil {
			w, err = wrapAnew(db.cfg.Keys, chain, w)
			clients, versions, wrapped = append(clients, w.Client), append(versions, w.Version), append(wrapped, w.Wrapped)
		}
	}
	if err == nil && len(old) > 0 {
		_, err = tx.ExecContext(ctx, `update client_keys k set version = n.version, wrapped = n.wrapped
			from unnest($2::text[], $3::text[], $4::bytea[]) as n (client, version, wrapped) where k.chain = $1 and k.client = n.client`,
			chain, pq.Array(clients), pq.Array(versions), pq.Array(wrapped))
	}
	if err != nil {
		tx.end()
		return 0, explain(ctx, err)
	}
	return len(old), tx.commit(ctx)
}

// wrapAnew wraps a key with the newest version.
func wrapAnew(keys Keys, chain string, w wrappedKey) (wrappedKey, error) {
	secret, err := keys.Unwrap(w.Wrapped, w.Version, wrapContext(chain, w.Client))
	if err != nil {
		return w, fmt.Errorf("%w: a client's key of chain %s: %w", ErrSealed, chain, err)
	}
	w.Wrapped, w.Version, err = keys.Wrap(secret, wrapContext(chain, w.Client))
	return w, err
}

// EraseAgain destroys the keys of clients of the chain, by their ids, who were
// erased before and have come back with a restored backup. Entry makes the audit
// entry of each who had come back. It returns how many these were.
func EraseAgain(ctx context.Context, db *DB, chain string, clients []string, entry func(client string) *pb.AuditEntry) (int, error) {
	var gone []string
	err := db.together(ctx, chain, func(tx *transaction) (entries []*pb.AuditEntry, err error) {
		gone, err = destroyKeys(ctx, tx, chain, clients)
		for _, client := range gone {
			entries = append(entries, entry(client))
		}
		return entries, err
	})
	return len(gone), err
}

// purgedAtATime bounds what PurgeRequests deletes at once, so that nobody waits
// for it long.
const purgedAtATime = 10_000

// PurgeRequests forgets answered requests of the chain that are older than a
// number of days, by the database's clock, which also told their time; a request
// asked again after that is a new one. Those whose records no entry covers yet
// stay. Entry makes the audit entry of so many, if
// there were any. It returns how many these were, and whether there may be more.
func PurgeRequests(ctx context.Context, db *DB, chain string, days int32, entry func(n int64) *pb.AuditEntry) (n int64, more bool, err error) {
	if err := db.writable(Changes{}); err != nil {
		return 0, false, err
	}
	err = db.together(ctx, chain, func(tx *transaction) ([]*pb.AuditEntry, error) {
		result, err := tx.ExecContext(ctx, `delete from requests where chain = $1 and ctid = any(array(select ctid from requests r
			where chain = $1 and claim_time < clock_timestamp() - $2 * interval '1 day' and (manifest is null
				or exists (select from log_writes w where w.chain = $1 and w.id = r.id and w.position = r.position)) limit $3))`, chain, days, purgedAtATime)
		if err != nil {
			return nil, err
		}
		if n, err = result.RowsAffected(); err != nil || n == 0 {
			return nil, err
		}
		return []*pb.AuditEntry{entry(n)}, nil
	})
	return n, n == purgedAtATime, err
}

// together commits what do does in the chain, with the entries that it returns.
func (db *DB) together(ctx context.Context, chain string, do func(*transaction) ([]*pb.AuditEntry, error)) error {
	tx, err := db.begin(ctx, inChain(chain), nil)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, settleQuery)
	var entries []*pb.AuditEntry
	if err == nil {
		entries, err = do(tx)
	}
	var records []Record
	if err == nil {
		records, err = (&write{db: db, chain: chain}).records(Changes{Entries: entries}, "", sealing{})
	}
	for err == nil && len(records) > 0 {
		records, err = writeNext(ctx, tx, records)
	}
	if err != nil {
		tx.end()
		return explain(ctx, err)
	}
	return tx.commit(ctx)
}

// IdleClients lists clients of the chain of whom nothing was recorded since a
// time, by the ids of clients, consultations and decisions, which tell when they
// were made, and by the last change of sessions: up to limit, behind an id, in the
// order of ids.
func IdleClients(s *Snapshot, since time.Time, after string, limit int) ([]*pb.Client, error) {
	made := fmt.Sprintf("%012x", since.UnixMilli())
	made = made[:8] + "-" + made[8:]
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+` from clients c`+ofClient+` where chain = $1 and parent = '' and client = id and id < $2 and id > $4
		and not exists (select from consultations n where n.chain = $1 and n.parent = c.id and n.id >= $2)
		and not exists (select from decisions d where d.chain = $1 and d.parent = c.id and d.id >= $2)
		and not exists (select from sessions v where v.chain = $1 and v.parent = c.id and v.update_time >= $3)
		order by id limit $5`, s.chain, made, since, after, limit)
	if err != nil {
		return nil, err
	}
	clients := make([]*pb.Client, 0, len(rows))
	for _, r := range rows {
		plain, err := s.open(Clients.name, r.ID, r)
		if errors.Is(err, ErrNotFound) {
			continue // erased, and the key was put back
		}
		if err != nil {
			return nil, err
		}
		c, err := parse[*pb.Client](plain)
		if err != nil {
			return nil, err
		}
		clients = append(clients, c)
	}
	return clients, nil
}

// CountOldKeys counts the keys of the chain's clients that are not wrapped with the
// newest version.
func CountOldKeys(s *Snapshot) (n int, err error) {
	version, err := s.tx.db.cfg.Keys.Version()
	if err != nil {
		return 0, err
	}
	err = s.one(&n, "select count(*) from client_keys where chain = $1 and version <> $2", s.chain, version)
	return n, err
}

// CountServers counts the other connections to the database by this program's
// login: servers that are running.
func CountServers(ctx context.Context, db *DB) (n int, err error) {
	tx, err := db.begin(ctx, scope{}, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, err
	}
	defer tx.end()
	err = tx.GetContext(ctx, &n, `select count(*) from pg_stat_activity where datname = current_database() and usename = session_user
		and backend_type = 'client backend' and pid <> pg_backend_pid()`)
	return n, explain(ctx, err)
}
