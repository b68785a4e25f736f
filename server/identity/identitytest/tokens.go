package identitytest

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"maps"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// Forged is the content of a token before it is signed, right or wrong. A test
// changes a field and signs it, so what is wrong is exactly this field.
type Forged struct {
	Header map[string]any // beside alg and kid
	Claims map[string]any
	Alg    jose.SignatureAlgorithm
	KeyID  string
	Key    any // private; as go-jose wants it
}

// Good returns the content of a token that is accepted once it has the key of the
// installation. It has every claim that a server looks at, so a test can remove
// each.
func (i *Installation) Good(role, name string) Forged {
	now := i.Clock()
	return Forged{
		Header: map[string]any{"typ": "at+jwt"},
		Claims: map[string]any{
			"iss": "alkalog", "aud": "alkalog", "sub": name, "iat": now.Unix(), "nbf": now.Unix(), "exp": now.Add(time.Hour).Unix(),
			"alkalog.actor": name, "alkalog.role": role,
		},
	}
}

// Sign signs the content as it is and checks nothing. It fails the test only if
// the library cannot make such a token at all.
func (f Forged) Sign(t testing.TB) string {
	t.Helper()
	options := &jose.SignerOptions{ExtraHeaders: map[jose.HeaderKey]any{}}
	for key, value := range f.Header {
		options.ExtraHeaders[jose.HeaderKey(key)] = value
	}
	if f.KeyID != "" {
		options.ExtraHeaders["kid"] = f.KeyID
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: f.Alg, Key: f.Key}, options)
	check(t, err)
	payload, err := json.Marshal(f.Claims)
	check(t, err)
	signed, err := signer.Sign(payload)
	check(t, err)
	text, err := signed.CompactSerialize()
	check(t, err)
	return text
}

// BadTokens returns tokens for a role and name, each of which must be refused, by
// what is wrong with it. Unless the key is what is wrong, it is the
// installation's. Sources: RFC 7519 for claims, RFC 7515 for the serialization,
// RFC 8725 for known attacks.
func (i *Installation) BadTokens(t testing.TB, role, name string) map[string]string {
	t.Helper()
	now := i.Clock()
	bad := map[string]string{}
	with := func(what string, change func(*Forged)) {
		f := i.Good(role, name)
		f.Alg, f.KeyID, f.Key = jose.EdDSA, i.Key.ID(), i.private(t)
		change(&f)
		bad[what] = f.Sign(t)
	}
	// claim and header set a value; without removes a claim.
	claim := func(what, key string, value any) { with(what, func(f *Forged) { f.Claims[key] = value }) }
	header := func(what, key string, value any) { with(what, func(f *Forged) { f.Header[key] = value }) }
	without := func(what, key string) { with(what, func(f *Forged) { delete(f.Claims, key) }) }

	for _, c := range badClaims(role, name, now) {
		claim(c.what, c.key, c.value)
	}
	with("a till without a salon", func(f *Forged) {
		f.Claims["alkalog.role"], f.Claims["alkalog.actor"] = "till", "chains/ebb/tills/front"
		delete(f.Claims, "alkalog.salons")
	})
	without("no expiry", "exp")
	without("no audience", "aud")
	without("no issuer", "iss")
	without("no role", "alkalog.role")
	without("no actor", "alkalog.actor")
	with("claims in capitals", func(f *Forged) {
		f.Claims["Alkalog.Role"], f.Claims["Alkalog.Actor"] = role, name
		delete(f.Claims, "alkalog.role")
		delete(f.Claims, "alkalog.actor")
	})
	header("a type of something else", "typ", "logout+jwt")
	header("a type that is a number", "typ", 7)
	header("a pointer to keys", "jku", "https://login.example/keys")
	header("a pointer to certificates", "x5u", "https://login.example/certs")
	with("no type", func(f *Forged) { delete(f.Header, "typ") })
	with("an unknown key", func(f *Forged) { f.KeyID = "another" })
	with("no key named", func(f *Forged) { f.KeyID = "" })
	with("too long", func(f *Forged) { f.Claims["note"] = strings.Repeat("x", 8<<10) })
	with("another key under this one's name", func(f *Forged) { f.Key = otherKey(t, NewKey(t).Line) })
	with("an algorithm that is not of the key", func(f *Forged) {
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		check(t, err)
		f.Alg, f.Key = jose.ES256, key
	})
	i.malformed(t, bad, role, name)
	return bad
}

// badClaim is a claim with a value that must be refused.
type badClaim struct {
	what, key string
	value     any
}

