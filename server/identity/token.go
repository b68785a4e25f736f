package identity

import (
	"context"
	"crypto"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-jose/go-jose/v4"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// DefaultIssuer is the issuer of tokens that are signed with an installation's own keys,
// and the usual audience of all.
const DefaultIssuer = "alkalog"

const (
	maxToken = 8 << 10          // bytes
	skew     = 60 * time.Second // how far the clocks of issuer and server may be apart
)

// The claims of ours in a token.
const (
	claimActor  = "alkalog.actor"
	claimRole   = "alkalog.role"
	claimSalons = "alkalog.salons"
)

// TokenSource says whose tokens are believed.
type TokenSource struct {
	// Issuer is the URL of an OpenID provider, and what "iss" must be. Empty:
	// DefaultIssuer, which needs KeysFile.
	Issuer string
	// Audience is what "aud" must have. Empty: DefaultIssuer.
	Audience string
	// KeysFile is a JSON Web Key Set that is used instead of the provider's. It
	// is read again when it is replaced.
	KeysFile string
	// Clock is the time.
	Clock func() time.Time
	// Problem is told when the keys cannot be had.
	Problem func(error)
}

// Tokens knows people by signed tokens (RFC 7519), sent as
//
//	authorization: Bearer TOKEN
//
// A token must be a compact JWS of at most 8 KiB, signed with RS256, ES256 or
// EdDSA by a key that it names by "kid"; "typ" must be at+jwt (RFC 9068) or JWT;
// "iss" and "aud" must be the installation's, "exp" must be there, and neither
// it nor "nbf" and "iat" may be off by more than a minute. Headers that bring a
// key along or point to one are refused. Three claims of ours say who it is:
//
//	alkalog.actor   resource name, in the shapes of Development
//	alkalog.role    one of the words of Development
//	alkalog.salons  the salons the bearer is confined to; may be left out, but for a
//	                till that is not named below its salon
type Tokens struct {
	source TokenSource
	keys   keySource
}

// Open checks the source and reads its file, if it has one. A provider is asked
// when the first token comes, so it need not be up now.
func (s TokenSource) Open() (*Tokens, error) {
	t := &Tokens{source: s}
	if t.source.Audience == "" {
		t.source.Audience = DefaultIssuer
	}
	if t.source.Problem == nil {
		t.source.Problem = func(error) {}
	}
	var err error
	switch {
	case s.KeysFile != "":
		if s.Issuer == "" {
			t.source.Issuer = DefaultIssuer
		}
		t.keys, err = openFileKeys(s.KeysFile, s.Clock, t.source.Problem)
	default:
		t.keys, err = newIssuerKeys(s.Issuer, s.Clock, t.source.Problem)
	}
	return t, err
}

// identify returns the actor of a token and the token's id.
func (t *Tokens) identify(ctx context.Context, raw string) (actor.Actor, string, error) {
	key, err := t.key(ctx, raw)
	if err != nil {
		return actor.Actor{}, "", err
	}
	now := t.source.Clock()
	verifier := oidc.NewVerifier(t.source.Issuer, &oidc.StaticKeySet{PublicKeys: []crypto.PublicKey{key.Key}}, &oidc.Config{
		ClientID: t.source.Audience, SupportedSigningAlgs: []string{algorithmOf(key)},
		Now: func() time.Time { return now.Add(-skew) },
	})
	verified, err := verifier.Verify(ctx, raw)
	if err != nil {
		return actor.Actor{}, "", fault.Unauthenticated(complaint(err))
	}
	return claimed(verified, now)
}

// complaint is what a caller is told of a token that did not pass. The library
// tells some refusals apart by their words alone; without them it is said less
// exactly, and refused all the same.
func complaint(err error) string {
	expired := new(oidc.TokenExpiredError)
	switch text := err.Error(); {
	case errors.As(err, &expired) && expired.Expiry.IsZero():
		return "the token has no expiry (exp), and must have one"
	case errors.As(err, &expired):
		return "the token has expired"
	case strings.Contains(text, "expected audience"):
		return "the token is not meant for this server (aud)"
	case strings.Contains(text, "issued by a different provider"):
		return "the token is not of the issuer that this server believes (iss)"
	}
	return "the token is not signed by the key it names, or its claims cannot be read"
}

// key is the key that a token names, if it may be used for it.
func (t *Tokens) key(ctx context.Context, raw string) (jose.JSONWebKey, error) {
	header, want := parseHeader(raw)
	if want != "" {
		return jose.JSONWebKey{}, fault.Unauthenticated(want)
	}
	key, err := t.keys.find(ctx, header.KeyID)
	switch {
	case errors.Is(err, errUnknownKey):
		return key, fault.Unauthenticated("the token names a key that is not known here")
	case errors.Is(err, errNoKeys):
		return key, fault.IssuerUnavailable()
	case err != nil:
		return key, err
	case header.Algorithm != algorithmOf(key):
		return key, fault.Unauthenticated("the token is not signed by the algorithm of its key")
	}
	return key, nil
}

// parseHeader reads a token's header; want says what would be right.
func parseHeader(raw string) (header jose.Header, want string) {
	if len(raw) > maxToken {
		return header, "a token must have at most 8 KiB"
	}
	token, err := jose.ParseSignedCompact(raw, algorithms)
	if err != nil || len(token.Signatures) != 1 {
		return header, "the token must be a compact JWS, signed with RS256, ES256 or EdDSA"
	}
	header = token.Signatures[0].Protected
	if header.KeyID == "" {
		return header, "a token must name the key it is signed with (kid)"
	}
	for _, refused := range []jose.HeaderKey{"jku", "x5u", "crit"} {
		if _, has := header.ExtraHeaders[refused]; has {
			return header, "the token has a header that is refused here: " + string(refused)
		}
	}
	if header.JSONWebKey != nil {
		return header, "the token has a header that is refused here: jwk"
	}
	kind, _ := header.ExtraHeaders["typ"].(string)
	if kind = strings.TrimPrefix(strings.ToLower(kind), "application/"); kind != "at+jwt" && kind != "jwt" {
		return header, "the typ of a token must be at+jwt or JWT"
	}
	return header, ""
}

// claimed is the actor that a verified token names.
func claimed(verified *oidc.IDToken, now time.Time) (actor.Actor, string, error) {
	claims := map[string]json.RawMessage{} // exact names, unlike the fields of a struct
	if err := verified.Claims(&claims); err != nil {
		return actor.Actor{}, "", fault.Unauthenticated("the claims of the token are not an object")
	}
	for _, name := range []string{"nbf", "iat"} {
		if early(claims[name], now) {
			return actor.Actor{}, "", fault.Unauthenticated("the token is not valid yet")
		}
	}
	text := func(name string) (value string) {
		json.Unmarshal(claims[name], &value) // anything else than a string counts as none
		return value
	}
	a, want := newActor(text(claimRole), text(claimActor))
	if want == "" {
		want = confine(&a, claims[claimSalons])
	}
	if want != "" {
		return actor.Actor{}, "", fault.Unauthenticated("in the claims of the token: " + want)
	}
	return a, text("jti"), nil
}

// early reports whether a time in a token (RFC 7519, section 2, NumericDate) is
// not there yet; what is no number counts as never.
func early(claim json.RawMessage, now time.Time) bool {
	if claim == nil {
		return false
	}
	var seconds float64
	if err := json.Unmarshal(claim, &seconds); err != nil {
		return true
	}
	return seconds > float64(now.Add(skew).Unix())
}

// confine confines an actor to the salons that a token lists. A till, which may act
// for whoever works where it stands, stands somewhere.
func confine(a *actor.Actor, claim json.RawMessage) (want string) {
	if claim == nil && a.Role == pb.Role_ROLE_TILL && len(a.Salons) == 0 {
		return "a till must be named below its salon, or " + claimSalons + " must say where it is"
	}
	if claim == nil {
		return ""
	}
	var salons []string
	if err := json.Unmarshal(claim, &salons); err != nil || len(salons) == 0 || a.Role == pb.Role_ROLE_OPERATOR {
		return claimSalons + " must list at least one salon of the actor's chain, or be left out"
	}
	for _, s := range salons {
		if !salon.MatchString(s) || actor.ChainOf(s) != a.Chain {
			return claimSalons + " must be salons of the actor's chain, like chains/{chain}/salons/{salon}"
		}
	}
	for _, s := range a.Salons {
		if !slices.Contains(salons, s) {
			return claimSalons + " leaves out the salon in the actor's name"
		}
		salons = []string{s}
	}
	a.Salons = salons
	return ""
}
