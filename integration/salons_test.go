package integration

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
	"alkalog/server/identity/identitytest"
	"alkalog/server/serve"
	"alkalog/storage"
)

// The promise: who is confined to a salon sees, changes and learns of nothing in
// another one of the chain. Clients and their cards follow from salon to salon.

// twoSalons is a stage, on which everything stands in one salon, with a second salon
// and a server that people come to with tokens.
type twoSalons struct {
	*fixture
	*identitytest.Installation
	south string
	conn  *grpc.ClientConn
}

func newTwoSalons(t *testing.T) twoSalons {
	t.Helper()
	s := newTestServer(t)
	q := twoSalons{fixture: s.newWholeFixture(t, "ebb-and-flow"), Installation: identitytest.New(t, s.clock.Now)}
	q.south = q.name + "/salons/south-quay"
	for _, c := range []*chain{q.chain, q.school.chain} {
		must(t, c.odile, q.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: last(q.south), RequestId: newID(),
			Salon: &pb.Salon{DisplayName: "South Quay", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK}})
	}
	server, err := serve.Start(t.Context(), serve.Config{
		Address: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys, Clock: s.clock.Now,
		TLSCert: q.TLSCert, TLSKey: q.TLSKey, ClientCA: q.ClientCA, JWKS: q.JWKS, Limits: serve.Limits{Quotas: unlimitedQuotas()},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Stop(context.Background()) })
	if q.conn, err = grpc.NewClient(server.Addr(), append(checkingErrors(t), grpc.WithTransportCredentials(q.Transport(t)))...); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { q.conn.Close() })
	return q
}

// of is the same server for callers of the chain in which an RPC is called.
func (q twoSalons) of(r rpc) twoSalons {
	q.fixture = q.fixture.of(r)
	q.south = q.name + "/salons/south-quay"
	return q
}

// calling is the context of a call by a person who is confined to salons.
func (q twoSalons) calling(t *testing.T, who person, salons ...string) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), waitTimeout)
	t.Cleanup(cancel)
	name := who.name
	if who.role == pb.Role_ROLE_TILL {
		name = salons[0] + "/tills/front-desk"
	}
	token := q.Token(t, identity.RoleName(who.role), name, func(g *identity.Grant) {
		if who.role != pb.Role_ROLE_TILL {
			g.Salons = salons
		}
	})
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// reported is everything that a confined person receives, with every name of the
// request replaced by the same text.
func (q twoSalons) reported(t *testing.T, who person, r rpc, req proto.Message) (codes.Code, string) {
	t.Helper()
	_, err := newStubs(q.conn).askIn(q.calling(t, who, q.south), r, req)
	var names []string
	for _, at := range namesIn(req) {
		if name, ok := at.get(req); ok && name != "" {
			names = append(names, name)
		}
	}
	slices.SortFunc(names, func(a, b string) int { return len(b) - len(a) }) // some begin as others are
	text := fmt.Sprint(status.Convert(err).Proto())
	for _, name := range names {
		text = strings.ReplaceAll(text, name, "NAME")
	}
	return status.Code(err), strings.Join(strings.Fields(text), " ")
}

// visitCalls reports whether a name is of something that stands in one salon.
func visitCalls(name string) bool {
	for _, part := range []string{"/salons/", "/consultations/", "/decisions/", "/sessions/", "/outcomes/"} {
		if strings.Contains(name, part) {
			return true
		}
	}
	return false
}

// forSouthQuay is a request with the second salon in place of the first.
func (q twoSalons) forSouthQuay(t *testing.T, req proto.Message) proto.Message {
	t.Helper()
	text, err := protojson.Marshal(req)
	if err != nil {
		t.Fatal(err)
	}
	moved := req.ProtoReflect().New().Interface()
	if err := protojson.Unmarshal([]byte(strings.ReplaceAll(string(text), q.salon, q.south)), moved); err != nil {
		t.Fatal(err)
	}
	return moved
}

