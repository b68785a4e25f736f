package integration

import (
	"context"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
)

// The promise: an entry has the proven identity of the actor and of the till, not the
// claimed one.

func TestEntriesSayWhoAndAtWhichTill(t *testing.T) {
	t.Parallel()
	g := newGuarded(t)
	desk := g.salon + "/tills/front-desk"
	at := g.connect(t, g.Transport(t, g.Certificate(t, desk)))
	token := g.Token(t, "practitioner", g.amara.name)
	check := rpcNamed("CheckEligibility")
	for _, c := range []struct {
		what string
		conn *grpc.ClientConn
		said string // by the header
		want string
	}{
		{"at a till that proves it", at, "", desk},
		{"at a till that proves it and says so", at, desk, desk},
		{"at a till that proves it and says another", at, "desk 9", desk},
		{"with a till's word alone", g.plain, "desk 9", "desk 9"},
		{"at no till", g.plain, "", ""},
	} {
		req := g.example(t, check).make(t).(*pb.CheckEligibilityRequest)
		if err := g.checkAt(t, c.conn, c.said, token, req); err != nil {
			t.Fatalf("%s: %v", c.what, err)
		}
		entries := must(t, g.vesna, g.audit.ListEntries, &pb.ListEntriesRequest{Parent: g.name, PageSize: 500}).Entries
		i := slices.IndexFunc(entries, func(e *pb.AuditEntry) bool { return e.RequestId == req.RequestId })
		if i < 0 {
			t.Fatalf("%s: no entry", c.what)
		}
		if e := entries[i]; e.Actor != g.amara.name || e.Role != pb.Role_ROLE_PRACTITIONER || e.Till != c.want || e.TillVersion != "4.2.0" {
			t.Errorf("%s: %s, %v, at %q, version %q", c.what, e.Actor, e.Role, e.Till, e.TillVersion)
		}
	}
	// What a person could be called by is refused, whatever the certificate proves.
	for what, conn := range map[string]*grpc.ClientConn{"a desk of a person's name": g.plain, "the same at a proven till": at} {
		err := g.checkAt(t, conn, g.salon+"/tills/ottoline", token, g.example(t, check).make(t).(*pb.CheckEligibilityRequest))
		wantError(t, what, err, codes.InvalidArgument, "INVALID_FIELD")
	}
	// The name of a till that is proven elsewhere is a word alone here.
	err := g.checkAt(t, g.plain, desk, token, g.example(t, check).make(t).(*pb.CheckEligibilityRequest))
	wantError(t, "the name of a till that is not proven", err, codes.InvalidArgument, "INVALID_FIELD")
}

// checkAt asks for a decision over a connection, at a till that says a name.
func (g guarded) checkAt(t *testing.T, conn *grpc.ClientConn, said, token string, req *pb.CheckEligibilityRequest) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), waitTimeout)
	defer cancel()
	ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token, "alkalog-till-version", "4.2.0")
	if said != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "alkalog-till", said)
	}
	check := rpcNamed("CheckEligibility")
	return conn.Invoke(ctx, check.path(), req, check.answer())
}

// turns is how many calls of a kind follow one another before the next kind has
// its turn.
const turns = 25

// BenchmarkIdentities reports what identification costs: calls by TLS with a token,
// with a certificate, and with both, against development identities in the clear, of a
// read and of a write that is committed. The kinds take turns, and the ratios are of
// their medians.
func BenchmarkIdentities(b *testing.B) {
	g := newGuarded(b)
	desk := g.salon + "/tills/front-desk"
	bearer := "Bearer " + g.Token(b, "practitioner", g.amara.name, func(grant *identity.Grant) { grant.Until = g.Clock().Add(12 * time.Hour) })
	claimed := "Development role=practitioner name=" + g.amara.name
	at := g.connect(b, g.Transport(b, g.Certificate(b, desk)))
	kinds := []struct {
		name string
		conn *grpc.ClientConn
		who  string
	}{{"development", g.conn, claimed}, {"token", g.plain, bearer}, {"token-and-certificate", at, bearer}}
	rpcs := []rpc{rpcNamed("GetSalon"), rpcNamed("CreateClient")}
	took := map[string][]float64{}
	for b.Loop() {
		for _, r := range rpcs {
			for _, kind := range kinds {
				for range turns {
					took[kind.name+string(r.Name())] = append(took[kind.name+string(r.Name())], g.timed(b, kind.conn, kind.who, r))
				}
			}
		}
	}
	for _, r := range rpcs {
		base := median(took["development"+string(r.Name())])
		b.ReportMetric(base, string(r.Name())+"-us")
		for _, kind := range kinds[1:] {
			b.ReportMetric(median(took[kind.name+string(r.Name())])/base, string(r.Name())+"-"+kind.name+"-ratio")
		}
	}
	b.ReportMetric(0, "ns/op") // the whole says nothing
}

// timed makes a call and says how many microseconds it took.
func (g guarded) timed(b *testing.B, conn *grpc.ClientConn, who string, r rpc) float64 {
	b.Helper()
	var req proto.Message = &pb.GetSalonRequest{Name: g.salon}
	if r.Name() == "CreateClient" {
		req = &pb.CreateClientRequest{Parent: g.name, Client: &pb.Client{DisplayName: "Nia"}, RequestId: newID()}
	}
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(b.Context(), "authorization", who), waitTimeout)
	defer cancel()
	began := time.Now()
	if err := conn.Invoke(ctx, r.path(), req, r.answer()); err != nil {
		b.Fatal(err)
	}
	return float64(time.Since(began).Microseconds())
}
