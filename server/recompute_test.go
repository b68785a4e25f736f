package main

import (
	"strings"
	"testing"
)

// TestRecomputePassword: a password of the owner's connection string is refused on
// the command line and accepted in the environment, without a warning.
func TestRecomputePassword(t *testing.T) {
	const owner, refused = "host=/nowhere user=alkalog_migrator password=hunter2", "other users can read a password"
	args := []string{"maintain", "recompute-columns", "--database=host=/nowhere", "--keys-dir=" + t.TempDir()}
	code, _, problems := command(t, append(args, "--owner-database="+owner)...)
	if code != 2 || !strings.Contains(problems, refused) || !strings.Contains(problems, "ALKALOG_OWNER_DATABASE") {
		t.Errorf("on the command line: exit code %d: %s", code, problems)
	}
	t.Setenv("ALKALOG_OWNER_DATABASE", owner)
	code, _, problems = command(t, args...)
	if code != 1 || strings.Contains(problems, "password") || strings.Contains(problems, "hunter2") {
		t.Errorf("in the environment: exit code %d: %s", code, problems)
	}
}
