package integration

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/keyring"
	"alkalog/storage/storagetest"
)

// waitTimeout is how long a test waits for what must happen. It is long, because
// it passes only when something is wrong.
const waitTimeout = 60 * time.Second

// clock is the salon's clock. It stands still until a test moves it.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

// Now is the time in the salon.
func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// advance moves the clock forward and returns the new time.
func (c *clock) advance(d time.Duration) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
	return c.now
}

// timestamp is the time in the salon as a message.
func (c *clock) timestamp() *timestamppb.Timestamp { return timestamppb.New(c.Now()) }

// stubs are the services as a caller sees them.
type stubs struct {
	conn         *grpc.ClientConn
	directory    pb.DirectoryServiceClient
	catalog      pb.CatalogServiceClient
	consultation pb.ConsultationServiceClient
	eligibility  pb.EligibilityServiceClient
	processing   pb.ProcessingServiceClient
	outcome      pb.OutcomeServiceClient
	imports      pb.ImportServiceClient
	incident     pb.IncidentServiceClient
	audit        pb.AuditServiceClient
	training     pb.TrainingServiceClient
}

// dial connects to a server.
func dial(t testing.TB, addr string) stubs {
	t.Helper()
	conn, err := grpc.NewClient(addr, append(checkingErrors(t), grpc.WithTransportCredentials(insecure.NewCredentials()))...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return newStubs(conn)
}

// newStubs are the services over a connection.
func newStubs(conn *grpc.ClientConn) stubs {
	return stubs{
		conn, pb.NewDirectoryServiceClient(conn), pb.NewCatalogServiceClient(conn), pb.NewConsultationServiceClient(conn),
		pb.NewEligibilityServiceClient(conn), pb.NewProcessingServiceClient(conn), pb.NewOutcomeServiceClient(conn), pb.NewImportServiceClient(conn),
		pb.NewIncidentServiceClient(conn), pb.NewAuditServiceClient(conn), pb.NewTrainingServiceClient(conn),
	}
}

// testServer is a server in this process and a connection to it.
type testServer struct {
	stubs
	clock       *clock
	database    storagetest.Database
	sql         *sql.DB       // the same database, to look at
	keys        string        // the directory of the keys of its servers
	stop        func()        // ends its server
	coverEvery  time.Duration // how often its servers cover records; 0: not within a test
	checkpoints string        // the file of checkpoints of its server; empty: none
	logger      *slog.Logger
	address     string              // of its server
	web         string              // address of its web door; empty: none
	metrics     string              // address of its server's metrics; empty: not served
	configure   func(*serve.Config) // changes the configuration of its server; nil: nothing
}

// newTestServer starts a server on a database of the test's own.
func newTestServer(t testing.TB) *testServer { return newCoveringServer(t, 0) }

// newCoveringServer is newSite with a server that covers records every so often.
func newCoveringServer(t testing.TB, every time.Duration) *testServer {
	t.Helper()
	s := &testServer{
		coverEvery: every,
		clock:      &clock{now: time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)},
		database:   storagetest.NewDatabase(t),
		keys:       newKeys(t),
	}
	s.sql = s.database.SQL(t, "")
	s.start(t)
	return s
}

