package ledger

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// PublicKey checks the checkpoints of a log: an Ed25519 key under the name of the log.
type PublicKey struct {
	text     string
	verifier note.Verifier
}

// ParsePublicKey parses a public key in the form name+hash+key (c2sp.org/signed-note).
func ParsePublicKey(text string) (PublicKey, error) {
	verifier, err := note.NewVerifier(text)
	if err != nil {
		return PublicKey{}, fmt.Errorf("ledger: public key: %w", err)
	}
	return PublicKey{text, verifier}, nil
}

// Name returns the name of the log that the key belongs to.
func (k PublicKey) Name() string { return k.verifier.Name() }

// String returns the key in the form that ParsePublicKey reads.
func (k PublicKey) String() string { return k.text }

// MarshalText implements encoding.TextMarshaler like String.
func (k PublicKey) MarshalText() ([]byte, error) { return []byte(k.text), nil }

// PrivateKey signs checkpoints. It cannot be printed, logged or encoded by mistake:
// every such attempt gives three stars.
//
// Keys of the installation have the name of the installation. For makes the key of one
// chain's log, and only such keys sign.
type PrivateKey struct {
	name string
	// seed is a function because fmt shows the bytes of a field by reflection.
	seed   func() []byte
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

// privateForm begins the text of a private key.
const privateForm = "PRIVATE+KEY+"

// ParsePrivateKey parses what Secret returned. Its errors do not repeat the text.
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

// Secret returns the private key as text, for a file that nobody else can read.
//
// The form is that of golang.org/x/mod/sumdb/note: the prefix, the name, the key hash,
// and in base64 the algorithm byte 1 (Ed25519) with the seed.
func (k PrivateKey) Secret() string {
	hash := fmt.Sprintf("%08x", k.public.verifier.KeyHash())
	return privateForm + k.name + "+" + hash + "+" + base64.StdEncoding.EncodeToString(append([]byte{1}, k.seed()...))
}

// Name returns the name of the log that the key belongs to.
func (k PrivateKey) Name() string { return k.name }

// Public returns the public key.
func (k PrivateKey) Public() PublicKey { return k.public }

// For returns the key of the log of one chain: the same key material under the name of
// that log. Because each log has its own name, a checkpoint of one chain cannot be
// presented as another's.
func (k PrivateKey) For(chain string) (PrivateKey, error) {
	return NewPrivateKey(k.name+"/"+chain, k.seed())
}

// Format implements fmt.Formatter with three stars for every verb.
func (PrivateKey) Format(s fmt.State, _ rune) { _, _ = s.Write([]byte("***")) }

// MarshalText implements encoding.TextMarshaler with three stars.
func (PrivateKey) MarshalText() ([]byte, error) { return []byte("***"), nil }
