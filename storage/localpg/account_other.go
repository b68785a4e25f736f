//go:build unix && !linux

package localpg

import "syscall"

// canMapUser reports whether a nameless uid can be given a name in a user namespace.
// Only Linux has them.
const canMapUser = false

// attributes returns the kernel's part of command. There is no signal when we die on
// these systems; the next start ends a postgres that has survived us.
func (a account) attributes(syscall.Signal) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Credential: a.credential}
}
