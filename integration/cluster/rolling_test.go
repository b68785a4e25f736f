package cluster

import (
	"testing"

	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestRollingRestart restarts two servers in turn under load: in order, and by force.
func TestRollingRestart(t *testing.T) {
	in := newPair(t, alkalog(t), routing)
	for _, end := range []func(*server){func(v *server) { v.stop(t) }, func(v *server) { v.kill() }} {
		for _, v := range in.servers {
			end(v)
			v.start(t, alkalog(t))
			in.load.waitServedBy(t, v, 20)
		}
	}
	in.finish(t)
}

// pair is two servers on one PostgreSQL, under load.
type pair struct {
	*site
	servers  []*server
	load     *load
	database storagetest.Database
}

// newPair starts two servers of a program on a database that it has migrated.
func newPair(t *testing.T, program, routing string) *pair {
	t.Helper()
	in := &pair{database: storagetest.NewUnmigrated(t)}
	in.site = newSite(t, in.database.DSN)
	in.run(t, program, "migrate", "--database", in.dsn(localpg.Superuser))
	for _, name := range []string{"server1", "server2"} {
		v := in.newServer(t, name, in.database.DSN(storage.RoleServer))
		v.start(t, program)
		in.servers = append(in.servers, v)
	}
	conn := dial(t, routing, in.servers...)
	prepare(t, conn, practitioners)
	in.load = startLoad(conn, practitioners)
	t.Cleanup(in.load.stop)
	in.load.waitAcknowledged(t, 40)
	return in
}

// finish ends the load and checks what became of its calls.
func (in *pair) finish(t *testing.T) {
	t.Helper()
	in.load.finish(t)
	in.load.wantMended(t)
	in.load.wantKept(t, in.database.SQL(t, localpg.Superuser))
	in.wantSound(t)
}
