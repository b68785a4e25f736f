package localpg_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"alkalog/storage/localpg"
)

func TestKeepsDataBetweenRuns(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/made/by/start"
	for _, want := range []string{"first", "first second"} {
		c := start(t, localpg.Config{Dir: dir})
		words := strings.Fields(want)
		remember(t, c.DSN("", ""), words[len(words)-1])
		if got := recall(t, c); got != want {
			t.Errorf("kept %q, want %q", got, want)
		}
		if version := ask(t, session(t, c.DSN("", "")), "show server_version"); !strings.HasPrefix(version, c.Version()) {
			t.Errorf("Version() is %q, the server says %q", c.Version(), version)
		}
		if err := c.Err(); err != nil {
			t.Errorf("Err of a running cluster: %v", err)
		}
		stop(t, c)
		await(t, "Done after Stop", c.Done())
		if err := c.Err(); err != nil {
			t.Errorf("Err after Stop: %v", err)
		}
		stop(t, c) // again
	}
}

func TestDataIsMadeToLast(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), waitTimeout)
	defer cancel()
	c, err := localpg.Start(ctx, localpg.Config{Dir: publicDir(t) + "/d"})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Stop()
	conn := session(t, c.DSN("", ""))
	for name, want := range map[string]string{
		"fsync": "on", "full_page_writes": "on", "synchronous_commit": "on",
		"data_checksums": "on", "server_encoding": "UTF8", "lc_collate": "C", "timezone": "UTC",
	} {
		if got := ask(t, conn, "select current_setting($1)", name); got != want {
			t.Errorf("%s is %s, want %s", name, got, want)
		}
	}
}

func TestOneOwner(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	c := start(t, localpg.Config{Dir: dir})
	inUse := fmt.Sprintf("in use by pid %d", os.Getpid())
	refuse(t, localpg.Config{Dir: dir}, inUse)
	if said := startOwner(t, dir).says(t, "refused"); !strings.Contains(said, inUse) {
		t.Errorf("another process was told %q, want %q", said, inUse)
	}
	remember(t, c.DSN("", ""), "undisturbed")
	stop(t, c)
	start(t, localpg.Config{Dir: dir})
}

func TestOneOfManyFirstStartsWins(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	var starts sync.WaitGroup
	errs := make([]error, 4)
	clusters := make([]*localpg.Cluster, len(errs))
	for i := range errs {
		starts.Go(func() {
			clusters[i], errs[i] = localpg.Start(t.Context(), localpg.Config{Dir: dir, Unsafe: true})
		})
	}
	starts.Wait()
	won := 0
	for i, err := range errs {
		if err == nil {
			won++
			remember(t, clusters[i].DSN("", ""), "winner")
			stop(t, clusters[i])
		} else if !strings.Contains(err.Error(), "in use by") {
			t.Errorf("a start lost with %v", err)
		}
	}
	if won != 1 {
		t.Errorf("%d starts won", won)
	}
}

