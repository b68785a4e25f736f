package identity

import (
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/go-jose/go-jose/v4"

	"alkalog/server/keys"
)

// algorithms are the accepted signature algorithms. All are asymmetric, so that
// a public key cannot be misused as a shared secret (RFC 8725, section 3.1).
var algorithms = []jose.SignatureAlgorithm{jose.RS256, jose.ES256, jose.EdDSA}

// keySet maps key IDs to public keys.
type keySet map[string]jose.JSONWebKey

// keySource finds the key that a token names.
type keySource interface {
	// find returns errUnknownKey when there is none of that id, and errNoKeys
	// when it cannot be known whether there is one.
	find(ctx context.Context, id string) (jose.JSONWebKey, error)
}

var (
	errUnknownKey = errors.New("identity: no key with this ID")
	errNoKeys     = errors.New("identity: no recent keys")
)

// parseKeys parses a JSON Web Key Set (RFC 7517, section 5). It ignores keys
// that cannot be used here, as the standard requires.
func parseKeys(text []byte) (keySet, error) {
	var raw struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(text, &raw); err != nil {
		return nil, errors.New("not a JSON Web Key Set")
	}
	if raw.Keys == nil {
		return nil, errors.New(`a JSON Web Key Set must have "keys"`)
	}
	set := keySet{}
	for _, one := range raw.Keys {
		var key jose.JSONWebKey
		if key.UnmarshalJSON(one) != nil || key.KeyID == "" || algorithmOf(key) == "" {
			continue
		}
		if _, twice := set[key.KeyID]; twice {
			return nil, errors.New("a JSON Web Key Set has two keys with the same ID")
		}
		set[key.KeyID] = key
	}
	return set, nil
}

// algorithmOf returns the only algorithm that a key may be used with; empty if
// the key is of another kind, too short, or not for signatures. An RSA key needs
// 2,048 bits.
func algorithmOf(key jose.JSONWebKey) string {
	var algorithm jose.SignatureAlgorithm
	switch public := key.Key.(type) {
	case *rsa.PublicKey:
		if public.Size() >= 256 { // bytes; RFC 7518, section 3.3
			algorithm = jose.RS256
		}
	case *ecdsa.PublicKey:
		if public.Curve == elliptic.P256() {
			algorithm = jose.ES256
		}
	case ed25519.PublicKey:
		algorithm = jose.EdDSA
	}
	if key.Use != "" && key.Use != "sig" || key.Algorithm != "" && key.Algorithm != string(algorithm) {
		return ""
	}
	return string(algorithm)
}

// fileKeys is the key set of an installation without an identity provider: a
// file that is reloaded when it changes.
type fileKeys struct{ file *keys.Watch[keySet] }

// openFileKeys reads the file for the first time.
func openFileKeys(path string, clock func() time.Time, problem func(error)) (fileKeys, error) {
	file := &keys.Watch[keySet]{Files: []string{path}, Clock: clock, Problem: problem}
	file.Load = func() (keySet, error) {
		text, err := keys.ReadTrusted(path)
		if err != nil {
			return nil, err
		}
		set, err := parseKeys(text)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		return set, nil
	}
	return fileKeys{file}, file.Open()
}

// find never returns errNoKeys: the file was read at startup, and its last good
// content remains in use.
func (f fileKeys) find(_ context.Context, id string) (jose.JSONWebKey, error) {
	if key, known := f.file.Get()[id]; known {
		return key, nil
	}
	return jose.JSONWebKey{}, errUnknownKey
}
