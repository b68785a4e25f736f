package integration

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/storage"
)

// The promise: what a caller can make the server do is bounded.

// nested is a request in which unknown groups are nested so deeply.
func nested(req proto.Message, depth int) raw {
	body, err := proto.Marshal(req)
	if err != nil {
		panic(err) // a message of this program's own
	}
	for range depth {
		body = protowire.AppendTag(body, 15, protowire.StartGroupType)
	}
	for range depth {
		body = protowire.AppendTag(body, 15, protowire.EndGroupType)
	}
	return body
}

// TestDeepRequestsAreRefused: a message 10,000 deep is the caller's mistake, and
// so is one that is any deeper than the contract.
func TestDeepRequestsAreRefused(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	st := s.newFixture(t, "ebb-and-flow")
	requests := map[rpc]proto.Message{}
	for _, name := range []string{"GetClient", "CreateClient", "RecordEvents", "WatchSession", "ExportEntries"} {
		requests[rpcNamed(name)] = st.example(t, rpcNamed(name)).make(t)
	}
	before := s.tableDigests(t)
	for r, req := range requests {
		for _, depth := range []int{1, 60, 70, 9_999, 10_000, 100_000} {
			sent := nested(req, depth)
			_, err := s.ask(t, st.example(t, r).who, r, sent, grpc.ForceCodecV2(rawCodec{encoding.GetCodecV2("proto")}))
			wantError(t, fmt.Sprint(r.Name(), " ", depth, " deep"), err, codes.InvalidArgument, "INVALID_FIELD")
		}
	}
	wantSame(t, before, s.tableDigests(t))
	if _, err := s.ask(t, st.vesna, rpcNamed("GetSession"), &pb.GetSessionRequest{Name: st.names.session}); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}

// TestStatementsEndBeforeTheirCalls: the database ends a statement before the deadline
// of its call, and a statement of a call that was given up does not continue.
func TestStatementsEndBeforeTheirCalls(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	server, err := serve.Start(t.Context(), serve.Config{
		Address: "127.0.0.1:0", Database: s.database.DSN(storage.RoleServer), KeysDir: s.keys, Clock: s.clock.Now, Development: true,
		Limits: serve.Limits{CallTime: 500 * time.Millisecond, Quotas: unlimitedQuotas()},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Stop(context.Background()) })
	locked, err := s.sql.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { locked.Rollback() })
	if _, err := locked.Exec("lock table salons in access exclusive mode"); err != nil {
		t.Fatal(err)
	}
	get := &pb.GetSalonRequest{Name: c.salon}
	patient := dial(t, server.Addr())
	_, err = patient.directory.GetSalon(c.odile.calling(t), get)
	wantError(t, "with a long deadline", err, codes.Unavailable, "DATABASE_UNAVAILABLE")
	hasty, cancel := context.WithTimeout(c.odile.calling(t), 200*time.Millisecond)
	defer cancel()
	_, err = c.directory.GetSalon(hasty, get) // on a server whose statements may take 8 s
	wantError(t, "with a short deadline", err, codes.DeadlineExceeded, "")
	eventually(t, "the statement to be cancelled", func() bool {
		var waiting int
		if err := s.sql.QueryRow(`select count(*) from pg_stat_activity
			where datname = current_database() and wait_event_type = 'Lock' and query like '%salons%'`).Scan(&waiting); err != nil {
			t.Fatal(err)
		}
		return waiting == 0
	})
	if err := locked.Rollback(); err != nil {
		t.Fatal(err)
	}
	if salon := must(t, c.odile, c.directory.GetSalon, get).Salon; !strings.HasSuffix(salon.Name, "north-quay") {
		t.Errorf("afterwards: %v", salon)
	}
}
