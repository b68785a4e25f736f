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

// DefaultIssuer is the issuer of tokens that an installation signs itself, and
// the default audience of all tokens.
const DefaultIssuer = "alkalog"

// Bounds of tokens. A token of 8 KiB fits into the headers that the server accepts.
const (
	maxTokenBytes = 8 << 10          // bytes
	maxClockSkew  = 60 * time.Second // how far the clocks of issuer and server may differ
)

// The private claims of tokens.
const (
	claimActor  = "alkalog.actor"
	claimRole   = "alkalog.role"
	claimSalons = "alkalog.salons"
)

// TokenSource configures which tokens are accepted.
type TokenSource struct {
	// Issuer is the URL of an OpenID provider, and the required "iss". Empty:
	// DefaultIssuer, which requires KeysFile.
	Issuer string
	// Audience is the required "aud". Empty: DefaultIssuer.
	Audience string
	// KeysFile is a JSON Web Key Set that replaces the provider's. It is
	// reloaded when it is replaced.
	KeysFile string
	// Clock returns the time.
	Clock func() time.Time
	// Problem receives the error when keys cannot be loaded.
	Problem func(error)
}

// Tokens identifies people by signed tokens (RFC 7519), sent as
//
//	authorization: Bearer TOKEN
//
// A token must be a compact JWS of at most 8 KiB, signed with RS256, ES256 or
// EdDSA by the key that its "kid" names. "typ" must be at+jwt (RFC 9068) or
// JWT; "iss" and "aud" must match the installation; "exp" is required, and it,
// "nbf" and "iat" may be off by at most a minute. Headers that contain or
// reference a key are refused. Three private claims name the caller:
//
//	alkalog.actor   resource name, in the patterns of Development
//	alkalog.role    role, as in Development
//	alkalog.salons  salons that the bearer is confined to; optional, except for a
//	                till whose name is not below its salon
type Tokens struct {
	source TokenSource
	keys   keySource
}

// Open checks the configuration and reads the key file, if there is one. A
// provider is contacted when the first token arrives, so it may be down at
// startup.
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

// identify returns the actor of a token and the token's ID. The clock skew is
// granted once: the verifier's clock is set back for the expiry, and
// actorFromClaims allows it for the start.
func (t *Tokens) identify(ctx context.Context, raw string) (actor.Actor, string, error) {
	key, err := t.key(ctx, raw)
	if err != nil {
		return actor.Actor{}, "", err
	}
	now := t.source.Clock()
	verifier := oidc.NewVerifier(t.source.Issuer, &oidc.StaticKeySet{PublicKeys: []crypto.PublicKey{key.Key}}, &oidc.Config{
		ClientID: t.source.Audience, SupportedSigningAlgs: []string{algorithmOf(key)},
		Now: func() time.Time { return now.Add(-maxClockSkew) },
	})
	verified, err := verifier.Verify(ctx, raw)
	if err != nil {
		return actor.Actor{}, "", fault.Unauthenticated(tokenProblem(err))
	}
	return actorFromClaims(verified, now)
}

// tokenProblem returns the error text for a token that failed verification. The
// library distinguishes some failures only by their text; if that changes, the
// error becomes less precise, but the token is refused all the same. It names the
// claim, so that an operator finds the setting of the provider.
func tokenProblem(err error) string {
	expired := new(oidc.TokenExpiredError)
	switch text := err.Error(); {
	case errors.As(err, &expired) && expired.Expiry.IsZero():
		return "the token has no expiry (exp), want one"
	case errors.As(err, &expired):
		return "the token has expired"
	case strings.Contains(text, "expected audience"):
		return "the token is not meant for this server (aud)"
	case strings.Contains(text, "issued by a different provider"):
		return "the token was not issued by the issuer that this server trusts (iss)"
	}
	return "the token is not signed by the key it names, or its claims cannot be parsed"
}

// key returns the key that a token names, if it may be used for the token.
func (t *Tokens) key(ctx context.Context, raw string) (jose.JSONWebKey, error) {
	header, want := parseHeader(raw)
	if want != "" {
		return jose.JSONWebKey{}, fault.Unauthenticated(want)
	}
	key, err := t.keys.find(ctx, header.KeyID)
	switch {
	case errors.Is(err, errUnknownKey):
		return key, fault.Unauthenticated("the token names an unknown key (kid)")
	case errors.Is(err, errNoKeys):
		return key, fault.IssuerUnavailable()
	case err != nil:
		return key, err
	case header.Algorithm != algorithmOf(key):
		return key, fault.Unauthenticated("the token is not signed with the algorithm of its key")
	}
	return key, nil
}

// parseHeader parses the header of a token; want says what would be right.
func parseHeader(raw string) (header jose.Header, want string) {
	if len(raw) > maxTokenBytes {
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

// actorFromClaims returns the actor that a verified token names, and the
// token's ID.
func actorFromClaims(verified *oidc.IDToken, now time.Time) (actor.Actor, string, error) {
	claims := map[string]json.RawMessage{} // exact names, unlike the fields of a struct
	if err := verified.Claims(&claims); err != nil {
		return actor.Actor{}, "", fault.Unauthenticated("the claims of the token are not a JSON object")
	}
	for _, name := range []string{"nbf", "iat"} {
		if notYetValid(claims[name], now) {
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

// notYetValid reports whether a time in a token (RFC 7519, section 2,
// NumericDate) is in the future. A value that is no number counts as never.
func notYetValid(claim json.RawMessage, now time.Time) bool {
	if claim == nil {
		return false
	}
	var seconds float64
	if err := json.Unmarshal(claim, &seconds); err != nil {
		return true
	}
	return seconds > float64(now.Add(maxClockSkew).Unix())
}

// confine confines an actor to the salons that a token lists. A till must have
// a salon, because it may act for the people who work there.
func confine(a *actor.Actor, claim json.RawMessage) (want string) {
	if claim == nil && a.Role == pb.Role_ROLE_TILL && len(a.Salons) == 0 {
		return "the name of a till must be below its salon, or " + claimSalons + " must name the salon"
	}
	if claim == nil {
		return ""
	}
	var salons []string
	if err := json.Unmarshal(claim, &salons); err != nil || len(salons) == 0 || a.Role == pb.Role_ROLE_OPERATOR {
		return claimSalons + " must list at least one salon of the actor's chain, or be left out"
	}
	for _, s := range salons {
		if !salonName.MatchString(s) || actor.ChainOf(s) != a.Chain {
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
