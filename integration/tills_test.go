//go:build python

package integration

import (
	"context"
	"encoding/json"
	"encoding/pem"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	options "alkalog/proto/contract"
	"alkalog/server/identity/identitytest"
	"alkalog/server/serve"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// The promise: the complete tills of proto/examples keep every fact through a network
// that is cut and a server that is restarted, and leave the same records behind,
// whatever language they are written in.

// visitFile is the visit that every till plays.
const visitFile = "../proto/examples/visit.json"

// visit is what visitFile holds.
type visit struct {
	Parent       string                     `json:"parent"`
	Client       json.RawMessage            `json:"client"`
	Check        json.RawMessage            `json:"check"`
	HoursAgo     map[string]int             `json:"hours_ago"`
	Consultation map[string]any             `json:"consultation"`
	Taps         []string                   `json:"taps"`
	Facts        map[string]json.RawMessage `json:"facts"`
	Outcome      json.RawMessage            `json:"outcome"`
}

// readVisit reads visitFile.
func readVisit(t testing.TB) visit {
	t.Helper()
	var v visit
	text, err := os.ReadFile(visitFile)
	if err == nil {
		err = json.Unmarshal(text, &v)
	}
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// parse turns a message of the file into one of the contract.
func parse[M proto.Message](t testing.TB, text []byte, m M) M {
	t.Helper()
	if err := protojson.Unmarshal(text, m); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return m
}

// form is the consultation of the file, with its times.
func (v visit) form(t testing.TB) *pb.Consultation {
	t.Helper()
	text, err := json.Marshal(v.Consultation)
	if err != nil {
		t.Fatal(err)
	}
	form := parse(t, text, &pb.Consultation{})
	for path, hours := range v.HoursAgo {
		at, names := form.ProtoReflect(), strings.Split(path, ".")
		for _, name := range names[:len(names)-1] {
			at = at.Mutable(at.Descriptor().Fields().ByName(protoreflect.Name(name))).Message()
		}
		field := at.Descriptor().Fields().ByName(protoreflect.Name(names[len(names)-1]))
		at.Set(field, protoreflect.ValueOfMessage(timestamppb.New(time.Now().Add(-time.Duration(hours)*time.Hour)).ProtoReflect()))
	}
	return form
}

// tillSite is an installation that tills call by TLS, by the machine's clock, through a
// network that can be cut. The test itself calls a second server on the same database.
type tillSite struct {
	*chain
	*identitytest.Installation
	visit   visit
	network *network
	secure  *serve.Server
	desk    string // name of the till
}

// newTillSite starts both servers and creates the chain of the visit.
func newTillSite(t *testing.T) *tillSite {
	t.Helper()
	s := &testServer{
		clock: &clock{now: time.Now()}, database: storagetest.NewDatabase(t), keys: newKeys(t),
		configure: func(cfg *serve.Config) { cfg.Clock = nil },
	}
	s.sql = s.database.SQL(t, "")
	s.start(t)
	k := &tillSite{chain: s.newChain(t, "ebb"), Installation: identitytest.New(t, time.Now), visit: readVisit(t), network: newNetwork(t)}
	k.desk = k.salon + "/tills/front-desk"
	k.startSecure(t, "127.0.0.1:0", "127.0.0.1:0")
	k.network.lead(k.secure.Addr())
	return k
}

// startSecure starts the server of the tills.
func (k *tillSite) startSecure(t *testing.T, address, web string) {
	t.Helper()
	compiled, err := sharedCompiled()
	if err != nil {
		t.Fatal(err)
	}
	k.secure, err = serve.Start(t.Context(), serve.Config{
		Address: address, WebAddress: web, Database: k.database.DSN(storage.RoleServer), KeysDir: k.keys, Compiled: compiled,
		TLSCert: k.TLSCert, TLSKey: k.TLSKey, ClientCA: k.ClientCA, JWKS: k.JWKS, Revoked: k.Revoked,
		Limits: serve.Limits{Quotas: unlimitedQuotas()},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(k.stopSecure)
}

// stopSecure ends the server of the tills; it may have ended already.
func (k *tillSite) stopSecure() { k.secure.Stop(context.Background()) }

// certificate writes the certificate and the key of the till as files, and returns their paths.
func (k *tillSite) certificate(t *testing.T) (cert, key string) {
	t.Helper()
	pair, err := k.Authority.Client(k.desk, time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "till.crt"), filepath.Join(dir, "till.key")
	for path, text := range map[string][]byte{cert: pair.Cert, key: pair.Key} {
		if block, _ := pem.Decode(text); block == nil {
			t.Fatal("not a file of PEM")
		}
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

// program is a till in a process of its own.
type program struct {
	t       *testing.T
	command *exec.Cmd
	buttons io.WriteCloser
	mu      sync.Mutex
	printed strings.Builder
}

// launch starts a till.
func launch(t *testing.T, command *exec.Cmd) *program {
	t.Helper()
	p := &program{t: t, command: command}
	in, err := command.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.buttons, command.Stdout, command.Stderr = in, (*printing)(p), (*printing)(p)
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { command.Process.Kill(); command.Wait() })
	return p
}

// printing is a program as the writer of what it prints.
type printing program

// Write keeps what is printed.
func (p *printing) Write(text []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.printed.Write(text)
}

// output is what the till has printed so far.
func (p *program) output() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.printed.String()
}

// shows waits until the till has printed a text, and that many times.
func (p *program) shows(text string, times int) {
	p.t.Helper()
	defer func() {
		if p.t.Failed() {
			p.t.Logf("the till printed:\n%s", p.output())
		}
	}()
	eventually(p.t, "the till to print "+text, func() bool { return strings.Count(p.output(), text) >= times })
}

// tap presses buttons, one after the other, and waits until each is noted.
func (p *program) tap(words ...string) {
	p.t.Helper()
	for _, word := range words {
		times := 1 + strings.Count(p.output(), "noted: "+word+"\n")
		if _, err := io.WriteString(p.buttons, word+"\n"); err != nil {
			p.t.Fatalf("%v; the till printed:\n%s", err, p.output())
		}
		if word != "close" {
			p.shows("noted: "+word+"\n", times)
		}
	}
}

// ends waits until the till has ended by itself.
func (p *program) ends() {
	p.t.Helper()
	p.buttons.Close()
	if err := p.command.Wait(); err != nil {
		p.t.Fatalf("the till ended with %v:\n%s", err, p.output())
	}
}

// session is the session that a till has begun.
func (p *program) session() string {
	p.t.Helper()
	p.shows("service: ", 1)
	_, rest, _ := strings.Cut(p.output(), "service: ")
	name, _, _ := strings.Cut(rest, "\n")
	return name
}

// playThrough plays the visit with a till. In the middle of the service the network is
// cut, it burns meanwhile, and later the server is restarted.
func (k *tillSite) playThrough(t *testing.T, p *program, kept func() string) string {
	t.Helper()
	burns := slices.Index(k.visit.Taps, "burns")
	session := p.session()
	p.tap(k.visit.Taps[:burns-2]...)
	k.wantEvents(t, session, "base_applied")

	k.network.set(onlyRequests)
	p.tap(k.visit.Taps[burns-2])
	k.wantEvents(t, session, "section_applied")
	k.network.set(nothing)
	p.tap(k.visit.Taps[burns-1 : burns+2]...)
	if !strings.Contains(p.output(), "RINSE NOW") {
		t.Errorf("it burns and nobody is told to rinse:\n%s", p.output())
	}
	p.shows("no network", 1)
	if events := k.eventNames(t, session); slices.Contains(events, "comfort_check") {
		t.Errorf("the network carries something although it is cut: %v", events)
	}
	if text := kept(); !strings.Contains(text, session) || strings.Contains(text, "Ottilie") {
		t.Errorf("the uploads lack the session or hold a name: %q", text)
	}
	k.network.set(everything)
	p.shows("the network is back", 1)
	k.wantEvents(t, session, "water_on")

	address, web := k.secure.Addr(), k.secure.WebAddr()
	k.stopSecure()
	p.tap("rinsed")
	p.shows("no network", 2)
	k.startSecure(t, address, web)
	p.shows("the network is back", 2)
	p.tap(k.visit.Taps[burns+3:]...)
	p.ends()
	if !strings.Contains(p.output(), "outcome: It burned") || !strings.Contains(p.output(), "alarm: ALARM_KIND_FLUSH") {
		t.Errorf("the till printed:\n%s", p.output())
	}
	if text := kept(); strings.Contains(text, session) {
		t.Error("the uploads hold facts that the server has acknowledged")
	}
	return session
}

// eventNames lists the facts of a session that the server has, in the order of the till.
func (k *tillSite) eventNames(t *testing.T, session string) []string {
	t.Helper()
	var names []string
	for _, e := range k.events(t, session) {
		names = append(names, string(factOf(e).Name()))
	}
	return names
}

// events are the events of a session in the order in which the till noted them.
func (k *tillSite) events(t *testing.T, session string) []*pb.Event {
	t.Helper()
	var events []*pb.Event
	for _, stored := range must(t, k.amara, k.processing.ListEvents, &pb.ListEventsRequest{Parent: session, PageSize: 500}).Events {
		events = append(events, stored.Event)
	}
	slices.SortStableFunc(events, func(a, b *pb.Event) int { return a.OccurTime.AsTime().Compare(b.OccurTime.AsTime()) })
	return events
}

// wantEvents waits until the server has a fact of a session.
func (k *tillSite) wantEvents(t *testing.T, session, name string) {
	t.Helper()
	eventually(t, name+" to be recorded", func() bool { return slices.Contains(k.eventNames(t, session), name) })
}

// records is what a visit leaves behind, without names, ids and times: the decision, the
// facts, the outcome, the card, and the entries on the log.
func (k *tillSite) records(t *testing.T, session string) string {
	t.Helper()
	client := parent(session)
	got := must(t, k.amara, k.processing.GetSession, &pb.GetSessionRequest{Name: session}).Session
	parts := []proto.Message{
		must(t, k.amara, k.eligibility.GetDecision, &pb.GetDecisionRequest{Name: got.Decision}).Decision,
		must(t, k.amara, k.outcome.GetOutcome, &pb.GetOutcomeRequest{Name: got.Outcome}).Outcome,
		got,
		must(t, k.amara, k.outcome.GetRecordCard, &pb.GetRecordCardRequest{Name: client}).RecordCard,
	}
	for _, e := range k.events(t, session) {
		parts = append(parts, e)
	}
	entries := must(t, k.vesna, k.audit.ListEntries, &pb.ListEntriesRequest{Parent: k.name, PageSize: 500}).Entries
	slices.Reverse(entries) // oldest first
	for _, e := range entries {
		if e.Client == client {
			parts = append(parts, &pb.AuditEntry{Kind: e.Kind, ReasonCode: e.ReasonCode, Role: e.Role, Till: e.Till})
		}
	}
	var text strings.Builder
	for _, part := range parts {
		part = proto.Clone(part)
		bare(part.ProtoReflect(), k.name)
		text.WriteString(protojson.MarshalOptions{Multiline: true}.Format(part) + "\n")
	}
	// Formatting varies by design of the library; two spaces are one.
	return strings.ReplaceAll(text.String(), ":  ", ": ")
}

// bare takes out of a message what differs between two visits: identifiers, times, and
// numbers that are computed from times.
func bare(m protoreflect.Message, chain string) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case f.Message() != nil && f.Message().FullName() == "google.protobuf.Timestamp",
			f.Name() == "etag", f.Kind() == protoreflect.DoubleKind && strings.HasSuffix(string(f.Name()), "_minutes"),
			f.Message() != nil && (f.Message().Name() == "Estimate" || f.Message().Name() == "RateEstimate" || f.Message().Name() == "ClockState" || f.Message().Name() == "TillClock"),
			f.Name() == "sequence", f.Name() == "device_sequence":
			m.Clear(f)
		case f.Message() != nil && f.IsList():
			for i := range v.List().Len() {
				bare(v.List().Get(i).Message(), chain)
			}
		case f.Message() != nil:
			bare(v.Message(), chain)
		case options.DataClass(f) == pb.DataClass_DATA_CLASS_IDENTIFIER && (f.IsList() || !strings.HasPrefix(v.String(), chain+"/p")):
			m.Clear(f)
		}
		return true
	})
}