// badClaims are values of single claims that must be refused for a role and name at a
// time.
func badClaims(role, name string, now time.Time) []badClaim {
	return []badClaim{
		{"another audience", "aud", "another"},
		{"other audiences", "aud", []string{"another", "alkalog2"}},
		{"an audience in capitals", "aud", "ALKALOG"},
		{"another issuer", "iss", "https://login.example"},
		{"an issuer with a slash", "iss", "alkalog/"},
		{"expired", "exp", now.Add(-61 * time.Second).Unix()},
		{"expiry as text", "exp", "tomorrow"},
		{"not valid yet", "nbf", now.Add(62 * time.Second).Unix()},
		{"begin as text", "nbf", "now"},
		{"issued tomorrow", "iat", now.AddDate(0, 0, 1).Unix()},
		{"no such role", "alkalog.role", "owner"},
		{"a role in capitals", "alkalog.role", strings.ToUpper(role)},
		{"roles", "alkalog.role", []string{role}},
		{"a name malformed", "alkalog.actor", "amara"},
		{"a name in two lines", "alkalog.actor", name + "\n"},
		{"salons of another chain", "alkalog.salons", []string{"chains/another-chain/salons/north"}},
		{"salons malformed", "alkalog.salons", []string{"north"}},
		{"no salons at all", "alkalog.salons", []string{}},
		{"salons as text", "alkalog.salons", "chains/ebb/salons/north"},
	}
}

// malformed adds what a signer would not make: unsigned tokens, tokens signed
// with a public key as a shared secret, keys that the token brings along, and
// damaged serializations. They are assembled from the parts of a good token.
func (i *Installation) malformed(t testing.TB, bad map[string]string, role, name string) {
	t.Helper()
	good := i.Token(t, role, name)
	claims := strings.Split(good, ".")[1]
	kid := i.Key.ID()
	head := func(fields map[string]any) string {
		all := map[string]any{"typ": "at+jwt", "kid": kid}
		maps.Copy(all, fields)
		text, err := json.Marshal(all)
		check(t, err)
		return base64.RawURLEncoding.EncodeToString(text)
	}
	bad["not signed"] = head(map[string]any{"alg": "none"}) + "." + claims + "."
	bad["not signed (in capitals)"] = head(map[string]any{"alg": "NONE"}) + "." + claims + "."
	// RFC 8725, section 2.1: the public key taken for a shared secret.
	public, err := os.ReadFile(i.JWKS)
	check(t, err)
	for what, secret := range map[string][]byte{"the key set as a shared secret": public, "an empty shared secret": nil} {
		text := head(map[string]any{"alg": "HS256"}) + "." + claims
		mac := hmac.New(sha256.New, secret)
		mac.Write([]byte(text))
		bad[what] = text + "." + base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
	}
	parts := strings.Split(good, ".")
	own := otherKey(t, NewKey(t).Line).(jose.JSONWebKey)
	f := i.Good(role, name)
	f.Alg, f.Key, f.KeyID = jose.EdDSA, own, kid
	f.Header["jwk"] = own.Public()
	bad["a key brought along"] = f.Sign(t)
	bad["critical headers"] = i.signedHead(t, map[string]any{"alg": "EdDSA", "crit": []string{"exp"}, "exp": 1}, head, claims)
	bad["an empty signature"] = parts[0] + "." + parts[1] + "."
	bad["a changed signature"] = good[:len(good)-4] + "AAAA"
	bad["a changed claim"] = parts[0] + "." + base64.RawURLEncoding.EncodeToString([]byte(`{"iss":"alkalog"}`)) + "." + parts[2]
	bad["two parts"] = parts[0] + "." + parts[1]
	bad["four parts"] = good + "." + parts[2]
	bad["two signatures"] = `{"payload":"` + parts[1] + `","signatures":[{"protected":"` + parts[0] + `","signature":"` + parts[2] + `"},{"protected":"` + parts[0] + `","signature":"` + parts[2] + `"}]}`
	bad["JSON in place of a compact token"] = `{"payload":"` + parts[1] + `","protected":"` + parts[0] + `","signature":"` + parts[2] + `"}`
	bad["garbage"] = "!" + rand.Text()
	bad["nothing"] = ""
	bad["dots"] = ".."
	bad["a blank before it"] = " " + good
}

// signedHead signs a header that go-jose refuses to make, such as one with
// "crit".
func (i *Installation) signedHead(t testing.TB, fields map[string]any, head func(map[string]any) string, claims string) string {
	t.Helper()
	text := head(fields) + "." + claims
	private := i.private(t).(jose.JSONWebKey).Key.(crypto.Signer)
	signature, err := private.Sign(nil, []byte(text), crypto.Hash(0))
	check(t, err)
	return text + "." + base64.RawURLEncoding.EncodeToString(signature)
}

// private returns the installation's private key in the form that go-jose signs
// with.
func (i *Installation) private(t testing.TB) any { return otherKey(t, i.Key.Line) }

// otherKey parses a private key from its line in the key file, without its ID:
// the test sets the ID that the token names.
func otherKey(t testing.TB, line func() (string, error)) any {
	t.Helper()
	text, err := line()
	check(t, err)
	var key jose.JSONWebKey
	check(t, key.UnmarshalJSON([]byte(text)))
	key.KeyID = ""
	return key
}
