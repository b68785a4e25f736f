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

// NewKey makes a fresh private key and returns the line that stands for it in
// the key file. Beside it stand the lines given, whose name it takes: the name
// of this installation's logs. Without any it makes up a name.
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

// ReadKeys reads the key file: a private key a line, the newest first. While
// two stand there both sign, and so the trust in one is handed over to the next.
func ReadKeys(path string) ([]ledger.PrivateKey, error) {
	lines, err := keyfile.Lines(path)
	if err != nil {
		return nil, err
	}
	if len(lines) == 0 {
		return nil, fmt.Errorf("sequencer: there is no key in %s", path)
	}
	keys := make([]ledger.PrivateKey, len(lines))
	seen := map[string]bool{}
	for i, line := range lines {
		if keys[i], err = ledger.ParsePrivateKey(line); err != nil {
			return nil, fmt.Errorf("sequencer: %s, key %d: %w", path, i+1, err)
		}
		if keys[i].Name() != keys[0].Name() {
			return nil, fmt.Errorf("sequencer: %s: the keys are not those of one installation: %s and %s", path, keys[0].Name(), keys[i].Name())
		}
		if public := keys[i].Public().String(); seen[public] {
			return nil, fmt.Errorf("sequencer: %s: key %d stands there twice", path, i+1)
		} else {
			seen[public] = true
		}
	}
	return keys, nil
}

// keyring is the keys of the key file, as it was last read.
type keyring struct {
	path    string
	version fileVersion
	keys    []ledger.PrivateKey
}

// fileVersion tells one state of a file from the next.
type fileVersion struct {
	time time.Time
	size int64
}

// openKeys reads the keys, and makes one if there is no file and it may.
func openKeys(path string, make bool) (*keyring, error) {
	k := &keyring{path: path}
	_, err := k.reload()
	if !keyfile.Missing(err) {
		return k, err
	}
	if !make {
		return nil, fmt.Errorf("there is no key to sign the audit log with: %w; `server keys` makes one, and all servers of a database need the same", err)
	}
	line, err := NewKey(nil)
	if err == nil {
		err = keyfile.Create(path, []byte("# What the checkpoints of the audit log are signed with. Nobody else may have it.\n"+line+"\n"))
	}
	if err == nil {
		_, err = k.reload()
	}
	return k, err
}

// reload reads the file again if it was changed, and reports whether it was.
// The keys stay as they are when the file cannot be used.
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
		err = errors.New("sequencer: the keys are those of another installation")
	}
	k.version = now // a file that is of no use is told of once
	if err != nil {
		return false, err
	}
	k.keys = keys
	return true, nil
}

// keyset is the keys of one chain's log.
type keyset struct {
	private []ledger.PrivateKey
	public  []ledger.PublicKey
	lines   string // the public keys, a line each
}

// keysFor makes the keys of a chain's log of those of the installation.
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
