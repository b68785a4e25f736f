package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"github.com/lib/pq"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage/keyring"
)

// Maintenance of clients' keys and of answered requests, apart from the work of the
// salons. Each function concerns one chain. Work is done in batches, each in a
// transaction of its own, so that no call of a salon waits long; an interrupted run is
// simply started again.

// KeyCheck counts the keys of clients by whether they can be opened.
type KeyCheck struct {
	// Opened counts keys that are sound.
	Opened int64
	// Missing counts keys that are wrapped with a key that is not available.
	Missing int64
	// Damaged counts keys that were changed in the database or belong to another client.
	Damaged int64
}

// Unreadable returns how many clients cannot be read.
func (c KeyCheck) Unreadable() int64 { return c.Missing + c.Damaged }

// CheckKeys tries to open the keys of all clients of the chain that are not erased. An
// error means that the check could not be made; keys that do not open are counted and
// are no error.
func CheckKeys(ctx context.Context, db *DB, chain string) (c KeyCheck, err error) {
	for after, more := "", true; more; {
		err := Read(ctx, db, chain, func(s *Snapshot) error {
			var some []wrappedKey
			err := s.all(&some, `select client, version, wrapped from client_keys where chain = $1 and client > $2 and client <> all($4)
				order by client limit $3`, chain, after, keysAtATime, pq.Array(db.ErasedClients(chain)))
			if err != nil {
				return err
			}
			for _, w := range some {
				if err := c.try(db, chain, w); err != nil {
					return err
				}
				after = w.Client
			}
			more = len(some) == keysAtATime
			return nil
		})
		if err != nil {
			return c, err
		}
	}
	return c, nil
}

// SampleKeys is CheckKeys for one client per version of the wrapping key. That suffices
// at startup to tell whether the key file belongs to this database.
func SampleKeys(ctx context.Context, db *DB, chain string) (c KeyCheck, err error) {
	err = Read(ctx, db, chain, func(s *Snapshot) error {
		var samples []wrappedKey
		err := s.all(&samples, `select distinct on (version) client, version, wrapped from client_keys where chain = $1 and client <> all($2)
			order by version, client`, chain, pq.Array(db.ErasedClients(chain)))
		for _, sample := range samples {
			if err == nil {
				err = c.try(db, chain, sample)
			}
		}
		return err
	})
	return c, err
}

// try opens one key and counts the result.
func (c *KeyCheck) try(db *DB, chain string, w wrappedKey) error {
	switch _, err := db.unwrap(chain, w); {
	case err == nil:
		c.Opened++
	case errors.Is(err, keyring.ErrUnknown):
		c.Missing++
	case errors.Is(err, keyring.ErrDamaged):
		c.Damaged++
	default:
		return err
	}
	return nil
}

const (
	// keysAtATime is how many keys CheckKeys reads per query. Our own choice.
	keysAtATime = 1000
	// rewrapAtATime is how many keys Rewrap wraps per transaction. Our own choice.
	rewrapAtATime = 500
)

// Rewrap wraps the keys of the chain's clients with the newest version, if they are
// wrapped with an older one, and returns how many these were. The clients' own keys do
// not change, and neither does anything that is sealed with them. Keys that do not open
// are left as they are. It can be repeated; CountOldKeys shows whether anything is
// left.
func Rewrap(ctx context.Context, db *DB, chain string) (int, error) {
	for done, after := 0, ""; ; {
		n, last, err := rewrapSome(ctx, db, chain, after)
		if done += n; err != nil || last == "" {
			return done, err
		}
		after = last
	}
}

