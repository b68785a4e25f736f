package localpg

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// ensureData creates the database cluster unless it exists. initdb works in a directory
// of its own, which is renamed when it is complete and synced; a crash leaves an
// unfinished directory that the next start removes.
func (l launch) ensureData(ctx context.Context) error {
	unfinished, _ := filepath.Glob(l.home.data + ".init-*")
	for _, dir := range unfinished {
		os.RemoveAll(dir) // what a dying initdb still holds goes next time
	}
	major, err := l.home.major()
	if err != nil {
		return err
	}
	if major != 0 {
		return l.programs.checkVersion(major) // it may have come between the search and the lock
	}
	temp := fmt.Sprintf("%s.init-%d", l.home.data, os.Getpid())
	if err := os.Mkdir(temp, 0o700); err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	if err := l.who.own(temp, 0o700); err != nil {
		return err
	}
	if err := l.initdb(ctx, temp); err != nil {
		return err
	}
	if err := os.Rename(temp, l.home.data); err != nil {
		return err
	}
	return syncDir(l.home.dir)
}

// initdb creates a database cluster in an empty directory: UTF-8, locale C so that the
// order of text does not depend on the machine, and data checksums, which detect damage
// by the disk.
//
// Authentication is peer for the socket and none for TCP, as in our own access files,
// so that the cluster is private from its first moment. In unsafe mode, initdb does not
// sync and uses small segments of write-ahead log, which makes tests faster.
func (l launch) initdb(ctx context.Context, dir string) error {
	args := []string{"-D", dir, "-U", Superuser, "-E", "UTF8", "--locale=C", "--data-checksums",
		"--auth-local=peer", "--auth-host=reject", "--no-instructions"}
	if l.cfg.Unsafe {
		args = append(args, "--no-sync", "--wal-segsize=1")
	}
	c, err := startChild(l.who.command(dir, syscall.SIGKILL, l.programs.initdb(), args...), nil)
	if err != nil {
		return err
	}
	return c.finish(ctx, "initdb")
}

// syncDir makes a rename in dir durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
