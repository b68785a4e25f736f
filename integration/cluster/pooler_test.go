package cluster

import (
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"alkalog/storage"
)

// TestPgBouncer runs two servers behind PgBouncer in session mode, with the settings that
// TOPOLOGIES.md gives, and restarts it under load.
func TestPgBouncer(t *testing.T) {
	b := newBouncer(t)
	pooler := b.start(t, "session")
	for _, name := range []string{"server1", "server2"} {
		v := b.newServer(t, name, b.pooled)
		v.start(t, alkalog(t))
		b.servers = append(b.servers, v)
	}
	conn := dial(t, routing, b.servers...)
	prepare(t, conn, practitioners)
	load := startLoad(conn, practitioners)
	t.Cleanup(load.stop)
	load.waitAcknowledged(t, 40)
	pooler.kill()
	b.start(t, "session")
	load.waitAcknowledged(t, 40)
	load.finish(t)
	load.wantKept(t, b.sql(t))
	b.wantSound(t)
}

// TestPgBouncerInOtherModes: where connections share sessions, the server does not start,
// and check-config finds it too; both say what to do.
func TestPgBouncerInOtherModes(t *testing.T) {
	b := newBouncer(t)
	for _, mode := range []string{"transaction", "statement"} {
		pooler := b.start(t, mode)
		v := b.newServer(t, "server-"+mode, b.pooled)
		for range 3 { // also when the pooler holds sessions already
			for _, args := range [][]string{v.args("serve"), append(v.args("check-config"), "--connect")} {
				text, err := b.try(alkalog(t), args...)
				if err == nil || !strings.Contains(text, "use session mode, or connect past the pooler") {
					t.Errorf("%s behind %s mode: %v: %s", args[0], mode, err, text)
				}
			}
		}
		pooler.kill()
	}
}

// bouncer is a PostgreSQL with a database, and a PgBouncer in front of it.
type bouncer struct {
	*site
	servers   []*server
	dir       string
	postgres  string
	listening string
	// pooled is the connection string of the server's role, through the pooler.
	pooled string
}

// newBouncer starts PostgreSQL and makes the database. It skips the test where PgBouncer
// is not installed.
func newBouncer(t *testing.T) *bouncer {
	t.Helper()
	if _, err := exec.LookPath("pgbouncer"); err != nil {
		t.Skip("pgbouncer is not installed: not tested behind it")
	}
	b := &bouncer{dir: sharedDir(t), postgres: startPostgres(t), listening: freeAddress(t)}
	b.site = newSite(t, func(role string) string { return dsn(role, "alkalog", b.postgres) })
	b.pooled = dsn(storage.RoleServer, "alkalog", b.listening)
	b.run(t, alkalog(t), "migrate", "--database", b.dsn("postgres"))
	return b
}

// start starts PgBouncer in a mode.
func (b *bouncer) start(t *testing.T, mode string) *process {
	t.Helper()
	settings := strings.Replace(block(t, "pool_mode = session"), "pool_mode = session", "pool_mode = "+mode, 1)
	write(t, filepath.Join(b.dir, "users"), "")
	write(t, filepath.Join(b.dir, "pgbouncer.ini"), fmt.Sprintf(`[databases]
alkalog = host=127.0.0.1 port=%s
[pgbouncer]
listen_addr = 127.0.0.1
listen_port = %s
unix_socket_dir =
auth_type = trust
auth_file = %s
%s`, port(b.postgres), port(b.listening), filepath.Join(b.dir, "users"), settings))
	write(t, filepath.Join(b.dir, "users"), `"alkalog_server" ""`)
	p := startProcess(t, b.dir, "pgbouncer", syscall.SIGKILL, nil, "pgbouncer", "pgbouncer.ini")
	eventually(t, "pgbouncer to listen", func() bool {
		if !p.running() {
			t.Fatalf("pgbouncer ended: %s", p.said())
		}
		return listens(b.listening)
	})
	return p
}
