package localpg_test

import (
	"os"
	"strings"
	"syscall"
	"testing"

	"alkalog/storage/localpg"
)

// TestKeptClusterIsStartedAgain: postgres is killed, twice, and is there again under the
// same connection string; with its data gone it is not, and nothing is created in their
// place.
func TestKeptClusterIsStartedAgain(t *testing.T) {
	t.Parallel()
	dir := publicDir(t) + "/data"
	told := make(chan error, 100)
	k, err := localpg.Keep(t.Context(), localpg.Config{Dir: dir, Unsafe: true}, func(err error) { told <- err })
	if err != nil {
		t.Fatal(err)
	}
	defer k.Stop()
	dsn := k.DSN("", "")
	for range 2 {
		if err := syscall.Kill(k.PID(), syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		if err := <-told; err == nil {
			t.Error("nobody was told that postgres has ended")
		}
		for err = <-told; err != nil; err = <-told { // a restart can fail while old backends end
		}
		if got := k.DSN("", ""); got != dsn {
			t.Errorf("started again as %s, it was %s", got, dsn)
		}
	}
	if err := os.Rename(dir+"/pgdata", dir+"/aside"); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(k.PID(), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-told
	if err := <-told; err == nil || !strings.Contains(err.Error(), "data of the cluster are gone") {
		t.Errorf("without data: %v", err)
	}
	if _, err := os.Stat(dir + "/pgdata"); err == nil {
		t.Error("data were created")
	}
}
