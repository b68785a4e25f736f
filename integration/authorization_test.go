package integration

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
	"alkalog/server/identity/identitytest"
	"alkalog/server/serve"
	"alkalog/storage"
)

// The promise: every caller may call exactly what the contract says, from any
// connection and with any proof, and a refused call changes nothing.

// caller is somebody with a role, and the proof of it.
type caller struct {
	role  pb.Role
	from  string // own chain, own salon, another salon, another chain, or what is wrong with the proof
	token string
	conn  *grpc.ClientConn
	door  webDoor // as an alternative to conn; see overWeb
	form  webForm
}

// right reports whether the proof identifies a caller.
func (p caller) right() bool {
	return strings.HasPrefix(p.from, "own") || strings.HasPrefix(p.from, "another")
}

// guarded is a server that accepts proven identities only, on the database of a
// fixture.
type guarded struct {
	*fixture
	*identitytest.Installation
	other string // another salon of the chain
	plain *grpc.ClientConn
	addr  string
	web   string // address of the web door

	plainDoor webDoor // without a certificate
}

// newGuarded starts one.
func newGuarded(t testing.TB) guarded {
	t.Helper()
	s := newTestServer(t)
	g := guarded{fixture: s.newWholeFixture(t, "ebb-and-flow"), Installation: identitytest.New(t, s.clock.Now)}
	s.newChain(t, "low-tide")
	g.other = g.name + "/salons/mill-lane"
	revoked := []string{"operators/left"}
	for _, c := range []*chain{g.chain, g.school.chain} {
		must(t, c.odile, g.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: last(g.other), RequestId: newID(),
			Salon: &pb.Salon{DisplayName: "Mill Lane", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK}})
		revoked = append(revoked, c.name+"/practitioners/left", c.name+"/auditors/left", c.salon+"/tills/left")
	}
	g.Revoke(t, revoked...)
	server, err := serve.Start(t.Context(), serve.Config{
		Address: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys, Clock: s.clock.Now,
		TLSCert: g.TLSCert, TLSKey: g.TLSKey, ClientCA: g.ClientCA, JWKS: g.JWKS, Revoked: g.Installation.Revoked,
		WebAddress: "127.0.0.1:0",
		Limits:     serve.Limits{Quotas: unlimitedQuotas()},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		server.Stop(context.Background())
		if err := server.Wait(); err != nil {
			t.Error(err)
		}
	})
	g.addr, g.web = server.Addr(), server.WebAddr()
	g.plain, g.plainDoor = g.connect(t, g.Transport(t)), g.connectWeb(g.ClientTLS(t))
	return g
}

