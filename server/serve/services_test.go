package serve

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
	"alkalog/storage"
	"alkalog/storage/storagetest"
)

func TestMain(m *testing.M) { os.Exit(storagetest.Run(m)) }

// realServer is the whole server on a database of its own, with a client.
func realServer(t *testing.T, log *logBuffer) (storagetest.Database, *grpc.ClientConn) {
	t.Helper()
	d := storagetest.NewDatabase(t)
	keys := keys.Installation{Dir: t.TempDir(), Clock: time.Now}
	if _, err := keys.Make(nil); err != nil {
		t.Fatal(err)
	}
	s, err := Start(t.Context(), Config{
		Address: "127.0.0.1:0", Database: d.DSN(storage.RoleServer), KeysDir: keys.Dir, Development: true,
		Logger: slog.New(slog.NewJSONHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug})),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Stop(context.Background()) })
	return d, dial(t, s.Addr())
}

// manager is the context of the manager of a chain.
func manager(t *testing.T, chain string) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return metadata.AppendToOutgoingContext(ctx, "authorization", fmt.Sprintf("Development role=manager name=chains/%s/managers/odile", chain))
}

// found fails the test unless a call went well.
func found[A any](t *testing.T, answer A, err error) A {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return answer
}

// makeChains makes two chains, each with a salon that the other lacks.
func makeChains(t *testing.T, conn *grpc.ClientConn) pb.DirectoryServiceClient {
	t.Helper()
	directory := pb.NewDirectoryServiceClient(conn)
	for chain, salon := range map[string]string{"ebb": "north", "flow": "south"} {
		_, err := directory.CreateChain(as(t, "operator"), &pb.CreateChainRequest{
			ChainId: chain, Chain: &pb.Chain{DisplayName: chain}, RequestId: uuid.NewString()})
		found(t, 0, err)
		_, err = directory.CreateSalon(manager(t, chain), &pb.CreateSalonRequest{
			Parent: "chains/" + chain, SalonId: salon, Salon: &pb.Salon{DisplayName: salon}, RequestId: uuid.NewString()})
		found(t, 0, err)
	}
	return directory
}

// TestForeignNamesAreAnsweredLikeUnknownOnes: whether a name in another chain exists or not,
// and whether a name is another chain's or unknown in the own, the answer is
// the same but for the name itself.
func TestForeignNamesAreAnsweredLikeUnknownOnes(t *testing.T) {
	t.Parallel()
	_, conn := realServer(t, new(logBuffer))
	directory := makeChains(t, conn)
	told := func(name string) string {
		_, err := directory.GetSalon(manager(t, "ebb"), &pb.GetSalonRequest{Name: name})
		wantError(t, err, codes.NotFound, "NOT_FOUND")
		whole, err := protojson.Marshal(status.Convert(err).Proto())
		spaced := strings.ReplaceAll(string(found(t, whole, err)), name, "NAME")
		return strings.ReplaceAll(spaced, " ", "") // protojson's blanks are not stable
	}
	exists, unknown, own := told("chains/flow/salons/south"), told("chains/flow/salons/nowhere"), told("chains/ebb/salons/nowhere")
	if exists != unknown || unknown != own {
		t.Errorf("another chain's salon: %s\none that nobody has: %s\none that we have not: %s", exists, unknown, own)
	}
	if _, err := directory.GetSalon(manager(t, "flow"), &pb.GetSalonRequest{Name: "chains/flow/salons/south"}); err != nil {
		t.Errorf("its own chain sees it not: %v", err)
	}
}

// TestLogOfRealServicesHoldsNothingPersonal takes somebody in, changes them,
// and asks the database for what it cannot do with them.
func TestLogOfRealServicesHoldsNothingPersonal(t *testing.T) {
	t.Parallel()
	log := new(logBuffer)
	d, conn := realServer(t, log)
	makeChains(t, conn)
	clients := pb.NewConsultationServiceClient(conn)
	create := &pb.CreateClientRequest{Parent: "chains/ebb", RequestId: uuid.NewString(),
		Client: &pb.Client{DisplayName: canary, Phone: "555-0117", Email: "ottoline@canary.example"}}
	_, err := clients.CreateClient(manager(t, "ebb"), create)
	found(t, 0, err)
	listed, err := clients.ListClients(manager(t, "ebb"), &pb.ListClientsRequest{Parent: "chains/ebb"})
	client := found(t, listed, err).Clients[0]
	if client.DisplayName != canary {
		t.Fatalf("stored: %v", client)
	}
	client.Phone = "555-0117 ext. 2"
	_, err = clients.UpdateClient(manager(t, "ebb"), &pb.UpdateClientRequest{
		Client: client, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"phone"}}, RequestId: uuid.NewString()})
	found(t, 0, err)
	create.Client.Email = "other@canary.example"
	_, err = clients.CreateClient(manager(t, "ebb"), create)
	wantError(t, err, codes.AlreadyExists, "REQUEST_ID_REUSED")
	if _, err := d.SQL(t, "postgres").Exec("drop table alkalog.clients cascade"); err != nil {
		t.Fatal(err)
	}
	create.RequestId = uuid.NewString()
	_, err = clients.CreateClient(manager(t, "ebb"), create)
	wantError(t, err, codes.Internal, "INTERNAL")
	until(t, "the last call is on the log", func() bool { return strings.Contains(log.String(), `"code":"Internal"`) })
	if len(log.lines(t, "unexpected error")) != 1 {
		t.Error("the error is not on the log")
	}
	for _, personal := range []string{"Canary", "canary", "555-0117"} {
		if strings.Contains(log.String(), personal) {
			t.Errorf("the log holds %q:\n%s", personal, log)
		}
	}
}
