package keys

import (
	"crypto"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/go-jose/go-jose/v4"
)

// SigningKey is a private Ed25519 key that signs tokens. Its key ID is its
// thumbprint (RFC 7638).
//
// Only this installation's own tokens are signed with it; those of an identity provider
// are not.
type SigningKey struct{ key jose.JSONWebKey }

// NewSigningKey makes a new key.
//
// The algorithm is EdDSA (RFC 8037, from memory).
func NewSigningKey() (SigningKey, error) {
	_, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		return SigningKey{}, err
	}
	key := jose.JSONWebKey{Key: private, Algorithm: string(jose.EdDSA), Use: "sig"}
	thumbprint, err := key.Thumbprint(crypto.SHA256)
	key.KeyID = base64.RawURLEncoding.EncodeToString(thumbprint)
	return SigningKey{key}, err
}

// ParseSigningKey parses a line that Line returned.
//
// Public keys and keys of other types are refused. Errors do not contain the line.
func ParseSigningKey(line string) (SigningKey, error) {
	var key jose.JSONWebKey
	err := key.UnmarshalJSON([]byte(line))
	if _, private := key.Key.(ed25519.PrivateKey); err != nil || !private || key.KeyID == "" {
		return SigningKey{}, errors.New("keys: want a private Ed25519 key as JSON Web Key with a kid")
	}
	return SigningKey{key}, nil
}

// Line returns the private key as one line of the key file: a secret.
func (k SigningKey) Line() (string, error) {
	text, err := json.Marshal(k.key)
	return string(text), err
}

// ID is the key ID, the "kid" of the tokens it signs.
func (k SigningKey) ID() string { return k.key.KeyID }

// Format prevents printing the private key.
func (k SigningKey) Format(f fmt.State, _ rune) { io.WriteString(f, "signing key "+k.key.KeyID) }

// MarshalJSON prevents encoding the private key.
func (k SigningKey) MarshalJSON() ([]byte, error) { return json.Marshal(fmt.Sprint(k)) }

// Sign returns the claims as a compact JWS of type at+jwt (RFC 9068).
//
// It adds no claims: issuer, audience and expiry are the caller's (package identity).
func (k SigningKey) Sign(claims map[string]any) (string, error) {
	payload, err := json.Marshal(claims)
	if err != nil {
		return "", err
	}
	options := (&jose.SignerOptions{}).WithType("at+jwt")
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.EdDSA, Key: k.key}, options)
	if err != nil {
		return "", err
	}
	token, err := signer.Sign(payload)
	if err != nil {
		return "", err
	}
	return token.CompactSerialize()
}

// PublicKeySet returns the public halves of keys as a JSON Web Key Set (RFC 7517).
//
// The set never contains a private key, whatever the keys are.
func PublicKeySet(signing ...SigningKey) ([]byte, error) {
	set := jose.JSONWebKeySet{}
	for _, k := range signing {
		set.Keys = append(set.Keys, k.key.Public())
	}
	text, err := json.MarshalIndent(set, "", "  ")
	return append(text, '\n'), err
}
