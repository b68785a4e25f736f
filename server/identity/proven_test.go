package identity_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/identity"
	"alkalog/server/identity/identitytest"
	"alkalog/server/keys"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

const amara = "chains/ebb/practitioners/amara"

// clock is a clock that only the test moves.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func newClock() *clock { return &clock{now: time.Date(2026, time.November, 3, 9, 0, 0, 0, time.UTC)} }

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// installation is an installation with tokens and a revocation list, and what
// identifies its callers.
type installation struct {
	*identitytest.Installation
	clock    *clock
	proven   identity.Proven
	mu       sync.Mutex
	problems []string
}

func newInstallation(t *testing.T) *installation {
	t.Helper()
	d := &installation{clock: newClock()}
	d.Installation = identitytest.New(t, d.clock.Now)
	d.proven.Tokens = must(t)(identity.TokenSource{KeysFile: d.JWKS, Clock: d.clock.Now, Problem: d.problem}.Open())
	var err error
	if d.proven.Revoked, err = identity.OpenRevoked(d.Revoked, d.clock.Now, d.problem); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *installation) problem(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.problems = append(d.problems, err.Error())
}

func must(t *testing.T) func(*identity.Tokens, error) *identity.Tokens {
	return func(tokens *identity.Tokens, err error) *identity.Tokens {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return tokens
	}
}

// identifyToken identifies the caller of a call with a token and more headers.
func identifyToken(ctx context.Context, p identity.Proven, token string, more ...string) (actor.Actor, error) {
	return p.Identify(metadata.NewIncomingContext(ctx, metadata.Pairs(append(more, "authorization", "Bearer "+token)...)))
}

// wantAccepted expects a token to identify amara.
func wantAccepted(t *testing.T, what string, p identity.Proven, token string) {
	t.Helper()
	if got, err := identifyToken(t.Context(), p, token); err != nil || got.Name != amara {
		t.Errorf("%s: %+v, %v", what, got, err)
	}
}

// wantRefused expects a token to be refused with a reason, without being quoted.
func wantRefused(t *testing.T, what string, p identity.Proven, token string, reason pb.ErrorReason) {
	t.Helper()
	got, err := identifyToken(t.Context(), p, token)
	refusal := new(fault.Error)
	if !errors.As(err, &refusal) || refusal.Reason() != reason || !reflect.DeepEqual(got, actor.Actor{}) {
		t.Errorf("%s: %+v, %v, want %s", what, got, err, reason)
	}
	if err != nil && len(token) > 20 && strings.Contains(err.Error(), token[:20]) {
		t.Errorf("%s: the refusal quotes the token: %v", what, err)
	}
}

func TestActorOfToken(t *testing.T) {
	t.Parallel()
	d := newInstallation(t)
	for _, c := range []struct {
		role, name string
		salons     []string
		want       actor.Actor
	}{
		{"practitioner", amara, nil, actor.Actor{Role: pb.Role_ROLE_PRACTITIONER, Chain: "chains/ebb"}},
		{"student", amara, []string{"chains/ebb/salons/north"},
			actor.Actor{Role: pb.Role_ROLE_STUDENT, Chain: "chains/ebb", Salons: []string{"chains/ebb/salons/north"}}},
		{"supervisor", amara, []string{"chains/ebb/salons/north", "chains/ebb/salons/south"},
			actor.Actor{Role: pb.Role_ROLE_SUPERVISOR, Chain: "chains/ebb", Salons: []string{"chains/ebb/salons/north", "chains/ebb/salons/south"}}},
		{"manager", "chains/ebb/practitioners/odile", nil, actor.Actor{Role: pb.Role_ROLE_MANAGER, Chain: "chains/ebb"}},
		{"auditor", "chains/ebb/auditors/vesna", nil, actor.Actor{Role: pb.Role_ROLE_AUDITOR, Chain: "chains/ebb"}},
		{"manager", "chains/ebb/salons/north/managers/ines", []string{"chains/ebb/salons/south", "chains/ebb/salons/north"},
			actor.Actor{Role: pb.Role_ROLE_MANAGER, Chain: "chains/ebb", Salons: []string{"chains/ebb/salons/north"}}},
		{"operator", "operators/site", nil, actor.Actor{Role: pb.Role_ROLE_OPERATOR}},
	} {
		token := d.Token(t, c.role, c.name, func(g *identity.Grant) { g.Salons = c.salons })
		c.want.Name, c.want.Till, c.want.TillVersion = c.name, "front desk 1", "4.2.0"
		got, err := identifyToken(t.Context(), d.proven, token, "alkalog-till", "front desk 1", "alkalog-till-version", "4.2.0")
		if err != nil || !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s %s: got %+v, %v, want %+v", c.role, c.name, got, err, c.want)
		}
	}
}

