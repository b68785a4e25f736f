// Package identitytest makes what callers in tests prove themselves with: an
// authority and its certificates, and tokens, good and bad.
//
// An Installation is a directory of files as "alkalog keys" fills one, made by the
// same code (package keys). A test passes their paths to a server and replaces
// the files while it runs, which is how an operator changes whom the server
// trusts. Everything is valid by the clock of the test, so a test can let a
// certificate expire by moving the clock, without waiting.
//
// Forged and BadTokens make what no honest signer would: tokens with a wrong
// claim, a wrong header or a wrong signature. The list in BadTokens is the one
// place for such cases; a test that refuses all of them covers a new case when it
// is added here.
//
// A test that calls a server with a certificate:
//
//	in := identitytest.New(t, clock)
//	server, err := serve.Start(ctx, serve.Config{
//		TLSCert: in.TLSCert, TLSKey: in.TLSKey, ClientCA: in.ClientCA,
//		JWKS: in.JWKS, Revoked: in.Revoked, Clock: clock, ...
//	})
//	cert := in.Certificate(t, "chains/ebb/salons/north/tills/front-1")
//	conn, err := grpc.NewClient(server.Addr(),
//		grpc.WithTransportCredentials(in.Transport(t, cert)))
//
// Every function takes testing.TB and ends the test if it fails, since none of
// these failures is what a test is about.
package identitytest

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/credentials"

	"alkalog/server/identity"
	"alkalog/server/keys"
)

// Installation is an authority, a server's certificate and a key that tokens are
// signed with, in files as a server reads them. All files are in a temporary
// directory of the test, with the permissions that a server demands. Several
// servers may read the same installation.
type Installation struct {
	TLSCert, TLSKey, ClientCA, JWKS, Revoked string // paths, as in serve.Config

	// Clock says from when certificates and tokens are valid. Authority issues
	// the certificates and Key signs the tokens of this installation.
	Clock     func() time.Time
	Authority keys.Authority
	Key       keys.SigningKey
}

// New makes an installation by the clock of the test. The server's certificate is
// valid for 127.0.0.1, ::1 and localhost. The revocation list is empty.
func New(t testing.TB, clock func() time.Time) *Installation {
	t.Helper()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	i := &Installation{TLSCert: in("server.crt"), TLSKey: in("server.key"), ClientCA: in("authority.crt"),
		JWKS: in("tokens.jwks"), Revoked: in("revoked"), Clock: clock}
	i.Authority = NewAuthority(t, clock)
	i.TrustAuthorities(t, i.Authority)
	i.ServeWith(t, i.Authority)
	i.Key = NewKey(t)
	i.TrustKeys(t, i.Key)
	i.Revoke(t)
	return i
}

// NewAuthority makes an authority that is valid for ten years from an hour before
// now, as are its certificates: clocks of test machines differ. It is trusted
// once it is passed to TrustAuthorities.
func NewAuthority(t testing.TB, clock func() time.Time) keys.Authority {
	t.Helper()
	a, err := keys.NewAuthority("An invented authority", clock().Add(-time.Hour), clock().AddDate(10, 0, 0))
	check(t, err)
	return a
}

// NewKey makes a key that tokens are signed with. A server accepts its tokens
// once it is passed to TrustKeys.
func NewKey(t testing.TB) keys.SigningKey {
	t.Helper()
	key, err := keys.NewSigningKey()
	check(t, err)
	return key
}

// TrustAuthorities makes these, and no other, the authorities that callers' certificates are
// checked against. A running server reloads the file.
func (i *Installation) TrustAuthorities(t testing.TB, authorities ...keys.Authority) {
	t.Helper()
	var all []byte
	for _, a := range authorities {
		pair, err := a.PEM()
		check(t, err)
		all = append(all, pair.Cert...)
	}
	check(t, keys.ReplaceTrusted(i.ClientCA, all))
}

