package cluster

import (
	"os/exec"
	"path/filepath"
	"testing"

	"alkalog/storage/localpg"
)

// released is the last commit that was released. Its servers must be able to run beside
// those of this tree while an installation is upgraded. Change it with each release.
const released = "a20a56f"

// oldRouting is the service configuration during the upgrade. Servers of the released
// commit report that they are not ready as soon as the schema is newer, although they
// serve; later ones stay ready, and then this is routing.
const oldRouting = `{"loadBalancingConfig": [{"round_robin": {}}]}`

// TestRollingUpgrade upgrades an installation of two servers under load: the schema
// first, while the old servers serve, then one server after the other, and last the
// minimum, after which old servers are refused. No call fails that one retry does not
// mend, and either server answers what the other one has answered.
func TestRollingUpgrade(t *testing.T) {
	old := buildReleased(t)
	in := newPair(t, old, oldRouting)
	in.load.wantAnsweredBy(t, in.servers[0])
	in.run(t, alkalog(t), "migrate", "--database", in.dsn(localpg.Superuser))
	in.load.waitAcknowledged(t, 40)
	for _, v := range in.servers {
		v.stop(t)
		v.start(t, alkalog(t))
		in.load.waitServedBy(t, v, 20)
		for _, either := range in.servers {
			in.load.wantAnsweredBy(t, either)
		}
	}
	in.run(t, alkalog(t), "migrate", "--finish", "--database", in.dsn(localpg.Superuser))
	in.load.waitAcknowledged(t, 40)
	in.finish(t)
	if text, err := in.try(old, in.servers[0].args("serve")...); err == nil {
		t.Errorf("a server of %s starts on the new schema: %s", released, text)
	}
}

// buildReleased builds the program of the last release from the history.
func buildReleased(t *testing.T) string {
	t.Helper()
	const root = "../.."
	if err := exec.Command("git", "-C", root, "cat-file", "-e", released+"^{commit}").Run(); err != nil {
		t.Skipf("the history is not here, so that the last release, %s, cannot be built", released)
	}
	tree := t.TempDir()
	archive := filepath.Join(tree, "source.tar")
	for _, command := range [][]string{{"git", "-C", root, "archive", "--output", archive, released}, {"tar", "-x", "-f", archive, "-C", tree}} {
		if text, err := exec.Command(command[0], command[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %v: %s", command, err, text)
		}
	}
	path, err := build(tree)
	if err != nil {
		t.Fatal(err)
	}
	return path
}
