package serve

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"

	pb "alkalog/proto/alkalogv1"
)

func TestHealthIsOpenToAll(t *testing.T) {
	t.Parallel()
	_, conn := bareServer(t)
	health := healthpb.NewHealthClient(conn)
	for _, service := range append(serviceNames(), "") {
		answer, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{Service: service})
		if err != nil || answer.Status != healthpb.HealthCheckResponse_SERVING {
			t.Errorf("health of %q: %v, %v", service, answer, err)
		}
	}
	_, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{Service: "alkalog.v1.Unheard"})
	wantError(t, err, codes.NotFound, "")
}

// serviceNames are the services of the contract.
func serviceNames() []string {
	var names []string
	for _, m := range contractMethods() {
		if name := string(m.Parent().FullName()); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}

func TestReflectionListsTheServices(t *testing.T) {
	t.Parallel()
	_, conn := bareServer(t)
	stream, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	list := &reflectionpb.ServerReflectionRequest_ListServices{}
	if err := stream.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: list}); err != nil {
		t.Fatal(err)
	}
	answer, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range answer.GetListServicesResponse().GetService() {
		got = append(got, s.Name)
	}
	want := append(serviceNames(), "grpc.health.v1.Health", "grpc.reflection.v1.ServerReflection")
	slices.Sort(want)
	if !slices.Equal(got, want) || len(want) != 12 {
		t.Errorf("listed: %v, want %v", got, want)
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
}

// TestDrainOrder: at Stop health says NOT_SERVING first; streams are told to
// resume; a call under way is finished; and only then is the server gone.
func TestDrainOrder(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	watch, err := healthpb.NewHealthClient(b.conn).Watch(t.Context(), &healthpb.HealthCheckRequest{Service: "alkalog.v1.ProcessingService"})
	if err != nil {
		t.Fatal(err)
	}
	wantHealth(t, watch, healthpb.HealthCheckResponse_SERVING)
	session, err := b.process.WatchSession(as(t, "till"), &pb.WatchSessionRequest{Name: "chains/ebb/clients/c/sessions/s"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := session.Recv(); err != nil {
		t.Fatal(err)
	}
	unary := make(chan error, 1)
	go func() {
		_, err := b.directory.GetSalon(as(t, "manager"), &pb.GetSalonRequest{Name: "chains/ebb/salons/north"})
		unary <- err
	}()
	<-b.odd.entered

	go b.server.Stop(context.Background())
	wantHealth(t, watch, healthpb.HealthCheckResponse_NOT_SERVING)
	_, err = session.Recv()
	wantError(t, err, codes.Unavailable, "SERVER_LEAVING", "resume")
	select {
	case err := <-unary:
		t.Fatalf("a call under way was not waited for: %v", err)
	case <-b.server.ended:
		t.Fatal("the server has ended with a call under way")
	default:
	}
	close(b.odd.finish)
	if err := <-unary; err != nil {
		t.Errorf("a call under way was cut: %v", err)
	}
	if err := b.server.Wait(); err != nil {
		t.Errorf("Wait after Stop: %v", err)
	}
	b.server.Stop(context.Background()) // again
	if strings.Contains(b.log.String(), "canceling calls under way") {
		t.Error("calls were cut")
	}
}

func wantHealth(t *testing.T, watch grpc.ServerStreamingClient[healthpb.HealthCheckResponse], want healthpb.HealthCheckResponse_ServingStatus) {
	t.Helper()
	if answer, err := watch.Recv(); err != nil || answer.Status != want {
		t.Errorf("health: %v, %v, want %v", answer, err, want)
	}
}

// TestHardStop: a call that does not end does not keep the server.
func TestHardStop(t *testing.T) {
	t.Parallel()
	for what, stop := range map[string]func(b *testServer){
		"after the drain time": func(b *testServer) { b.server.Stop(context.Background()) },
		"with the caller's patience": func(b *testServer) {
			ctx, cancel := context.WithCancel(context.Background())
			cancel()
			b.server.Stop(ctx)
		},
	} {
		drain := time.Hour
		if what == "after the drain time" {
			drain = time.Millisecond
		}
		b := newTestServer(t, func(c *Config) { c.Limits.DrainTime = drain })
		ended := make(chan error, 1)
		go func() {
			_, err := b.directory.GetSalon(as(t, "manager"), &pb.GetSalonRequest{Name: "chains/ebb/salons/north"})
			ended <- err
		}()
		<-b.odd.entered
		stop(b)
		wantError(t, <-ended, codes.Unavailable, "")
		if !strings.Contains(b.log.String(), "canceling calls under way") {
			t.Errorf("%s: no call was canceled", what)
		}
	}
}

func TestOneAddressOneServer(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	cfg, err := Config{Address: b.server.Addr(), DataDir: "none"}.complete()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := listen(cfg, database{}, registerUnimplemented); err == nil || !strings.Contains(err.Error(), "address already in use") {
		t.Errorf("a second server on the address: %v", err)
	}
}
