package integration

import (
	"compress/gzip"
	"io"
	"os"
	"path/filepath"
	"testing"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// A golden database is a database of an earlier revision of this program: its dump and
// its keys, which protect invented people only. Decisions are evidence for years, so
// every later revision must read it, bring it up to the current schema and replay every
// decision in it to the same answer.

// goldenDir holds a directory for each golden database.
const goldenDir = "testdata/golden"

func TestGoldenDatabasesReplayTheSame(t *testing.T) {
	t.Parallel()
	kept, err := os.ReadDir(goldenDir)
	if err != nil || len(kept) == 0 {
		t.Fatalf("no golden databases: %v", err)
	}
	for _, dir := range kept {
		t.Run(dir.Name(), func(t *testing.T) {
			t.Parallel()
			s := restoredGolden(t, filepath.Join(goldenDir, dir.Name()))
			verdicts := s.replayedVerdicts(t)
			for _, v := range []pb.Verdict{
				pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, pb.Verdict_VERDICT_ASK, pb.Verdict_VERDICT_REFER, pb.Verdict_VERDICT_REFUSE,
			} {
				if verdicts[v.String()] == 0 {
					t.Errorf("no decision is %s; a golden database has them all", v)
				}
			}
			s.start(t)
			s.readEverything(t)
		})
	}
}

// replayedVerdicts replays every decision of the database, and counts the stored
// verdicts, whose column is not sealed.
func (s *testServer) replayedVerdicts(t *testing.T) map[string]int {
	t.Helper()
	replayed := 0
	err := serve.Replay(t.Context(), serve.Config{Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys}, func(name string, differences []string) {
		replayed++
		for _, d := range differences {
			t.Errorf("%s: %s", name, d)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := s.sql.Query("select verdict, count(*) from decisions group by verdict")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	verdicts, stored := map[string]int{}, 0
	for rows.Next() {
		var verdict string
		var n int
		if err := rows.Scan(&verdict, &n); err != nil {
			t.Fatal(err)
		}
		verdicts[verdict] = n
		stored += n
	}
	if replayed != stored {
		t.Errorf("%d decisions replayed, %d are stored", replayed, stored)
	}
	return verdicts
}

// readEverything reads the decisions, sessions and record cards of all clients as
// a caller does.
func (s *testServer) readEverything(t *testing.T) {
	t.Helper()
	rows, err := s.sql.Query("select chain, id from clients")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	clients := 0
	for rows.Next() {
		var chain, id string
		if err := rows.Scan(&chain, &id); err != nil {
			t.Fatal(err)
		}
		clients++
		name := "chains/" + chain + "/clients/" + id
		reader := person{"chains/" + chain + "/practitioners/imara", pb.Role_ROLE_SUPERVISOR}
		must(t, reader, s.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: name})
		for _, session := range must(t, reader, s.processing.ListSessions, &pb.ListSessionsRequest{Parent: name}).Sessions {
			must(t, reader, s.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
		}
		must(t, reader, s.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: name})
	}
	if clients == 0 {
		t.Error("there are no clients")
	}
}

// restoredGolden is a database restored from a dump and migrated to the current
// schema, with the keys that belong to it. No server runs on it yet.
func restoredGolden(t *testing.T, dir string) *testServer {
	t.Helper()
	s := &testServer{clock: &clock{now: goldenDay}, database: storagetest.NewUnmigrated(t), keys: t.TempDir()}
	for _, key := range []string{"clients", "log"} {
		line, err := os.ReadFile(filepath.Join(dir, key))
		if err == nil {
			err = os.WriteFile(filepath.Join(s.keys, key), line, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	s.sql = s.database.SQL(t, "")
	restore(t, s, filepath.Join(dir, "database.sql.gz"))
	if err := storage.Migrate(t.Context(), s.database.DSN("")); err != nil {
		t.Fatal(err)
	}
	return s
}

// restore runs a dump in an empty database.
func restore(t *testing.T, s *testServer, file string) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	unpacked, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	dump, err := io.ReadAll(unpacked)
	if err != nil {
		t.Fatal(err)
	}
	pool := s.database.SQL(t, "") // of its own: the dump changes its connection's settings
	if _, err = pool.ExecContext(t.Context(), string(dump)); err != nil {
		t.Fatalf("restoring %s: %v", file, err)
	}
	if err := pool.Close(); err != nil {
		t.Fatal(err)
	}
}