// rewrapSome wraps one batch, after a client in the order of IDs, and returns the last
// client of the batch; empty if there are no more. It skips keys that are locked,
// because they are in use or being destroyed; a later run wraps them.
func rewrapSome(ctx context.Context, db *DB, chain, after string) (n int, last string, err error) {
	version, err := db.cfg.Keys.Version()
	if err != nil {
		return 0, "", err
	}
	tx, err := db.begin(ctx, inChain(chain), nil)
	if err != nil {
		return 0, "", err
	}
	var old []wrappedKey
	err = tx.SelectContext(ctx, &old, `select client, version, wrapped from client_keys where chain = $1 and version <> $2 and client > $4
		order by client limit $3 for no key update skip locked`, chain, version, rewrapAtATime, after)
	if len(old) == rewrapAtATime {
		last = old[len(old)-1].Client
	}
	var clients, versions []string
	var wrapped [][]byte
	for _, w := range old {
		anew, failed := wrapAnew(db.cfg.Keys, chain, w)
		switch {
		case errors.Is(failed, keyring.ErrUnknown), errors.Is(failed, keyring.ErrDamaged):
			continue
		case failed != nil && err == nil:
			err = failed
		}
		clients, versions, wrapped = append(clients, anew.Client), append(versions, anew.Version), append(wrapped, anew.Wrapped)
	}
	if err == nil && len(clients) > 0 {
		_, err = tx.ExecContext(ctx, `update client_keys k set version = n.version, wrapped = n.wrapped
			from unnest($2::text[], $3::text[], $4::bytea[]) as n (client, version, wrapped) where k.chain = $1 and k.client = n.client`,
			chain, pq.Array(clients), pq.Array(versions), pq.Array(wrapped))
	}
	if err != nil {
		tx.end()
		return 0, "", explain(ctx, err)
	}
	return len(clients), last, tx.commit(ctx)
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

// EraseAgain destroys the keys of clients of the chain, given by ID, that were erased
// before and have come back with a restored backup. entry makes the audit entry of each
// client that had come back. Keys and entries are committed together. It returns the
// number of these clients.
func EraseAgain(ctx context.Context, db *DB, chain string, clients []string, entry func(client string) *pb.AuditEntry) (int, error) {
	var gone []string
	err := db.commitWithEntries(ctx, chain, func(tx *transaction) (entries []*pb.AuditEntry, err error) {
		gone, err = destroyKeys(ctx, tx, chain, clients)
		for _, client := range gone {
			entries = append(entries, entry(client))
		}
		return entries, err
	})
	return len(gone), err
}

// purgedAtATime bounds what PurgeRequests deletes in one transaction, so that nobody
// waits for it long. Our own choice.
const purgedAtATime = 10_000

// PurgeRequests deletes answered requests of the chain that are older than a number of
// days, by the database's clock, which also set their time. A request that is repeated
// afterwards is a new one. Requests whose records no entry covers yet stay. entry makes
// the audit entry for n requests, if there were any. It returns n and whether there may
// be more.
func PurgeRequests(ctx context.Context, db *DB, chain string, days int32, entry func(n int64) *pb.AuditEntry) (n int64, more bool, err error) {
	if err := db.writable(Changes{}); err != nil {
		return 0, false, err
	}
	err = db.commitWithEntries(ctx, chain, func(tx *transaction) ([]*pb.AuditEntry, error) {
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

// commitWithEntries commits what do does in the chain together with the entries that it
// returns. It takes the lock that the sequencer relies on first (see SettledBefore).
func (db *DB) commitWithEntries(ctx context.Context, chain string, do func(*transaction) ([]*pb.AuditEntry, error)) error {
	tx, err := db.begin(ctx, inChain(chain), nil)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, sequencerLockQuery)
	var entries []*pb.AuditEntry
	if err == nil {
		entries, err = do(tx)
	}
	var records []Record
	if err == nil {
		records, err = (&write{db: db, chain: chain}).records(Changes{Entries: entries}, "", sealer{})
	}
	if err == nil {
		err = insertEntries(ctx, tx, records)
	}
	if err != nil {
		tx.end()
		return explain(ctx, err)
	}
	return tx.commit(ctx)
}

// IdleClients lists clients of the chain that have had no record since a time, up to
// limit, after an ID, in the order of IDs. Clients, consultations and decisions are
// judged by their IDs, which contain their creation time (UUID version 7, RFC 9562,
// section 5.7), and sessions by their last change.
func IdleClients(s *Snapshot, since time.Time, after string, limit int) ([]*pb.Client, error) {
	made := firstIDAt(since)
	var rows []sealedRow
	err := s.all(&rows, "select "+sealedColumns+` from clients c`+ofClient+` where chain = $1 and parent = '' and client = id and id < $2 and id > $4 and not `+activeClient+" order by id limit $5", s.chain, made, since, after, limit)
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

// AnyActive reports whether one of clients, given by resource names, has had a record
// since a time, as IdleClients judges it.
func AnyActive(s *Snapshot, clients []string, since time.Time) (active bool, err error) {
	ids := make([]string, 0, len(clients))
	for _, name := range clients {
		ids = append(ids, clientIn(name))
	}
	err = s.one(&active, "select exists (select from clients c where chain = $1 and parent = '' and id = any($4) and (id >= $2 or "+activeClient+"))",
		s.chain, firstIDAt(since), since, pq.Array(ids))
	return active, err
}

// activeClient is the condition that a client has had a record since a time: $2 is the
// first ID of that time, $3 the time.
const activeClient = `(exists (select from consultations n where n.chain = $1 and n.parent = c.id and n.id >= $2)
	or exists (select from decisions d where d.chain = $1 and d.parent = c.id and d.id >= $2)
	or exists (select from sessions v where v.chain = $1 and v.parent = c.id and v.update_time >= $3))`

// firstIDAt returns what every ID of a time or later is not less than. The first 48 bits of a
// UUID version 7 are its time in milliseconds.
func firstIDAt(t time.Time) string {
	id := fmt.Sprintf("%012x", t.UnixMilli())
	return id[:8] + "-" + id[8:]
}

// CountOldKeys counts the keys of the chain's clients that are not wrapped with the
// newest version. Only at 0 can the older keys be removed from the key file.
func CountOldKeys(s *Snapshot) (n int, err error) {
	version, err := s.db.cfg.Keys.Version()
	if err != nil {
		return 0, err
	}
	err = s.one(&n, "select count(*) from client_keys where chain = $1 and version <> $2", s.chain, version)
	return n, err
}

// CountServers counts the connections of other programs to the database by this
// program's login. More than 0 means that a server is running. The connections of db's
// own pool do not count.
func CountServers(ctx context.Context, db *DB) (n int, err error) {
	tx, err := db.begin(ctx, scope{}, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, err
	}
	defer tx.end()
	err = tx.GetContext(ctx, &n, `select count(*) from pg_stat_activity where datname = current_database() and usename = session_user
		and backend_type = 'client backend'
		and pg_postmaster_start_time()::text || ' ' || pid::text || ' ' || backend_start::text <> all($1)`, pq.Array(db.connector.sessions.names()))
	return n, explain(ctx, err)
}
