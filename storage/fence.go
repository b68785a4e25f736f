package storage

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
)

// fence remembers the newest database server that it has seen. After a failover the
// timeline rises. A server on a lower timeline was replaced, and everything it
// acknowledges would be lost. A different system identifier is a different database
// cluster.
//
// Every new connection is checked, not only the first, because a connection string with
// several hosts or a virtual address can lead to another server at any time.
type fence struct {
	// file is Config.StateFile.
	file string
	mu   sync.Mutex
	// system is the system identifier of the cluster; empty: none was seen yet.
	system string
	// timeline is the highest timeline that was seen.
	timeline int64
	// links are the open connections, each with the timeline of its server.
	links map[*link]int64
	// instance identifies the run of the server and the database of the last connection.
	instance string

	// suspension holds writes back after a change of instance.
	suspension suspension
}

// newFence reads what an earlier run of the program has seen. A file that exists and
// cannot be read is an error: without its content an old server would be accepted.
func newFence(file string) (*fence, error) {
	f := &fence{file: file, links: map[*link]int64{}}
	if file == "" {
		return f, nil
	}
	text, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		return f, nil
	}
	if err != nil {
		return nil, fmt.Errorf("storage: state file: %w", err)
	}
	if _, err := fmt.Sscanf(string(text), stateFormat, &f.system, &f.timeline); err != nil {
		return nil, fmt.Errorf("storage: state file %s is damaged: %w", file, err)
	}
	return f, nil
}

// stateFormat is the one line of the state file.
const stateFormat = "system %s timeline %d\n"

// sessionQuery identifies a server and sets up the session: search path, statement
// timeout, and timeout of idle transactions, the latter two in milliseconds, and no
// just-in-time compilation: compiling a statement of ours takes longer than running it.
// The timeline comes from the write-ahead log that it is writing: the control file still
// has the old one for a while after a promotion. A standby writes no log and answers 0. The
// third column shows whether COMMIT waits until the transaction is durable. The fourth
// identifies the run of the server and the database: restoring a backup always changes it.
// The fifth names the session (pooler.go).
const sessionQuery = `select system_identifier::text,
	case when pg_is_in_recovery() then 0
	else ('x' || left(pg_walfile_name(pg_current_wal_lsn()), 8))::bit(32)::bigint end,
	current_setting('synchronous_commit'),
	pg_postmaster_start_time()::text || ' ' || (select oid from pg_database where datname = current_database())::text,
	` + sessionName + `,
	set_config('search_path', '%s', false), set_config('statement_timeout', '%d', false), set_config('idle_in_transaction_session_timeout', '%d', false) || set_config('jit', 'off', false)
from pg_control_system()`

// check identifies the server behind a new connection and decides whether to use it. It
// refuses synchronous_commit off and local, with which an acknowledged write can be
// lost. session is sessionQuery with its values.
func (f *fence) check(ctx context.Context, c *conn, session string) error {
	rows, err := c.QueryContext(ctx, session, nil)
	if err != nil {
		return err
	}
	defer rows.Close()
	row := make([]driver.Value, 8)
	if err := rows.Next(row); err != nil {
		return err
	}
	if err := rows.Next(make([]driver.Value, 8)); err != io.EOF {
		return fmt.Errorf("storage: more than one answer to who the server is: %v", err)
	}
	system, ok1 := row[0].(string)
	timeline, ok2 := row[1].(int64)
	commit, ok3 := row[2].(string)
	instance, ok4 := row[3].(string)
	if !ok1 || !ok2 || !ok3 || !ok4 {
		return fmt.Errorf("storage: cannot read who the server is from %T, %T, %T and %T", row[0], row[1], row[2], row[3])
	}
	if commit == "off" || commit == "local" {
		return fmt.Errorf("%w: synchronous_commit is %s, so that acknowledged writes could be lost; set it to on", ErrUnavailable, commit)
	}
	if err := f.admit(system, timeline, c.link); err != nil {
		return err
	}
	if err := c.enter(row[4]); err != nil {
		return err
	}
	f.meet(fmt.Sprint(system, timeline, instance))
	return nil
}

// meet suspends writes if the server, its run or the database is not that of the
// previous connection: it may be a restored backup. See suspension.
func (f *fence) meet(instance string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.instance != "" && f.instance != instance {
		f.suspension.suspend()
	}
	f.instance = instance
}

// admit decides whether to use a server, and remembers a newer one. The state file is
// written before the server is used, so that a crash cannot forget a failover.
func (f *fence) admit(system string, timeline int64, l *link) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case timeline == 0:
		return fmt.Errorf("%w: the server is a standby", ErrUnavailable)
	case f.system != "" && system != f.system:
		return fmt.Errorf("%w: it is database system %s, and the one known here is %s; after a deliberate move, delete the state file",
			ErrFenced, system, f.system)
	case timeline < f.timeline:
		return fmt.Errorf("%w: it is on timeline %d, and timeline %d has been seen; it was replaced and must not be written to",
			ErrFenced, timeline, f.timeline)
	case system == f.system && timeline == f.timeline:
		f.links[l] = timeline
		return nil
	}
	if err := f.save(system, timeline); err != nil {
		return fmt.Errorf("%w: state file: %w", ErrUnavailable, err)
	}
	f.system, f.timeline = system, timeline
	f.links[l] = timeline
	for old, of := range f.links {
		if of < timeline {
			old.Close() // its reader gets an error, and what it has committed is looked up
		}
	}
	return nil
}

// forget ends the watch over a connection that is closed.
func (f *fence) forget(l *link) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.links, l)
}

// save replaces the state file atomically: after a crash it has the old content or the
// new.
func (f *fence) save(system string, timeline int64) error {
	if f.file == "" {
		return nil
	}
	fresh, err := os.CreateTemp(filepath.Dir(f.file), filepath.Base(f.file)+".*")
	if err != nil {
		return err
	}
	defer os.Remove(fresh.Name()) // gone already when all went well
	_, err = fmt.Fprintf(fresh, stateFormat, system, timeline)
	if err = errors.Join(err, fresh.Sync(), fresh.Close()); err != nil {
		return err
	}
	return os.Rename(fresh.Name(), f.file)
}
