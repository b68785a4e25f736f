package integration

import (
	"bytes"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// The promise: an erasure is final, even if a superuser of the database restores the
// key of an erased client or the file of erasures is emptied.

// erasedSite is a site whose server keeps a file of erasures, with its log, and
// with the keys of clients kept aside by a superuser.
type erasedSite struct {
	*testServer
	file string
	said *logCapture
}

func newErasedSite(t *testing.T) *erasedSite {
	t.Helper()
	e := &erasedSite{file: filepath.Join(t.TempDir(), "erased"), said: &logCapture{}}
	e.testServer = &testServer{clock: &clock{now: time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)}, database: storagetest.NewDatabase(t), keys: newKeys(t),
		logger: slog.New(slog.NewJSONHandler(e.said, nil))}
	e.configure = func(cfg *serve.Config) { cfg.ErasureFile = e.file }
	e.sql = e.database.SQL(t, localpg.Superuser)
	e.start(t)
	return e
}

// another starts one more server on the database, with a file of its own.
func (e *erasedSite) another(t *testing.T, file string) *chain {
	t.Helper()
	twin := &testServer{clock: e.clock, database: e.database, sql: e.sql, keys: e.keys, configure: func(cfg *serve.Config) { cfg.ErasureFile = file }}
	twin.start(t)
	return twin.describeChain("ebb-and-flow")
}

func (e *erasedSite) exec(t *testing.T, statement string) {
	t.Helper()
	if _, err := e.sql.ExecContext(t.Context(), statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

func (e *erasedSite) count(t *testing.T, from string) (n int) {
	t.Helper()
	if err := e.sql.QueryRowContext(t.Context(), "select count(*) from "+from).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

const (
	keepKeys    = "create table public.kept_keys as select * from alkalog.client_keys"
	putKeysBack = "insert into alkalog.client_keys select * from public.kept_keys on conflict do nothing"
)

// TestErasureIsFinal puts keys back while servers run, before one starts, and with
// the file of erasures emptied or taken away.
func TestErasureIsFinal(t *testing.T) {
	t.Parallel()
	e := newErasedSite(t)
	c := e.newChain(t, "ebb-and-flow")
	other := e.another(t, "") // learns from the log alone
	session := c.session(t)
	client, kept := parent(session.Name), c.client(t)
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	e.exec(t, keepKeys)
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()})
	if text, err := os.ReadFile(e.file); err != nil || strings.TrimSpace(string(text)) != client {
		t.Fatalf("the file says %q, %v", text, err)
	}
	gone := func(when string, c *chain) {
		t.Helper()
		wantError(t, when+": the client", mustFail(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: client}), codes.NotFound, "NOT_FOUND")
		wantError(t, when+": the session", mustFail(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name}), codes.NotFound, "NOT_FOUND")
		if all := c.clients(t); len(all) != 1 || all[0].Name != kept {
			t.Errorf("%s: clients are %v", when, all)
		}
	}
	// While serving: by the server that erased, before it has looked around itself.
	e.exec(t, putKeysBack)
	gone("put back", c)
	eventually(t, "the key to be destroyed again", func() bool { return e.count(t, "client_keys") == 1 })
	eventually(t, "the restored key to be reported", func() bool {
		said := e.said.String()
		return strings.Contains(said, "keys of erased clients are in the database again") && strings.Contains(said, client)
	})
	if found := c.entries(t, `kind = "ERASURE"`); len(found) < 2 || found[1].ReasonCode != "RESTORED_BACKUP" || found[1].Client != client {
		t.Errorf("on the log: %v", found)
	}
	// A server that was told by the log alone, when it is the only one.
	e.stop()
	e.exec(t, putKeysBack)
	eventually(t, "the other server to know", func() bool {
		_, err := other.consultation.GetClient(other.amara.calling(t), &pb.GetClientRequest{Name: client})
		return err != nil
	})
	gone("put back, at another server", other)
	eventually(t, "the key to be destroyed again", func() bool { return e.count(t, "client_keys") == 1 })

	// Before a server starts: its file is gone, empty, or there is none.
	for name, file := range map[string]string{"none": "", "a missing one": filepath.Join(t.TempDir(), "erased"), "an emptied one": e.file} {
		if err := os.WriteFile(e.file, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		e.exec(t, putKeysBack)
		gone("a server that starts with "+name, e.another(t, file))
		if e.count(t, "client_keys") != 1 {
			t.Errorf("with %s the key is left", name)
		}
		if text, err := os.ReadFile(file); file != "" && (err != nil || !bytes.Contains(text, []byte(client+"\n"))) {
			t.Errorf("%s holds %q, %v", name, text, err)
		}
	}
}

