package sequencer

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"alkalog/server/keys"
	"alkalog/service/ledger"
)

// keyring holds the keys of the key file as last read.
type keyring struct {
	// path is the key file; version its state when it was last read.
	path    string
	version fileVersion
	keys    []ledger.PrivateKey
}

// fileVersion identifies a state of a file. Time and size suffice here: the file is
// replaced by a command, not edited many times a second.
type fileVersion struct {
	time time.Time
	size int64
}

// openKeys reads the keys. If there is no file and make is set, it creates one. It
// creates one only for a private database. Two servers that share a database would
// otherwise make two different keys and reject each other's signatures.
func openKeys(path string, make bool) (*keyring, error) {
	k := &keyring{path: path}
	_, err := k.reload()
	if !keys.Missing(err) {
		return k, err
	}
	if !make {
		return nil, fmt.Errorf("there is no key to sign the audit log with: %w; `alkalog keys` creates one, and all servers of a database need the same", err)
	}
	line, err := keys.NewLogKey(nil)
	if err == nil {
		err = keys.Create(path, []byte("# Private keys that sign the checkpoints of the audit log. Keep them secret.\n"+line+"\n"))
	}
	if err == nil {
		_, err = k.reload()
	}
	return k, err
}

// reload reads the file again if it was changed, and reports whether it was. If the
// file is invalid, the current keys are kept. A server thus survives a mistake in
// the file, and an operator sees it in the log before the next restart.
func (k *keyring) reload() (bool, error) {
	info, err := os.Stat(k.path)
	if err != nil {
		return false, fmt.Errorf("sequencer: %w", err)
	}
	now := fileVersion{info.ModTime(), info.Size()}
	if now == k.version {
		return false, nil
	}
	private, err := keys.ReadLogKeys(k.path)
	if err == nil && len(k.keys) > 0 && private[0].Name() != k.keys[0].Name() {
		err = errors.New("sequencer: the keys belong to another installation")
	}
	k.version = now // so that an invalid file is reported once
	if err != nil {
		return false, err
	}
	k.keys = private
	return true, nil
}

// keyset holds the keys of one chain's log.
type keyset struct {
	private []ledger.PrivateKey
	public  []ledger.PublicKey
	lines   string // the public keys, one a line
}

// keysFor derives the keys of a chain's log from the installation's keys. Every
// chain has its own key, derived from the installation's, so that a checkpoint of
// one chain cannot be presented as one of another.
func keysFor(private []ledger.PrivateKey, chain string) (keyset, error) {
	var set keyset
	var lines []string
	for _, k := range private {
		own, err := k.For(chain)
		if err != nil {
			return keyset{}, err
		}
		set.private, set.public = append(set.private, own), append(set.public, own.Public())
		lines = append(lines, own.Public().String())
	}
	set.lines = strings.Join(lines, "\n")
	return set, nil
}