// playHere plays the visit without any till, as what tills are compared with.
func (k *tillSite) playHere(t *testing.T) string {
	t.Helper()
	desk := person{k.desk, pb.Role_ROLE_TILL}
	client := must(t, desk, k.consultation.CreateClient, &pb.CreateClientRequest{
		Parent: k.visit.Parent, Client: parse(t, k.visit.Client, &pb.Client{}), RequestId: newID()}).Client.Name
	form := must(t, desk, k.consultation.CreateConsultation, &pb.CreateConsultationRequest{
		Parent: client, Consultation: k.visit.form(t), RequestId: newID()}).Consultation
	must(t, desk, k.consultation.SubmitConsultation, &pb.SubmitConsultationRequest{Name: form.Name, Etag: form.Etag, RequestId: newID()})
	check := parse(t, k.visit.Check, &pb.CheckEligibilityRequest{})
	check.Parent, check.RequestId = client, newID()
	check.Subject = &pb.CheckEligibilityRequest_Consultation{Consultation: form.Name}
	decision := must(t, desk, k.eligibility.CheckEligibility, check).Decision
	started := must(t, desk, k.processing.StartSession, &pb.StartSessionRequest{
		Parent: client, Decision: decision.Name, SendTime: timestamppb.Now(), RequestId: newID()})
	received := time.Now()
	echo := func() *pb.ClockEcho {
		return &pb.ClockEcho{ServerTime: started.ServerTime, ReceiveTime: timestamppb.New(received), ElapsedMs: new(time.Since(received).Milliseconds())}
	}
	for _, word := range k.visit.Taps {
		var facts []*pb.Event
		switch word {
		case "close":
		case "conditions":
			for _, condition := range started.Session.Conditions {
				if condition.BeforeContact {
					facts = append(facts, met(condition))
				}
			}
		default:
			facts = append(facts, parse(t, k.visit.Facts[word], &pb.Event{}))
		}
		for _, fact := range facts {
			fact.EventId, fact.OccurTime = newID(), timestamppb.Now()
			must(t, desk, k.processing.RecordEvents, &pb.RecordEventsRequest{Name: started.Session.Name, Events: []*pb.Event{fact},
				SendTime: timestamppb.Now(), Echo: echo(), RequestId: newID()})
		}
	}
	outcome := parse(t, k.visit.Outcome, &pb.Outcome{})
	outcome.Session = started.Session.Name
	must(t, desk, k.outcome.RecordOutcome, &pb.RecordOutcomeRequest{Parent: client, Outcome: outcome, RequestId: newID()})
	return started.Session.Name
}

