package localpg

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// fakePrograms makes a directory with programs that say they are a version.
func fakePrograms(t *testing.T, dir, version string) string {
	t.Helper()
	if err := makeOpen(dir); err != nil {
		t.Fatal(err)
	}
	fakeProgram(t, dir+"/postgres", "echo 'postgres (PostgreSQL) "+version+"'")
	fakeProgram(t, dir+"/initdb", "exit 1")
	return dir
}

// fakeProgram writes a shell script that anybody may run.
func fakeProgram(t *testing.T, path, script string) {
	t.Helper()
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"+script+"\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o755); err != nil {
		t.Fatal(err)
	}
}

// openDir is a temporary directory that the account may enter.
func openDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "localpg")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// someone is the account that this run would use.
func someone(t *testing.T) account {
	t.Helper()
	who, err := chooseAccount("")
	if err != nil {
		t.Fatal(err)
	}
	return who
}

func TestOrderOfSearch(t *testing.T) {
	base := openDir(t)
	flag := fakePrograms(t, base+"/flag", "17.1")
	env := fakePrograms(t, base+"/env", "17.2 (Debian 17.2-1)")
	path := fakePrograms(t, base+"/path", "17.3")
	config := fakePrograms(t, base+"/config", "18beta1")
	tools := base + "/tools"
	if err := makeOpen(tools); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(path+"/postgres", tools+"/postgres"); err != nil {
		t.Fatal(err)
	}
	fakeProgram(t, tools+"/pg_config", "echo "+config)
	t.Setenv("PATH", tools+":/usr/bin:/bin")
	t.Setenv("ALKALOG_PGBIN", env)

	find := func(cfg Config, wantDir, wantVersion string) {
		t.Helper()
		p, err := findPrograms(t.Context(), cfg, someone(t), home{data: base + "/none"})
		if err != nil || p.dir != wantDir || p.version != wantVersion {
			t.Errorf("found %+v (%v), want %s %s", p, err, wantDir, wantVersion)
		}
	}
	find(Config{BinDir: flag}, flag, "17.1")
	find(Config{}, env, "17.2")
	t.Setenv("ALKALOG_PGBIN", "")
	find(Config{}, path, "17.3")
	if err := os.Remove(tools + "/postgres"); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", tools+":/bin")
	if dirs := installed(t.Context(), base); !slices.Contains(dirs, config) {
		t.Errorf("searched %v, which lacks that of pg_config, %s", dirs, config)
	}
}

func TestProgramsNamedByHandAreNotReplaced(t *testing.T) {
	base := openDir(t)
	for dir, want := range map[string]string{
		base + "/missing":                           base + "/missing",
		fakePrograms(t, base+"/old", "13.9"):        "PostgreSQL 13.9",
		fakePrograms(t, base+"/odd", "of the moon"): "of the moon",
	} {
		_, err := findPrograms(t.Context(), Config{BinDir: dir}, someone(t), home{data: base + "/none"})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", dir, err, want)
		}
	}
}

func TestUsualDirectoriesNewestFirst(t *testing.T) {
	t.Setenv("PATH", "")
	root := openDir(t)
	want := []string{
		"usr/lib/postgresql/17/bin",
		"usr/lib/postgresql/9.6/bin",
		"usr/pgsql-16/bin",
		"usr/pgsql-15/bin",
		"usr/libexec/postgresql16",
		"usr/lib/postgresql14/bin",
		"opt/homebrew/opt/postgresql@17/bin",
		"opt/homebrew/opt/postgresql@9/bin",
		"usr/local/opt/postgresql@16/bin",
	}
	for i, dir := range want {
		want[i] = filepath.Join(root, dir)
		if err := makeOpen(want[i]); err != nil {
			t.Fatal(err)
		}
	}
	if got := installed(t.Context(), root); !slices.Equal(got, want) {
		t.Errorf("searched\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestDataDecideTheVersion(t *testing.T) {
	base := openDir(t)
	dirs := []string{base + "/none"}
	for _, version := range []string{"13.4", "17.1", "14.2", "16.5"} {
		dirs = append(dirs, fakePrograms(t, base+"/"+version, version))
	}
	for data, want := range map[int]string{0: "17.1", 14: "14.2", 16: "16.5", 17: "17.1"} {
		if p, err := firstSuitable(t.Context(), someone(t), dirs, data); err != nil || p.version != want {
			t.Errorf("for data of %d: %s (%v), want %s", data, p.version, err, want)
		}
	}
	if p, err := firstSuitable(t.Context(), someone(t), dirs, 15); err == nil {
		t.Errorf("for data of 15: %s", p.version)
	}
	if _, err := firstSuitable(t.Context(), someone(t), dirs[:1], 0); err != errNone {
		t.Errorf("with nothing there: %v", err)
	}
}

func TestCancelEndsInitdb(t *testing.T) {
	base := openDir(t)
	bin := fakePrograms(t, base+"/bin", "17.1")
	fakeProgram(t, bin+"/initdb", `touch "$2/begun"; sleep 1000`)
	ctx, cancel := context.WithCancelCause(t.Context())
	defer cancel(nil)
	why := errors.New("changed my mind")
	ended := make(chan error, 1)
	go func() {
		_, err := Start(ctx, Config{Dir: base + "/d", BinDir: bin})
		ended <- err
	}()
	begun := func() bool {
		found, _ := filepath.Glob(base + "/d/pgdata.init-*/begun")
		return len(found) > 0
	}
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(time.Minute)
	for {
		select {
		case <-tick.C:
			if begun() {
				cancel(why)
			}
			continue
		case err := <-ended:
			if !errors.Is(err, why) {
				t.Errorf("the start ended with %v", err)
			}
		case <-deadline:
			t.Fatal("initdb was not ended")
		}
		break
	}
	if left, _ := filepath.Glob(base + "/d/pgdata*"); len(left) > 0 {
		t.Errorf("left %v", left)
	}
}
