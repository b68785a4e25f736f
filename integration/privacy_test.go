package integration

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// The promise: what belongs to a client lies nowhere in clear, neither in the
// database and its files nor in what the server says; when the client is erased
// it cannot be read any more, by anybody; and everything else stays as it was.

// wrenWitness is a word that does lie in clear, so that a search is seen to
// find what is there.
const wrenWitness = "Invented Periwinklestone"

// canaryTest is a durable database with a server that writes down all it says.
type canaryTest struct {
	*testServer
	said    *logCapture
	retries []func() error // what was asked about the client, to be asked again
}

// logCapture is what a server has said.
type logCapture struct {
	mu   sync.Mutex
	text bytes.Buffer
}

// Write keeps it.
func (l *logCapture) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

// String is all of it.
func (l *logCapture) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func newCanaryTest(t *testing.T) *canaryTest {
	t.Helper()
	words := &logCapture{}
	b := &canaryTest{said: words, testServer: &testServer{
		clock: &clock{now: time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)}, database: storagetest.NewDurable(t), keys: newKeys(t),
		logger: slog.New(slog.NewJSONHandler(words, &slog.HandlerOptions{Level: slog.LevelDebug}))}}
	b.sql = b.database.SQL(t, localpg.Superuser)
	b.configure = func(cfg *serve.Config) { cfg.MetricsAddress = "127.0.0.1:0" }
	b.start(t)
	return b
}

// sentPayloads makes a call, and remembers to make it again.
func sentPayloads[Q, A proto.Message](t *testing.T, b *canaryTest, who person, call func(Q) (A, error), req Q) A {
	t.Helper()
	answer, err := call(req)
	if err != nil {
		t.Fatalf("%T by %s: %v", req, who.name, err)
	}
	b.retries = append(b.retries, func() error { _, err := call(req); return err })
	return answer
}

// causeErrors makes calls with canaries that fail, and returns what callers are told.
func (b *canaryTest) causeErrors(t *testing.T, c *chain, client string) (reported []string) {
	t.Helper()
	ctx := c.amara.calling(t)
	fail := func(_ any, err error) {
		if err == nil {
			t.Error("a call that must fail did not")
			return
		}
		reported = append(reported, err.Error(), fmt.Sprint(violationsOf(err)))
	}
	named := &pb.Client{Name: client, Etag: "0123", DisplayName: wrenName, Phone: wrenPhone, Email: wrenEmail}
	fail(c.consultation.UpdateClient(ctx, &pb.UpdateClientRequest{Client: named, UpdateMask: updateMask("phone"), RequestId: newID()}))
	fail(c.consultation.UpdateClient(ctx, &pb.UpdateClientRequest{Client: named, UpdateMask: updateMask("nothing"), RequestId: newID()}))
	fail(c.consultation.CreateClient(ctx, &pb.CreateClientRequest{Parent: c.name, Client: named, RequestId: wrenName}))
	fail(c.consultation.CreateClient(ctx, &pb.CreateClientRequest{Parent: c.name, RequestId: newID(), Client: &pb.Client{DisplayName: wrenName + "\x00"}}))
	fail(c.consultation.CreateClient(ctx, &pb.CreateClientRequest{Parent: c.name, RequestId: newID(), Client: &pb.Client{DisplayName: wrenName, BirthDate: wrenReference}}))
	fail(c.consultation.CreateConsultation(ctx, &pb.CreateConsultationRequest{Parent: client, RequestId: newID(),
		Consultation: c.consultationAnswers(func(k *pb.Consultation) { k.Remarks, k.Salon = wrenRemark, c.name+"/salons/none" })}))
	fail(c.consultation.ListClients(c.vesna.calling(t), &pb.ListClientsRequest{Parent: c.name, DisplayName: wrenName}))
	return reported
}

// wantNoCanary fails for every canary that a text holds.
func wantNoCanary(t *testing.T, where string, text []byte) {
	t.Helper()
	for _, canary := range canaries {
		for _, written := range [][]byte{[]byte(canary), []byte(hex.EncodeToString([]byte(canary)))} {
			if bytes.Contains(text, written) {
				t.Errorf("%s holds %q", where, canary)
			}
		}
	}
}

