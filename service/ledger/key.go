package ledger

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// PublicKey is what the checkpoints of a log are checked with: an Ed25519 key
// under the name of the log.
type PublicKey struct {
	text     string
	verifier note.Verifier
}

// ParsePublicKey reads a public key in its usual form, name+hash+key.
func ParsePublicKey(text string) (PublicKey, error) {
	verifier, err := note.NewVerifier(text)
	if err != nil {
		return PublicKey{}, fmt.Errorf("ledger: public key: %w", err)
	}
	return PublicKey{text, verifier}, nil
}

// Name is the name of the log that the key belongs to.
func (k PublicKey) Name() string { return k.verifier.Name() }

// String is the key in its usual form.
func (k PublicKey) String() string { return k.text }

// MarshalText writes the key in its usual form.
func (k PublicKey) MarshalText() ([]byte, error) { return []byte(k.text), nil }

// PrivateKey is what checkpoints are signed with. It does not show itself:
// printed or logged, it is three stars.
type PrivateKey struct {
	name   string
	seed   func() []byte // a function, because fmt shows the bytes of a field
	signer note.Signer
	public PublicKey
}

// NewPrivateKey makes the key of a log from a random seed of 32 bytes.
func NewPrivateKey(name string, seed []byte) (PrivateKey, error) {
	if len(seed) != ed25519.SeedSize {
		return PrivateKey{}, fmt.Errorf("ledger: seed of %d bytes", len(seed))
	}
	public := ed25519.NewKeyFromSeed(seed).Public().(ed25519.PublicKey)
	text, err := note.NewEd25519VerifierKey(name, public)
	if err != nil {
		return PrivateKey{}, fmt.Errorf("ledger: private key: %w", err)
	}
	seed = append([]byte(nil), seed...)
	k := PrivateKey{name: name, seed: func() []byte { return seed }}
	if k.public, err = ParsePublicKey(text); err != nil {
		return PrivateKey{}, err // the name cannot be one
	}
	if k.signer, err = note.NewSigner(k.Secret()); err != nil {
		return PrivateKey{}, errors.New("ledger: private key: not understood")
	}
	return k, nil
}

// privateForm is how a private key begins when it is written down.
const privateForm = "PRIVATE+KEY+"

// ParsePrivateKey reads what Secret wrote. Its errors do not repeat the text.
func ParsePrivateKey(secret string) (PrivateKey, error) {
	if _, err := note.NewSigner(secret); err != nil {
		return PrivateKey{}, errors.New("ledger: private key: not understood")
	}
	parts := strings.SplitN(strings.TrimPrefix(secret, privateForm), "+", 3)
	key, err := base64.StdEncoding.DecodeString(parts[2])
	if err != nil || len(key) != 1+ed25519.SeedSize {
		return PrivateKey{}, errors.New("ledger: private key: not understood")
	}
	return NewPrivateKey(parts[0], key[1:])
}

// Secret is the key in its usual form, for a file that nobody else can read.
func (k PrivateKey) Secret() string {
	hash := fmt.Sprintf("%08x", k.public.verifier.KeyHash())
	return privateForm + k.name + "+" + hash + "+" + base64.StdEncoding.EncodeToString(append([]byte{1}, k.seed()...))
}

// Name is the name of the log that the key belongs to.
func (k PrivateKey) Name() string { return k.name }

// Public is the public half.
func (k PrivateKey) Public() PublicKey { return k.public }

// For is the same key as the one of the log that a chain has of its own. Each
// chain's log has a name, and so a checkpoint of one cannot pass for another's.
func (k PrivateKey) For(chain string) (PrivateKey, error) {
	return NewPrivateKey(k.name+"/"+chain, k.seed())
}

// Format writes three stars, whatever the verb.
func (PrivateKey) Format(s fmt.State, _ rune) { _, _ = s.Write([]byte("***")) }

// MarshalText writes three stars.
func (PrivateKey) MarshalText() ([]byte, error) { return []byte("***"), nil }
