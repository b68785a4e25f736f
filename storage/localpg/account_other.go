//go:build unix && !linux

package localpg

import "syscall"

// canMapUser says whether a nameless uid can be given a name in a namespace.
const canMapUser = false

// attributes are the kernel's part of command. There is no signal on our
// death here: a postgres that outlived us is ended by the next start.
func (a account) attributes(syscall.Signal) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Credential: a.credential}
}
