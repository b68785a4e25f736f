package main

import (
	"testing"
	"testing/fstest"

	"alkalog/server/serve"
)

// TestMemoryLimit: the flag comes first, then the control group; a quarter of it
// is for requests, within bounds.
func TestMemoryLimit(t *testing.T) {
	t.Parallel()
	group := func(name, limit string) fstest.MapFS {
		return fstest.MapFS{"proc/self/cgroup": {Data: []byte("0::/salon.slice\n")}, name: {Data: []byte(limit + "\n")}}
	}
	const two = sys + "memory.max"
	for i, c := range []struct {
		flag            int64
		files           fstest.MapFS
		private         bool
		limit, requests int64
	}{
		{0, fstest.MapFS{}, false, 0, 0},
		{0, group(two, "max"), false, 0, 0},
		{0, group(two, "1073741824"), false, 768 << 20, 192 << 20},
		{0, group(two, "1073741824"), true, 512 << 20, 128 << 20},
		{0, group(sys+"salon.slice/memory.max", "1073741824"), true, 512 << 20, 128 << 20},
		{0, group(sys+"memory/memory.limit_in_bytes", "9223372036854771712"), true, 0, 0},
		{0, group(two, "104857600"), true, 50 << 20, serve.MinMemory},
		{4096, group(two, "1073741824"), true, 4 << 30, serve.DefaultMemory},
	} {
		f, cfg := memoryFlags{c.flag}, serve.Config{}
		if c.private {
			cfg.DataDir = "somewhere"
		}
		if err := f.into(&cfg, c.files); err != nil {
			t.Fatal(err)
		}
		if got := f.limit(c.private, c.files); got != c.limit || cfg.Limits.MemoryBytes != c.requests {
			t.Errorf("case %d: %d bytes, %d of them for requests; want %d and %d", i, got, cfg.Limits.MemoryBytes, c.limit, c.requests)
		}
	}
	if err := (memoryFlags{-1}).into(&serve.Config{}, fstest.MapFS{}); err == nil {
		t.Error("a negative limit was taken")
	}
}

const sys = "sys/fs/cgroup/"
