package integration

import (
	"fmt"
	"strings"
	"testing"
)

// Attack: somebody deletes a decision and leaves its entry.

// TestDecisionWithoutItsRecord: a decision is deleted, and its entry is not. The
// log holds, since nothing on it was changed; the entry still says what was
// refused, and the leading sequencer reports that its cause is missing.
func TestDecisionWithoutItsRecord(t *testing.T) {
	t.Parallel()
	a := newTamperedChain(t)
	entry := a.entries(t, `kind = "REFUSAL"`)[2]
	damage(t, a.testServer, "decisions", fmt.Sprintf("delete from decisions where id = '%s'", last(entry.Decision)))
	if got := a.verifyCopy(t, "") + a.verifyCopy(t, a.kept); got != "" {
		t.Errorf("the log is what was signed: %s", got)
	}
	reported := a.restarted(t)
	eventually(t, "it to be told", func() bool {
		return strings.Contains(reported.String(), "is not what its entry says") && strings.Contains(reported.String(), last(entry.Name))
	})
	if strings.Contains(reported.String(), "Canary") {
		t.Error("personal data are on the server's log")
	}
}
