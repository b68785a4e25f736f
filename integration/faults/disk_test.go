package faults

import (
	"errors"

	"os"
	"path/filepath"
	"syscall"
	"time"
)

// diskSize is the size of the disk that fills: a new database takes about 45 MB,
// and a short load some more.
const diskSize = "size=160m"

// onSmallDisk makes a database on a disk of its own, in memory, which root alone
// may make.
func onSmallDisk(w *world) {
	disk := filepath.Join(w.dir, "disk")
	if err := os.Mkdir(disk, 0o755); err != nil {
		w.t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, diskSize); errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EACCES) {
		w.t.Skipf("a disk of its own cannot be made here, so that a full one is not tried: %v", err)
	} else if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() { syscall.Unmount(disk, syscall.MNT_DETACH) })
	if err := ownByPostgres(disk); err != nil {
		w.t.Fatal(err)
	}
	w.dir = disk
	w.nodes = []*postgres{startPostgresIn(w.t, disk, "min_wal_size=8MB", "max_wal_size=16MB")}
	w.addServers(1, serverConfig{})
}

// fillDisk fills the disk of the database until no write is acknowledged any more,
// and makes room again. PostgreSQL may have ended; then it is started.
func fillDisk(w *world) {
	filler := filepath.Join(w.dir, "filler")
	f, err := os.Create(filler)
	if err != nil {
		w.t.Fatal(err)
	}
	defer os.Remove(filler)
	fill := func() {
		for _, size := range []int{1 << 20, 4 << 10, 1} { // ever smaller pieces
			for {
				if _, err := f.Write(make([]byte, size)); err != nil {
					break
				}
			}
		}
	}
	w.wait("the disk to be full", func() bool {
		fill()
		// Segments of the write-ahead log that are there already are used up.
		if db := w.pg().db(); w.pg().running() {
			db.Exec("select pg_switch_wal()")
			db.Close()
		}
		return w.probes[0].write(2*time.Second) != nil
	})
	w.wait("the server to say that it is not ready", func() bool {
		state := w.probes[0].readiness(w.servers[0].cfg.Metrics)
		return state != "ready"
	})
	w.hold(time.Second, 10*time.Second)
	if err := errors.Join(f.Truncate(0), f.Close()); err != nil {
		w.t.Fatal(err)
	}
	w.wait("the database to run", func() bool {
		return w.pg().running() && w.pg().answers() || w.pg().launch() == nil
	})
	w.recovered(soonest)
}