// TestOtherSalonsAreUnknown asks, by every RPC that names something that stands in a
// salon, for what stands in another: the answer is that for an unknown name, and
// nothing is changed.
func TestOtherSalonsAreUnknown(t *testing.T) {
	t.Parallel()
	q := newTwoSalons(t)
	tried := 0
	for _, r := range contract() {
		q := q.of(r)
		example := q.example(t, r)
		if r.access().WholeChain || example.who.role == pb.Role_ROLE_OPERATOR {
			continue
		}
		req := example.make(t)
		if events, ok := req.(*pb.RecordEventsRequest); ok {
			events.Events = events.Events[:1]
		}
		before := q.tableDigests(t)
		for _, at := range namesIn(req) {
			name, _ := at.get(req)
			if !visitCalls(name) {
				continue
			}
			tried++
			there := at.put(q.forSouthQuay(t, req), name)
			code, reported := q.reported(t, example.who, r, there)
			_, missing := q.reported(t, example.who, r, at.put(there, q.name+tail(name)))
			if code != codes.NotFound || reported != missing {
				t.Errorf("%s: %s of another salon is answered\n%s\nan unknown one\n%s", r.Name(), at, reported, missing)
			}
		}
		wantSame(t, before, q.tableDigests(t))
	}
	if tried < 20 {
		t.Errorf("only %d names were tried", tried)
	}
}

// TestListsLeaveOtherSalonsOut: records of one salon are not listed in another;
// clients, record cards and recalls belong to the whole chain.
func TestListsLeaveOtherSalonsOut(t *testing.T) {
	t.Parallel()
	q := newTwoSalons(t)
	north, south := q.calling(t, q.amara, q.salon), q.calling(t, q.amara, q.south)
	client := parent(q.names.outcome)
	services := newStubs(q.conn)
	for _, c := range []struct {
		what string
		list func(ctx context.Context) (int, error)
	}{
		{"consultations", func(ctx context.Context) (int, error) {
			a, err := services.consultation.ListConsultations(ctx, &pb.ListConsultationsRequest{Parent: client})
			return len(a.GetConsultations()), err
		}},
		{"decisions", func(ctx context.Context) (int, error) {
			a, err := services.eligibility.ListDecisions(ctx, &pb.ListDecisionsRequest{Parent: client})
			return len(a.GetDecisions()), err
		}},
		{"sessions", func(ctx context.Context) (int, error) {
			a, err := services.processing.ListSessions(ctx, &pb.ListSessionsRequest{Parent: client})
			return len(a.GetSessions()), err
		}},
		{"the chain's sessions", func(ctx context.Context) (int, error) {
			a, err := services.processing.ListSessions(ctx, &pb.ListSessionsRequest{Parent: q.name + "/clients/-"})
			return len(a.GetSessions()), err
		}},
		{"outcomes", func(ctx context.Context) (int, error) {
			a, err := services.outcome.ListOutcomes(ctx, &pb.ListOutcomesRequest{Parent: client})
			return len(a.GetOutcomes()), err
		}},
	} {
		there, err := c.list(north)
		here, err2 := c.list(south)
		if err != nil || err2 != nil || there == 0 || here != 0 {
			t.Errorf("%s: %d in their salon, %d in another (%v, %v)", c.what, there, here, err, err2)
		}
	}
	salons, err := services.directory.ListSalons(south, &pb.ListSalonsRequest{Parent: q.name})
	if err != nil || len(salons.Salons) != 1 || salons.Salons[0].Name != q.south {
		t.Errorf("of two salons, one's own shows %v, %v", salons, err)
	}
	for where, ctx := range map[string]context.Context{"north": north, "south": south} {
		if _, err := services.consultation.GetClient(ctx, &pb.GetClientRequest{Name: client}); err != nil {
			t.Errorf("%s: the client does not follow: %v", where, err)
		}
		card, err := services.outcome.GetRecordCard(ctx, &pb.GetRecordCardRequest{Name: client})
		if err != nil || len(card.RecordCard.Visits) != 1 {
			t.Errorf("%s: the card does not follow: %v, %v", where, card, err)
		}
	}
	recall, err := services.catalog.RecallLot(q.calling(t, q.imara, q.south), &pb.RecallLotRequest{
		Name: q.relaxer, LotCode: q.relaxerLot, Reason: "the maker calls it back", RequestId: newID()})
	if err != nil || recall.SessionCount == 0 || len(recall.Sessions) != 0 {
		t.Errorf("a recall from another salon: %v, %v", recall, err)
	}
}