// wantedErrors maps a part of an error text to the bad tokens that get it, so that no
// token is refused for another reason than the one tested.
var wantedErrors = map[string]string{
	"at most 8 KiB": "too long",
	"(kid)":         "no key named",
	"must be a compact JWS": "JSON in place of a compact token, a blank before it, an empty shared secret, dots, four parts, garbage, not signed, " +
		"not signed (in capitals), nothing, the key set as a shared secret, two parts, two signatures",
	"refused here: crit":          "critical headers",
	"refused here: jku":           "a pointer to keys",
	"refused here: x5u":           "a pointer to certificates",
	"refused here: jwk":           "a key brought along",
	"typ of a token":              "a type of something else, a type that is a number, no type",
	"unknown key":                 "an unknown key",
	"algorithm of its key":        "an algorithm that is not of the key",
	"has expired":                 "expired",
	"has no expiry (exp)":         "no expiry",
	"not valid yet":               "issued tomorrow, not valid yet",
	"not signed by the key":       "a changed claim, a changed signature, an empty signature, another key under this one's name, begin as text, expiry as text",
	"not meant for this server":   "an audience in capitals, another audience, no audience, other audiences",
	"not issued by the issuer":    "an issuer with a slash, another issuer, no issuer",
	"role must be one of":         "a role in capitals, claims in capitals, no role, no such role, roles",
	"name of a practitioner must": "a name in two lines, a name malformed, no actor",
	"salons of the actor's chain": "salons of another chain, salons malformed",
	"at least one salon":          "no salons at all, salons as text",
	"below its salon":             "a till without a salon",
}

// wantedError returns the part of the text for one bad token.
func wantedError(what string) string {
	for said, all := range wantedErrors {
		if slices.Contains(strings.Split(all, ", "), what) {
			return said
		}
	}
	return "nothing: " + what + " is not in the table"
}

func TestBadTokens(t *testing.T) {
	t.Parallel()
	d := newInstallation(t)
	wantAccepted(t, "a good token", d.proven, d.Token(t, "practitioner", amara))
	bad := d.BadTokens(t, "practitioner", amara)
	left := map[string]bool{}
	for _, all := range wantedErrors {
		for what := range strings.SplitSeq(all, ", ") {
			left[what] = true
		}
	}
	for what, token := range bad {
		wantRefused(t, what, d.proven, token, pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED)
		delete(left, what)
		_, err := identifyToken(t.Context(), d.proven, token)
		if err == nil || !strings.Contains(err.Error(), wantedError(what)) {
			t.Errorf("%s receives %q, want %q in it", what, err, wantedError(what))
		}
	}
	for what := range left {
		t.Errorf("there is no token with %s", what)
	}
	if _, err := identifyToken(t.Context(), d.proven, d.Token(t, "practitioner", amara), "authorization", "Bearer x"); err == nil {
		t.Error("two tokens are believed")
	}
	said := metadata.Pairs("authorization", "Development role=practitioner name="+amara)
	if _, err := d.proven.Identify(metadata.NewIncomingContext(t.Context(), said)); err == nil || !strings.Contains(err.Error(), "development identities are refused") {
		t.Errorf("a development identity: %v", err)
	}
	if _, err := d.proven.Identify(t.Context()); err == nil || !strings.Contains(err.Error(), "Bearer {token}") {
		t.Errorf("nothing: %v", err)
	}
}

