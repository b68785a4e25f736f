package integration

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/server/serve"
	"alkalog/service/consultation"
	"alkalog/storage"
	"alkalog/storage/keyring"
)

// The promise: a client is erased on a manager's request or when the retention period
// ends, never under a legal hold, and stays erased when a backup is restored; and can
// get all data in one file.

// TestErasureWaits for a legal hold and for an open session.
func TestErasureWaits(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	client := parent(session.Name)
	erase := func() error {
		return mustFail(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()})
	}
	hold := func(held bool) {
		must(t, c.odile, c.consultation.UpdateClient, &pb.UpdateClientRequest{
			Client: &pb.Client{Name: client, LegalHold: held}, UpdateMask: updateMask("legal_hold"), RequestId: newID()})
	}
	before := s.tableDigests(t)
	wantError(t, "an open session", erase(), codes.FailedPrecondition, "SESSION_OPEN")
	wantError(t, "a practitioner", mustFail(t, c.amara, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()}), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	for _, table := range []string{"client_keys", "clients", "requests"} {
		if after := s.tableDigests(t); after[table] != before[table] {
			t.Errorf("an erasure that was refused has changed %s", table)
		}
	}
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	hold(true)
	wantError(t, "a legal hold", erase(), codes.FailedPrecondition, "LEGAL_HOLD")
	hold(false)
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()})
	wantError(t, "a session that was open before", mustFail(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name}), codes.NotFound, "NOT_FOUND")
}

// TestWatchersOfAnErasedClient: their streams end, and the same person is a new client
// at the next visit.
func TestWatchersOfAnErasedClient(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.session(t)
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(session))
	early, err := c.processing.WatchSession(c.till.calling(t), &pb.WatchSessionRequest{Name: session.Name})
	if err == nil {
		_, err = early.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: parent(session.Name), RequestId: newID()})
	for err == nil {
		_, err = early.Recv()
	}
	wantError(t, "a watch from before", err, codes.NotFound, "NOT_FOUND")
	stream, err := c.processing.WatchSession(c.till.calling(t), &pb.WatchSessionRequest{Name: session.Name})
	if err == nil {
		_, err = stream.Recv()
	}
	wantError(t, "a watch", err, codes.NotFound, "NOT_FOUND")
	c.proceedDecision(t)
}

// TestClientsAreFoundByNameAndContact as they are written on the day.
func TestClientsAreFoundByNameAndContact(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c, other := s.newChain(t, "ebb-and-flow"), s.newChain(t, "low-tide")
	made := must(t, c.till, c.consultation.CreateClient, &pb.CreateClientRequest{Parent: c.name, RequestId: newID(),
		Client: &pb.Client{DisplayName: "Zoë Quill", Phone: "+44 20 7946 0001", Email: "zoe@invented.example"}}).Client
	c.client(t)
	for what, req := range map[string]*pb.ListClientsRequest{
		"name":                              {DisplayName: "zoë  QUILL"},
		"telephone":                         {Phone: "0044 (20) 79460001"},
		"address":                           {Email: "Zoe@Invented.example"},
		"beginnings of words, in any order": {Search: "quil ZOE"},
		"the start of the number":           {Search: "+44 20"},
		"the national number":               {Search: "020 7946 0001"},
		"its last four digits":              {Search: "0001 zoe"},
		"all three":                         {DisplayName: "Zoë Quill", Phone: "+442079460001", Email: "zoe@invented.example"},
	} {
		req.Parent = c.name
		if got := must(t, c.till, c.consultation.ListClients, req).Clients; len(got) != 1 || !proto.Equal(got[0], made) {
			t.Errorf("by %s: %v", what, got)
		}
		req.Parent = other.name
		if got := must(t, other.till, other.consultation.ListClients, req).Clients; len(got) != 0 {
			t.Errorf("by %s in another chain: %v", what, got)
		}
	}
	if err := mustFail(t, c.till, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, Search: "12"}); violationsOf(err)["search"] == "" {
		t.Errorf("two digits find %v", err)
	}
	must(t, c.till, c.consultation.UpdateClient, &pb.UpdateClientRequest{Client: &pb.Client{Name: made.Name, DisplayName: "Zoë Tern"}, UpdateMask: updateMask("display_name"), RequestId: newID()})
	for typed, want := range map[string]int{"quill": 0, "tern": 1} {
		if got := must(t, c.till, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, Search: typed}).Clients; len(got) != want {
			t.Errorf("renamed, %q finds %v", typed, got)
		}
	}
	err := mustFail(t, c.till, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, Phone: "none"})
	wantError(t, "a number without digits", err, codes.InvalidArgument, "INVALID_FIELD")
	if violationsOf(err)["phone"] == "" {
		t.Errorf("it does not name the field: %v", err)
	}
}

