package storage_test

import (
	"context"
	"errors"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestProbeNamesWhatKeepsWritesFrom breaks one thing at a time, and mends it.
func TestProbeNamesWhatKeepsWritesFrom(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db := d.Open(t, storage.Config{MaxConns: 2})
	admin := d.SQL(t, localpg.Superuser)
	schema := new(storage.SchemaError)
	for _, c := range []struct {
		what, damage, mend string
		is                 func(error) bool
	}{
		{"insert revoked", "revoke insert on audit_entries from alkalog_server", "grant insert on audit_entries to alkalog_server",
			func(err error) bool { return errors.Is(err, storage.ErrAuditUnavailable) }},
		{"another schema", "update schema_compatibility set min_server_schema = 9999", "update schema_compatibility set min_server_schema = 18",
			func(err error) bool { return errors.As(err, &schema) }},
	} {
		if err := db.Probe(t.Context()); err != nil {
			t.Errorf("before %s: %v", c.what, err)
		}
		if _, err := admin.ExecContext(t.Context(), c.damage); err != nil {
			t.Fatal(err)
		}
		if err := db.Probe(t.Context()); !c.is(err) {
			t.Errorf("%s: %v", c.what, err)
		}
		if _, err := admin.ExecContext(t.Context(), c.mend); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Probe(t.Context()); err != nil {
		t.Errorf("when all is mended: %v", err)
	}
}

// TestProbeFindsARefusingDisk lets PostgreSQL refuse temporary files, as it does
// when there is no space for them.
func TestProbeFindsARefusingDisk(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	if _, err := d.SQL(t, localpg.Superuser).ExecContext(t.Context(), "alter role alkalog_server in database "+d.Name+" set temp_file_limit = 0"); err != nil {
		t.Fatal(err)
	}
	if err := d.Open(t, storage.Config{}).Probe(t.Context()); !errors.Is(err, storage.ErrDisk) {
		t.Errorf("got %v, want ErrDisk", err)
	}
}

// TestNothingIsWrittenWithoutTheAuditLog: with the privilege revoked or the table
// locked no write goes through, also one that makes no entry, and nothing is half
// stored; reads go on, and so do writes when it is mended.
func TestNothingIsWrittenWithoutTheAuditLog(t *testing.T) {
	t.Parallel()
	for what, breakIt := range map[string]func(t *testing.T, d storagetest.Database) (mend func()){
		"revoked": func(t *testing.T, d storagetest.Database) func() {
			admin := d.SQL(t, localpg.Superuser)
			run := func(statement string) {
				if _, err := admin.ExecContext(t.Context(), statement); err != nil {
					t.Fatal(err)
				}
			}
			run("revoke insert on audit_entries from alkalog_server")
			return func() { run("grant insert on audit_entries to alkalog_server") }
		},
		"locked": func(t *testing.T, d storagetest.Database) func() {
			tx, err := d.SQL(t, localpg.Superuser).BeginTx(t.Context(), nil)
			if err == nil {
				_, err = tx.ExecContext(t.Context(), "lock table audit_entries in exclusive mode") // as long maintenance does
			}
			if err != nil {
				t.Fatal(err)
			}
			return func() { tx.Rollback() }
		},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			d := storagetest.NewDatabase(t)
			db := d.Open(t, storage.Config{ReadTimeout: 4 * time.Second, StatementTimeout: time.Second})
			req := salonRequest("harbour")
			write := func() error {
				ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
				defer cancel()
				_, err := storage.Write(ctx, db, chain, req, func(s *storage.Snapshot) (*pb.CreateSalonResponse, storage.Changes, error) {
					answer, changes, err := newSalon(s, req)
					changes.Entries = nil
					return answer, changes, err
				})
				return err
			}
			mend := breakIt(t, d)
			if err := write(); !errors.Is(err, storage.ErrAuditUnavailable) {
				t.Errorf("the write: %v, want ErrAuditUnavailable", err)
			}
			pool := d.SQL(t, localpg.Superuser)
			if got := count(t, pool); got != (counted{}) {
				t.Errorf("rows are %+v, want none", got)
			}
			if err := storage.Read(t.Context(), db, chain, func(s *storage.Snapshot) error {
				_, err := storage.HasEntry(s, "none")
				return err
			}); err != nil {
				t.Errorf("a read: %v", err)
			}
			mend()
			if err := write(); err != nil {
				t.Errorf("when it is mended: %v", err)
			}
		})
	}
}

// TestClosingKnowsNoDeadline: a connection that is in the pool when the deadline
// of its last caller has passed is closed without an error.
func TestClosingKnowsNoDeadline(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	if err := db.Probe(ctx); err != nil {
		t.Fatal(err)
	}
	passed, end := context.WithTimeout(t.Context(), 1600*time.Millisecond) // and the grace after it
	defer end()
	<-passed.Done()
	if err := db.Close(); err != nil {
		t.Errorf("closing: %v", err)
	}
}
