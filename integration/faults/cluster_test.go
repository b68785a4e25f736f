package faults

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// cluster is a database and the server processes on it.
type cluster struct {
	database storagetest.Database
	// dsn is the connection string of the servers; empty: that of the database.
	dsn string
	// dir has a directory for each server's files, keys those of all servers.
	dir, keys string
	// binary is the server program.
	binary string
	// settings are set in the environment of every server.
	settings []string
	servers  []*process
}

// newCluster starts servers on a database, which has been migrated.
func newCluster(t testing.TB, database storagetest.Database, binary string, servers int, settings ...string) *cluster {
	t.Helper()
	c := &cluster{database: database, dir: t.TempDir(), keys: newKeys(t), binary: binary, settings: settings}
	for range servers {
		c.add(t)
	}
	return c
}

// serverDSN is the connection string of the servers.
func (c *cluster) serverDSN() string {
	if c.dsn != "" {
		return c.dsn
	}
	return c.database.DSN(storage.RoleServer)
}

// add starts one more server and returns when it listens. Settings are for this server
// alone.
func (c *cluster) add(t testing.TB, settings ...string) *process {
	t.Helper()
	p := &process{binary: c.binary, dir: filepath.Join(c.dir, fmt.Sprint("server-", len(c.servers))), settings: append(append([]string{
		"ALKALOG_KEYS_DIR=" + c.keys, "ALKALOG_DATABASE=" + c.serverDSN()}, c.settings...), settings...)}
	if err := os.Mkdir(p.dir, 0o700); err != nil {
		t.Fatal(err)
	}
	c.servers = append(c.servers, p)
	p.start(t)
	return p
}

// targets are the addresses of all servers, also of those that do not run now: they
// come back at the same address.
func (c *cluster) targets() []target {
	var all []target
	for _, p := range c.servers {
		all = append(all, target{Address: p.addr})
	}
	return all
}

// place is where a run of the cluster is checked.
func (c *cluster) place(t testing.TB) place {
	return place{targets: c.targets(), admin: c.database.SQL(t, ""), dsn: c.serverDSN(), keys: c.keys, binary: c.binary, settings: c.settings}
}

// process is a server process. It can be killed and started again at its address.
type process struct {
	binary, dir string
	settings    []string
	addr        string // empty before the first start

	command *exec.Cmd
	ended   chan struct{}
	mu      sync.Mutex
	log     strings.Builder
}

// listening is the line that says where a server listens.
var listening = regexp.MustCompile(`^alkalog listens on (\S+)`)

// start starts the process and returns when it listens.
func (p *process) start(t testing.TB) {
	t.Helper()
	if err := p.tryStart(t); err != nil {
		t.Fatal(err)
	}
}

// tryStart starts the process and returns when it listens or has failed to.
func (p *process) tryStart(t testing.TB) error {
	address := p.addr
	if address == "" {
		address = "127.0.0.1:0"
	}
	p.command = exec.Command(p.binary, "serve", "--address", address, "--development",
		"--state-file", filepath.Join(p.dir, "state"), "--checkpoint-file", filepath.Join(p.dir, "checkpoints"), "--erasure-file", filepath.Join(p.dir, "erased"))
	p.command.Env = append(os.Environ(), p.settings...)
	// With a pipe of our own the process can be waited for while the log is read.
	out, in, err := os.Pipe()
	if err != nil {
		return err
	}
	p.command.Stderr = in
	if err := p.command.Start(); err != nil {
		return err
	}
	in.Close()
	ended, heard := make(chan struct{}), make(chan string, 1)
	p.ended = ended
	command := p.command
	t.Cleanup(p.kill)
	go func() {
		p.readLog(out, heard)
		command.Wait()
		close(ended)
	}()
	select {
	case p.addr = <-heard:
		return nil
	case <-ended:
		return fmt.Errorf("the server did not start: %s", p.said())
	case <-time.After(time.Minute):
		return fmt.Errorf("the server does not listen after a minute: %s", p.said())
	}
}

// readLog keeps what the server says, and hands over its address once.
func (p *process) readLog(out io.ReadCloser, heard chan<- string) {
	defer out.Close()
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		p.mu.Lock()
		p.log.WriteString(lines.Text() + "\n")
		p.mu.Unlock()
		if found := listening.FindStringSubmatch(lines.Text()); found != nil {
			heard <- found[1]
		}
	}
}

// said is the log of the server so far.
func (p *process) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.log.String()
}

// kill ends the process as a power cut would; it may have ended already.
func (p *process) kill() {
	p.command.Process.Kill()
	<-p.ended
}
