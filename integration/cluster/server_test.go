package cluster

import (
	"bytes"
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"
	_ "google.golang.org/grpc/health" // client-side health checks, which routing reads
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/resolver"
	"google.golang.org/grpc/resolver/manual"

	"alkalog/storage"
)

// site is an installation: a directory with the keys, and how its servers reach the
// database.
type site struct {
	dir string
	// dsn reaches the database as a role, past poolers and proxies.
	dsn func(role string) string
}

// newSite makes the directory and the keys.
func newSite(t testing.TB, dsn func(role string) string) *site {
	t.Helper()
	s := &site{dir: keptDir(t), dsn: dsn}
	s.run(t, alkalog(t), "keys", "--dir", filepath.Join(s.dir, "keys"))
	return s
}

// run runs a command of the program, which must succeed, and returns its output.
func (s *site) run(t testing.TB, program string, args ...string) string {
	t.Helper()
	text, err := s.try(program, args...)
	if err != nil {
		t.Fatalf("%s: %v: %s", strings.Join(args, " "), err, text)
	}
	return text
}

// try runs a command of the program and returns its output.
func (s *site) try(program string, args ...string) (string, error) {
	var text bytes.Buffer
	ctx, cancel := context.WithTimeout(context.Background(), waitTimeout)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Stdout, cmd.Stderr = &text, &text
	err := cmd.Run()
	return text.String(), err
}

// server is a server of a site, with state files of its own, on an address that it keeps
// when it is started again.
type server struct {
	*process
	site     *site
	name     string
	address  string
	database string
	conn     *grpc.ClientConn
}

// newServer describes a server, which is not started yet.
func (s *site) newServer(t testing.TB, name, database string) *server {
	t.Helper()
	v := &server{site: s, name: name, address: freeAddress(t), database: database}
	var err error
	if v.conn, err = grpc.NewClient(v.address, grpc.WithTransportCredentials(insecure.NewCredentials())); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { v.conn.Close() })
	return v
}

// args are the arguments of the server's command.
func (v *server) args(command string) []string {
	file := func(name string) string { return filepath.Join(v.site.dir, v.name+"."+name) }
	return []string{command, "--address", v.address, "--database", v.database, "--keys-dir", filepath.Join(v.site.dir, "keys"),
		"--state-file", file("state"), "--checkpoint-file", file("checkpoints"), "--erasure-file", file("erased")}
}

// start starts a program as the server and waits until it is ready.
func (v *server) start(t testing.TB, program string) {
	t.Helper()
	v.process = startProcess(t, v.site.dir, v.name, syscall.SIGKILL, nil, program, v.args("serve")...)
	v.waitReady(t)
}

// supervise starts a program as the server, again and again until it stays, as a service
// manager does.
func (v *server) supervise(t testing.TB, program string) {
	t.Helper()
	eventually(t, v.name+" to stay", func() bool {
		v.process = startProcess(t, v.site.dir, v.name, syscall.SIGKILL, nil, program, v.args("serve")...)
		for v.running() {
			if v.ready() {
				return true
			}
		}
		return false
	})
}

// waitReady waits until the server reports that it can commit a write.
func (v *server) waitReady(t testing.TB) {
	t.Helper()
	eventually(t, v.name+" to be ready", func() bool {
		if !v.running() {
			t.Fatalf("%s ended: %s", v.name, v.said())
		}
		return v.ready()
	})
}

// ready reports whether the server says that it is ready.
func (v *server) ready() bool {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	answer, err := healthpb.NewHealthClient(v.conn).Check(ctx, &healthpb.HealthCheckRequest{Service: "readiness"})
	return err == nil && answer.Status == healthpb.HealthCheckResponse_SERVING
}

// stop ends the server in order, as a service manager does.
func (v *server) stop(t testing.TB) {
	t.Helper()
	v.signal(syscall.SIGTERM)
	select {
	case <-v.ended:
	case <-time.After(waitTimeout):
		t.Fatalf("%s does not stop: %s", v.name, v.said())
	}
	if state := v.cmd.ProcessState; !state.Success() {
		t.Errorf("%s stopped with %v: %s", v.name, state, v.said())
	}
}

// routing is the service configuration that TOPOLOGIES.md gives to clients: calls are spread
// over the servers that are ready.
const routing = `{"loadBalancingConfig": [{"round_robin": {}}], "healthCheckConfig": {"serviceName": "readiness"}}`

// dial connects to several servers as a till does.
func dial(t testing.TB, routing string, servers ...*server) *grpc.ClientConn {
	t.Helper()
	addresses := manual.NewBuilderWithScheme("servers")
	var list []resolver.Address
	for _, v := range servers {
		list = append(list, resolver.Address{Addr: v.address})
	}
	addresses.InitialState(resolver.State{Addresses: list})
	conn, err := grpc.NewClient(addresses.Scheme()+":///alkalog", grpc.WithResolvers(addresses),
		grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultServiceConfig(routing),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 2 * time.Second}, MinConnectTimeout: 2 * time.Second}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// wantSound checks the database with the operator's own commands: every entry and record
// is as it was signed and stored, and every decision is made again as it was.
func (s *site) wantSound(t testing.TB) {
	t.Helper()
	common := []string{"--database", s.dsn(storage.RoleServer), "--keys-dir", filepath.Join(s.dir, "keys")}
	s.run(t, alkalog(t), append([]string{"audit", "verify", "--records"}, common...)...)
	s.run(t, alkalog(t), append([]string{"replay", "--all"}, common...)...)
}

// dsn is the connection string of a role on several addresses.
func dsn(role, database string, addresses ...string) string {
	var hosts, ports []string
	for _, a := range addresses {
		hosts, ports = append(hosts, "127.0.0.1"), append(ports, port(a))
	}
	return fmt.Sprintf("host=%s port=%s user=%s dbname=%s sslmode=disable connect_timeout=3", strings.Join(hosts, ","), strings.Join(ports, ","), role, database)
}
