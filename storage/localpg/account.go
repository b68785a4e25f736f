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
//
// There are three cases. An ordinary user runs postgres as itself. Root switches to
// another user and owns nothing in pgdata. A nameless uid stays what it is for the
// kernel's permission checks outside of its namespace, and is the named user inside.
type account struct {
	// name is the user's name as postgres sees it, for the map of users to roles.
	name string
	// launcher is the name of this process's user, as postgres sees it.
	launcher string
	// uid and gid are the owner of the files, as this process sees them.
	uid, gid int
	// credential switches to another user; nil if it is our own.
	credential *syscall.Credential
	// mapped is set if our uid has no name. PostgreSQL refuses to run as a user that it cannot
	// look up, so its programs run in a user namespace in which our uid is that of this named
	// user.
	mapped *mappedUser
}

// mappedUser is the named user that a nameless uid becomes in its namespace.
type mappedUser struct{ uid, gid int }

// chooseAccount chooses the user: our own, unless we are root. For root it is the user
// that was asked for (Config.User, then $ALKALOG_PG_USER), else postgres, else nobody.
//
// The choice must be the same at every start, because the data belongs to the user;
// checkOwner reports a change.
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

// ownAccount returns the account of an unprivileged user: itself. For a uid without a
// name it tries whether the system permits a user namespace, so that the error names
// the real cause.
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

// otherAccount returns the account that root runs PostgreSQL as, with all groups of
// that user.
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

// numericIDs returns the IDs of a user as numbers.
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

// command prepares a program to run as the account in dir. It gets a process group of
// its own, so that Ctrl-C in a terminal reaches only us and we stop it in order, and a
// signal when we die. The environment is minimal on purpose: no PG* variable of the
// caller's, no secrets, messages in English.
//
// dir becomes the working directory. onOurDeath is SIGINT for the server, which then
// shuts down fast, and SIGKILL for programs that can simply be run again.
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

// own sets owner and mode of a path. Only root has to change the owner.
func (a account) own(path string, mode os.FileMode) error {
	if a.credential != nil {
		if err := os.Lchown(path, a.uid, a.gid); err != nil {
			return err
		}
	}
	return os.Chmod(path, mode)
}

// checkEnters returns an error if the account cannot reach dir, before anything is
// created. It runs a program there instead of reading permission bits, because only the
// kernel knows all rules that apply.
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