// TestExportHasEverything compares the file with what the calls answer.
func TestExportHasEverything(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	session := c.carriedOut(t)
	client := parent(session.Name)
	outcome := must(t, c.amara, c.outcome.RecordOutcome, completed(session)).Outcome
	refused := c.decisionFor(t, client, brokenSkin)
	must(t, c.imara, c.eligibility.OverrideDecision, c.override(refused, refused.Findings[0]))
	c.decision(t, brokenSkin) // somebody else's
	var file struct {
		Client, RecordCard                                    json.RawMessage
		Consultations, Decisions, Sessions, Outcomes, Entries []json.RawMessage
	}
	if err := json.Unmarshal(c.handedOut(t, client), &file); err != nil {
		t.Fatal(err)
	}
	same := func(what string, got json.RawMessage, want proto.Message) {
		t.Helper()
		m := want.ProtoReflect().New().Interface()
		if err := protojson.Unmarshal(got, m); err != nil || !proto.Equal(m, want) {
			t.Errorf("%s is %s, %v\nwant %v", what, got, err, want)
		}
	}
	same("the client", file.Client, must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: client}).Client)
	card := c.cardOf(t, client)
	card.Summary = nil // it says how long ago things were; the file does not
	same("the card", file.RecordCard, card)
	if len(file.Consultations) != 2 || len(file.Decisions) != 2 || len(file.Sessions) != 1 || len(file.Outcomes) != 1 {
		t.Fatalf("%d consultations, %d decisions, %d sessions, %d outcomes", len(file.Consultations), len(file.Decisions), len(file.Sessions), len(file.Outcomes))
	}
	same("the newest consultation", file.Consultations[0], refused.Inputs.Consultation)
	same("the refusal", file.Decisions[0], must(t, c.amara, c.eligibility.GetDecision, &pb.GetDecisionRequest{Name: refused.Name}).Decision)
	same("the outcome", file.Outcomes[0], outcome)
	whole := must(t, c.amara, c.processing.GetSession, &pb.GetSessionRequest{Name: session.Name, WithEvents: true})
	whole.Session.State, whole.ServerTime = nil, nil
	same("the session", file.Sessions[0], whole)
	entries := c.entries(t, fmt.Sprintf("client = %q", client))
	if len(file.Entries) != len(entries) || entries[len(entries)-1].Kind != pb.EntryKind_ENTRY_KIND_CLIENT_EXPORTED {
		t.Errorf("%d entries, want %v", len(file.Entries), entries)
	}
	stream, err := c.consultation.ExportClient(c.odile.calling(t), &pb.ExportClientRequest{Name: c.name + "/clients/nobody"})
	if err == nil {
		_, err = stream.Recv()
	}
	wantError(t, "nobody's file", err, codes.NotFound, "NOT_FOUND")
}

// TestRetention lets a chain's time pass: clients of whom nothing was recorded for
// long enough are erased, the others stay, and old answers are forgotten.
func TestRetention(t *testing.T) {
	t.Parallel()
	s := newCoveringServer(t, 50*time.Millisecond)
	c, other := s.newChain(t, "ebb-and-flow"), s.newChain(t, "low-tide")
	must(t, c.operator, c.directory.UpdateChain, &pb.UpdateChainRequest{UpdateMask: updateMask("retention"), RequestId: newID(),
		Chain: &pb.Chain{Name: c.name, Retention: &pb.Retention{ClientDays: 1000, RequestDays: 40}}})
	changed := c.entryOf(t, pb.EntryKind_ENTRY_KIND_RETENTION_CHANGED)
	if changed.Actor != c.operator.name || !strings.Contains(changed.Summary, "1000, before 0") {
		t.Errorf("on the log: %v", changed)
	}
	// Ids tell the machine's time, so the salon's clock stands there too.
	s.clock.advance(time.Since(s.clock.Now()))
	idle, held, forgotten, elsewhere := c.client(t), c.client(t), parent(c.session(t).Name), other.client(t)
	must(t, c.odile, c.consultation.UpdateClient, &pb.UpdateClientRequest{
		Client: &pb.Client{Name: held, LegalHold: true}, UpdateMask: updateMask("legal_hold"), RequestId: newID()})
	db := s.database.Open(t, storage.Config{Keys: ringOf(s.keys)})
	service := consultation.Service{DB: db, Now: s.clock.Now}
	tend := func() {
		t.Helper()
		if err := service.ApplyRetention(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	tend()
	s.clock.advance(999 * 24 * time.Hour)
	tend()
	if found := c.entries(t, `kind = "ERASURE" OR kind = "PURGE"`); len(found) != 0 {
		t.Fatalf("too early: %v", found)
	}
	back := c.client(t) // somebody who came later; the salon's clock says so
	s.clock.advance(2 * 24 * time.Hour)
	tend()
	tend()
	var erased []string
	for _, e := range c.entries(t, `kind = "ERASURE"`) {
		erased = append(erased, e.Client)
		if e.ReasonCode != "RETENTION" || e.Actor != "server" {
			t.Errorf("the entry says %v", e)
		}
	}
	want := []string{idle, forgotten}
	slices.Sort(erased)
	slices.Sort(want)
	if !slices.Equal(erased, want) {
		t.Errorf("erased are %v, want %v", erased, want)
	}
	for _, kept := range []string{held, back} {
		must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: kept})
	}
	must(t, other.amara, other.consultation.GetClient, &pb.GetClientRequest{Name: elsewhere})
	s.wantPurged(t, c, tend)
}

