package localpg

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// The name of the socket contains a port number, although nothing listens on that port.
const (
	port       = "5432"
	socketName = ".s.PGSQL." + port
)

// runServer starts postgres and returns when it accepts connections. Backends of a
// killed postmaster hold its shared memory for a moment longer, and postgres rightly
// refuses to start beside them. That refusal, and no other, is retried for up to 30 s.
//
// Any other failure to become ready ends the server that was started, so that Start
// leaves no process behind. The error has the last lines of the log.
func (l launch) runServer(ctx context.Context, socket string) (*child, error) {
	deadline := time.Now().Add(30 * time.Second)
	for {
		cmd := l.who.command(l.home.data, syscall.SIGINT, l.programs.postgres(), l.serverArgs(socket)...)
		server, err := startChild(cmd, l.cfg.Log)
		if err != nil {
			return nil, err
		}
		err = l.home.waitReady(ctx, server)
		if err == nil {
			return server, nil
		}
		if !errors.Is(err, errEndedEarly) {
			endPostgres(server.process, server.done, 10*time.Second)
			return nil, err
		}
		if !strings.Contains(server.log.last(), "is still in use") || time.Now().After(deadline) {
			return nil, server.failure("postgres")
		}
		select {
		case <-ctx.Done():
			return nil, server.failure("postgres")
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// errEndedEarly means that postgres ended before it was ready.
var errEndedEarly = errors.New("postgres ended before it was ready")

// waitReady waits until postgres writes "ready" into its pid file. No connection is
// made for it. A cluster in recovery is ready as a standby.
func (h home) waitReady(ctx context.Context, server *child) error {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-server.done:
			return errEndedEarly
		case <-ctx.Done():
			return fmt.Errorf("waiting for postgres: %w", context.Cause(ctx))
		case <-tick.C:
			pid, status := h.postmaster()
			if pid == server.process.Pid && (status == "ready" || status == "standby") {
				return nil
			}
		}
	}
}

// serverArgs returns the arguments of postgres. If a setting occurs twice, the later
// one applies: first our defaults, then Config.Settings, then what keeps the cluster
// private.
//
// Settings are passed on the command line and not in postgresql.conf: they take
// precedence over the file, and the data directory stays as initdb has made it.
func (l launch) serverArgs(socket string) []string {
	set := []string{
		"timezone=UTC",
		"log_timezone=UTC",
		// Failed statements quote what was typed into them. The session gets
		// its error; the log, which is no place for it, does not.
		"log_min_messages=log",
		"log_min_error_statement=panic",
		"log_error_verbosity=terse",
	}
	if l.cfg.Unsafe {
		set = append(set, "fsync=off", "full_page_writes=off", "autovacuum_naptime=1h")
	}
	for _, name := range slices.Sorted(maps.Keys(l.cfg.Settings)) {
		set = append(set, name+"="+l.cfg.Settings[name])
	}
	set = append(set,
		"listen_addresses=",
		"port="+port,
		"unix_socket_directories="+quoteList(socket),
		"unix_socket_permissions=0700",
		"hba_file="+l.home.hba(),
		"ident_file="+l.home.ident(),
		"logging_collector=off",
		"log_destination=stderr",
	)
	args := []string{"-D", l.home.data}
	for _, s := range set {
		args = append(args, "-c", s)
	}
	return args
}

// quoteList quotes one name of a comma-separated setting.
func quoteList(s string) string {
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}

// postmaster reads the pid file: the process ID in its first line (0 if there is no
// file) and the state in its eighth.
//
// The format is that of PostgreSQL's src/include/utils/pidfile.h: line 1 is
// LOCK_FILE_LINE_PID and line 8 LOCK_FILE_LINE_PM_STATUS (from memory).
func (h home) postmaster() (pid int, status string) {
	text, err := os.ReadFile(h.pidFile())
	if err != nil {
		return 0, ""
	}
	lines := strings.Split(string(text), "\n")
	pid, err = strconv.Atoi(strings.TrimSpace(lines[0]))
	if err != nil {
		return 0, ""
	}
	if len(lines) > 7 {
		status = strings.TrimSpace(lines[7])
	}
	return pid, status
}

func (h home) pidFile() string { return filepath.Join(h.data, "postmaster.pid") }

// clearOrphan ends a postgres that has survived its owner, whose lock we now hold. If
// the process ID in the pid file now belongs to another program, the file is removed,
// because postgres would take that program for a running postmaster.
//
// A process that does not run here is left alone, whatever its number is. Number 1 and
// below are never signalled.
func (h home) clearOrphan() error {
	pid, _ := h.postmaster()
	if pid <= 1 {
		return nil
	}
	orphan, err := os.FindProcess(pid)
	if err != nil || orphan.Signal(syscall.Signal(0)) == os.ErrProcessDone {
		return nil // postgres tells a dead number from a live one itself
	}
	if h.runsHere(pid) {
		gone := make(chan struct{})
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go h.watchOrphan(ctx, pid, gone)
		endPostgres(orphan, gone, 20*time.Second)
		if h.runsHere(pid) {
			return fmt.Errorf("an earlier postgres (pid %d) in %s cannot be ended", pid, h.dir)
		}
	}
	if err := os.Remove(h.pidFile()); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("removing a stale pid file: %w", err)
	}
	return nil
}

// watchOrphan closes gone when the process no longer runs here. It is not our child, so
// that we cannot wait for it and must poll.
func (h home) watchOrphan(ctx context.Context, pid int, gone chan<- struct{}) {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for h.runsHere(pid) {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
	close(gone)
}
