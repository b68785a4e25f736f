package localpg

import (
	"fmt"
	"os"
)

// runsHere reports whether a process is a postgres in this data directory, which is the
// working directory of every postgres. A process ID alone proves nothing, because the
// system uses it again.
func (h home) runsHere(pid int) bool {
	cwd, err := os.Stat(fmt.Sprintf("/proc/%d/cwd", pid))
	if err != nil {
		return false
	}
	data, err := os.Stat(h.data)
	return err == nil && os.SameFile(cwd, data)
}
