//go:build unix && !linux

package localpg

import (
	"os/exec"
	"strconv"
	"strings"
)

// runsHere reports whether a process is a postgres in this data directory, judged by
// the -D in its command line, which is ours.
func (h home) runsHere(pid int) bool {
	out, err := exec.Command("ps", "-ww", "-o", "command=", "-p", strconv.Itoa(pid)).Output()
	return err == nil && strings.Contains(string(out), "-D "+h.data+" ")
}
