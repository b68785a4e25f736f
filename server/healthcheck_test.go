package main

import (
	"strings"
	"syscall"
	"testing"
)

// TestHealthcheck asks a server that runs, and one that does not.
func TestHealthcheck(t *testing.T) {
	t.Parallel()
	p := start(t, "--data-dir", publicDir(t), "--address", "127.0.0.1:0")
	p.healthy(t)
	eventuallyReady(t, p.address)
	for _, c := range []struct {
		asked, out, problem string
		code                int
	}{
		{"liveness", "SERVING", "", 0},
		{"", "SERVING", "", 0},
		{"chains/nowhere", "", "unknown service", 1},
	} {
		code, out, problems := command(t, append([]string{"healthcheck", "--address", p.address}, strings.Fields(c.asked)...)...)
		if code != c.code || strings.TrimSpace(out) != c.out || !strings.Contains(problems, c.problem) {
			t.Errorf("%q: exit code %d: %s%s", c.asked, code, out, problems)
		}
	}
	p.signal(t, syscall.SIGTERM)
	if code, out, problems := command(t, "healthcheck", "--address", p.address, "--timeout", "1s"); code != 1 || out != "" || problems == "" {
		t.Errorf("when it is gone: exit code %d: %s%s", code, out, problems)
	}
}

// eventuallyReady waits until the probe of readiness succeeds.
func eventuallyReady(t *testing.T, address string) {
	t.Helper()
	for range 1000 {
		if code, _, _ := command(t, "healthcheck", "readiness", "--address", address); code == 0 {
			return
		}
	}
	t.Fatal("the server does not become ready")
}
