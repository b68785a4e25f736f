package faults

import (
	"bytes"
	"cmp"
	"errors"
	"os"
	"slices"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// defect is a mistake that somebody could make in the server, planted by build tag and
// named in the environment (storage/planted_on.go).
type defect struct {
	name string
	// finds are the invariants of which at least one must be found broken.
	finds []string
	// weaken takes away the guards of the database that would refuse the defect.
	weaken string
	// often says that it is also looked for in every run and not only at night.
	often bool
	// work is how many changes are made with each server; 0: 250.
	work int
	// crash kills the servers in turn, while the load runs.
	crash bool
}

const (
	// withoutEntryTriggers lets causes be stored without entries and the other way round.
	withoutEntryTriggers = `do $$ declare t record; begin
		for t in select tgname, tgrelid::regclass as of from pg_trigger where tgdeferrable and not tgisinternal loop
			execute format('alter table %s disable trigger %I', t.of, t.tgname);
		end loop; end $$`
	// withoutForce lets the owner of the tables see all rows.
	withoutForce = `do $$ declare t record; begin
		for t in select oid::regclass as name from pg_class where relnamespace = 'alkalog'::regnamespace and relforcerowsecurity loop
			execute format('alter table %s no force row level security', t.name);
		end loop; end $$`
	// withoutLogGuards lets two entries have one place, and a log shrink.
	withoutLogGuards = `do $$ declare t record; begin
		for t in select tgname, tgrelid::regclass as of from pg_trigger where tgrelid::regclass::text like '%log\_%' and not tgisinternal loop
			execute format('alter table %s disable trigger %I', t.of, t.tgname);
		end loop;
		for t in select conname from pg_constraint where conrelid = 'alkalog.log_entries'::regclass and contype in ('p', 'u') loop
			execute format('alter table alkalog.log_entries drop constraint %I', t.conname);
		end loop; end $$`
)

// defects are all that are planted.
var defects = []defect{
	{name: "ack-before-commit", finds: []string{"I1"}, crash: true, often: true},
	{name: "entry-apart", finds: []string{"I3"}, weaken: withoutEntryTriggers, crash: true},
	{name: "entry-dropped", finds: []string{"I3"}, weaken: withoutEntryTriggers, work: 500},
	{name: "dedup-in-memory", finds: []string{"I2"}, often: true},
	{name: "autocommit", finds: []string{"I1", "I3"}, weaken: withoutEntryTriggers, crash: true},
	{name: "no-force", finds: []string{"I10"}, weaken: withoutForce},
	{name: "checkpoint-early", finds: []string{"I5"}, crash: true},
	{name: "no-fencing", finds: []string{"I5"}, weaken: withoutLogGuards},
	{name: "resume-off-by-one", finds: []string{"I8"}},
}

// night reports whether the long tests are asked for.
func night() bool { return os.Getenv("ALKALOG_FAULT_NIGHT") != "" }

// TestPlantedDefects runs servers with one defect each: the checker finds every one.
func TestPlantedDefects(t *testing.T) {
	t.Parallel()
	for _, d := range defects {
		if !d.often && !night() {
			continue
		}
		t.Run(d.name, func(t *testing.T) {
			t.Parallel()
			database := storagetest.NewDatabase(t)
			if d.weaken != "" {
				if _, err := database.SQL(t, "").Exec(d.weaken); err != nil {
					t.Fatal(err)
				}
			}
			c := newCluster(t, database, serverBinary(t, "planted"), 2, "ALKALOG_PLANTED="+d.name)
			begin := time.Now()
			l := newLoad(t, newSeed(t), c.targets())
			l.start()
			for _, s := range c.servers {
				l.until(cmp.Or(d.work, 250))
				if d.crash {
					s.kill()
					s.start(t)
				}
			}
			l.healed()
			d.wantFound(t, check(t, l.finish(), c.place(t)), time.Since(begin))
		})
	}
}

// wantFound checks that a report has found the defect, in time.
func (d defect) wantFound(t *testing.T, r report, after time.Duration) {
	t.Helper()
	found := slices.ContainsFunc(d.finds, func(i string) bool { return slices.Contains(r.invariants(), i) })
	if !found {
		t.Errorf("%s was not found, want one of %v broken: %v", d.name, d.finds, r)
		return
	}
	t.Logf("%s: found in %v, broken are %v: %v", d.name, after.Round(time.Second/10), r.invariants(), r)
}

// TestPlantedCancellableCommit plants a COMMIT that is cancelled when it takes long, and
// then taken for done: what was acknowledged while the synchronous standby was away is
// lost with the primary.
func TestPlantedCancellableCommit(t *testing.T) {
	if !night() {
		return // TestPlantedDefects has some of the others
	}
	t.Parallel()
	primary := startPostgres(t)
	standby := newPostgres(t, testDir(t)+"/data")
	primary.backup(standby.data, "-R")
	standby.start()
	primary.exec("alter system set synchronous_standby_names = '*'", "select pg_reload_conf()")
	c := newCluster(t, storagetest.Database{}, serverBinary(t, "planted"), 0, "ALKALOG_PLANTED=cancellable-commit")
	c.dsn = dsnAt(storage.RoleServer, primary.addr(), standby.addr())
	c.add(t)
	begin := time.Now()
	l := newLoad(t, newSeed(t), c.targets())
	l.start()
	l.until(50)
	standby.kill()
	l.until(50) // which the standby does not have
	primary.kill()
	standby.start()
	promote(t, standby) // its log ends before checkpoints that the server has seen, so nothing more is written
	l.healed()
	at := place{targets: c.targets(), admin: standby.db(), dsn: dsnAt(storage.RoleServer, standby.addr()), keys: c.keys, binary: c.binary, settings: c.settings}
	defect{name: "cancellable-commit", finds: []string{"I1"}}.wantFound(t, check(t, l.finish(), at), time.Since(begin))
}

// promote makes a primary of a standby. A query that asks for it may be cancelled,
// because the standby has changes to catch up with.
func promote(t *testing.T, standby *postgres) {
	t.Helper()
	db := standby.db()
	defer db.Close()
	recovering := true
	var err error
	for deadline := time.Now().Add(time.Minute); recovering; {
		_, refused := db.Exec("select pg_promote(false)") // also when it is done already
		err = errors.Join(refused, db.QueryRow("select pg_is_in_recovery()").Scan(&recovering))
		if time.Now().After(deadline) {
			t.Fatalf("the standby is not promoted: %v", err)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// TestReleasedServerHasNoDefects: a build without the tag does not contain them, and one
// with it does.
func TestReleasedServerHasNoDefects(t *testing.T) {
	t.Parallel()
	for tags, want := range map[string]bool{"": false, "planted": true} {
		program, err := os.ReadFile(serverBinary(t, tags))
		if err != nil {
			t.Fatal(err)
		}
		if got := bytes.Contains(program, []byte("ALKALOG_PLANTED")); got != want {
			t.Errorf("built with tags %q, the server has defects to plant: %t, want %t", tags, got, want)
		}
	}
}