// TestGoodVariants checks that valid tokens of other forms are accepted.
func TestGoodVariants(t *testing.T) {
	t.Parallel()
	d := newInstallation(t)
	short, long, curve := rsaKey(t, 1536), rsaKey(t, 2048), ecKey(t, nil)
	other := ecKey(t, elliptic.P384())
	d.write(t, jwk("long", &long.PublicKey), jwk("short", &short.PublicKey), jwk("curve", &curve.PublicKey), jwk("other", &other.PublicKey),
		jose.JSONWebKey{Key: &long.PublicKey, KeyID: "sealing", Use: "enc"},
		jose.JSONWebKey{Key: &long.PublicKey, KeyID: "psk", Algorithm: "PS256"},
		jose.JSONWebKey{Key: []byte("a shared secret of thirty-two by"), KeyID: "shared"})
	sign := func(alg jose.SignatureAlgorithm, id string, key any, change func(*identitytest.Forged)) string {
		f := d.Good("practitioner", amara)
		f.Alg, f.KeyID, f.Key = alg, id, key
		if change != nil {
			change(&f)
		}
		return f.Sign(t)
	}
	header := func(key string, value any) func(*identitytest.Forged) {
		return func(f *identitytest.Forged) { f.Header[key] = value }
	}
	claim := func(key string, value any) func(*identitytest.Forged) {
		return func(f *identitytest.Forged) { f.Claims[key] = value }
	}
	now := d.clock.Now()
	for what, token := range map[string]string{
		"RS256":                    sign(jose.RS256, "long", long, nil),
		"ES256":                    sign(jose.ES256, "curve", curve, nil),
		"typ JWT":                  sign(jose.ES256, "curve", curve, header("typ", "JWT")),
		"typ in full":              sign(jose.ES256, "curve", curve, header("typ", "application/AT+jwt")),
		"one of many audiences":    sign(jose.ES256, "curve", curve, claim("aud", []string{"other", "alkalog"})),
		"expired a minute ago":     sign(jose.ES256, "curve", curve, claim("exp", now.Add(-59*time.Second).Unix())),
		"valid in a minute":        sign(jose.ES256, "curve", curve, claim("nbf", now.Add(59*time.Second).Unix())),
		"a fraction of a second":   sign(jose.ES256, "curve", curve, claim("nbf", float64(now.Unix())+0.5)),
		"a thumbprint in a header": sign(jose.ES256, "curve", curve, header("x5t", "abc")),
	} {
		wantAccepted(t, what, d.proven, token)
	}
	for what, token := range map[string]string{
		"RS512":                 sign(jose.RS512, "long", long, nil),
		"PS256":                 sign(jose.PS256, "long", long, nil),
		"PS256 as the key says": sign(jose.PS256, "psk", long, nil),
		"RS256, key for PS256":  sign(jose.RS256, "psk", long, nil),
		"key for sealing":       sign(jose.RS256, "sealing", long, nil),
		"key of 1536 bits":      sign(jose.RS256, "short", short, nil),
		"ES384":                 sign(jose.ES384, "other", other, nil),
		"a shared secret":       sign(jose.HS256, "shared", []byte("a shared secret of thirty-two by"), nil),
		"a key of another kind": sign(jose.ES256, "long", curve, nil),
	} {
		wantRefused(t, what, d.proven, token, pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED)
	}
}

// write writes a key set, after the file was checked.
func (d *installation) write(t *testing.T, keys ...jose.JSONWebKey) {
	t.Helper()
	text, err := json.Marshal(jose.JSONWebKeySet{Keys: keys})
	if err != nil {
		t.Fatal(err)
	}
	d.replace(t, d.JWKS, string(text))
}

// replace replaces a file, and moves the clock so that it is checked again.
func (d *installation) replace(t *testing.T, path, text string) {
	t.Helper()
	if err := keys.ReplaceTrusted(path, []byte(text)); err != nil {
		t.Fatal(err)
	}
	d.clock.advance(time.Second)
}

func jwk(id string, public any) jose.JSONWebKey { return jose.JSONWebKey{Key: public, KeyID: id} }

