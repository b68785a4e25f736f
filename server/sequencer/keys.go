package sequencer

import (
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"alkalog/server/keyfile"
	"alkalog/service/ledger"
)

// NewKey creates a private key and returns its line for the key file. It takes the
// name of the installation's logs from the lines already in the file, and makes up
// a name if there are none.
func NewKey(beside []string) (string, error) {
	name := "alkalog-" + strings.ToLower(rand.Text()[:10])
	if len(beside) > 0 {
		old, err := ledger.ParsePrivateKey(beside[0])
		if err != nil {
			return "", err
		}
		name = old.Name()
	}
	seed := make([]byte, 32)
	rand.Read(seed) // never fails
	key, err := ledger.NewPrivateKey(name, seed)
	if err != nil {
		return "", err
	}
	return key.Secret(), nil
}

// ReadKeys reads the key file: one private key a line, the newest first. Two keys
// both sign, which transfers the trust in the older key to the newer.
func ReadKeys(path string) ([]ledger.PrivateKey, error) {
	lines, err := keyfile.Lines(path)
	if err != nil {
		return nil, err
	}
	if len(lines) == 0 {
		return nil, fmt.Errorf("sequencer: %s has no key", path)
	}
	keys := make([]ledger.PrivateKey, len(lines))
	seen := map[string]bool{}
	for i, line := range lines {
		if keys[i], err = ledger.ParsePrivateKey(line); err != nil {
			return nil, fmt.Errorf("sequencer: %s, key %d: %w", path, i+1, err)
		}
		if keys[i].Name() != keys[0].Name() {
			return nil, fmt.Errorf("sequencer: %s: the keys belong to different installations: %s and %s", path, keys[0].Name(), keys[i].Name())
		}
		if public := keys[i].Public().String(); seen[public] {
			return nil, fmt.Errorf("sequencer: %s: key %d is a duplicate", path, i+1)
		} else {
			seen[public] = true
		}
	}
	return keys, nil
}

// keyring holds the keys of the key file as last read.
type keyring struct {
	path    string
	version fileVersion
	keys    []ledger.PrivateKey
}

// fileVersion identifies a state of a file.
type fileVersion struct {
	time time.Time
	size int64
}

// openKeys reads the keys. If there is no file and make is set, it creates one.
func openKeys(path string, make bool) (*keyring, error) {
	k := &keyring{path: path}
	_, err := k.reload()
	if !keyfile.Missing(err) {
		return k, err
	}
	if !make {
		return nil, fmt.Errorf("there is no key to sign the audit log with: %w; `server keys` creates one, and all servers of a database need the same", err)
	}
	line, err := NewKey(nil)
	if err == nil {
		err = keyfile.Create(path, []byte("# Private keys that sign the checkpoints of the audit log. Keep them secret.\n"+line+"\n"))
	}
	if err == nil {
		_, err = k.reload()
	}
	return k, err
}

// reload reads the file again if it was changed, and reports whether it was. If
// the file is invalid, the current keys are kept.
func (k *keyring) reload() (bool, error) {
	info, err := os.Stat(k.path)
	if err != nil {
		return false, fmt.Errorf("sequencer: %w", err)
	}
	now := fileVersion{info.ModTime(), info.Size()}
	if now == k.version {
		return false, nil
	}
	keys, err := ReadKeys(k.path)
	if err == nil && len(k.keys) > 0 && keys[0].Name() != k.keys[0].Name() {
		err = errors.New("sequencer: the keys belong to another installation")
	}
	k.version = now // so that an invalid file is reported once
	if err != nil {
		return false, err
	}
	k.keys = keys
	return true, nil
}

// keyset holds the keys of one chain's log.
type keyset struct {
	private []ledger.PrivateKey
	public  []ledger.PublicKey
	lines   string // the public keys, one a line
}

// keysFor derives the keys of a chain's log from the installation's keys.
func keysFor(keys []ledger.PrivateKey, chain string) (keyset, error) {
	var set keyset
	var lines []string
	for _, k := range keys {
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
