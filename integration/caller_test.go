package integration

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
)

// The promise: a caller can ask how the server identifies it, and the answer is what
// the server enforces.

// describe asks over a caller's connection who it is, with a version of the till.
func (p caller) describe(t *testing.T) *pb.DescribeCallerResponse {
	t.Helper()
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(t.Context(), "alkalog-till-version", "4.2.0"), waitTimeout)
	defer cancel()
	if p.token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+p.token)
	}
	answer, err := pb.NewDirectoryServiceClient(p.conn).DescribeCaller(ctx, &pb.DescribeCallerRequest{})
	if err != nil {
		t.Fatalf("a %v from %s: %v", p.role, p.from, err)
	}
	return answer
}

// TestDescribeCallerSaysWhoAndWhat: for each caller the answer names the proven
// identity; every listed method is permitted, and every other is refused.
func TestDescribeCallerSaysWhoAndWhat(t *testing.T) {
	t.Parallel()
	g := newGuarded(t)
	desk := g.salon + "/tills/front-desk"
	confined := func(grant *identity.Grant) { grant.Salons = []string{g.salon} }
	by := func(who person, change ...func(*identity.Grant)) caller {
		return caller{role: who.role, from: "own chain", token: g.Token(t, identity.RoleName(who.role), who.name, change...), conn: g.plain}
	}
	const directory, catalog, audit = "/alkalog.v1.DirectoryService/", "/alkalog.v1.CatalogService/", "/alkalog.v1.AuditService/"
	for _, c := range []struct {
		what              string
		caller            caller
		name, chain, till string
		salons            []string
		number            string
		days              int32
		allowed, refused  string // one method of each
	}{
		{"a till", caller{role: pb.Role_ROLE_TILL, from: "own salon", conn: g.connect(t, g.Transport(t, g.Certificate(t, desk)))}, desk, g.name, desk,
			[]string{g.salon}, "112", 35, directory + "GetSalon", directory + "GetChain"},
		{"a practitioner", by(g.amara), g.amara.name, g.name, "", nil, "", 35, directory + "GetPractitioner", directory + "CreateSalon"},
		{"an auditor", by(g.vesna), g.vesna.name, g.name, "", nil, "", 35, audit + "ListEntries", catalog + "CreateProduct"},
		{"a manager", by(g.odile), g.odile.name, g.name, "", nil, "", 35, directory + "CreateSalon", directory + "CreateChain"},
		{"a manager of one salon", by(g.odile, confined), g.odile.name, g.name, "", []string{g.salon}, "112", 35, directory + "UpdateSalon", directory + "CreateSalon"},
		{"an operator", by(g.operator), g.operator.name, "", "", nil, "", 0, directory + "CreateChain", directory + "GetSalon"},
	} {
		t.Run(c.what, func(t *testing.T) {
			got := c.caller.describe(t)
			if got.Actor != c.name || got.Role != c.caller.role || got.Chain != c.chain || !slices.Equal(got.Salons, c.salons) ||
				got.Till != c.till || got.TillVersion != "4.2.0" || got.EmergencyNumber != c.number || got.Limits.GetRequestDays() != c.days {
				t.Errorf("is described as %v", got)
			}
			if !slices.Contains(got.Methods, c.allowed) || slices.Contains(got.Methods, c.refused) || !slices.IsSorted(got.Methods) {
				t.Errorf("may call %v; want %s and not %s", got.Methods, c.allowed, c.refused)
			}
			listed := 0
			for _, r := range contract() {
				err := c.caller.ask(r, blank(r.Input())) // an empty request: let in, it is answered or refused as invalid
				in := err == nil || status.Code(err) == codes.InvalidArgument
				if want := slices.Contains(got.Methods, r.path()); in != want || !in && status.Code(err) != codes.PermissionDenied {
					t.Errorf("%s, listed %t, is answered %v", r.path(), want, err)
				}
				if in {
					listed++
				}
			}
			if listed != len(got.Methods) {
				t.Errorf("%d methods are listed, %d of the contract are let in", len(got.Methods), listed)
			}
		})
	}
}

// TestDescribeCallerStatesTheLimitsThatHold: the limits are those that the server is
// configured with, and the request days those of the chain.
func TestDescribeCallerStatesTheLimitsThatHold(t *testing.T) {
	t.Parallel()
	g := newGuarded(t)
	must(t, g.odile, g.directory.UpdateChain, &pb.UpdateChainRequest{RequestId: newID(), UpdateMask: updateMask("retention"),
		Chain: &pb.Chain{Name: g.name, Retention: &pb.Retention{RequestDays: 90}}})
	must(t, g.odile, g.directory.UpdateSalon, &pb.UpdateSalonRequest{RequestId: newID(), UpdateMask: updateMask("emergency_number"),
		Salon: &pb.Salon{Name: g.salon, EmergencyNumber: "999"}})
	desk := g.salon + "/tills/front-desk"
	till := caller{role: pb.Role_ROLE_TILL, from: "own salon", conn: g.connect(t, g.Transport(t, g.Certificate(t, desk)))}
	got := till.describe(t)
	const much = 1 << 30 // as unlimitedQuotas says; all else is the default
	want := &pb.CallerLimits{
		DefaultCallMs: 10_000, MaxCallMs: 60_000, MinCallMs: 50, DefaultStreamMs: (12 * time.Hour).Milliseconds(),
		CallerCallsPerSecond: much, CallerBurstCalls: much, ChainCallsPerSecond: much, ChainBurstCalls: much,
		CallerOpenCalls: much, CallerOpenStreams: much, RequestBytes: 1 << 20, HeaderBytes: 16 << 10,
		DefaultPageSize: 50, MaxPageSize: 500, PageBytes: 1 << 20, RequestDays: 90, HeartbeatMs: 15_000,
	}
	if !proto.Equal(got.Limits, want) {
		t.Errorf("the limits are %v, want %v", got.Limits, want)
	}
	if got.EmergencyNumber != "999" || got.ContractRevision != 2 || fmt.Sprint(got.Languages) != "[en]" {
		t.Errorf("number %q, contract %d, languages %v", got.EmergencyNumber, got.ContractRevision, got.Languages)
	}
	if revision := g.names.refusal.EngineRevision; got.RulesRevision != revision {
		t.Errorf("rules of revision %d, but decisions are made by %d", got.RulesRevision, revision)
	}
	// A till whose salon is not in the directory learns which name is missing.
	lost := caller{role: pb.Role_ROLE_TILL, from: "own chain", conn: g.connect(t, g.Transport(t, g.Certificate(t, g.name+"/salons/lost/tills/front-desk")))}
	err := lost.ask(rpcNamed("DescribeCaller"), &pb.DescribeCallerRequest{})
	wantError(t, "a till of an unknown salon", err, codes.NotFound, "NOT_FOUND")
	if !strings.Contains(fmt.Sprint(err), g.name+"/salons/lost") {
		t.Errorf("the error does not name the salon: %v", err)
	}
}
