// Package cluster runs alkalog as operators run it: the program itself, several servers
// on one database, behind a pooler, through an upgrade, and on a cluster of PostgreSQL
// servers that fails over.
//
// The tests on a cluster take minutes and need Debian's packages patroni and
// etcd-server. They run when ALKALOG_TEST_CLUSTER is set, as .ci/run night does, and
// fail there if a program is missing.
package cluster

import (
	"os"
	"os/exec"
	"testing"

	"alkalog/storage/storagetest"
)

func TestMain(m *testing.M) { os.Exit(storagetest.Run(m)) }

// needCluster skips a test that needs Patroni and etcd, unless it was asked for. It
// returns the directory of PostgreSQL's programs.
func needCluster(t *testing.T) string {
	t.Helper()
	if os.Getenv("ALKALOG_TEST_CLUSTER") == "" {
		t.Skip("not asked for: set ALKALOG_TEST_CLUSTER=1 where patroni and etcd-server are installed")
	}
	for _, program := range []string{"patroni", "patronictl", "etcd"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Fatalf("install patroni and etcd-server: %v", err)
		}
	}
	return programsOfPostgres(t)
}
