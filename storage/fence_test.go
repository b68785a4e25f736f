package storage_test

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestOldPrimaryIsRefused replaces a server by a promoted one and brings the
// old one back, with the records and the identity it had.
func TestOldPrimaryIsRefused(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDurable(t)
	cfg := storage.Config{StateFile: filepath.Join(t.TempDir(), "state")}
	db := d.Open(t, cfg)
	if _, err := openSalon(t.Context(), db, salonRequest("harbour")); err != nil {
		t.Fatal(err)
	}
	wantState(t, cfg.StateFile, "timeline 1\n")

	// A copy of the data becomes a standby, and then the primary.
	if err := d.Cluster.Stop(); err != nil {
		t.Fatal(err)
	}
	promoted := storagetest.Dir(t)
	copyData(t, d.Dir, promoted)
	touchAsOwner(t, filepath.Join(promoted, "pgdata", "standby.signal"))
	p := storagetest.StartDurable(t, promoted)
	cfg.DSN = p.DSN(storage.RoleServer)
	if _, err := storage.Open(t.Context(), cfg); !errors.Is(err, storage.ErrUnavailable) {
		t.Errorf("a standby: got %v", err)
	}
	if _, err := p.SQL(t, "postgres").ExecContext(t.Context(), "select pg_promote()"); err != nil {
		t.Fatal(err)
	}
	next := p.Open(t, cfg)
	if _, err := openSalon(t.Context(), next, salonRequest("quay")); err != nil {
		t.Fatal(err)
	}
	wantState(t, cfg.StateFile, "timeline 2\n")

	// The old primary comes back, before the new one in the list of hosts.
	old := storagetest.StartDurable(t, d.Dir)
	cfg.DSN = old.DSN(storage.RoleServer)
	if _, err := storage.Open(t.Context(), cfg); !errors.Is(err, storage.ErrFenced) || !strings.Contains(err.Error(), "timeline 1") {
		t.Errorf("the old primary after a restart of the program: got %v", err)
	}
	cfg.DSN = bothHosts(t, old, p)
	both, err := storage.Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer both.Close()
	if _, err := openSalon(t.Context(), both, salonRequest("pier")); err != nil {
		t.Fatal(err)
	}
	if n := rowsWhere(t, old.SQL(t, "postgres"), "salons"); n != 1 {
		t.Errorf("the old primary has %d salons, want the one from before", n)
	}
}

// TestOtherSystemIsRefused points a program that knows its database at another.
func TestOtherSystemIsRefused(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	state := filepath.Join(t.TempDir(), "state")
	for text, want := range map[string]error{
		"system 1 timeline 1\n": storage.ErrFenced,
		"":                      errors.New("damaged"),
		"system 1 timeline":     errors.New("damaged"),
		"rubbish":               errors.New("damaged"),
	} {
		if err := os.WriteFile(state, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer), StateFile: state})
		if err == nil || !errors.Is(err, want) && !strings.Contains(err.Error(), want.Error()) {
			t.Errorf("state %q: got %v, want %v", text, err, want)
		}
		wantState(t, state, text)
	}
}

// TestStateFileMustBeKept refuses to work when what was seen cannot be kept.
func TestStateFileMustBeKept(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	_, err := storage.Open(t.Context(), storage.Config{DSN: d.DSN(storage.RoleServer), StateFile: filepath.Join(t.TempDir(), "none", "state")})
	if !errors.Is(err, storage.ErrUnavailable) || !strings.Contains(err.Error(), "state file") {
		t.Errorf("got %v", err)
	}
}

// wantState fails unless the state file ends as said.
func wantState(t *testing.T, file, want string) {
	t.Helper()
	got, err := os.ReadFile(file)
	if err != nil || !strings.HasSuffix(string(got), want) {
		t.Errorf("state file: %q, %v, want %q", got, err, want)
	}
}

// copyData copies the data of a stopped cluster with their owner.
func copyData(t *testing.T, from, to string) {
	t.Helper()
	out, err := exec.Command("cp", "-a", filepath.Join(from, "pgdata"), filepath.Join(to, "pgdata")).CombinedOutput()
	if err != nil {
		t.Fatalf("cp: %v: %s", err, out)
	}
}

// touchAsOwner makes a file that belongs to whom its directory does.
func touchAsOwner(t *testing.T, file string) {
	t.Helper()
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Dir(file))
	if err != nil {
		t.Fatal(err)
	}
	owner := info.Sys().(*syscall.Stat_t)
	if err := os.Chown(file, int(owner.Uid), int(owner.Gid)); err != nil {
		t.Fatal(err)
	}
}

// bothHosts is a connection string with two servers.
func bothHosts(t *testing.T, first, second storagetest.Database) string {
	t.Helper()
	sockets := make([]string, 2)
	for i, d := range []storagetest.Database{first, second} {
		if err := d.SQL(t, "postgres").QueryRowContext(t.Context(), "show unix_socket_directories").Scan(&sockets[i]); err != nil {
			t.Fatal(err)
		}
	}
	hosts := strings.ReplaceAll(strings.Join(sockets, ","), `"`, "")
	return fmt.Sprintf("host=%s port=5432 dbname=%s user=%s sslmode=disable", hosts, first.Name, storage.RoleServer)
}