// connect opens a connection that a certificate may come with.
func (g guarded) connect(t testing.TB, creds credentials.TransportCredentials) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(g.addr, append(checkingErrors(t), grpc.WithTransportCredentials(creds))...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// connectWeb returns a client of the web door with a certificate, over HTTP/2.
func (g guarded) connectWeb(line *tls.Config) webDoor {
	return newWebDoor("https://"+g.web, &http.Transport{TLSClientConfig: line, ForceAttemptHTTP2: true})
}

// nameOf is the resource name of a caller in a role, in a chain and, for a till, a
// salon.
func nameOf(role pb.Role, chain, salon, id string) string {
	switch role {
	case pb.Role_ROLE_TILL:
		return salon + "/tills/" + id
	case pb.Role_ROLE_AUDITOR:
		return chain + "/auditors/" + id
	case pb.Role_ROLE_OPERATOR:
		return "operators/" + id
	}
	return chain + "/practitioners/" + id
}

// ownID is the id of the caller in a role in the fixture.
func ownID(role pb.Role) string {
	return map[pb.Role]string{pb.Role_ROLE_TILL: "front-desk", pb.Role_ROLE_STUDENT: "teo", pb.Role_ROLE_PRACTITIONER: "amara",
		pb.Role_ROLE_SUPERVISOR: "imara", pb.Role_ROLE_MANAGER: "odile", pb.Role_ROLE_AUDITOR: "vesna", pb.Role_ROLE_OPERATOR: "site"}[role]
}

// proofs are all that callers in a role may come with, right and wrong.
func (g guarded) proofs(t *testing.T, role pb.Role) []caller {
	t.Helper()
	word, id := identity.RoleName(role), ownID(role)
	own := nameOf(role, g.name, g.salon, id)
	confined := func(salons ...string) func(*identity.Grant) {
		return func(grant *identity.Grant) { grant.Salons = salons }
	}
	// The walk takes days by the salon's clock.
	token := func(name string, change ...func(*identity.Grant)) string {
		return g.Token(t, word, name, append(change, func(grant *identity.Grant) { grant.Until = grant.From.AddDate(0, 0, 30) })...)
	}
	by := func(from, token string) caller {
		return caller{role: role, from: from, token: token, conn: g.plain, door: g.plainDoor}
	}
	all := []caller{by("nowhere: no identity", ""), by("nowhere: revoked", token(nameOf(role, g.name, g.salon, "left")))}
	forged := g.BadTokens(t, word, own)
	for _, what := range []string{"expired", "another audience", "another issuer", "not signed", "the key set as a shared secret",
		"another key under this one's name", "an unknown key", "a changed claim"} {
		if forged[what] == "" {
			t.Fatalf("no token is made with %s", what)
		}
		all = append(all, by("nowhere: "+what, forged[what]))
	}
	switch role {
	case pb.Role_ROLE_OPERATOR:
		return append(all, by("own chain", token(own)))
	case pb.Role_ROLE_TILL:
		all = append(all, by("own salon", token(own)), by("another salon", token(nameOf(role, g.name, g.other, id))))
		all = append(all, g.tillProofs(t, own)...)
	default:
		all = append(all, by("own chain", token(own)), by("own salon", token(own, confined(g.salon))),
			by("another salon", token(own, confined(g.other))))
	}
	return append(all, by("another chain", token(nameOf(role, "chains/low-tide", "chains/low-tide/salons/north-quay", id))))
}

// allProofs are those of all roles.
func (g guarded) allProofs(t *testing.T) (all []caller) {
	t.Helper()
	for number := range pb.Role_name {
		if role := pb.Role(number); role != pb.Role_ROLE_UNSPECIFIED {
			all = append(all, g.proofs(t, role)...)
		}
	}
	return all
}

// inSchool is the same server for callers of the school.
func (g guarded) inSchool() guarded {
	g.fixture, g.other = g.school, g.school.name+"/salons/mill-lane"
	return g
}

// lasting is a certificate that is valid for the whole test.
func (g guarded) lasting(t *testing.T, name string) tls.Certificate {
	t.Helper()
	return g.CertificateUntil(t, name, g.Clock().AddDate(0, 0, 30))
}

// tillProofs are the certificates that tills come with.
func (g guarded) tillProofs(t *testing.T, own string) []caller {
	t.Helper()
	foreign := identitytest.NewAuthority(t, g.Clock)
	pair, err := foreign.Client(own, g.Clock().Add(-time.Hour), g.Clock().AddDate(0, 0, 30))
	if err != nil {
		t.Fatal(err)
	}
	var all []caller
	for from, line := range map[string]*tls.Config{
		"own salon, by certificate":               g.ClientTLS(t, g.lasting(t, own)),
		"another salon, by certificate":           g.ClientTLS(t, g.lasting(t, g.other+"/tills/front-desk")),
		"another chain, by certificate":           g.ClientTLS(t, g.lasting(t, "chains/low-tide/salons/north-quay/tills/front-desk")),
		"nowhere: an expired certificate":         g.ClientTLS(t, g.CertificateUntil(t, own, g.Clock().Add(-time.Minute))),
		"nowhere: a certificate of another's":     g.ClientTLS(t, identitytest.Load(t, pair)),
		"nowhere: the certificate of a till gone": g.ClientTLS(t, g.lasting(t, g.salon+"/tills/left")),
	} {
		all = append(all, caller{role: pb.Role_ROLE_TILL, from: from, conn: g.connect(t, credentials.NewTLS(line)), door: g.connectWeb(line)})
	}
	return all
}

// ask makes a call with a proof; of a stream it takes the first message.
func (p caller) ask(r rpc, req proto.Message) error {
	ctx, cancel := context.WithTimeout(context.Background(), waitTimeout)
	defer cancel()
	if p.token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+p.token)
	}
	if p.form != "" {
		_, err := p.door.ask(ctx, p.form, r, req)
		return err
	}
	if !r.IsStreamingServer() {
		return p.conn.Invoke(ctx, r.path(), req, r.answer())
	}
	stream, err := p.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, r.path())
	if err != nil {
		return err
	}
	if err := errors.Join(stream.SendMsg(req), stream.CloseSend()); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if err = stream.RecvMsg(r.answer()); errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// expected is how a call must end: in a code with a reason, or, if the code is OK, in
// whatever the service itself answers.
func expected(p caller, r rpc, req proto.Message) (codes.Code, string) {
	access := r.access()
	switch {
	case !p.right():
		return codes.Unauthenticated, "UNAUTHENTICATED"
	case !slices.Contains(access.Roles, p.role):
		return codes.PermissionDenied, "ROLE_NOT_ALLOWED"
	case strings.Contains(p.from, "salon") && access.WholeChain,
		strings.HasPrefix(p.from, "another chain") && p.role == pb.Role_ROLE_TILL && access.WholeChain:
		return codes.PermissionDenied, "WHOLE_CHAIN_ONLY"
	case p.from == "another salon" && r.Name() == "OverrideDecision" && p.role != pb.Role_ROLE_SUPERVISOR:
		// The example is an override by the supervisor, and whom a caller acts for
		// is looked at before anything is read.
		return codes.PermissionDenied, "ACTING_FOR_ANOTHER"
	case strings.HasPrefix(p.from, "another chain") && len(namesIn(req)) > 0, strings.HasPrefix(p.from, "another salon") && inSalon(req.ProtoReflect()):
		return codes.NotFound, "NOT_FOUND"
	}
	return codes.OK, ""
}