// playTill plays the visit with the till that command makes of its flags, compares the
// records with those of a visit without any trouble, and then checks that a till that was
// killed without a network brings later what it has kept.
func (k *tillSite) playTill(t *testing.T, command func(flags ...string) *exec.Cmd) {
	t.Helper()
	want := k.records(t, k.playHere(t))
	uploads := filepath.Join(t.TempDir(), "uploads")
	cert, key := k.certificate(t)
	till := func(more ...string) *program {
		return launch(t, command(append(append([]string{"--address", k.network.address(), "--authority", k.ClientCA,
			"--certificate", cert, "--key", key, "--uploads", uploads}, more...), visitFile)...))
	}
	kept := func() string {
		text, err := os.ReadFile(uploads)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	if got := k.records(t, k.playThrough(t, till(), kept)); got != want {
		t.Errorf("the till left other records: %s", firstDifference(want, got))
	}

	killed := till()
	session := killed.session()
	killed.tap("consent")
	k.wantEvents(t, session, "consent_confirmed")
	k.network.set(nothing)
	killed.tap("base", "on")
	killed.command.Process.Kill()
	killed.command.Wait()
	k.network.set(everything)
	till("--only-upload").ends()
	if got := k.eventNames(t, session); !slices.Equal(got, []string{"consent_confirmed", "base_applied", "section_applied"}) {
		t.Errorf("a till that was killed has brought %v", got)
	}
	if text := kept(); strings.Contains(text, session) {
		t.Error("the uploads hold facts that the server has acknowledged")
	}
}

// firstDifference is the first line in which two texts differ, with what is around it.
func firstDifference(want, got string) string {
	wanted, gotten := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range min(len(wanted), len(gotten)) {
		if wanted[i] != gotten[i] {
			from := max(0, i-12)
			return "want\n" + strings.Join(wanted[from:min(i+4, len(wanted))], "\n") + "\ngot\n" + strings.Join(gotten[from:min(i+4, len(gotten))], "\n")
		}
	}
	return "one has more than the other"
}
