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

// fence remembers the newest server it has seen. After a failover the timeline
// rises; a server on a lower one was replaced, and whatever it acknowledges
// would be lost. Another system identifier is another database altogether.
type fence struct {
	file     string
	mu       sync.Mutex
	system   string
	timeline int64
	instance string // of the server and the database that was connected to last

	suspension suspension
}

// newFence reads what an earlier run of the program has seen.
func newFence(file string) (*fence, error) {
	f := &fence{file: file}
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

// whoQuery asks a server who it is. The timeline is taken from the log it is
// writing now: the control file still shows the old one for a while after a
// promotion. A standby is on no timeline of its own, so it answers 0. Last are
// whether COMMIT waits until what it did is safe, and which run of which database it
// is: a backup can only be put back under another one.
const whoQuery = `select system_identifier::text,
	case when pg_is_in_recovery() then 0
	else ('x' || left(pg_walfile_name(pg_current_wal_lsn()), 8))::bit(32)::bigint end,
	current_setting('synchronous_commit'),
	pg_postmaster_start_time()::text || ' ' || (select oid from pg_database where datname = current_database())::text
from pg_control_system()`

// check asks the server behind a new connection who it is.
func (f *fence) check(ctx context.Context, c *conn) error {
	rows, err := c.QueryContext(ctx, whoQuery, nil)
	if err != nil {
		return err
	}
	defer rows.Close()
	row := make([]driver.Value, 4)
	if err := rows.Next(row); err != nil {
		return err
	}
	if err := rows.Next(make([]driver.Value, 4)); err != io.EOF {
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
	if err := f.admit(system, timeline); err != nil {
		return err
	}
	f.meet(fmt.Sprint(system, timeline, instance))
	return nil
}

// meet holds writes back when another server, another run of it or another database
// has been connected to than before.
func (f *fence) meet(instance string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.instance != "" && f.instance != instance {
		f.suspension.suspend()
	}
	f.instance = instance
}

// admit decides whether to talk to a server, and remembers a newer one.
func (f *fence) admit(system string, timeline int64) error {
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
		return nil
	}
	if err := f.save(system, timeline); err != nil {
		return fmt.Errorf("%w: state file: %w", ErrUnavailable, err)
	}
	f.system, f.timeline = system, timeline
	return nil
}

// save writes the state file so that a crash leaves the old one or the new.
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
