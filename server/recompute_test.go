package main

import (
	"bufio"
	"database/sql"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestRecomputePassword: a password of the owner's connection string is refused on
// the command line and accepted in the environment, without a warning.
func TestRecomputePassword(t *testing.T) {
	const owner, refused = "host=/nowhere user=alkalog_migrator password=hunter2", "other users can read a password"
	args := []string{"maintain", "recompute-columns", "--database=host=/nowhere", "--keys-dir=" + t.TempDir()}
	code, _, problems := command(t, append(args, "--owner-database="+owner)...)
	if code != 2 || !strings.Contains(problems, refused) || !strings.Contains(problems, "ALKALOG_OWNER_DATABASE") {
		t.Errorf("on the command line: exit code %d: %s", code, problems)
	}
	t.Setenv("ALKALOG_OWNER_DATABASE", owner)
	code, _, problems = command(t, args...)
	if code != 1 || strings.Contains(problems, "password") || strings.Contains(problems, "hunter2") {
		t.Errorf("in the environment: exit code %d: %s", code, problems)
	}
}

// searchColumns reads the search columns that TestRecomputeResumes damages.
func searchColumns(t *testing.T, db *sql.DB) (columns string) {
	t.Helper()
	err := db.QueryRow(`select string_agg(c, E'\n' order by c) from (
		select concat_ws('|', 'decision', id, verdict, coalesce(actor, 'none')) as c from decisions
		union all select concat_ws('|', 'outcome', id, coalesce(session, 'none'), coalesce(bad::text, 'none')) from outcomes
		union all select concat_ws('|', 'session', id, sequence, coalesce(open::text, 'none')) from sessions) all_columns`).Scan(&columns)
	if err != nil {
		t.Fatal(err)
	}
	return columns
}

// insertDecisions stores a chain with a client who has n decisions, a session and an
// outcome.
func insertDecisions(t *testing.T, db *storage.DB, n int) {
	t.Helper()
	const client = "chains/ebb/clients/c1"
	records := []storage.Record{storage.Chains.Insert(&pb.Chain{Name: "chains/ebb"}), storage.Clients.Insert(&pb.Client{Name: client})}
	for i := range n {
		records = append(records, storage.Decisions.Insert(&pb.Decision{Name: fmt.Sprintf("%s/decisions/d%04d", client, i),
			Verdict: pb.Verdict_VERDICT_PROCEED, Actor: "chains/ebb/practitioners/p"}))
	}
	records = append(records, storage.Sessions.Insert(&pb.Session{Name: client + "/sessions/s1", Sequence: 1, Outcome: client + "/outcomes/o1"}),
		storage.Outcomes.Insert(&pb.Outcome{Name: client + "/outcomes/o1", Session: client + "/sessions/s1"}))
	_, err := storage.Write(t.Context(), db, "ebb", &pb.CreateClientRequest{Parent: "chains/ebb", RequestId: "r1"},
		func(*storage.Snapshot) (*pb.Client, storage.Changes, error) {
			return &pb.Client{Name: client}, storage.Changes{Records: records}, nil
		})
	if err != nil {
		t.Fatal(err)
	}
}

// TestRecomputeResumes runs the command against a real database, as an operator does
// with the connection strings of the server and of the migrator. The first run waits
// for a locked table and is killed there; the run that resumes at the position that
// was printed last gives the same columns as before the damage.
func TestRecomputeResumes(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDurable(t)
	super, dir := d.SQL(t, localpg.Superuser), t.TempDir()
	if err := keys.Create(filepath.Join(dir, "clients"), []byte(storagetest.KeyLine+"\n")); err != nil {
		t.Fatal(err)
	}
	const decisions = 600 // two pages
	insertDecisions(t, d.Open(t, storage.Config{}), decisions)
	want := searchColumns(t, super)
	for table, damage := range map[string]string{"decisions": "actor = null", "outcomes": "bad = not bad", "sessions": "sequence = 7"} {
		statement := "update " + table + " set " + damage
		if table != "sessions" {
			statement = "alter table " + table + " disable trigger refuse_change; " + statement + "; alter table " + table + " enable always trigger refuse_change"
		}
		if _, err := super.Exec(statement); err != nil {
			t.Fatal(err)
		}
	}
	args := []string{"maintain", "recompute-columns", "--database=" + d.DSN(storage.RoleServer),
		"--owner-database=" + d.DSN(storage.RoleMigrator), "--keys-dir=" + dir}

	last := interruptedRun(t, super, args, "ebb/decisions/c1/d0599")
	code, out, problems := command(t, append(args, "--resume="+last)...)
	if code != 0 || !strings.HasPrefix(out, "2 records") || strings.Contains(problems, "ebb/decisions/") {
		t.Errorf("the resumed run: exit code %d\n%s\n%s", code, out, problems)
	}
	if got := searchColumns(t, super); got != want {
		t.Errorf("the columns differ from those before the damage:\n%.300s\nwant:\n%.300s", got, want)
	}
	if code, out, problems = command(t, args...); code != 0 || !strings.HasPrefix(out, "0 records") {
		t.Errorf("a further run: exit code %d\n%s\n%s", code, out, problems)
	}
	if code, _, problems = command(t, append(args, "--resume=flow/decisions/c1/d0599")...); code != 1 || !strings.Contains(problems, "flow") {
		t.Errorf("resumed in a chain that does not exist: exit code %d\n%s", code, problems)
	}
}

// interruptedRun runs the command as a process while the outcomes cannot be updated, kills it
// when it has printed a position, and returns that position.
func interruptedRun(t *testing.T, super *sql.DB, args []string, position string) string {
	t.Helper()
	lock, err := super.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer lock.Rollback()
	if _, err := lock.Exec("lock table outcomes in exclusive mode"); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), "ALKALOG_TEST_AS_SERVER=1")
	problems, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	watchdog := time.AfterFunc(patience, func() { cmd.Process.Kill() })
	defer watchdog.Stop()
	var said, last string
	for lines := bufio.NewScanner(problems); last != position && lines.Scan(); {
		last = lines.Text()
		said += last + "\n"
	}
	cmd.Process.Kill()
	cmd.Wait()
	if last != position {
		t.Fatalf("it ended before %s and said:\n%s", position, said)
	}
	var wrong int
	if err := lock.QueryRow("select (select count(*) from decisions where actor is null) + (select count(*) from outcomes where bad)").Scan(&wrong); err != nil || wrong != 1 {
		t.Errorf("after the interrupted run %d rows are wrong, %v; want the outcome only", wrong, err)
	}
	return last
}