func rsaKey(t *testing.T, bits int) *rsa.PrivateKey {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, bits)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func ecKey(t *testing.T, curve elliptic.Curve) *ecdsa.PrivateKey {
	t.Helper()
	if curve == nil {
		curve = elliptic.P256()
	}
	key, err := ecdsa.GenerateKey(curve, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func TestKeyFileIsReloaded(t *testing.T) {
	t.Parallel()
	d := newInstallation(t)
	old := d.Token(t, "practitioner", amara)
	next := identitytest.NewKey(t)
	d.TrustKeys(t, next, d.Key)
	wantAccepted(t, "the old key", d.proven, old)
	d.clock.advance(time.Second)
	d.Key = next
	fresh := d.Token(t, "practitioner", amara)
	wantAccepted(t, "the old key beside the new", d.proven, old)
	wantAccepted(t, "the new key", d.proven, fresh)
	d.TrustKeys(t, d.Key)
	d.clock.advance(time.Second)
	wantRefused(t, "the old key when it is gone", d.proven, old, pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED)
	wantAccepted(t, "the new key alone", d.proven, fresh)
	for _, broken := range []string{"", "{}", `{"keys":[`, `{"keys":[{"kid":"a","kty":"OKP","crv":"Ed25519","x":"AAAA"},7]`, strings.Repeat(" ", 2<<20)} {
		d.replace(t, d.JWKS, broken)
		wantAccepted(t, "after a broken file", d.proven, fresh)
	}
	if len(d.problems) != 5 || !strings.Contains(d.problems[0], d.JWKS) {
		t.Errorf("told: %q", d.problems)
	}
	if err := os.Remove(d.JWKS); err != nil {
		t.Fatal(err)
	}
	d.clock.advance(time.Second)
	wantAccepted(t, "after the file has gone", d.proven, fresh)
	d.replace(t, d.JWKS, `{"keys":[]}`)
	wantRefused(t, "when no key is left", d.proven, fresh, pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED)
}

func TestRevokedTokens(t *testing.T) {
	t.Parallel()
	d := newInstallation(t)
	token := d.Token(t, "practitioner", amara)
	id := claimsOf(t, token)["jti"].(string)
	for what, line := range map[string]string{"the token": "jti:" + id, "its bearer": "# who left\n\n" + amara} {
		d.replace(t, d.Revoked, line)
		wantRefused(t, what, d.proven, token, pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED)
		d.replace(t, d.Revoked, "# nobody\njti:another\nchains/ebb/practitioners/am")
		wantAccepted(t, "after "+what+" was revoked by mistake", d.proven, token)
	}
	d.replace(t, d.Revoked, "no such thing\njti:"+id)
	wantRefused(t, "beside a line that cannot be understood", d.proven, token, pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED)
	if len(d.problems) != 1 {
		t.Errorf("told: %q", d.problems)
	}
	if err := os.Remove(d.Revoked); err != nil {
		t.Fatal(err)
	}
	d.clock.advance(time.Second)
	wantRefused(t, "when the list has gone", d.proven, token, pb.ErrorReason_ERROR_REASON_UNAUTHENTICATED)
	if _, err := identity.OpenRevoked(d.Revoked, d.clock.Now, nil); err == nil {
		t.Error("a list that is not there is opened")
	}
	d.replace(t, d.Revoked, "# a comment\n\njti:1\nno such thing\n")
	if _, err := identity.OpenRevoked(d.Revoked, d.clock.Now, nil); err == nil || !strings.Contains(err.Error(), "line 4: want a SHA-256 fingerprint") {
		t.Errorf("a list with an invalid line 4 is opened: %v", err)
	}
}

// claimsOf returns the claims of a token.
func claimsOf(t *testing.T, token string) map[string]any {
	t.Helper()
	signed, err := jose.ParseSignedCompact(token, []jose.SignatureAlgorithm{jose.EdDSA})
	if err != nil {
		t.Fatal(err)
	}
	claims := map[string]any{}
	if err := json.Unmarshal(signed.UnsafePayloadWithoutVerification(), &claims); err != nil {
		t.Fatal(err)
	}
	return claims
}

// FuzzToken checks that no unsigned text is accepted, and that none causes a panic.
func FuzzToken(f *testing.F) {
	c := newClock()
	installation := identitytest.New(f, c.Now)
	tokens, err := identity.TokenSource{KeysFile: installation.JWKS, Clock: c.Now}.Open()
	if err != nil {
		f.Fatal(err)
	}
	good := installation.Token(f, "practitioner", amara)
	f.Add("Bearer " + good)
	for _, token := range installation.BadTokens(f, "practitioner", amara) {
		f.Add("Bearer " + token)
	}
	f.Fuzz(func(t *testing.T, said string) {
		got, err := identity.Proven{Tokens: tokens}.Identify(metadata.NewIncomingContext(t.Context(), metadata.Pairs("authorization", said)))
		if scheme, rest, _ := strings.Cut(said, " "); err == nil && (!strings.EqualFold(scheme, "bearer") || rest != good || got.Name != amara) {
			t.Errorf("%q is let in as %+v", said, got)
		}
	})
}

// TestKeysShowNoSecret checks that formatting a private key, alone or within another
// value, does not show it.
func TestKeysShowNoSecret(t *testing.T) {
	t.Parallel()
	d := newInstallation(t)
	line, err := d.Key.Line()
	if err != nil {
		t.Fatal(err)
	}
	private := regexp.MustCompile(`"d":"([^"]+)"`).FindStringSubmatch(line)[1]
	pair, err := d.Authority.PEM()
	if err != nil {
		t.Fatal(err)
	}
	body := strings.Split(string(pair.Key), "\n")[1]
	asNumbers := strings.Trim(fmt.Sprint([]byte(body)), "[]")
	for _, it := range []any{d.Key, &d.Key, d.Authority, pair, []any{d.Key, pair}, struct{ A, B any }{d.Key, pair}} {
		var logged bytes.Buffer
		slog.New(slog.NewJSONHandler(&logged, nil)).Info("it", "it", it)
		encoded, err := json.Marshal(it)
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range []string{fmt.Sprintf("%v %+v %#v %s", it, it, it, it), logged.String(), string(encoded)} {
			if strings.Contains(text, private) || strings.Contains(text, body) || strings.Contains(text, asNumbers) {
				t.Errorf("%T shows its key: %s", it, text)
			}
		}
	}
}