func TestRoles(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	c := start(t, localpg.Config{Dir: dir})
	super := session(t, c.DSN("", ""))
	for _, role := range []string{"alkalog_migrator", "alkalog_server", "alkalog_auditor", "unlisted"} {
		if _, err := super.ExecContext(t.Context(), "create role "+role+" login"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := super.ExecContext(t.Context(), `create database "it's \ odd"`); err != nil {
		t.Fatal(err)
	}
	for _, role := range []string{"alkalog_migrator", "alkalog_server", "alkalog_auditor"} {
		conn := session(t, c.DSN(`it's \ odd`, role))
		if got := ask(t, conn, "select current_user || ' in ' || current_database()"); got != role+` in it's \ odd` {
			t.Errorf("connected as %s", got)
		}
	}
	expectDenied(t, c.DSN("", "unlisted"))
	stop(t, c)

	// The map is that of the present start, not of the first one.
	c = start(t, localpg.Config{Dir: dir, Roles: []string{"unlisted"}})
	if got := ask(t, session(t, c.DSN("", "unlisted")), "select current_user"); got != "unlisted" {
		t.Errorf("connected as %s", got)
	}
	expectDenied(t, c.DSN("", "alkalog_server"))
	stop(t, c)
	refuse(t, localpg.Config{Dir: dir, Roles: []string{"all\" \"x"}}, "not a plain name")
}

// expectDenied expects that peer authentication refuses a role.
func expectDenied(t *testing.T, dsn string) {
	t.Helper()
	cmd := play(t, -1, "caller", "LOCALPG_TEST_DSN="+dsn)
	out, err := cmd.Output()
	if err != nil || !strings.Contains(string(out), "Peer authentication failed") {
		t.Errorf("connecting with %s: %s (%v)", dsn, out, err)
	}
}

func TestOthersCannotEnter(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	c := start(t, localpg.Config{Dir: dir})
	for name, open := range map[string]fs.FileMode{"": 0o007, "run": 0o077, "pgdata": 0o077, "owner.lock": 0o077, "pg_ident.conf": 0o077} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if mode := info.Mode().Perm(); mode&open != 0 {
			t.Errorf("%q has mode %o", name, mode)
		}
	}
	if os.Getuid() != 0 {
		return // no other user to try it as; root's run does
	}
	const daemon = 1
	expect := func(want string) {
		t.Helper()
		out, err := play(t, daemon, "caller", "LOCALPG_TEST_DSN="+c.DSN("", "")).Output()
		if err != nil || !strings.Contains(string(out), want) {
			t.Errorf("another user got %q (%v), want %q", out, err, want)
		}
	}
	expect("permission denied")
	for _, path := range []string{dir, dir + "/run", dir + "/run/.s.PGSQL.5432"} {
		if err := os.Chmod(path, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	expect("Peer authentication failed") // the map holds even with the doors open
}

func TestPrivacyCannotBeSetAway(t *testing.T) {
	t.Parallel()
	c := start(t, localpg.Config{Dir: publicDir(t) + "/d", Settings: map[string]string{
		"listen_addresses": "*", "port": "5999", "hba_file": "/dev/null", "max_connections": "17",
	}})
	conn := session(t, c.DSN("", ""))
	if got := ask(t, conn, "show listen_addresses"); got != "" {
		t.Errorf("listens on %q", got)
	}
	if got := ask(t, conn, "show max_connections"); got != "17" {
		t.Errorf("max_connections is %s", got)
	}
}

func TestLogHoldsNothingTyped(t *testing.T) {
	t.Parallel()
	log := new(pageLog)
	c := start(t, localpg.Config{Dir: publicDir(t) + "/d", Log: log})
	conn := session(t, c.DSN("", ""))
	for _, statement := range []string{
		"create table people (name text primary key); insert into people values ('canary')",
		"insert into people values ('canary')",
		"select 'canary'::int",
		"do $$ begin raise warning 'canary'; end $$",
	} {
		conn.ExecContext(t.Context(), statement)
	}
	stop(t, c)
	if text := log.String(); strings.Contains(text, "canary") || !strings.Contains(text, "shut down") {
		t.Errorf("the log says:\n%s", text)
	}
}

func TestLongPath(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/" + strings.Repeat("long/", 40) + "d"
	for range 2 {
		c := start(t, localpg.Config{Dir: dir})
		remember(t, c.DSN("", ""), "x")
		_, rest, _ := strings.Cut(c.DSN("", ""), "host='")
		socket, _, _ := strings.Cut(rest, "'")
		if info, err := os.Stat(socket); err != nil || info.Mode().Perm() != 0o700 || strings.HasPrefix(socket, dir) {
			t.Errorf("socket directory %s: %v, %v", socket, info, err)
		}
		stop(t, c)
		if _, err := os.Stat(socket); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s is still there (%v)", socket, err)
		}
	}
}

func TestOtherMajorVersionIsUntouched(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	c := start(t, localpg.Config{Dir: dir})
	bin := ask(t, session(t, c.DSN("", "")), "select setting from pg_config where name = 'BINDIR'")
	stop(t, c)
	write(t, dir+"/pgdata/PG_VERSION", "99\n", 0o600)
	before := digest(t, dir)
	refuse(t, localpg.Config{Dir: dir}, "PostgreSQL 99", "nothing was touched")
	refuse(t, localpg.Config{Dir: dir, BinDir: bin}, "PostgreSQL 99", "nothing was touched")
	if digest(t, dir) != before {
		t.Error("the directory changed")
	}
}

// digest sums up the names, modes, times, owners, inodes and contents under dir.
func digest(t *testing.T, dir string) string {
	t.Helper()
	sum := sha256.New()
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := entry.Info()
		if err != nil {
			return err
		}
		stat := info.Sys().(*syscall.Stat_t)
		fmt.Fprintln(sum, path, info.Mode(), info.ModTime(), stat.Uid, stat.Gid, stat.Ino)
		if info.Mode().IsRegular() {
			text, err := os.ReadFile(path)
			fmt.Fprintf(sum, "%s\n", text)
			return err
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return string(sum.Sum(nil))
}

func TestForeignDirectoryIsUntouched(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	write(t, dir+"/letter.txt", "not ours", 0o644)
	before := digest(t, dir)
	refuse(t, localpg.Config{Dir: dir}, dir, "is not empty")
	refuse(t, localpg.Config{Dir: dir + "/letter.txt"}, "not a directory")
	refuse(t, localpg.Config{}, "no data directory")
	if digest(t, dir) != before {
		t.Error("the directory changed")
	}
}

func TestUnreachableDirectoryIsNotMade(t *testing.T) {
	t.Parallel()
	parent := publicDir(t) + "/closed"
	if err := os.Mkdir(parent, 0); err != nil {
		t.Fatal(err)
	}
	refuse(t, localpg.Config{Dir: parent + "/a/d"}, parent)
	if err := os.Chmod(parent, 0o700); err != nil {
		t.Fatal(err)
	}
	if entries, err := os.ReadDir(parent); err != nil || len(entries) != 0 {
		t.Errorf("made %v (%v)", entries, err)
	}
}

func TestCancelledStart(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/d"
	ctx, cancel := context.WithCancelCause(t.Context())
	why := errors.New("changed my mind")
	ended := make(chan error, 1)
	go func() {
		_, err := localpg.Start(ctx, localpg.Config{Dir: dir, Unsafe: true})
		ended <- err
	}()
	until(t, "initdb is at work", func() bool { return initdbWrote(dir, "PG_VERSION") })
	cancel(why)
	if err := <-ended; !errors.Is(err, why) {
		t.Errorf("a cancelled start returned %v", err)
	}
	start(t, localpg.Config{Dir: dir})
}

// initdbWrote reports whether an unfinished initdb in dir got that far.
func initdbWrote(dir, name string) bool {
	found, _ := filepath.Glob(filepath.Join(dir, "pgdata.init-*", name))
	return len(found) > 0
}
