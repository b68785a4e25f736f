package storage

import (
	"context"
	"database/sql"
	"time"
)

// Installation is the state of a database and its logs, for operators.
type Installation struct {
	// System is the system identifier of the cluster, and Timeline its timeline, which rises
	// with every promotion.
	System   string
	Timeline int64
	// Address is the address and port of the database server; empty: a local socket.
	Address string
	// Version is the version of PostgreSQL.
	Version string
	// Schema is the version of the schema, and Least the oldest whose servers may write.
	Schema, Least int64
	// SynchronousStandbys is the setting synchronous_standby_names; empty: an acknowledged
	// write is on this server only.
	SynchronousStandbys string
	// Standbys is the number of connected standbys.
	Standbys int
	// Epoch counts the leaders of the logs, and Leads reports whether the last one still
	// holds its lease.
	Epoch int64
	Leads bool
	// Leader names the server of that epoch; empty: its version does not say. It is what the
	// server calls itself, for people; nothing is decided by it.
	Leader string
}

// installationQuery reads what is not known from the connection.
const installationQuery = `select coalesce(host(inet_server_addr()) || ':' || inet_server_port(), '') as address, current_setting('server_version') as version,
	current_setting('synchronous_standby_names') as synchronousstandbys, (select count(*) from pg_stat_replication) as standbys,
	epoch, lease_end > clock_timestamp() as leads, case when holder_epoch = epoch then holder else '' end as leader from log_leader`

// ReadInstallation reads the state of the database. It is for the command status and not
// for servers: a server knows its leader, schema and host from what it does anyway. The
// figures are of one moment each and not of one snapshot; a leader that changes meanwhile is
// shown as it was or as it is.
func ReadInstallation(ctx context.Context, db *DB) (Installation, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return Installation{}, err
	}
	defer tx.end()
	var in Installation
	if err := tx.GetContext(ctx, &in, installationQuery); err != nil {
		return in, explain(ctx, err)
	}
	schema, err := readSchemaAlone(ctx, db)
	in.Schema, in.Least = schema.Have, schema.Least
	db.fence.mu.Lock()
	defer db.fence.mu.Unlock()
	in.System, in.Timeline = db.fence.system, db.fence.timeline
	return in, err
}

// readSchemaAlone reads the schema in a transaction of its own: the keeper's role may not
// read the list of migrations. The schema may change between the two transactions; status
// then shows the newer one, which is what an operator who migrates wants to see.
func readSchemaAlone(ctx context.Context, db *DB) (Schema, error) {
	tx, err := db.begin(ctx, scope{}, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return Schema{}, err
	}
	defer tx.end()
	return readSchema(ctx, tx)
}

// WaitingSince returns how long the chain's entry at a position has existed, by the
// clock of the database. The clock of the machine on which status runs is not asked: it
// may be an operator's notebook.
func WaitingSince(s *Snapshot, position int64) (time.Duration, error) {
	var seconds float64
	err := s.one(&seconds, "select extract(epoch from clock_timestamp() - record_time)::float8 from audit_entries where chain = $1 and position = $2", s.chain, position)
	return time.Duration(seconds * float64(time.Second)), err
}
