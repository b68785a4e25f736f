package localpg

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
)

// home is the data directory with the paths in it.
//
// dir is the directory itself, data PostgreSQL's data in it, run the directory of the
// socket and lock the lock file. If the path of run is too long, the socket is
// elsewhere; see makeSocketDir.
type home struct {
	dir, data, run, lock string
}

// major returns the PostgreSQL major version that made the data; 0 if there is no data.
func (h home) major() (int, error) {
	text, err := os.ReadFile(filepath.Join(h.data, "PG_VERSION"))
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("reading the data's version: %w", err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("%s/PG_VERSION says %q, which is no version", h.data, text)
	}
	return major, nil
}

// checkOwner returns an error if the data belongs to another user than the account.
// PostgreSQL would refuse it with a message that names neither.
func (h home) checkOwner(who account) error {
	info, err := os.Stat(h.data)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("data directory: %w", err)
	}
	if owner := int(info.Sys().(*syscall.Stat_t).Uid); owner != who.uid {
		return fmt.Errorf("the data in %s belongs to uid %d, and PostgreSQL would run as %s (uid %d): run as its owner, or as root with ALKALOG_PG_USER naming it", h.dir, owner, who.name, who.uid)
	}
	return nil
}

// claim creates the directory and takes the owner lock. The returned file holds the
// lock; the kernel releases it with the process, however that ends.
//
// The lock file is opened with O_NOFOLLOW: a link in its place is not followed, so that
// root cannot be made to truncate another file.
func (h home) claim(who account) (*os.File, error) {
	if err := makeOpen(filepath.Dir(h.dir)); err != nil {
		return nil, fmt.Errorf("making the data directory: %w", err)
	}
	if err := os.Mkdir(h.dir, 0o700); err != nil && !errors.Is(err, os.ErrExist) {
		return nil, fmt.Errorf("making the data directory: %w", err)
	}
	lock, err := os.OpenFile(h.lock, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, fmt.Errorf("taking the owner lock: %w", err)
	}
	if err := h.hold(lock, who); err != nil {
		lock.Close()
		return nil, err
	}
	return lock, nil
}

// release releases the owner lock. It unlocks explicitly: a process that is being
// forked at this moment has a copy of the file descriptor, and closing ours would leave
// the lock with it.
func release(lock *os.File) {
	syscall.Flock(int(lock.Fd()), syscall.LOCK_UN)
	lock.Close()
}

// hold locks the file without waiting, writes our process ID into it for error
// messages, and lets the account through the directory.
//
// For root, the directory gets mode 0710 with the group of the account: the account may
// pass through, and only root may list or change it.
func (h home) hold(lock *os.File, who account) error {
	err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return fmt.Errorf("data directory %s is in use by %s", h.dir, ownerOf(lock))
	}
	if err != nil {
		return fmt.Errorf("taking the owner lock: %w", err)
	}
	if err := lock.Truncate(0); err != nil {
		return fmt.Errorf("writing the owner lock: %w", err)
	}
	if _, err := lock.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0); err != nil {
		return fmt.Errorf("writing the owner lock: %w", err)
	}
	if who.credential == nil {
		return nil
	}
	if err := os.Chown(h.dir, 0, who.gid); err != nil {
		return fmt.Errorf("opening the data directory to %s: %w", who.name, err)
	}
	if err := os.Chmod(h.dir, 0o710); err != nil {
		return fmt.Errorf("opening the data directory to %s: %w", who.name, err)
	}
	return nil
}

// ownerOf describes the process that holds a lock file.
func ownerOf(lock *os.File) string {
	text := make([]byte, 20)
	n, _ := lock.ReadAt(text, 0)
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text[:n]))); err == nil {
		return fmt.Sprintf("pid %d", pid)
	}
	return "another process"
}

// makeOpen creates the missing directories above the data directory. Others may pass
// through them whatever the umask is, because the account is another user than root.
func makeOpen(dir string) error {
	if exists(dir) {
		return nil
	}
	if err := makeOpen(filepath.Dir(dir)); err != nil {
		return err
	}
	if err := os.Mkdir(dir, 0o755); err != nil && !errors.Is(err, os.ErrExist) {
		return err
	}
	return os.Chmod(dir, 0o755)
}

// maxSocket is the length in bytes of the longest socket path that all platforms
// accept: sun_path has 104 bytes on macOS and 108 on Linux, less some for a temporary
// name.
const maxSocket = 100

// makeSocketDir creates the directory of the socket, empty and closed to others. If its
// path is too long for a socket, a directory with a short name under the temporary
// directory is used; its name is derived from the data directory, so that the next
// start finds and clears it.
//
// Everything in it is deleted first. That is safe, because the owner lock is held and
// clearOrphan has ended any postgres that could still use it.
func (h home) makeSocketDir(who account) (string, error) {
	dir := h.run
	if len(filepath.Join(dir, socketName)) > maxSocket {
		sum := sha256.Sum256([]byte(h.dir))
		dir = filepath.Join(os.TempDir(), fmt.Sprintf("alkalog-%x-%d", sum[:6], who.uid))
	}
	if len(filepath.Join(dir, socketName)) > maxSocket {
		return "", fmt.Errorf("no room for a socket: both %s and the temporary directory %s have long names", h.dir, os.TempDir())
	}
	if err := os.RemoveAll(dir); err != nil { // sockets and locks of a dead postgres
		return "", fmt.Errorf("clearing the socket directory: %w", err)
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		return "", fmt.Errorf("making the socket directory: %w", err)
	}
	if err := who.own(dir, 0o700); err != nil {
		return "", fmt.Errorf("making the socket directory: %w", err)
	}
	return dir, nil
}

// defaultRoles are the roles of this program's schema that can log in.
var defaultRoles = []string{"alkalog_migrator", "alkalog_server", "alkalog_auditor"}

// plainName matches what can be written between quotes in the access files without
// escaping.
var plainName = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_.@$-]*$`)

// writeAccess writes who may connect as which role: the launching user and the account,
// by peer authentication, as the superuser and the named roles. The files are written
// at every start, so that an edited one does not last.
//
// Only local connections are listed, so that no setting of listen_addresses can open
// the cluster. Names that would need quoting are refused, not escaped.
func (h home) writeAccess(who account, roles []string) error {
	if len(roles) == 0 {
		roles = defaultRoles
	}
	var ident strings.Builder
	for _, osUser := range []string{who.launcher, who.name} {
		for _, role := range append([]string{Superuser}, roles...) {
			if !plainName.MatchString(osUser) || !plainName.MatchString(role) {
				return fmt.Errorf("user %q or role %q is not a plain name", osUser, role)
			}
			fmt.Fprintf(&ident, "alkalog %q %q\n", osUser, role)
		}
	}
	hba := "local all all peer map=alkalog\nlocal replication all peer map=alkalog\n"
	for path, text := range map[string]string{h.hba(): hba, h.ident(): ident.String()} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			return err
		}
		if err := who.own(path, 0o600); err != nil {
			return err
		}
	}
	return nil
}

func (h home) hba() string   { return filepath.Join(h.dir, "pg_hba.conf") }
func (h home) ident() string { return filepath.Join(h.dir, "pg_ident.conf") }
