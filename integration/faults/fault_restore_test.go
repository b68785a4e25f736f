package faults

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	pb "alkalog/proto/alkalogv1"
)

// archiving makes a database that archives its write-ahead log, with a base backup.
func archiving(w *world) {
	w.archive()
	w.addServers(2, serverConfig{})
}

// archive starts the database of archiving.
func (w *world) archive() {
	for _, dir := range []string{w.archived(), w.backups()} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			w.t.Fatal(err)
		}
		if err := ownByPostgres(dir); err != nil {
			w.t.Fatal(err)
		}
	}
	w.nodes = []*postgres{startPostgres(w.t, "archive_mode=on", "archive_command=test ! -f "+w.archived()+"/%f && cp %p "+w.archived()+"/%f")}
	w.pg().backup(filepath.Join(w.backups(), "base"))
}

// archived and backups are the directories of the archive and of the base backup.
func (w *world) archived() string { return filepath.Join(w.dir, "archive") }
func (w *world) backups() string  { return filepath.Join(w.dir, "backups") }

// restoreBackup puts the database back from its base backup and all of its
// write-ahead log, the part included that had not been archived: nothing is lost.
// Then, beside the clients, it restores another database to the past, which the
// servers must notice.
func restoreBackup(w *world) {
	w.pause(500*time.Millisecond, time.Second)
	w.pg().kill()
	w.restoreTo("")
	w.recovered(soonestAfterFailover)
	past := &world{t: w.t, random: w.random, dir: testDir(w.t), keys: w.keys}
	past.restoreThePast()
	for i, s := range past.servers {
		s.kill()
		past.wire(i).refuse()
	}
	past.pg().kill()
}

// restoreTo puts the base backup in the place of the database, which has ended, and
// replays the log up to a restore point; empty: to its end.
func (w *world) restoreTo(point string) {
	w.t.Helper()
	pg, old := w.pg(), w.pg().data+".old"
	if err := os.RemoveAll(old); err != nil {
		w.t.Fatal(err)
	}
	if err := os.Rename(pg.data, old); err != nil {
		w.t.Fatal(err)
	}
	runTool(w.t, "cp", "-a", filepath.Join(w.backups(), "base"), pg.data)
	settings := "restore_command = 'cp " + w.archived() + "/%f %p'\nrecovery_target_action = 'promote'\n"
	if point != "" {
		settings += "recovery_target_name = '" + point + "'\n"
	} else {
		runTool(w.t, "cp", "-a", "-T", filepath.Join(old, "pg_wal"), filepath.Join(pg.data, "pg_wal"))
	}
	conf, err := os.OpenFile(filepath.Join(pg.data, "postgresql.auto.conf"), os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = conf.WriteString(settings)
		conf.Close()
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(pg.data, "recovery.signal"), nil, 0o644)
	}
	if err != nil {
		w.t.Fatal(err)
	}
	pg.start()
	w.wait("the end of the recovery", func() bool { return pg.number("select pg_is_in_recovery()::int") == 0 })
}

// restoreThePast restores a database, under running servers that are called all the
// time, to a moment after which writes were acknowledged. From then on nothing is
// acknowledged, until an operator accepts the database.
func (w *world) restoreThePast() {
	w.archive()
	w.addServers(2, serverConfig{})
	chain := newChain()
	if err := w.probes[0].send(chain, 10*time.Second); err != nil {
		w.t.Fatal(err)
	}
	w.someSalons(chain.ChainId, 10)
	w.pg().exec("select pg_create_restore_point('past')")
	w.someSalons(chain.ChainId, 10)
	w.logged()
	size := w.pg().number("select size from log_heads where chain = $1", chain.ChainId)
	for _, s := range w.servers {
		w.wait("the server to keep the checkpoint of all that", func() bool { return s.seen(chain.ChainId) >= size })
	}
	w.pg().exec("select pg_switch_wal()")
	w.wait("the log to be archived", func() bool {
		return w.pg().number("select (last_archived_wal >= pg_walfile_name(pg_current_wal_lsn() - 1))::int from pg_stat_archiver") == 1
	})
	w.pg().kill()
	var acknowledged, attempts atomic.Int64
	stop, callers := make(chan struct{}), sync.WaitGroup{}
	for i := range w.probes {
		callers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
					if w.salon(i, chain.ChainId) == nil {
						acknowledged.Add(1)
					}
					attempts.Add(1)
				}
			}
		})
	}
	w.restoreTo("past")
	for i, p := range w.probes {
		w.wait("the servers to find that the database is of the past", func() bool {
			return strings.Contains(p.readiness(w.servers[i].cfg.Metrics), "read_only")
		})
	}
	enough := attempts.Load() + 20
	w.wait("more attempts", func() bool { return attempts.Load() >= enough })
	close(stop)
	callers.Wait()
	if n := acknowledged.Load(); n > 0 {
		w.t.Errorf("%d writes were acknowledged on a database of the past", n)
	}
	if err := w.probes[0].read(chain.ChainId, 5*time.Second); err != nil {
		w.t.Errorf("a read: %v", err)
	}
	ctx, cancel := context.WithTimeout(asOperator(context.Background()), 10*time.Second)
	defer cancel()
	_, err := pb.NewAuditServiceClient(w.probes[0].conn).AcceptRestore(ctx, &pb.AcceptRestoreRequest{
		Name: "chains/" + chain.ChainId, Reason: "restored for a test of the restore", RequestId: uuid.NewString()})
	if err != nil {
		w.t.Errorf("accepting the database: %v", err)
	}
	for i := range w.probes {
		w.wait("writes after that", func() bool { return w.salon(i, chain.ChainId) == nil })
	}
}

// someSalons makes salons of a chain.
func (w *world) someSalons(chain string, n int) {
	w.t.Helper()
	for i := range n {
		if err := w.salon(i%len(w.probes), chain); err != nil {
			w.t.Fatal(err)
		}
	}
}

// salon makes a salon through a server and reports whether that was acknowledged.
func (w *world) salon(server int, chain string) error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	_, err := w.probes[server].directory.CreateSalon(withCaller(ctx, fmt.Sprintf("role=manager name=chains/%s/practitioners/odile", chain)), &pb.CreateSalonRequest{
		Parent: "chains/" + chain, SalonId: "s" + uuid.NewString(), RequestId: uuid.NewString(),
		Salon: &pb.Salon{DisplayName: "Invented", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London"}})
	return err
}
