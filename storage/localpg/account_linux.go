package localpg

import "syscall"

// canMapUser reports whether a nameless uid can be given a name in a user namespace.
const canMapUser = true

// attributes returns the kernel's part of command: the user, the process group, the
// signal when we die (PR_SET_PDEATHSIG), and the user namespace for a uid without a
// name.
func (a account) attributes(onOurDeath syscall.Signal) *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Setpgid: true, Pdeathsig: onOurDeath, Credential: a.credential}
	if a.mapped != nil {
		attr.Cloneflags = syscall.CLONE_NEWUSER
		attr.UidMappings = []syscall.SysProcIDMap{{ContainerID: a.mapped.uid, HostID: a.uid, Size: 1}}
		attr.GidMappings = []syscall.SysProcIDMap{{ContainerID: a.mapped.gid, HostID: a.gid, Size: 1}}
	}
	return attr
}