// newKeys makes the keys of a server, as "alkalog keys" does.
func newKeys(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	for name, fresh := range map[string]func([]string) (string, error){"log": keys.NewLogKey, "clients": keyring.NewKey} {
		line, err := fresh(nil)
		if err == nil {
			err = keys.Create(filepath.Join(dir, name), []byte(line+"\n"))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// waitLogged waits until what is committed is on the logs.
func (s *testServer) waitLogged(t testing.TB) {
	t.Helper()
	eventually(t, "the entries to be on their logs", func() bool {
		var waiting int
		err := s.sql.QueryRowContext(t.Context(), `select count(*) from audit_entries e
			where not exists (select from log_entries l where l.chain = e.chain and l.id = e.id)`).Scan(&waiting)
		if err != nil {
			t.Fatal(err)
		}
		return waiting == 0
	})
}

// eventually waits for a condition; a minute without it is a failure.
func eventually(t testing.TB, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(waitTimeout)
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// startSecondServer starts one more server on the same database, by the same clock.
func (s *testServer) startSecondServer(t testing.TB) *testServer {
	t.Helper()
	twin := &testServer{clock: s.clock, database: s.database, sql: s.sql, keys: s.keys}
	twin.start(t)
	return twin
}

func (s *testServer) start(t testing.TB) {
	t.Helper()
	cfg := serve.Config{
		Address: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys, CheckpointFile: s.checkpoints, Clock: s.clock.Now, Logger: s.logger, Development: true,
		CoverageInterval: cmp.Or(s.coverEvery, time.Hour), // a test that counts entries has none of coverage in between
		Limits:           serve.Limits{HeartbeatInterval: 20 * time.Millisecond, Quotas: unlimitedQuotas()},
	}
	compiled, err := sharedCompiled()
	if err != nil {
		t.Fatal(err)
	}
	cfg.Compiled = compiled
	if s.configure != nil {
		s.configure(&cfg)
	}
	server, err := serve.Start(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	s.stop = sync.OnceFunc(func() {
		server.Stop(context.Background())
		if err := server.Wait(); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(s.stop)
	s.address, s.web, s.metrics = server.Addr(), server.WebAddr(), server.MetricsAddr()
	s.stubs = dial(t, s.address)
}

// sharedCompiled compiles the rules and the checks of requests once for the servers
// of all tests. Compiling them for each server took a quarter of the CPU time.
var sharedCompiled = sync.OnceValues(serve.Compile)

// unlimitedQuotas are quotas that no test reaches.
func unlimitedQuotas() serve.Quotas {
	const much = 1 << 30
	return serve.Quotas{CallerRate: much, CallerBurst: much, ChainRate: much, ChainBurst: much,
		CallerCalls: much, CallerStreams: much, ChainWorkers: 8,
		Anonymous: serve.AnonymousQuotas{FailedRate: much, FailedBurst: much, OpenRate: much, OpenBurst: much,
			TotalRate: much, TotalBurst: much, Calls: much, TotalCalls: much}}
}

// tableDigests is what every table holds: the number of its rows and a digest. The
// tables of the log and of its figures are left out; they follow the entries by
// themselves. So are entries of denials: that they are made is no change by the
// call.
func (s *testServer) tableDigests(t testing.TB) map[string]string {
	t.Helper()
	rows, err := s.sql.Query("select tablename from pg_tables where schemaname = 'alkalog' and tablename <> 'goose_db_version' and tablename not like 'log_%' and tablename not like 'tally_%'")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	held := map[string]string{}
	for rows.Next() {
		var table, digest string
		if err := rows.Scan(&table); err != nil {
			t.Fatal(err)
		}
		query := fmt.Sprintf(`select count(*) || ' rows ' || coalesce(md5(string_agg(r::text, ' ' order by r::text)), '') from %s r
			where coalesce(to_jsonb(r)->>'kind', '') not in ('ENTRY_KIND_ACCESS_DENIED', 'ENTRY_KIND_COVERAGE', 'ENTRY_KIND_BASELINE') and coalesce(to_jsonb(r)->>'reason', '') <> 'REPEATED_DENIALS'`, table)
		if err := s.sql.QueryRow(query).Scan(&digest); err != nil {
			t.Fatal(err)
		}
		held[table] = digest
	}
	return held
}

// wantSame checks that nothing was written between two looks at the tables.
func wantSame(t testing.TB, before, after map[string]string) {
	t.Helper()
	for table, was := range before {
		if after[table] != was {
			t.Errorf("table %s was changed: %s, then %s", table, was, after[table])
		}
	}
}

// person is somebody who calls.
type person struct {
	name string
	role pb.Role
}

// calling is the context of a call by a person.
func (p person) calling(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), waitTimeout)
	t.Cleanup(cancel)
	return p.identify(ctx)
}

// identify adds to a context who calls.
func (p person) identify(ctx context.Context) context.Context {
	role := strings.ToLower(strings.TrimPrefix(p.role.String(), "ROLE_"))
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Development role="+role+" name="+p.name,
		"alkalog-till", "front desk 1")
}

// must makes a call that must be answered.
func must[Q, A proto.Message](t testing.TB, who person, method func(context.Context, Q, ...grpc.CallOption) (A, error), req Q) A {
	t.Helper()
	answer, err := method(who.calling(t), req)
	if err != nil {
		t.Fatalf("%T by %s: %v", req, who.name, err)
	}
	return answer
}

// mustFail makes a call that must end in an error, and returns that.
func mustFail[Q, A proto.Message](t testing.TB, who person, method func(context.Context, Q, ...grpc.CallOption) (A, error), req Q) error {
	t.Helper()
	answer, err := method(who.calling(t), req)
	if err == nil {
		t.Fatalf("%T by %s was answered: %v", req, who.name, answer)
	}
	return err
}

// ask makes a call of any RPC; of a stream it takes the first message, or an
// empty one when the stream ends.
func (s stubs) ask(t testing.TB, who person, r rpc, req any, opts ...grpc.CallOption) (proto.Message, error) {
	return s.askIn(who.identify(context.Background()), r, req, opts...)
}

// askIn is ask with the caller that the context identifies.
func (s stubs) askIn(ctx context.Context, r rpc, req any, opts ...grpc.CallOption) (proto.Message, error) {
	ctx, cancel := context.WithTimeout(ctx, waitTimeout)
	defer cancel()
	answer := r.answer()
	if !r.IsStreamingServer() {
		return answer, s.conn.Invoke(ctx, r.path(), req, answer, opts...)
	}
	stream, err := s.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, r.path(), opts...)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(stream.SendMsg(req), stream.CloseSend()); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if err = stream.RecvMsg(answer); errors.Is(err, io.EOF) {
		return r.answer(), nil
	}
	return answer, err
}

// wantError checks an error's code, and that it says why to programs.
func wantError(t testing.TB, what string, err error, code codes.Code, reason string) {
	t.Helper()
	if got := status.Code(err); got != code || reasonOf(err) != reason {
		t.Errorf("%s: %v %s (%v), want %v %s", what, got, reasonOf(err), err, code, reason)
	}
}

// reasonOf is the machine-readable reason of an error.
func reasonOf(err error) string {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.Domain == "alkalog" {
			return info.Reason
		}
	}
	return ""
}

// violationsOf is what an error says of each field.
func violationsOf(err error) map[string]string {
	said := map[string]string{}
	for _, detail := range status.Convert(err).Details() {
		bad, _ := detail.(*errdetails.BadRequest)
		for _, v := range bad.GetFieldViolations() {
			said[v.Field] = v.Description
		}
	}
	return said
}