// ServeWith gives the server a new certificate of an authority, valid for a year.
// The key is replaced before the certificate; a server that reads between the two
// finds a pair that does not match and keeps the previous one.
func (i *Installation) ServeWith(t testing.TB, a keys.Authority) {
	t.Helper()
	pair, err := a.Server([]string{"127.0.0.1", "::1", "localhost"}, i.Clock().Add(-time.Hour), i.Clock().AddDate(1, 0, 0))
	check(t, err)
	check(t, keys.Replace(i.TLSKey, pair.Key))
	check(t, keys.ReplaceTrusted(i.TLSCert, pair.Cert))
}

// TrustKeys makes these, and no other, the keys that tokens are checked with.
func (i *Installation) TrustKeys(t testing.TB, signing ...keys.SigningKey) {
	t.Helper()
	set, err := keys.PublicKeySet(signing...)
	check(t, err)
	check(t, keys.ReplaceTrusted(i.JWKS, set))
}

// Revoke replaces the revocation list by these lines; none makes it empty. A line
// is a fingerprint, a token ID or a name, as in the file of a server.
func (i *Installation) Revoke(t testing.TB, lines ...string) {
	t.Helper()
	check(t, keys.ReplaceTrusted(i.Revoked, []byte(strings.Join(lines, "\n")+"\n")))
}

// Certificate issues a certificate for a resource name such as
// "chains/ebb/salons/north/tills/front-1", valid for a day.
func (i *Installation) Certificate(t testing.TB, name string) tls.Certificate {
	t.Helper()
	return i.CertificateUntil(t, name, i.Clock().AddDate(0, 0, 1))
}

// CertificateUntil is Certificate with a given end, also one in the past.
func (i *Installation) CertificateUntil(t testing.TB, name string, until time.Time) tls.Certificate {
	t.Helper()
	pair, err := i.Authority.Client(name, i.Clock().Add(-time.Hour), until)
	check(t, err)
	return Load(t, pair)
}

// Load converts a pair into the form that a TLS client sends.
func Load(t testing.TB, p keys.Pair) tls.Certificate {
	t.Helper()
	cert, err := tls.X509KeyPair(p.Cert, p.Key)
	check(t, err)
	return cert
}

// Transport returns ClientTLS as the credentials of gRPC.
func (i *Installation) Transport(t testing.TB, certs ...tls.Certificate) credentials.TransportCredentials {
	t.Helper()
	return credentials.NewTLS(i.ClientTLS(t, certs...))
}

// ClientTLS returns the configuration of a client: it trusts the authorities in
// ClientCA, and sends the first of the given certificates, or none. It sends the
// certificate even if the server does not ask for its authority, so that a test
// can present a wrong one. It needs TLS 1.3 and checks the server's certificate
// by the clock of the test.
func (i *Installation) ClientTLS(t testing.TB, certs ...tls.Certificate) *tls.Config {
	t.Helper()
	text, err := os.ReadFile(i.ClientCA)
	check(t, err)
	config := &tls.Config{MinVersion: tls.VersionTLS13, Time: i.Clock, RootCAs: x509.NewCertPool()}
	if !config.RootCAs.AppendCertsFromPEM(bytes.TrimSpace(text)) {
		t.Fatal("no authority")
	}
	config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
		if len(certs) == 0 {
			return new(tls.Certificate), nil
		}
		return &certs[0], nil
	}
	return config
}

// Token signs a token that is accepted, valid for an hour; change alters what it
// grants. It fails the test if Sign refuses the grant; use Forged for such
// tokens.
func (i *Installation) Token(t testing.TB, role, name string, change ...func(*identity.Grant)) string {
	t.Helper()
	g := identity.Grant{Role: role, Name: name, From: i.Clock(), Until: i.Clock().Add(time.Hour)}
	for _, c := range change {
		c(&g)
	}
	token, err := identity.Sign(i.Key, g)
	check(t, err)
	return token
}

// check ends the test if err is not nil.
func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
