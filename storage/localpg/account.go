package localpg

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is the operating-system user that postgres and initdb run as.
type account struct {
	name     string // as postgres sees it
	launcher string // the user of this process, as postgres sees it
	uid, gid int    // owner of the files, as this process sees it
	// credential switches to another user; nil when it is our own.
	credential *syscall.Credential
	// stand is set when our uid has no name. PostgreSQL refuses to run as a
	// user that it cannot look up, so its programs run in a user namespace in
	// which our uid is this user's.
	mapped *mappedUser
}

// mappedUser is the named user that a nameless uid becomes in its namespace.
type mappedUser struct{ uid, gid int }

// chooseAccount picks the user: our own, or when we are root (as whom
// PostgreSQL refuses to run) the one asked for, else postgres, else nobody.
func chooseAccount(asked string) (account, error) {
	if os.Getuid() != 0 {
		return ownAccount(asked)
	}
	names := []string{"postgres", "nobody"}
	if asked == "" {
		asked = os.Getenv("ALKALOG_PG_USER")
	}
	if asked != "" {
		names = []string{asked}
	}
	for _, name := range names {
		if u, err := user.Lookup(name); err == nil {
			return otherAccount(u)
		}
	}
	return account{}, fmt.Errorf("PostgreSQL does not run as root and there is no user %v: set ALKALOG_PG_USER to a user of this machine", names)
}

// ownAccount is the account of an ordinary user: itself.
func ownAccount(asked string) (account, error) {
	uid, gid := os.Getuid(), os.Getgid()
	me, err := user.LookupId(strconv.Itoa(uid))
	if err == nil {
		if asked != "" && asked != me.Username {
			return account{}, fmt.Errorf("only root can run PostgreSQL as user %q; this process runs as %q", asked, me.Username)
		}
		return account{name: me.Username, launcher: me.Username, uid: uid, gid: gid}, nil
	}
	nobody, err := user.Lookup("nobody")
	if err != nil || !canMapUser {
		return account{}, fmt.Errorf("uid %d has no line in /etc/passwd, and PostgreSQL refuses to run without one", uid)
	}
	ids, err := numericIDs(nobody)
	if err != nil {
		return account{}, err
	}
	a := account{name: nobody.Username, launcher: nobody.Username, uid: uid, gid: gid, mapped: &ids}
	c, err := startChild(a.command("/", syscall.SIGKILL, "/bin/sh", "-c", ":"), nil)
	if err == nil {
		err = c.finish(context.Background(), "a user namespace")
	}
	if err != nil {
		return account{}, fmt.Errorf("uid %d has no line in /etc/passwd, without which PostgreSQL does not run, and this system allows no user namespace in its stead: add the line, or start as root (%w)", uid, err)
	}
	return a, nil
}

// otherAccount is the account that root hands PostgreSQL to.
func otherAccount(u *user.User) (account, error) {
	ids, err := numericIDs(u)
	if err != nil {
		return account{}, err
	}
	if ids.uid == 0 {
		return account{}, fmt.Errorf("PostgreSQL does not run as root: choose another user than %q", u.Username)
	}
	groups, err := u.GroupIds()
	if err != nil {
		return account{}, fmt.Errorf("groups of user %s: %w", u.Username, err)
	}
	credential := &syscall.Credential{Uid: uint32(ids.uid), Gid: uint32(ids.gid)}
	for _, g := range groups {
		id, err := strconv.ParseUint(g, 10, 32)
		if err != nil {
			return account{}, fmt.Errorf("group %q of user %s: %w", g, u.Username, err)
		}
		credential.Groups = append(credential.Groups, uint32(id))
	}
	launcher := "root"
	if me, err := user.LookupId("0"); err == nil {
		launcher = me.Username
	}
	return account{name: u.Username, launcher: launcher, uid: ids.uid, gid: ids.gid, credential: credential}, nil
}

// numericIDs returns the user's ids as numbers.
func numericIDs(u *user.User) (mappedUser, error) {
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		return mappedUser{}, fmt.Errorf("uid %q of user %s: %w", u.Uid, u.Username, err)
	}
	gid, err := strconv.Atoi(u.Gid)
	if err != nil {
		return mappedUser{}, fmt.Errorf("gid %q of user %s: %w", u.Gid, u.Username, err)
	}
	return mappedUser{uid: uid, gid: gid}, nil
}

// command prepares a program to run as the account, in dir, in a process
// group of its own (so that Ctrl-C reaches only us, who stop it in order),
// and to receive a signal when we die. The environment is short on purpose:
// no PG* setting of the caller's, none of its secrets, messages in English.
func (a account) command(dir string, onOurDeath syscall.Signal, program string, args ...string) *exec.Cmd {
	cmd := exec.Command(program, args...)
	cmd.Dir = dir
	cmd.Env = []string{"LC_ALL=C", "TZ=UTC"}
	for _, name := range []string{"PATH", "TMPDIR", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH"} {
		if v, ok := os.LookupEnv(name); ok {
			cmd.Env = append(cmd.Env, name+"="+v)
		}
	}
	cmd.SysProcAttr = a.attributes(onOurDeath)
	return cmd
}

// own gives a path to the account with the given mode.
func (a account) own(path string, mode os.FileMode) error {
	if a.credential != nil {
		if err := os.Lchown(path, a.uid, a.gid); err != nil {
			return err
		}
	}
	return os.Chmod(path, mode)
}

// checkEnters fails, before anything is made, when the account could not
// reach dir. It tries rather than reads permission bits: the kernel knows.
func (a account) checkEnters(ctx context.Context, p programs, dir string) error {
	from := dir
	if a.credential != nil {
		from = filepath.Dir(dir) // dir itself root opens to the account later
	}
	for !exists(from) && filepath.Dir(from) != from {
		from = filepath.Dir(from)
	}
	if _, err := a.version(ctx, from, p.postgres()); err != nil {
		return fmt.Errorf("user %s, as whom PostgreSQL would run, cannot enter %s: choose a data directory elsewhere, such as /var/lib/alkalog (%w)", a.name, from, err)
	}
	return nil
}
