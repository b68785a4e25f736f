package serve

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
)

// registerUnimplemented registers the services with nothing behind them: they answer
// UNIMPLEMENTED to every call that reaches them.
func registerUnimplemented(r grpc.ServiceRegistrar, _ requests) []backgroundLoop {
	pb.RegisterDirectoryServiceServer(r, pb.UnimplementedDirectoryServiceServer{})
	pb.RegisterCatalogServiceServer(r, pb.UnimplementedCatalogServiceServer{})
	pb.RegisterConsultationServiceServer(r, pb.UnimplementedConsultationServiceServer{})
	pb.RegisterEligibilityServiceServer(r, pb.UnimplementedEligibilityServiceServer{})
	pb.RegisterProcessingServiceServer(r, pb.UnimplementedProcessingServiceServer{})
	pb.RegisterOutcomeServiceServer(r, pb.UnimplementedOutcomeServiceServer{})
	pb.RegisterIncidentServiceServer(r, pb.UnimplementedIncidentServiceServer{})
	pb.RegisterImportServiceServer(r, pb.UnimplementedImportServiceServer{})
	pb.RegisterTrainingServiceServer(r, pb.UnimplementedTrainingServiceServer{})
	pb.RegisterAuditServiceServer(r, pb.UnimplementedAuditServiceServer{})
	return nil
}

// bareServer serves them, and returns a client's connection.
func bareServer(t *testing.T) (*Server, *grpc.ClientConn) {
	t.Helper()
	cfg, err := Config{Address: "127.0.0.1:0", DataDir: "none", Development: true,
		Limits: Limits{Quotas: Quotas{CallerRate: 1e9, CallerBurst: 1e9, ChainRate: 1e9, ChainBurst: 1e9, Anonymous: AnonymousQuotas{FailedRate: 1e9, FailedBurst: 1e9}}}}.complete()
	if err != nil {
		t.Fatal(err)
	}
	s, err := listen(cfg, database{}, registerUnimplemented)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Stop(context.Background()) })
	return s, dial(t, s.Addr())
}

// invoke makes any call with an empty request, unary or stream, and returns how
// it ended.
func invoke(ctx context.Context, conn *grpc.ClientConn, method protoreflect.MethodDescriptor) error {
	full := fmt.Sprintf("/%s/%s", method.Parent().FullName(), method.Name())
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, full)
	if err != nil {
		return err
	}
	if err := stream.SendMsg(new(pb.Chain)); err != nil { // an empty message is an empty message of any type
		return err
	}
	if err := stream.CloseSend(); err != nil {
		return err
	}
	return stream.RecvMsg(new(pb.Chain))
}

// TestEveryRoleMayCallWhatTheContractOpens walks every RPC with every role. An
// allowed call gets as far as its empty request being refused, or to the service.
func TestEveryRoleMayCallWhatTheContractOpens(t *testing.T) {
	t.Parallel()
	_, conn := bareServer(t)
	calls, refused := 0, 0
	for _, method := range contractMethods() {
		roles := proto.GetExtension(method.Options(), pb.E_Access).(*pb.Access).GetRoles()
		for number := range pb.Role_name {
			role := pb.Role(number)
			if role == pb.Role_ROLE_UNSPECIFIED {
				continue
			}
			calls++
			got := status.Code(invoke(as(t, identity.RoleName(role)), conn, method))
			allowed := got == codes.InvalidArgument || got == codes.Unimplemented
			if want := slices.Contains(roles, role); allowed != want || !allowed && got != codes.PermissionDenied {
				t.Errorf("%s by a %s: %v, but the contract says allowed: %t", method.FullName(), identity.RoleName(role), got, want)
			}
			if !allowed {
				refused++
			}
		}
	}
	if methods := len(contractMethods()); calls != 7*methods || methods < 40 || refused == 0 {
		t.Errorf("%d calls of %d methods, %d refused: too few were tried", calls, methods, refused)
	}
}

func TestUnknownRoleMayDoNothing(t *testing.T) {
	t.Parallel()
	_, conn := bareServer(t)
	for _, method := range contractMethods() {
		if got := status.Code(invoke(as(t, "owner"), conn, method)); got != codes.Unauthenticated {
			t.Errorf("%s by an owner: %v", method.FullName(), got)
		}
	}
}

// TestMethodWithoutAccessIsClosed takes the option away from a method.
func TestMethodWithoutAccessIsClosed(t *testing.T) {
	t.Parallel()
	in := &interceptors{accessByMethod: map[string]*pb.Access{"/alkalog.v1.AuditService/Nothing": {}}}
	for _, method := range []string{"/alkalog.v1.AuditService/Nothing", "/alkalog.v1.AuditService/Unheard"} {
		for number := range pb.Role_name {
			c := &call{method: method}
			c.actor.Role = pb.Role(number)
			err := in.authorize(t.Context(), c, func(context.Context) error { return nil })
			wantError(t, err, codes.PermissionDenied, "ROLE_NOT_ALLOWED")
		}
	}
}
