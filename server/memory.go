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

// memoryFlags say how much memory the server may use.
type memoryFlags struct {
	MemoryMiB int64 `name:"memory-mib" env:"ALKALOG_MEMORY_MIB" placeholder:"MIB" help:"Memory that the server may use, in MiB, without the private PostgreSQL. Near it garbage is collected sooner, and a quarter of it is for requests and answers under way. Default: three quarters of the limit of the control group, half with a private PostgreSQL; without such a limit none. GOMEMLIMIT in the environment is left in force."`
}

// into sets what requests may take; the runtime's own limit is set by apply.
func (f memoryFlags) into(cfg *serve.Config, files fs.FS) error {
	if f.MemoryMiB < 0 || f.MemoryMiB > math.MaxInt64>>20 {
		return usage{fmt.Errorf("--memory-mib must be a positive number, not %d", f.MemoryMiB)}
	}
	if limit := f.limit(cfg.DataDir != "", files); limit > 0 {
		cfg.Limits.MemoryBytes = min(serve.UsualMemory, max(serve.LeastMemory, limit/4))
	}
	return nil
}

// limit is how many bytes the server may use; zero when nobody said.
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

// apply tells the runtime, unless GOMEMLIMIT has.
func (f memoryFlags) apply(private bool, environment string, files fs.FS) {
	if limit := f.limit(private, files); limit > 0 && (environment == "" || f.MemoryMiB > 0) {
		debug.SetMemoryLimit(limit)
	}
}

// cgroupLimit is the memory limit of the process's control group, in bytes; zero
// when there is none. (Linux: Documentation/admin-guide/cgroup-v2.rst, memory.max;
// cgroup-v1/memory.rst, memory.limit_in_bytes.)
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
		// "max", and the huge number of version 1, are no limits.
		n, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
		if err == nil && n > 0 && n < 1<<50 && (least == 0 || n < least) {
			least = n
		}
	}
	return least
}
