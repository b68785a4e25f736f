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

// home is the data directory and the names in it.
type home struct {
	dir, data, run, lock string
}

// major is the PostgreSQL version that made the data; 0 when there is none.
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

// checkOwner fails when the data belongs to another user than the account.
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

// claim makes the directory and takes the owner lock. The kernel drops the
// lock with the process, however it ends.
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

// release gives up the owner lock. It unlocks in so many words: a process
// being forked elsewhere in this one holds a copy of the file for a moment,
// and closing ours would leave the lock with it.
func release(lock *os.File) {
	syscall.Flock(int(lock.Fd()), syscall.LOCK_UN)
	lock.Close()
}

// hold locks the file, writes our process id into it for others to read, and
// lets the account through the directory.
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

// ownerOf names the process in a lock file.
func ownerOf(lock *os.File) string {
	text := make([]byte, 20)
	n, _ := lock.ReadAt(text, 0)
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text[:n]))); err == nil {
		return fmt.Sprintf("pid %d", pid)
	}
	return "another process"
}

// makeOpen makes the missing directories above the data directory, which
// others may pass through whatever the umask.
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

// maxSocket is the longest socket path that every platform takes (104 bytes
// on macOS, 108 on Linux, less what is added for a temporary name).
const maxSocket = 100

// makeSocketDir makes the directory of the socket, empty and closed to
// others. When its path is too long for a socket, one with a short name under
// the temporary directory serves instead.
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

// defaultRoles are those of the program's own schema.
var defaultRoles = []string{"alkalog_migrator", "alkalog_server", "alkalog_auditor"}

// plainName is what may stand between quotes in the access files.
var plainName = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_.@$-]*$`)

// writeAccess writes who may connect, and as what: the launching user and the
// account, by peer authentication, as the superuser and the named roles.
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
