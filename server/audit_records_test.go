package main

import (
	"strings"
	"testing"
)

// TestVerifyRecordsOfNamedDatabase: in the environment of a server, the records of the
// private database are not verified in place of those of the server's database.
func TestVerifyRecordsOfNamedDatabase(t *testing.T) {
	t.Setenv("ALKALOG_DATABASE", "host=/nowhere dbname=alkalog")
	code, out, problems := command(t, "audit", "verify", "--records")
	if code != 2 || out != "" || !strings.Contains(problems, "--database") {
		t.Errorf("exit code %d, printed %q and %q; want 2 and a message that asks for --database", code, out, problems)
	}
}