// TestOldWrappingKeysAreDestroyed: after the drop nothing that was wrapped before
// can be opened with what is left in the key file.
func TestOldWrappingKeysAreDestroyed(t *testing.T) {
	t.Parallel()
	e := newErasedSite(t)
	c := e.newChain(t, "ebb-and-flow")
	client, erased := c.client(t), c.client(t)
	e.exec(t, keepKeys)
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: erased, RequestId: newID()})
	in := keys.Installation{Dir: e.keys, Clock: time.Now}
	if err := in.RotateClients(); err != nil {
		t.Fatal(err)
	}
	cfg := serve.Config{Database: e.database.DSN(storage.RoleServer), KeysDir: e.keys, ErasureFile: e.file}
	if _, err := serve.RewrapClients(t.Context(), cfg); err == nil || !strings.Contains(err.Error(), "stop every server") {
		t.Errorf("while a server runs: %v", err)
	}
	e.stop()
	e.exec(t, putKeysBack) // also that of the erased client
	var err error
	eventually(t, "the connections of the server to end", func() bool {
		_, err = serve.RewrapClients(t.Context(), cfg)
		return err == nil || !strings.Contains(err.Error(), "stop every server")
	})
	if err = errors.Join(err, in.DropClients()); err != nil {
		t.Fatal(err)
	}
	lines, err := keys.Lines(in.Path("clients"))
	if err != nil || len(lines) != 1 || e.count(t, "client_keys") != 1 || e.count(t, "client_keys where version = '"+strings.Fields(lines[0])[1]+"'") != 1 {
		t.Errorf("%d lines are left, %d keys, %v", len(lines), e.count(t, "client_keys"), err)
	}
	again := e.another(t, e.file)
	must(t, again.amara, again.consultation.GetClient, &pb.GetClientRequest{Name: client})
	e.exec(t, "delete from alkalog.client_keys; "+putKeysBack)
	if _, err := again.consultation.GetClient(again.amara.calling(t), &pb.GetClientRequest{Name: client}); err == nil {
		t.Error("a key that was wrapped with the dropped key still opens")
	}
}

// TestErasureIsReadFromTheEntry: somebody edits the columns of the entry of an
// erasure, puts the key back and empties the file. The client stays erased, and the
// verification says what was edited.
func TestErasureIsReadFromTheEntry(t *testing.T) {
	t.Parallel()
	for column, edit := range map[string]string{"client": "client = null", "kind": "kind = 'ENTRY_KIND_DEVIATION'"} {
		e := newErasedSite(t)
		c := e.newChain(t, "ebb-and-flow")
		client := c.client(t)
		e.exec(t, keepKeys)
		must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()})
		e.waitLogged(t)
		e.stop()
		damage(t, e.testServer, "audit_entries", "update audit_entries set "+edit+" where kind = 'ENTRY_KIND_ERASURE'")
		if got := e.faults(t); strings.Contains(got, "no entry says that the client was erased") || !strings.Contains(got, "search columns were changed") {
			t.Errorf("%s: found is %s", column, got)
		}
		e.exec(t, putKeysBack)
		if got := e.faults(t); !strings.Contains(got, "the client was erased and has a key again") {
			t.Errorf("%s: the key is back, and found is %s", column, got)
		}
		if err := os.WriteFile(e.file, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		again := e.another(t, e.file)
		wantError(t, column, mustFail(t, again.amara, again.consultation.GetClient, &pb.GetClientRequest{Name: client}), codes.NotFound, "NOT_FOUND")
		if n := e.count(t, "client_keys"); n != 0 {
			t.Errorf("%s: %d keys are left", column, n)
		}
	}
}