// inSalon reports whether a message names something that belongs to a salon. In the
// fixture everything belongs to the first one.
func inSalon(m protoreflect.Message) (found bool) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		for _, part := range strings.Fields("/salons/ /consultations/ /decisions/ /sessions/ /outcomes/ /incidents/") {
			switch {
			case f.Kind() == protoreflect.StringKind && !f.IsList():
				found = found || strings.HasPrefix(v.String(), "chains/") && strings.Contains(v.String(), part)
			case f.Kind() == protoreflect.StringKind:
				for i := range v.List().Len() {
					found = found || strings.Contains(v.List().Get(i).String(), part)
				}
			case f.Message() != nil && !f.IsList() && !f.IsMap():
				found = found || inSalon(v.Message())
			}
		}
		return !found
	})
	return found
}

// TestWhoMayDoWhat walks every RPC with every role and every proof, on the gRPC
// listener.
func TestWhoMayDoWhat(t *testing.T) {
	t.Parallel()
	newGuarded(t).walk(t, "")
}

// TestWhoMayDoWhatOverTheWeb walks the same over the web door, in its forms in turn.
func TestWhoMayDoWhatOverTheWeb(t *testing.T) {
	t.Parallel()
	newGuarded(t).walk(t, webForms...)
}

// walk makes every call with every proof, in the forms in turn; "" is the gRPC
// listener.
func (g guarded) walk(t *testing.T, forms ...webForm) {
	t.Helper()
	cells, letIn := 0, 0
	salons, schools := g.allProofs(t), g.inSchool().allProofs(t)
	for _, r := range contract() {
		g, all := g, salons
		if r.inSchool() {
			g, all = g.inSchool(), schools
		}
		req := g.example(t, r).make(t)
		before := g.written(t)
		for i, p := range all {
			p.form = forms[(cells+i)%len(forms)]
			cells++
			if code, reason := expected(p, r, req); code != codes.OK {
				g.wantRefusal(t, p, r, req, code, reason)
			}
		}
		if after := g.written(t); after != before {
			t.Errorf("%s: who was turned away has written\n%s\nbefore\n%s", r.Name(), after, before)
		}
		for i, p := range all {
			if code, _ := expected(p, r, req); code == codes.OK {
				p.form = forms[(letIn+i)%len(forms)]
				letIn++
				g.wantLetIn(t, p, r, g.example(t, r).make(t))
			}
		}
	}
	t.Logf("%d cells, %d of them let in", cells, letIn)
	if cells < 3000 || letIn < 300 {
		t.Errorf("only %d cells with %d let in", cells, letIn)
	}
}

// wantRefusal checks that a refused caller gets the expected code and reason.
func (g guarded) wantRefusal(t *testing.T, p caller, r rpc, req proto.Message, code codes.Code, reason string) {
	t.Helper()
	err := p.ask(r, req)
	// A certificate that nobody vouches for ends the connection itself.
	broken := status.Code(err) == codes.Unavailable || p.form != "" && reasonOf(err) == "" && err != nil
	cut := strings.Contains(p.from, "certificate") && !p.right() && broken
	if !cut && (status.Code(err) != code || reasonOf(err) != reason) {
		t.Errorf("%s by a %s from %s: %v %s (%v), want %v %s", r.Name(), identity.RoleName(p.role), p.from, status.Code(err), reasonOf(err), err, code, reason)
	}
}

// wantLetIn checks that the call reached the service: it ends with an answer or with an
// error of the service itself.
func (g guarded) wantLetIn(t *testing.T, p caller, r rpc, req proto.Message) {
	t.Helper()
	err := p.ask(r, req)
	switch code := status.Code(err); {
	case code == codes.OK, code == codes.FailedPrecondition:
	case code == codes.PermissionDenied && slices.Contains([]string{"ACTING_FOR_ANOTHER", "FIELD_NOT_ALLOWED"}, reasonOf(err)):
	default:
		t.Errorf("%s by a %s from %s: %v", r.Name(), identity.RoleName(p.role), p.from, err)
	}
}

// TestEveryBadTokenIsTurnedAway sends each kind of bad token to a server; a good one
// signed with the same key is accepted.
func TestEveryBadTokenIsTurnedAway(t *testing.T) {
	t.Parallel()
	g := newGuarded(t)
	list := rpcNamed("ListSalons")
	req := &pb.ListSalonsRequest{Parent: g.name}
	bad := g.BadTokens(t, "manager", g.odile.name)
	for what, token := range bad {
		err := caller{token: token, conn: g.plain}.ask(list, req)
		if status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", what, err)
		}
		if len(token) > 20 && strings.Contains(fmt.Sprint(err), token[:20]) {
			t.Errorf("%s: the error repeats the token", what)
		}
	}
	if err := (caller{token: g.Token(t, "manager", g.odile.name), conn: g.plain}).ask(list, req); err != nil {
		t.Errorf("a good token: %v", err)
	}
	if len(bad) < 25 {
		t.Errorf("only %d bad tokens", len(bad))
	}
}
