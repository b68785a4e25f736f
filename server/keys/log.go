package keys

import (
	"crypto/rand"
	"fmt"
	"strings"

	"alkalog/service/ledger"
)

// NewLogKey makes a private key that signs the audit log and returns its line in
// the key file. All keys of an installation share one name, the name of its
// logs: it is taken from the existing lines, or made up if there are none.
//
// The name has 10 random letters and digits, so that the logs of two installations do
// not have the same name.
func NewLogKey(existing []string) (string, error) {
	name := "alkalog-" + strings.ToLower(rand.Text()[:10])
	if len(existing) > 0 {
		old, err := ledger.ParsePrivateKey(existing[0])
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

// ReadLogKeys reads the private keys of the audit log, one per line, the newest
// first. With two keys both sign: a verifier that trusts the old key then
// learns to trust the new one.
//
// All keys must have the same name, and no key may occur twice.
func ReadLogKeys(path string) ([]ledger.PrivateKey, error) {
	lines, err := Lines(path)
	if err != nil {
		return nil, err
	}
	if len(lines) == 0 {
		return nil, fmt.Errorf("keys: %s holds no key", path)
	}
	private := make([]ledger.PrivateKey, len(lines))
	present := map[string]bool{}
	for i, line := range lines {
		if private[i], err = ledger.ParsePrivateKey(line); err != nil {
			return nil, fmt.Errorf("keys: %s, key %d: %w", path, i+1, err)
		}
		if private[i].Name() != private[0].Name() {
			return nil, fmt.Errorf("keys: %s: key %d belongs to installation %s, want %s", path, i+1, private[i].Name(), private[0].Name())
		}
		public := private[i].Public().String()
		if present[public] {
			return nil, fmt.Errorf("keys: %s: key %d is a duplicate", path, i+1)
		}
		present[public] = true
	}
	return private, nil
}