// tables is every value of every table, as a superuser reads them, by table.
func tables(t *testing.T, pool *sql.DB) map[string][]byte {
	t.Helper()
	found := map[string][]byte{}
	for _, pair := range pairs(t, pool, "select schemaname, tablename from pg_tables where schemaname not in ('pg_catalog', 'information_schema')") {
		rows, err := pool.Query(fmt.Sprintf("select * from %q.%q", pair[0], pair[1]))
		if err != nil {
			t.Fatal(err)
		}
		columns, err := rows.Columns()
		if err != nil {
			t.Fatal(err)
		}
		found[pair[1]] = nil
		for rows.Next() {
			values, into := make([]sql.RawBytes, len(columns)), make([]any, len(columns))
			for i := range values {
				into[i] = &values[i]
			}
			if err := rows.Scan(into...); err != nil {
				t.Fatal(err)
			}
			for _, v := range values {
				found[pair[1]] = append(append(found[pair[1]], v...), '\n')
			}
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
	}
	return found
}

// wantNoPlaintext looks for canaries in every row of every table, in a dump, in
// every file of the database and in what the server has said.
func (b *canaryTest) wantNoPlaintext(t *testing.T, when string) {
	t.Helper()
	all := []byte{}
	for table, values := range tables(t, b.sql) {
		wantNoCanary(t, when+", table "+table, values)
		all = append(all, values...)
	}
	wantWitness(t, "the tables", all)
	var activity sql.NullString
	if err := b.sql.QueryRow("select string_agg(query, E'\\n') from pg_stat_activity").Scan(&activity); err != nil || !strings.Contains(activity.String, "select") {
		t.Errorf("the statements of the servers: %q, %v", activity.String, err)
	}
	wantNoCanary(t, when+", statements in pg_stat_activity", []byte(activity.String))
	if program, err := exec.LookPath("pg_dump"); err == nil {
		dump, err := exec.Command(program, "--inserts", "-d", b.database.DSN(localpg.Superuser)).Output()
		if err != nil {
			t.Fatalf("pg_dump: %v", err)
		}
		wantNoCanary(t, when+", the dump", dump)
		wantWitness(t, "the dump", dump)
	} else {
		t.Error("no pg_dump here, so dumps were not looked at; it comes with PostgreSQL's client programs")
	}
	if _, err := b.sql.Exec("checkpoint"); err != nil {
		t.Fatal(err)
	}
	wal, heap := false, false
	err := filepath.WalkDir(b.database.Dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return nil // files come and go
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return nil
		}
		wantNoCanary(t, when+", file "+path, content)
		if bytes.Contains(content, []byte(wrenWitness)) {
			wal, heap = wal || strings.Contains(path, "pg_wal"), heap || !strings.Contains(path, "pg_wal")
		}
		return nil
	})
	if err != nil || !wal || !heap {
		t.Errorf("%s: the witness was found in the write-ahead log: %t, in the tables' files: %t, %v", when, wal, heap, err)
	}
	wantNoCanary(t, when+", what the server said", []byte(b.said.String()))
}

// wantWitness wants the search to be able to find what is there.
func wantWitness(t *testing.T, where string, text []byte) {
	t.Helper()
	if !bytes.Contains(text, []byte(wrenWitness)) && !bytes.Contains(text, []byte(hex.EncodeToString([]byte(wrenWitness)))) {
		t.Errorf("%s do not hold even what lies there in clear", where)
	}
}

