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

// The socket's name contains a port number, though nothing listens on it.
const (
	port       = "5432"
	socketName = ".s.PGSQL." + port
)

// runServer starts postgres and returns when it takes connections. Backends
// of a killed postmaster hold its shared memory for a moment longer, and
// postgres rightly refuses to start beside them, so that refusal is retried.
func runServer(ctx context.Context, cfg Config, who account, p programs, h home, socket string) (*child, error) {
	deadline := time.Now().Add(30 * time.Second)
	for {
		cmd := who.command(h.data, syscall.SIGINT, p.postgres(), serverArgs(cfg, h, socket)...)
		server, err := startChild(cmd, cfg.Log)
		if err != nil {
			return nil, fmt.Errorf("localpg: postgres: %w", err)
		}
		err = waitReady(ctx, h, server)
		if err == nil {
			return server, nil
		}
		if !errors.Is(err, errEndedEarly) {
			server.stop(10 * time.Second)
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

// errEndedEarly is postgres ending before it was ready.
var errEndedEarly = errors.New("localpg: postgres ended before it was ready")

// waitReady waits until postgres says in its pid file that it is ready.
func waitReady(ctx context.Context, h home, server *child) error {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-server.done:
			return errEndedEarly
		case <-ctx.Done():
			return fmt.Errorf("localpg: waiting for postgres: %w", context.Cause(ctx))
		case <-tick.C:
			pid, status := h.postmaster()
			if pid == server.pid && (status == "ready" || status == "standby") {
				return nil
			}
		}
	}
}

// serverArgs are postgres' arguments; of two for one setting the later wins.
func serverArgs(cfg Config, h home, socket string) []string {
	set := []string{
		"timezone=UTC",
		"log_timezone=UTC",
		// Failed statements quote what was typed into them. The session gets
		// its error; the log, which is no place for it, does not.
		"log_min_messages=log",
		"log_min_error_statement=panic",
		"log_error_verbosity=terse",
	}
	if cfg.Unsafe {
		set = append(set, "fsync=off", "full_page_writes=off", "autovacuum_naptime=1h")
	}
	for _, name := range slices.Sorted(maps.Keys(cfg.Settings)) {
		set = append(set, name+"="+cfg.Settings[name])
	}
	set = append(set,
		"listen_addresses=",
		"port="+port,
		"unix_socket_directories="+quoteList(socket),
		"unix_socket_permissions=0700",
		"hba_file="+h.hba(),
		"ident_file="+h.ident(),
		"logging_collector=off",
		"log_destination=stderr",
	)
	args := []string{"-D", h.data}
	for _, s := range set {
		args = append(args, "-c", s)
	}
	return args
}

// quoteList writes one name of a comma-separated setting.
func quoteList(s string) string {
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}

// postmaster reads the pid file: the process id in it (0 when there is none)
// and what that postmaster last said of itself.
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

// clearOrphan ends a postgres that outlived its owner, whose lock we now
// hold, and removes the pid file when its number has gone to some other
// process, for which postgres would take it otherwise.
func (h home) clearOrphan() error {
	pid, _ := h.postmaster()
	if pid <= 1 || syscall.Kill(pid, 0) == syscall.ESRCH {
		return nil
	}
	if !h.runsHere(pid) {
		if err := os.Remove(h.pidFile()); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("localpg: removing a stale pid file: %w", err)
		}
		return nil
	}
	gone := make(chan struct{})
	quit := make(chan struct{})
	defer close(quit)
	go func() {
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for syscall.Kill(pid, 0) != syscall.ESRCH {
			select {
			case <-quit:
				return
			case <-tick.C:
			}
		}
		close(gone)
	}()
	endProcess(pid, gone, 10*time.Second)
	select {
	case <-gone:
		return nil
	default:
		return fmt.Errorf("localpg: an earlier postgres (pid %d) in %s cannot be ended", pid, h.dir)
	}
}
