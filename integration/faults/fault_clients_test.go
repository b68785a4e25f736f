package faults

import (
	"context"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
)

// quickPings makes a database and a server that soon notices a client that has
// vanished.
func quickPings(w *world) {
	w.nodes = []*postgres{startPostgres(w.t)}
	w.addServers(1, serverConfig{PingInterval: time.Second, PingTime: time.Second})
}

const (
	// idleStreams is how many streams are open and quiet at the same time.
	idleStreams = 1000
	// streamsEach is how many of them one connection has: the limit of the server.
	streamsEach = 200
	// streamBytes is how much memory of the server one quiet stream may take; our
	// own choice. 64 kB are the window of its connection, shared by 200 of them.
	streamBytes = 200 << 10
	// memorySlack is for everything else that the server does meanwhile.
	memorySlack = 100 << 20
)

// stallClients opens 1,000 quiet streams, then streams that nobody reads, and then
// lets all clients vanish without a word. Calls of others are served all the time,
// memory is bounded, and in the end the server has forgotten the streams.
func stallClients(w *world) {
	s := w.servers[0]
	session := w.readableSession()
	front := newProxy(w.t, s.cfg.Address, false)
	before := gauge(s, "process_resident_memory_bytes")
	connections, goroutines := gauge(s, "alkalog_connections_open"), gauge(s, "go_goroutines")
	ctx, hangUp := context.WithCancel(context.Background())
	defer hangUp()
	for range idleStreams / streamsEach {
		w.openStreams(ctx, front.addr(), session, streamsEach)
	}
	w.recovered(soonest)
	used := gauge(s, "process_resident_memory_bytes") - before
	w.t.Logf("%d quiet streams: %.0f MB of memory, %.0f goroutines", idleStreams, used/(1<<20), gauge(s, "go_goroutines")-goroutines)
	if used > idleStreams*streamBytes+memorySlack {
		w.t.Errorf("%d quiet streams take %.0f MB", idleStreams, used/(1<<20))
	}
	w.neverRead(ctx, front.addr(), session, 20)
	w.recovered(soonest)
	front.freeze() // no FIN, no reset: the server hears nothing any more
	w.wait("the server to give up clients that have vanished", func() bool {
		return gauge(s, "alkalog_connections_open") <= connections
	})
	w.wait("the server to end their streams", func() bool {
		return gauge(s, "go_goroutines") <= goroutines+100 // those of calls under way
	})
	w.recovered(soonest)
	front.cut()
}

// readableSession finds a session of the clients' work whose client has not been
// erased.
func (w *world) readableSession() string {
	w.t.Helper()
	db := w.pg().db()
	defer db.Close()
	processing, name := pb.NewProcessingServiceClient(w.probes[0].conn), ""
	w.wait("a session", func() bool {
		var chain, client, id string
		if db.QueryRow("select chain, parent, id from sessions order by random() limit 1").Scan(&chain, &client, &id) != nil {
			return false
		}
		name = fmt.Sprintf("chains/%s/clients/%s/sessions/%s", chain, client, id)
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		_, err := processing.GetSession(withCaller(ctx, tillOf(name)), &pb.GetSessionRequest{Name: name})
		return err == nil
	})
	return name
}

// tillOf is the identity of a till of the chain of a session.
func tillOf(session string) string {
	return fmt.Sprintf("role=till name=chains/%s/tills/desk-faults", strings.Split(session, "/")[1])
}

// dialOnce makes one connection of its own.
func (w *world) dialOnce(address string) *grpc.ClientConn {
	w.t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() { conn.Close() })
	return conn
}

// openStreams watches a session n times over one connection, and reads the first
// message of each. When the client of the session is erased meanwhile, it goes on
// with another session.
func (w *world) openStreams(ctx context.Context, address, session string, n int) {
	w.t.Helper()
	processing := pb.NewProcessingServiceClient(w.dialOnce(address))
	for opened := 0; opened < n; {
		stream, err := processing.WatchSession(withCaller(ctx, tillOf(session)), &pb.WatchSessionRequest{Name: session})
		if err == nil {
			_, err = stream.Recv()
		}
		switch {
		case err == nil:
			opened++
		case status.Code(err) == codes.NotFound:
			session = w.readableSession()
		default:
			w.t.Fatalf("a quiet stream: %v", err)
		}
	}
}

// neverRead begins n exports of the log over one connection and reads none.
func (w *world) neverRead(ctx context.Context, address, session string, n int) {
	w.t.Helper()
	chain := "chains/" + strings.Split(session, "/")[1]
	audit := pb.NewAuditServiceClient(w.dialOnce(address))
	for range n {
		if _, err := audit.ExportEntries(withCaller(ctx, "role=auditor name="+chain+"/auditors/vesna"), &pb.ExportEntriesRequest{Parent: chain}); err != nil {
			w.t.Fatalf("a stream that nobody reads: %v", err)
		}
	}
}

// gauge is a figure of a server's metrics; 0 if it is not there.
func gauge(s *server, name string) float64 { return figure(metrics(s.cfg.Metrics), name) }

// figure finds a figure in metrics, summed over its labels.
func figure(text, name string) float64 {
	total := 0.0
	for _, m := range regexp.MustCompile(`(?m)^`+name+`(?:\{.*\})? (\S+)$`).FindAllStringSubmatch(text, -1) {
		if n, err := strconv.ParseFloat(m[1], 64); err == nil {
			total += n
		}
	}
	return total
}

// openFiles counts the file descriptors of a process.
func openFiles(pid int) int {
	files, _ := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	return len(files)
}