// TestErasedClientsCannotBeRead leads a client through two visits, looks for the
// client's particulars in everything there is, erases, and looks again.
func TestErasedClientsCannotBeRead(t *testing.T) {
	t.Parallel()
	b := newCanaryTest(t)
	c := b.newChain(t, "ebb-and-flow")
	must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: "witness", RequestId: newID(),
		Salon: &pb.Salon{DisplayName: wrenWitness, Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London"}})
	client := b.visit(t, c)
	other := c.carriedOut(t)
	must(t, c.amara, c.outcome.RecordOutcome, completed(other))
	reported := b.causeErrors(t, c, client)
	for _, retry := range b.retries {
		if err := retry(); err != nil {
			t.Fatalf("a retry before the erasure: %v", err)
		}
	}
	file := c.handedOut(t, client)
	for _, canary := range canaries {
		if !bytes.Contains(file, []byte(canary)) {
			t.Errorf("the file for the client lacks %q", canary)
		}
	}
	b.wantVisible(t, c, client)
	b.waitLogged(t)
	before := must(t, c.odile, c.audit.GetCheckpoint, &pb.GetCheckpointRequest{Name: c.name})
	b.wantNoPlaintext(t, "before")
	b.wantNoCanaryInOutputs(t, "before", c, client)

	entries, incidents := c.entries(t, ""), []string{}
	for _, i := range c.incidentsOf(t, client) {
		incidents = append(incidents, i.Name)
	}
	req := &pb.EraseClientRequest{Name: client, RequestId: newID()}
	first := must(t, c.odile, c.consultation.EraseClient, req)
	if again := must(t, c.odile, c.consultation.EraseClient, req); !proto.Equal(again, first) {
		t.Errorf("asked again: %v, at first %v", again, first)
	}
	err := mustFail(t, c.odile, c.consultation.EraseClient, again(req))
	wantError(t, "erased twice", err, codes.NotFound, "NOT_FOUND")
	reported = append(reported, err.Error())
	reported = append(reported, b.wantGone(t, c, client, other)...)
	c.wantNotVisible(t, client, incidents, func(what string, err error) {
		wantError(t, what, err, codes.NotFound, "NOT_FOUND")
		reported = append(reported, err.Error())
	})
	b.waitLogged(t)
	b.wantNoPlaintext(t, "after")
	wantNoCanary(t, "what callers were told", []byte(strings.Join(reported, "\n")))

	after := c.entries(t, "")
	b.wantNoCanaryInOutputs(t, "after", c, client) // an auditor reads, which is on the log too
	fresh := after[len(entries):]
	if !slices.EqualFunc(entries, after[:len(entries)], func(x, y *pb.AuditEntry) bool { return proto.Equal(x, y) }) {
		t.Error("entries of before have changed")
	}
	if len(fresh) != 1 || fresh[0].Kind != pb.EntryKind_ENTRY_KIND_ERASURE || fresh[0].Client != client || fresh[0].ReasonCode != "ON_REQUEST" {
		t.Errorf("new on the log: %v", fresh)
	}
	_, verdict := c.copyOf(t, []byte(before.Checkpoint), func(*pb.AuditEntry) {})
	if !verdict.Valid() {
		t.Errorf("the log does not hold against the checkpoint of before: %v", verdict.Faults)
	}
	replayed := 0
	err = serve.Replay(t.Context(), serve.Config{Database: b.database.DSN(storage.RoleServer), KeysDir: b.keys}, func(name string, differences []string) {
		if replayed++; len(differences) > 0 || strings.HasPrefix(name, client) {
			t.Errorf("%s: %v", name, differences)
		}
	})
	if err != nil || replayed != 1 {
		t.Errorf("%d decisions replayed, %v; want the other client's", replayed, err)
	}
}

// wantGone asks for everything of an erased client, and for the like of another
// one; it returns what callers were told.
func (b *canaryTest) wantGone(t *testing.T, c *chain, client string, other *pb.Session) (reported []string) {
	t.Helper()
	gone := func(what string, err error) {
		t.Helper()
		wantError(t, what, err, codes.NotFound, "NOT_FOUND")
		if err != nil {
			reported = append(reported, err.Error())
		}
	}
	for i, retry := range b.retries {
		gone(fmt.Sprintf("retry %d", i), retry())
	}
	gone("the client", mustFail(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: client}))
	gone("consultations", mustFail(t, c.amara, c.consultation.ListConsultations, &pb.ListConsultationsRequest{Parent: client}))
	gone("decisions", mustFail(t, c.amara, c.eligibility.ListDecisions, &pb.ListDecisionsRequest{Parent: client}))
	gone("sessions", mustFail(t, c.amara, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: client}))
	gone("outcomes", mustFail(t, c.amara, c.outcome.ListOutcomes, &pb.ListOutcomesRequest{Parent: client}))
	gone("the card", mustFail(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client}))
	for _, e := range c.entries(t, `kind = "REFUSAL"`) {
		if e.Client == client {
			gone("a decision", mustFail(t, c.vesna, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: e.Decision}))
			gone("a replay", mustFail(t, c.vesna, c.eligibility.ReplayDecision, &pb.ReplayDecisionRequest{Name: e.Decision}))
		}
	}
	found := must(t, c.amara, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, DisplayName: wrenName})
	all := c.clients(t)
	sessions := must(t, c.amara, c.processing.ListSessions, &pb.ListSessionsRequest{Parent: c.name + "/clients/-", Product: c.relaxer, LotCode: c.relaxerLot}).Sessions
	if len(found.Clients) != 0 || len(all) != 1 || all[0].Name != parent(other.Name) || len(sessions) != 1 || sessions[0].Name != other.Name {
		t.Errorf("found %v; clients %v; sessions %v", found.Clients, all, sessions)
	}
	card := must(t, c.amara, c.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: parent(other.Name)}).RecordCard
	if len(card.Visits) != 1 {
		t.Errorf("the card of the other client is %v", card)
	}
	return reported
}

// handedOut is the file with everything about a client.
func (c *chain) handedOut(t *testing.T, client string) []byte {
	t.Helper()
	stream, err := c.consultation.ExportClient(c.odile.calling(t), &pb.ExportClientRequest{Name: client})
	if err != nil {
		t.Fatal(err)
	}
	var file, digest []byte
	for {
		part, err := stream.Recv()
		if err != nil {
			if err.Error() != "EOF" {
				t.Fatal(err)
			}
			if sum := sha256.Sum256(file); !bytes.Equal(digest, sum[:]) {
				t.Errorf("the last part has digest %x, the file %x", digest, sum)
			}
			return file
		}
		if digest != nil {
			t.Error("there is a part behind the one with the digest")
		}
		if file = append(file, part.Part...); len(part.Sha256) > 0 {
			digest = part.Sha256
		}
	}
}
