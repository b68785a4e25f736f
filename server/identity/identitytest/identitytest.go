// Package identitytest makes what callers in tests prove themselves with: an
// authority and its certificates, and tokens, good and bad.
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
// signed with, in files as a server reads them.
type Installation struct {
	TLSCert, TLSKey, ClientCA, JWKS, Revoked string // paths, as in serve.Config

	Clock     func() time.Time
	Authority keys.Authority
	Key       keys.SigningKey
}

// New makes one, by the clock of the test. The server's certificate is good for
// 127.0.0.1, ::1 and localhost.
func New(t testing.TB, clock func() time.Time) *Installation {
	t.Helper()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	i := &Installation{TLSCert: in("server.crt"), TLSKey: in("server.key"), ClientCA: in("authority.crt"),
		JWKS: in("tokens.jwks"), Revoked: in("revoked"), Clock: clock}
	i.Authority = NewAuthority(t, clock)
	i.Trust(t, i.Authority)
	i.ServeWith(t, i.Authority)
	i.Key = NewKey(t)
	i.Believe(t, i.Key)
	i.Revoke(t)
	return i
}

// NewAuthority makes an authority that is good for ten years.
func NewAuthority(t testing.TB, clock func() time.Time) keys.Authority {
	t.Helper()
	a, err := keys.NewAuthority("An invented authority", clock().Add(-time.Hour), clock().AddDate(10, 0, 0))
	check(t, err)
	return a
}

// NewKey makes a key that tokens are signed with.
func NewKey(t testing.TB) keys.SigningKey {
	t.Helper()
	key, err := keys.NewSigningKey()
	check(t, err)
	return key
}

// Trust makes these, and no other, the authorities of callers.
func (i *Installation) Trust(t testing.TB, authorities ...keys.Authority) {
	t.Helper()
	var all []byte
	for _, a := range authorities {
		pair, err := a.PEM()
		check(t, err)
		all = append(all, pair.Cert...)
	}
	check(t, keys.ReplaceTrusted(i.ClientCA, all))
}

// ServeWith gives the server a fresh certificate of an authority.
func (i *Installation) ServeWith(t testing.TB, a keys.Authority) {
	t.Helper()
	pair, err := a.Server([]string{"127.0.0.1", "::1", "localhost"}, i.Clock().Add(-time.Hour), i.Clock().AddDate(1, 0, 0))
	check(t, err)
	check(t, keys.Replace(i.TLSKey, pair.Key))
	check(t, keys.ReplaceTrusted(i.TLSCert, pair.Cert))
}

// Believe makes these, and no other, the keys that tokens are signed with.
func (i *Installation) Believe(t testing.TB, signing ...keys.SigningKey) {
	t.Helper()
	set, err := keys.PublicKeySet(signing...)
	check(t, err)
	check(t, keys.ReplaceTrusted(i.JWKS, set))
}

// Revoke replaces the revocation list.
func (i *Installation) Revoke(t testing.TB, lines ...string) {
	t.Helper()
	check(t, keys.ReplaceTrusted(i.Revoked, []byte(strings.Join(lines, "\n")+"\n")))
}

// Certificate is a good certificate for a resource name such as
// "chains/ebb/salons/north/tills/front-1", good for a day.
func (i *Installation) Certificate(t testing.TB, name string) tls.Certificate {
	t.Helper()
	return i.CertificateUntil(t, name, i.Clock().AddDate(0, 0, 1))
}

// CertificateUntil is Certificate that is good until the given time.
func (i *Installation) CertificateUntil(t testing.TB, name string, until time.Time) tls.Certificate {
	t.Helper()
	pair, err := i.Authority.Client(name, i.Clock().Add(-time.Hour), until)
	check(t, err)
	return Load(t, pair)
}

// Load makes of a pair what clients send.
func Load(t testing.TB, p keys.Pair) tls.Certificate {
	t.Helper()
	cert, err := tls.X509KeyPair(p.Cert, p.Key)
	check(t, err)
	return cert
}

// Transport is how a client calls the server: it trusts the authority of the
// server, and always sends the given certificate.
func (i *Installation) Transport(t testing.TB, certs ...tls.Certificate) credentials.TransportCredentials {
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
	return credentials.NewTLS(config)
}

// Token is a good token, good for an hour; change alters what it grants.
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

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
