package identity

import (
	"crypto"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/google/uuid"
)

// SigningKey is a private key of an installation's own, that tokens are signed
// with: Ed25519, named by its thumbprint (RFC 7638).
type SigningKey struct{ key jose.JSONWebKey }

// NewSigningKey makes a fresh key.
func NewSigningKey() (SigningKey, error) {
	_, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		return SigningKey{}, err
	}
	key := jose.JSONWebKey{Key: private, Algorithm: string(jose.EdDSA), Use: "sig"}
	print, err := key.Thumbprint(crypto.SHA256)
	key.KeyID = base64.RawURLEncoding.EncodeToString(print)
	return SigningKey{key}, err
}

// ParseSigningKey reads the line that Line wrote.
func ParseSigningKey(line string) (SigningKey, error) {
	var key jose.JSONWebKey
	err := key.UnmarshalJSON([]byte(line))
	if _, private := key.Key.(ed25519.PrivateKey); err != nil || !private || key.KeyID == "" {
		return SigningKey{}, errors.New("identity: not a private key that tokens can be signed with")
	}
	return SigningKey{key}, nil
}

// Line is the private key as one line: a secret.
func (k SigningKey) Line() (string, error) {
	text, err := json.Marshal(k.key)
	return string(text), err
}

// ID is what a token names the key by.
func (k SigningKey) ID() string { return k.key.KeyID }

// Format keeps the private key out of whatever prints one.
func (k SigningKey) Format(f fmt.State, _ rune) { io.WriteString(f, "signing key "+k.key.KeyID) }

// MarshalJSON keeps the private key out of whatever encodes one.
func (k SigningKey) MarshalJSON() ([]byte, error) { return json.Marshal(fmt.Sprint(k)) }

// KeySet is the public halves of keys, as a JSON Web Key Set.
func KeySet(keys ...SigningKey) ([]byte, error) {
	set := jose.JSONWebKeySet{}
	for _, k := range keys {
		set.Keys = append(set.Keys, k.key.Public())
	}
	text, err := json.MarshalIndent(set, "", "  ")
	return append(text, '\n'), err
}

// Grant is what a token says.
type Grant struct {
	Issuer, Audience string   // empty: Usual
	Role, Name       string   // as for Development
	Salons           []string // may be empty
	From, Until      time.Time
}

// Sign makes a token. What it grants must be what Tokens would accept.
func (k SigningKey) Sign(g Grant) (string, error) {
	a, want := named(g.Role, g.Name)
	claims := map[string]any{
		"iss": orUsual(g.Issuer), "aud": orUsual(g.Audience), "sub": g.Name, "client_id": Usual, "jti": uuid.NewString(),
		"iat": g.From.Unix(), "nbf": g.From.Unix(), "exp": g.Until.Unix(), claimActor: g.Name, claimRole: g.Role,
	}
	var listed json.RawMessage
	if len(g.Salons) > 0 {
		claims[claimSalons] = g.Salons
		listed, _ = json.Marshal(g.Salons) // strings can be encoded
	}
	if want == "" {
		want = confine(&a, listed)
	}
	if want == "" && !g.Until.After(g.From) {
		want = "a token must be good for some time"
	}
	if want != "" {
		return "", fmt.Errorf("identity: %s", want)
	}
	payload, err := json.Marshal(claims)
	if err != nil {
		return "", err
	}
	return k.signed(payload)
}

// signed is a payload in a compact JWS.
func (k SigningKey) signed(payload []byte) (string, error) {
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

func orUsual(text string) string {
	if text == "" {
		return Usual
	}
	return text
}