// TestPagesGoOnPastOtherSalons: what is one's own is found behind any number of
// pages that show nothing.
func TestPagesGoOnPastOtherSalons(t *testing.T) {
	t.Parallel()
	q := newTwoSalons(t)
	ctx, services := q.calling(t, q.amara, q.south), newStubs(q.conn)
	client := q.client(t)
	card := q.forSouthQuay(t, q.consultationAnswers()).(*pb.Consultation)
	own, err := services.consultation.CreateConsultation(ctx, &pb.CreateConsultationRequest{Parent: client, Consultation: card, RequestId: newID()})
	if err != nil {
		t.Fatal(err)
	}
	for range 25 {
		q.draft(t, client)
	}
	var found []string
	for token, pages := "", 0; ; pages++ {
		page, err := services.consultation.ListConsultations(ctx, &pb.ListConsultationsRequest{Parent: client, PageSize: 1, PageToken: token})
		if err != nil || pages > 26 {
			t.Fatalf("page %d: %v", pages, err)
		}
		for _, c := range page.Consultations {
			found = append(found, c.Name)
		}
		if token = page.NextPageToken; token == "" {
			break
		}
	}
	if len(found) != 1 || found[0] != own.Consultation.Name {
		t.Errorf("found %v, not %s alone", found, own.Consultation.Name)
	}
}

// TestServiceInOneSalon: a visit that belongs to a confined till goes through,
// also when the decision behind its session was made in another salon.
func TestServiceInOneSalon(t *testing.T) {
	t.Parallel()
	q := newTwoSalons(t)
	refused := q.names.refusal
	// An unconfined practitioner moves next door and begins all the same.
	session := must(t, q.amara, q.processing.StartSession, &pb.StartSessionRequest{Parent: parent(refused.Name), Decision: refused.Name,
		UnderWay: true, Salon: q.south, Practitioner: q.amara.name, RequestId: newID()}).Session
	closing := brokenOff(session)
	answer, err := newStubs(q.conn).outcome.RecordOutcome(q.calling(t, q.till, q.south), closing)
	if err != nil || answer.Outcome.Session != session.Name {
		t.Errorf("the till of the salon cannot close the service: %v", err)
	}
	_, err = newStubs(q.conn).eligibility.GetDecision(q.calling(t, q.till, q.south), &pb.GetDecisionRequest{Name: refused.Name})
	wantError(t, "the decision of the other salon", err, codes.NotFound, "NOT_FOUND")
}

// TestWholeChainCalls: a caller who is limited to salons cannot make calls about the
// whole chain.
func TestWholeChainCalls(t *testing.T) {
	t.Parallel()
	q := newTwoSalons(t)
	before := q.tableDigests(t)
	tried := 0
	for _, r := range contract() {
		q := q.of(r)
		example := q.example(t, r)
		if !r.access().WholeChain || example.who.role == pb.Role_ROLE_OPERATOR {
			continue
		}
		tried++
		_, err := newStubs(q.conn).askIn(q.calling(t, example.who, q.salon), r, blank(r.Input()))
		wantError(t, string(r.Name()), err, codes.PermissionDenied, "WHOLE_CHAIN_ONLY")
	}
	if tried < 12 {
		t.Errorf("only %d calls are about the whole chain", tried)
	}
	wantSame(t, before, q.tableDigests(t))
}
