package serve

import (
	"context"
	"database/sql"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// privateServer is the whole server on a database of its own, with metrics.
type privateServer struct {
	database storagetest.Database
	keys     string
	erasures string // the erasure file; empty: none
	server   *Server
	conn     *grpc.ClientConn
	health   healthpb.HealthClient
	log      *logBuffer
}

func newPrivateServer(t *testing.T) *privateServer {
	t.Helper()
	keys := keys.Installation{Dir: t.TempDir(), Clock: time.Now}
	if _, err := keys.Make(nil); err != nil {
		t.Fatal(err)
	}
	s := &privateServer{database: storagetest.NewDatabase(t), keys: keys.Dir}
	s.start(t)
	return s
}

// start starts the server, again after stop.
func (s *privateServer) start(t *testing.T) {
	t.Helper()
	s.log = new(logBuffer)
	server, err := Start(t.Context(), Config{
		Address: "127.0.0.1:0", MetricsAddress: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys, ErasureFile: s.erasures, Development: true,
		Logger: slog.New(slog.NewJSONHandler(s.log, nil)),
		Limits: Limits{Quotas: Quotas{Anonymous: AnonymousQuotas{OpenRate: 1e6, OpenBurst: 1e6, TotalRate: 1e6, TotalBurst: 1e6}}}, // tests ask often
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Stop(context.Background()) })
	s.server, s.conn = server, dial(t, server.Addr())
	s.health = healthpb.NewHealthClient(s.conn)
}

// sql runs a statement as the superuser.
func (s *privateServer) sql(t *testing.T, pool *sql.DB, statement string) {
	t.Helper()
	if _, err := pool.ExecContext(t.Context(), statement); err != nil {
		t.Fatal(err)
	}
}

// is waits until health says so.
func (s *privateServer) is(t *testing.T, service string, want healthpb.HealthCheckResponse_ServingStatus) {
	t.Helper()
	ctx := as(t, "operator")
	until(t, service+" is "+want.String(), func() bool {
		answer, err := s.health.Check(ctx, &healthpb.HealthCheckRequest{Service: service})
		return err == nil && answer.Status == want
	})
}

// metric reads the metrics, and returns the line that begins so.
func (s *privateServer) metric(t *testing.T, begin string) string {
	t.Helper()
	answer, err := http.Get("http://" + s.server.MetricsAddr() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(body)) {
		if strings.HasPrefix(line, begin+" ") {
			return strings.TrimSpace(strings.TrimPrefix(line, begin))
		}
	}
	t.Errorf("there is no metric %s in\n%s", begin, body)
	return ""
}

const (
	well   = healthpb.HealthCheckResponse_SERVING
	unwell = healthpb.HealthCheckResponse_NOT_SERVING
)

// TestReadinessFollowsTheDatabase breaks what a write needs, one after the other.
// The server is alive all the time, and says in its metrics what is wrong.
func TestReadinessFollowsTheDatabase(t *testing.T) {
	t.Parallel()
	s := newPrivateServer(t)
	admin := s.database.SQL(t, "postgres")
	for _, c := range []struct{ cause, damage, mend string }{
		{causeAudit, "revoke insert on audit_entries from alkalog_server", "grant insert on audit_entries to alkalog_server"},
		{causeSchema, "update schema_compatibility set min_server_schema = 9999", "update schema_compatibility set min_server_schema = 18"},
	} {
		s.is(t, ReadinessHealth, well)
		s.sql(t, admin, c.damage)
		s.is(t, ReadinessHealth, unwell)
		s.is(t, "", well)
		s.is(t, LivenessHealth, well)
		if got := s.metric(t, `alkalog_not_ready{cause="`+c.cause+`"}`); got != "1" {
			t.Errorf("the metric says %s of %s", got, c.cause)
		}
		s.sql(t, admin, c.mend)
	}
	s.is(t, ReadinessHealth, well)
	s.sql(t, admin, "alter role alkalog_server in database "+s.database.Name+" set temp_file_limit = 0")
	s.sql(t, admin, "select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and usename = 'alkalog_server'")
	until(t, "the disk is known to refuse", func() bool { return s.server.health.notReady()[causeDisk] })
	s.sql(t, admin, "alter role alkalog_server in database "+s.database.Name+" reset all")
	s.sql(t, admin, "select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and usename = 'alkalog_server'")
	s.is(t, ReadinessHealth, well)
	s.sql(t, admin, "alter database "+s.database.Name+" connection limit 0") // for all but superusers
	s.sql(t, admin, "select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and usename = 'alkalog_server'")
	until(t, "the database is known to be gone", func() bool { return s.server.health.notReady()[causeDatabase] })
	s.is(t, ReadinessHealth, unwell)
	s.is(t, LivenessHealth, well)
	s.sql(t, admin, "alter database "+s.database.Name+" connection limit -1")
	s.is(t, ReadinessHealth, well)
}

// TestReadOnlyIsNotReady: LOG_MISMATCH.
func TestReadOnlyIsNotReady(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	v := newHealthChecker(Config{Logger: slog.New(slog.DiscardHandler)}, db, nil)
	for want, change := range map[healthpb.HealthCheckResponse_ServingStatus]func(){unwell: func() { db.Forbid("a log has shrunk") }, well: db.Permit} {
		change()
		v.check(t.Context())
		answer, err := v.Check(t.Context(), &healthpb.HealthCheckRequest{Service: ReadinessHealth})
		if err != nil || answer.Status != want || v.notReady()[causeReadOnly] != (want == unwell) {
			t.Errorf("want %v: %v, %v", want, answer, err)
		}
	}
}

// TestReadinessFollowsTheClock: a server whose clock is an hour behind.
func TestReadinessFollowsTheClock(t *testing.T) {
	t.Parallel()
	for want, ahead := range map[healthpb.HealthCheckResponse_ServingStatus]time.Duration{well: time.Second, unwell: -time.Hour} {
		_, r := newTwoClocks(ahead)
		r.compare(t.Context())
		v := newHealthChecker(Config{reference: r, Logger: slog.New(slog.DiscardHandler)}, nil, nil)
		v.check(t.Context())
		answer, err := v.Check(t.Context(), &healthpb.HealthCheckRequest{Service: ReadinessHealth})
		if err != nil || answer.Status != want {
			t.Errorf("%v ahead: %v, %v", ahead, answer, err)
		}
	}
}

// TestHealthOfALog: a chain whose log has lost an entry is unwell, for its members
// and operators; the other chain and the server are well; nobody else learns which
// chains there are.
func TestHealthOfALog(t *testing.T) {
	t.Parallel()
	s := newPrivateServer(t)
	makeChains(t, s.conn)
	admin := s.database.SQL(t, "postgres")
	s.is(t, "chains/ebb/log", well)
	until(t, "entries are on the log", func() bool {
		var n int
		return admin.QueryRowContext(t.Context(), "select count(*) from log_entries where chain = 'ebb'").Scan(&n) == nil && n > 1
	})
	s.server.Stop(context.Background())
	s.sql(t, admin, `do $$ declare fired text[]; g text; begin
		select array_agg(format('enable %s trigger %I', case tgenabled when 'A' then 'always' else '' end, tgname)) into fired
			from pg_trigger where tgrelid = 'audit_entries'::regclass and not tgisinternal;
		alter table audit_entries disable trigger user;
		delete from audit_entries where chain = 'ebb' and id = (select id from log_entries where chain = 'ebb' and place = 1);
		foreach g in array fired loop execute 'alter table audit_entries ' || g; end loop;
	end $$`)
	s.start(t)
	s.is(t, "chains/ebb/log", unwell)
	s.is(t, "chains/ebb", unwell)
	s.is(t, "chains/flow/log", well)
	s.is(t, "chains/flow", well)
	s.is(t, ReadinessHealth, well)
	if missing, unsound := s.metric(t, "alkalog_log_places_missing"), s.metric(t, "alkalog_logs_unsound"); missing != "1" || unsound != "1" {
		t.Errorf("the metrics say %s places missing, %s logs unsound", missing, unsound)
	}
	if answer, err := s.health.Check(manager(t, "ebb"), &healthpb.HealthCheckRequest{Service: "chains/ebb/log"}); err != nil || answer.Status != unwell {
		t.Errorf("a member: %v, %v", answer, err)
	}
	for who, ctx := range map[string]context.Context{"a stranger": t.Context(), "another chain's manager": manager(t, "flow")} {
		for _, name := range []string{"chains/ebb/log", "chains/ebb", "chains/nowhere/log"} {
			_, err := s.health.Check(ctx, &healthpb.HealthCheckRequest{Service: name})
			wantError(t, err, codes.NotFound, "", "unknown service")
		}
		watch, err := s.health.Watch(ctx, &healthpb.HealthCheckRequest{Service: "chains/ebb/log"})
		if err != nil {
			t.Fatal(err)
		}
		wantHealth(t, watch, healthpb.HealthCheckResponse_SERVICE_UNKNOWN)
		list, err := s.health.List(ctx, &healthpb.HealthListRequest{})
		if err != nil || len(list.Statuses) == 0 || strings.Contains(list.String(), "chains/") {
			t.Errorf("%s lists %v, %v", who, list, err)
		}
	}
}

// TestMetricsOfTheServer: calls, errors by reason and latency are counted, and
// nothing that a caller has sent is in them.
func TestMetricsOfTheServer(t *testing.T) {
	t.Parallel()
	s := newPrivateServer(t)
	directory := makeChains(t, s.conn)
	_, err := directory.GetSalon(manager(t, "ebb"), &pb.GetSalonRequest{Name: "chains/ebb/salons/" + "nowhere-555"})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
	anonymous := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Development role=nobody name="+canary)
	if _, err := directory.GetSalon(anonymous, &pb.GetSalonRequest{Name: "chains/ebb/salons/north"}); err == nil {
		t.Error("a stranger is answered")
	}
	method := `{code="NotFound",method="/alkalog.v1.DirectoryService/GetSalon",reason="NOT_FOUND"}`
	until(t, "the call is counted", func() bool { return s.metric(t, "alkalog_calls_total"+method) == "1" })
	until(t, "the denial is counted", func() bool { return s.metric(t, "alkalog_denials_total") == "1" })
	for _, name := range []string{"alkalog_handshakes_denied_total", "alkalog_calls_shed_total", "alkalog_logs_halted", "alkalog_log_columns_mismatched",
		"alkalog_log_lag_seconds", "alkalog_log_entries_pending", "alkalog_write_conflicts_total", "alkalog_pool_connections_busy",
		"alkalog_clock_offset_seconds", "alkalog_client_keys_unreadable", "go_memstats_heap_alloc_bytes"} {
		s.metric(t, name)
	}
	answer, err := http.Get("http://" + s.server.MetricsAddr() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	for _, personal := range []string{"ebb", "odile", "nowhere", "Canary", "north"} {
		if strings.Contains(string(body), personal) {
			t.Errorf("the metrics hold %q", personal)
		}
	}
}

// TestMetricsOutsideAreRefused: they are served without authentication.
func TestMetricsOutsideAreRefused(t *testing.T) {
	t.Parallel()
	for _, address := range []string{"0.0.0.0:9420", ":9420", "192.0.2.1:9420", "metrics.example.org:9420"} {
		err := Config{DataDir: "none", Development: true, MetricsAddress: address}.Check()
		if err == nil || !strings.Contains(err.Error(), "loopback") {
			t.Errorf("%s: %v", address, err)
		}
	}
}

// TestADamagedKeyConcernsItsClient copies one client's key over another's: calls
// about that client are answered DATA_LOSS, its chain is unwell, and the server
// starts and serves everybody else.
func TestADamagedKeyConcernsItsClient(t *testing.T) {
	t.Parallel()
	s := newPrivateServer(t)
	makeChains(t, s.conn)
	create := func(chain string) string {
		answer, err := pb.NewConsultationServiceClient(s.conn).CreateClient(manager(t, chain), &pb.CreateClientRequest{
			Parent: "chains/" + chain, RequestId: uuid.NewString(), Client: &pb.Client{DisplayName: "Invented Person"}})
		return found(t, answer, err).Client.Name
	}
	first, second, other := create("ebb"), create("ebb"), create("flow")
	s.server.Stop(context.Background())
	admin := s.database.SQL(t, "postgres")
	s.sql(t, admin, `update client_keys k set wrapped = o.wrapped from client_keys o
		where k.client = '`+idOf(first)+`' and o.client = '`+idOf(second)+`'`)
	s.start(t)
	get := func(name string) error {
		_, err := pb.NewConsultationServiceClient(s.conn).GetClient(manager(t, strings.Split(name, "/")[1]), &pb.GetClientRequest{Name: name})
		return err
	}
	wantError(t, get(first), codes.DataLoss, "RECORD_UNREADABLE")
	for _, name := range []string{second, other} {
		if err := get(name); err != nil {
			t.Errorf("another client: %v", err)
		}
	}
	s.is(t, "chains/ebb", unwell)
	s.is(t, "chains/ebb/log", well)
	s.is(t, "chains/flow", well)
	s.is(t, ReadinessHealth, well)
	until(t, "the metric says so", func() bool { return s.metric(t, "alkalog_client_keys_unreadable") == "1" })
}

// idOf is the last part of a resource name.
func idOf(name string) string { return name[strings.LastIndex(name, "/")+1:] }
