package integration

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestTheLogSaysWhy: PostgreSQL reports a full disk. The caller is told to retry; the
// server's log has the word of PostgreSQL.
func TestTheLogSaysWhy(t *testing.T) {
	t.Parallel()
	said := &logBuffer{}
	s := &testServer{clock: &clock{now: time.Now().UTC()}, database: storagetest.NewDatabase(t), keys: newKeys(t),
		configure: func(c *serve.Config) { c.Logger = slog.New(slog.NewJSONHandler(said, nil)) }}
	s.sql = s.database.SQL(t, "")
	s.start(t)
	c := s.newChain(t, "ebb-and-flow")
	super := s.database.SQL(t, localpg.Superuser)
	for _, statement := range []string{
		`create function alkalog.full() returns trigger language plpgsql as $$ begin raise 'could not extend file: No space left on device' using errcode = 'disk_full'; end $$`,
		`create trigger full_disk before insert on alkalog.clients for each row execute function alkalog.full()`,
	} {
		if _, err := super.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	const name = "Nobody who is called this"
	err := mustFail(t, c.amara, c.consultation.CreateClient, &pb.CreateClientRequest{Parent: c.name, Client: &pb.Client{DisplayName: name}, RequestId: newID()})
	wantError(t, "a full disk", err, codes.Unavailable, "DATABASE_UNAVAILABLE")
	if strings.Contains(err.Error(), "space") {
		t.Errorf("the caller is told of the server's disk: %v", err)
	}
	var line string
	for _, l := range strings.Split(said.String(), "\n") {
		if strings.Contains(l, "ConsultationService/CreateClient") && strings.Contains(l, `"level":"WARN"`) {
			line = l
		}
	}
	if !strings.Contains(line, "No space left on device") || strings.Contains(said.String(), name) {
		t.Errorf("the log says %s", line)
	}
}