// wantPurged makes what was answered older, and has it forgotten.
func (s *testServer) wantPurged(t *testing.T, c *chain, tend func()) {
	t.Helper()
	s.allCovered(t) // a request is kept until an entry covers what it wrote
	damage(t, s, "requests", "update requests set claim_time = claim_time - interval '41 days' where chain = 'ebb-and-flow'")
	var old, others int
	count := func(chain string) (n int) {
		if err := s.sql.QueryRow("select count(*) from requests where chain = $1", chain).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	old, others = count("ebb-and-flow"), count("low-tide")
	c.client(t)
	tend()
	tend()
	found := c.entries(t, `kind = "PURGE"`)
	if len(found) != 1 || found[0].Count != int64(old) || count("ebb-and-flow") != 1 || count("low-tide") != others {
		t.Errorf("%d were old; on the log %v; left %d, elsewhere %d of %d", old, found, count("ebb-and-flow"), count("low-tide"), others)
	}
	s.waitLogged(t)
	if _, verdict := c.copyOf(t, nil, func(*pb.AuditEntry) {}); !verdict.Valid() {
		t.Errorf("the log does not hold: %v", verdict.Faults)
	}
}

// ringOf is the keys in a directory.
func ringOf(dir string) *keyring.Ring {
	return &keyring.Ring{Read: func() ([]string, error) { return keys.Lines(filepath.Join(dir, "clients")) }}
}

// TestErasedClientsStayErased restores a real copy of a database from before an
// erasure: the destroyed key is back, and is destroyed again before anything is
// served.
func TestErasedClientsStayErased(t *testing.T) {
	t.Parallel()
	h := &restoreServer{dir: privateDir(t)}
	at := &clock{now: time.Date(2026, time.November, 3, 12, 0, 0, 0, time.UTC)}
	c := h.open(t, at)
	c.create(t)
	erased, kept := parent(c.decision(t, brokenSkin).Name), c.client(t)
	h.close()
	h.backup(t, "yesterday")
	c = h.open(t, at)
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: erased, RequestId: newID()})
	h.close()
	text, err := os.ReadFile(filepath.Join(h.dir, "erased"))
	if err != nil || strings.TrimSpace(string(text)) != erased {
		t.Fatalf("the file outside says %q, %v", text, err)
	}
	h.restore(t, "yesterday")
	c = h.open(t, at)
	wantError(t, "the client", mustFail(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: erased}), codes.NotFound, "NOT_FOUND")
	must(t, c.amara, c.consultation.GetClient, &pb.GetClientRequest{Name: kept})
	if found := c.entries(t, `kind = "ERASURE"`); len(found) != 1 || found[0].Client != erased || found[0].ReasonCode != "RESTORED_BACKUP" {
		t.Errorf("on the log: %v", found)
	}
	h.close()
	// A server that has lost the file learns from the log who was erased.
	if err := os.Remove(filepath.Join(h.dir, "erased")); err != nil {
		t.Fatal(err)
	}
	h.open(t, at)
	h.close()
	if text, err := os.ReadFile(filepath.Join(h.dir, "erased")); err != nil || strings.TrimSpace(string(text)) != erased {
		t.Errorf("the file says %q, %v", text, err)
	}
}

