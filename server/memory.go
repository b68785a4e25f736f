package main

import (
	"fmt"
	"io/fs"
	"math"
	"path"
	"runtime/debug"
	"strconv"
	"strings"

	"alkalog/server/serve"
)

// memoryFlags limit the memory of the server. A limit keeps the kernel from
// killing the server under load: with one, garbage collection works harder first,
// and requests beyond their share are refused with a retry delay.
//
// Example: in a control group of 1 GiB with a private PostgreSQL, the limit of
// the runtime is 512 MiB, and requests may hold 128 MiB of it.
type memoryFlags struct {
	MemoryMiB int64 `name:"memory-mib" env:"ALKALOG_MEMORY_MIB" placeholder:"MIB" help:"Memory limit of the server in MiB, without the private PostgreSQL. Garbage collection runs more often near the limit; a quarter of it is available to running requests. Default: 3/4 of the control group's limit, 1/2 with a private PostgreSQL; no limit without one. GOMEMLIMIT in the environment has precedence."`
}

// into sets the limit for requests; apply sets the limit of the runtime. A
// quarter of the memory is for requests, within the bounds of package serve; the
// rest is for everything else that a call needs. Our own choice. files is the
// root of the file system, which tests replace.
func (f memoryFlags) into(cfg *serve.Config, files fs.FS) error {
	if f.MemoryMiB < 0 || f.MemoryMiB > math.MaxInt64>>20 {
		return usage{fmt.Errorf("--memory-mib %d: want a positive number", f.MemoryMiB)}
	}
	if limit := f.limit(cfg.DataDir != "", files); limit > 0 {
		cfg.Limits.MemoryBytes = min(serve.DefaultMemory, max(serve.MinMemory, limit/4))
	}
	return nil
}

// limit is the configured limit in bytes; 0 if there is none. With a private
// PostgreSQL in the same control group half is left to it. Our own choice. A
// negative or huge value was refused by into before.
func (f memoryFlags) limit(private bool, files fs.FS) int64 {
	if f.MemoryMiB > 0 {
		return f.MemoryMiB << 20
	}
	group := cgroupLimit(files)
	if private {
		return group / 2
	}
	return group / 4 * 3
}

// apply sets the limit of the Go runtime, unless GOMEMLIMIT is set. The flag wins
// over the environment, and the environment over the control group. It must be
// called once, before the server starts.
func (f memoryFlags) apply(private bool, environment string, files fs.FS) {
	if limit := f.limit(private, files); limit > 0 && (environment == "" || f.MemoryMiB > 0) {
		debug.SetMemoryLimit(limit)
	}
}

// cgroupLimit is the memory limit of the process's control group in bytes; 0 if
// there is none. (Linux: Documentation/admin-guide/cgroup-v2.rst, memory.max;
// cgroup-v1/memory.rst, memory.limit_in_bytes.) The lowest limit that is found
// counts. A file that is missing or unreadable means no limit there. Both
// versions of control groups are looked at, because a machine may have both.
func cgroupLimit(files fs.FS) int64 {
	own, _ := fs.ReadFile(files, "proc/self/cgroup")
	candidates := []string{"sys/fs/cgroup/memory.max", "sys/fs/cgroup/memory/memory.limit_in_bytes"}
	for line := range strings.Lines(string(own)) {
		if group, ok := strings.CutPrefix(strings.TrimSpace(line), "0::/"); ok {
			candidates = append(candidates, path.Join("sys/fs/cgroup", group, "memory.max"))
		}
	}
	least := int64(0)
	for _, name := range candidates {
		text, err := fs.ReadFile(files, name)
		if err != nil {
			continue
		}
		// "max" (version 2) and a very large number (version 1) mean no limit.
		n, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
		if err == nil && n > 0 && n < 1<<50 && (least == 0 || n < least) {
			least = n
		}
	}
	return least
}