// TestServersWantTheirKeys: with a database that holds clients, a server without
// their keys, or with others, does not start and says why.
func TestServersWantTheirKeys(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	start := func(keys string) error {
		server, err := serve.Start(t.Context(), serve.Config{Address: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer), KeysDir: keys, Development: true})
		if err == nil {
			server.Stop(context.Background())
		}
		return err
	}
	empty := t.TempDir()
	if err := start(empty); err == nil || !strings.Contains(err.Error(), "alkalog keys") {
		t.Errorf("without the file: %v", err)
	}
	c.client(t)
	if err := start(empty); err == nil || !strings.Contains(err.Error(), filepath.Join(empty, "clients")) {
		t.Errorf("without the file, with clients: %v", err)
	}
	if err := start(newKeys(t)); err == nil || !strings.Contains(err.Error(), "do not belong to this database") {
		t.Errorf("with other keys: %v", err)
	}
	if err := start(s.keys); err != nil {
		t.Errorf("with the right ones: %v", err)
	}
	h := &restoreServer{dir: privateDir(t)}
	own := h.open(t, s.clock)
	own.create(t)
	own.client(t)
	h.close()
	if err := os.Remove(filepath.Join(h.dir, "keys", "clients")); err != nil {
		t.Fatal(err)
	}
	_, err := serve.Start(t.Context(), serve.Config{Address: "127.0.0.1:0", DataDir: h.dir, Development: true})
	if _, made := os.Stat(filepath.Join(h.dir, "keys", "clients")); err == nil || made == nil {
		t.Errorf("a private database whose keys are gone: %v, new keys made: %t", err, made == nil)
	}
}

// TestNoPersonalDataInLogsAndErrors runs a server with its own PostgreSQL, both at the
// most verbose log level, through visits, failing calls and an erasure.
func TestNoPersonalDataInLogsAndErrors(t *testing.T) {
	t.Parallel()
	words := &logCapture{}
	at := &clock{now: time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)}
	server, err := serve.Start(t.Context(), serve.Config{Address: "127.0.0.1:0", DataDir: privateDir(t), Clock: at.Now, Development: true,
		Logger: slog.New(slog.NewTextHandler(words, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	if err != nil {
		t.Fatal(err)
	}
	b := &canaryTest{said: words, testServer: &testServer{stubs: dial(t, server.Addr()), clock: at}}
	c := b.newChain(t, "ebb-and-flow")
	client := b.visit(t, c)
	reported := b.causeErrors(t, c, client)
	must(t, c.odile, c.consultation.EraseClient, &pb.EraseClientRequest{Name: client, RequestId: newID()})
	for _, retry := range b.retries {
		if err := retry(); err != nil {
			reported = append(reported, err.Error())
		}
	}
	server.Stop(context.Background())
	said := words.String()
	if !strings.Contains(said, "CheckEligibility") || !strings.Contains(said, "postgres") {
		t.Errorf("the server did not say what it says: %.300q", said)
	}
	wantNoCanary(t, "what the server said", []byte(said))
	wantNoCanary(t, "what callers were told", []byte(strings.Join(reported, "\n")))
}

// TestKeysOfClientsAreReplaced replaces the key that clients' keys are wrapped with
// while two servers run, and then takes the old one away.
func TestKeysOfClientsAreReplaced(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	before := c.client(t)
	file := filepath.Join(s.keys, "clients")
	old, err := keys.Lines(file)
	if err != nil {
		t.Fatal(err)
	}
	fresh, err := keyring.NewKey(old)
	if err != nil {
		t.Fatal(err)
	}
	replace := func(lines ...string) {
		if err := keys.Replace(file, []byte(strings.Join(lines, "\n")+"\n")); err != nil {
			t.Fatal(err)
		}
	}
	replace(fresh, old[0])
	twin := s.startSecondServer(t).describeChain("ebb-and-flow") // it looks after the keys as it starts
	eventually(t, "every key to be wrapped anew", func() bool {
		var left int
		if err := s.sql.QueryRow("select count(*) from client_keys where version <> $1", strings.Fields(fresh)[1]).Scan(&left); err != nil {
			t.Fatal(err)
		}
		return left == 0
	})
	replace(fresh)
	between := twin.client(t)
	for _, client := range []string{before, between} {
		for _, at := range []*chain{c, twin} {
			must(t, at.amara, at.consultation.GetClient, &pb.GetClientRequest{Name: client})
		}
	}
	if got := must(t, c.amara, c.consultation.ListClients, &pb.ListClientsRequest{Parent: c.name, DisplayName: "invented CLIENT"}).Clients; len(got) != 2 {
		t.Errorf("by name, across the replacement: %v", got)
	}
}
