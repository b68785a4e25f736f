package identity

import (
	"context"
	"crypto/x509"
	"errors"
	"net/url"
	"regexp"
	"time"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"

	"alkalog/server/keys"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

// certificateRoles lists the names that certificates may have; the collection in
// the name is the role. Other roles have no certificates: people who work on
// clients use tokens, even at a till with a certificate. Managers and auditors
// may be services of a back office, operators people or programs that set chains
// up.
var certificateRoles = []struct {
	role string
	name shape
}{
	{"till", shape{regexp.MustCompile(`^chains/` + id + `/salons/` + id + `/tills/` + id + `$`), "chains/{chain}/salons/{salon}/tills/{till}"}},
	{"manager", shape{regexp.MustCompile(`^chains/` + id + `(/salons/` + id + `)?/managers/` + id + `$`), "chains/{chain}/managers/{service}"}},
	{"auditor", shape{regexp.MustCompile(`^chains/` + id + `(/salons/` + id + `)?/auditors/` + id + `$`), "chains/{chain}/auditors/{service}"}},
	{"operator", shape{regexp.MustCompile(`^operators/` + id + `$`), "operators/{operator}"}},
}

// Certificates identifies callers by the certificates of one authority.
// Authorities that the machine trusts for other purposes do not count. The
// certificate names the caller in its only URI SAN, and the collection in the
// name is the role:
//
//	alkalog:///chains/CHAIN/salons/SALON/tills/ID   till, confined to its salon
//	alkalog:///chains/CHAIN/managers/ID             manager: a service of a back office
//	alkalog:///chains/CHAIN/auditors/ID             auditor: a service that reads
//	alkalog:///operators/ID                         operator
//
// The name of a manager or auditor may have /salons/SALON after its chain,
// which confines it to that salon. Validity, authority and name are checked in
// every call, not only when the connection is made, because connections are
// long.
type Certificates struct {
	// Authority is the pool of the accepted authorities; more than one while an
	// old one is being replaced.
	Authority *keys.Watch[*x509.CertPool]
	Clock     func() time.Time
	// Used is told of each certificate that has identified a caller, with the name in it
	// and its end; nil: nobody. It must be fast and may be called by many at once.
	Used func(name string, until time.Time)
}

// identify returns the actor of the caller's certificate; brought is false if the
// connection has none. fingerprint is what the revocation list names. The
// certificate counts only if it was issued for client authentication, so that a
// server's certificate identifies nobody.
func (c Certificates) identify(ctx context.Context) (a actor.Actor, fingerprint string, brought bool, err error) {
	chain := peerCertificates(ctx)
	if len(chain) == 0 {
		return a, "", false, nil
	}
	options := x509.VerifyOptions{Roots: c.Authority.Get(), Intermediates: x509.NewCertPool(),
		CurrentTime: c.Clock(), KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	for _, between := range chain[1:] {
		options.Intermediates.AddCert(between)
	}
	if _, err := chain[0].Verify(options); err != nil {
		return a, "", true, fault.Unauthenticated("the certificate has expired, or was not issued by this installation's authority")
	}
	a, err = ActorFromCertificate(chain[0])
	if err != nil {
		return actor.Actor{}, "", true, fault.Unauthenticated(err.Error())
	}
	if c.Used != nil {
		c.Used(a.Name, chain[0].NotAfter)
	}
	return a, keys.Fingerprint(chain[0]), true, nil
}

// peerCertificates returns the certificate chain of the caller's connection, its
// own certificate first. It is empty for a connection without TLS.
func peerCertificates(ctx context.Context) []*x509.Certificate {
	caller, ok := peer.FromContext(ctx)
	if !ok {
		return nil
	}
	line, ok := caller.AuthInfo.(credentials.TLSInfo)
	if !ok {
		return nil
	}
	return line.State.PeerCertificates
}

// ActorFromCertificate returns the actor that a certificate names.
func ActorFromCertificate(cert *x509.Certificate) (actor.Actor, error) {
	if cert.IsCA {
		return actor.Actor{}, errors.New("a CA certificate cannot identify a caller")
	}
	if len(cert.URIs) != 1 {
		return actor.Actor{}, errors.New("a certificate must name its bearer in exactly one URI SAN")
	}
	return ActorFromURI(cert.URIs[0].String())
}

// ActorFromURI returns the actor that the URI SAN of a certificate names. The
// error shows the form of a till's name, which is what most certificates hold.
func ActorFromURI(uri string) (actor.Actor, error) {
	name, ours := cutScheme(uri)
	for _, b := range certificateRoles {
		if ours && b.name.pattern.MatchString(name) {
			a, _ := newActor(b.role, name)
			return a, nil
		}
	}
	return actor.Actor{}, errors.New("the URI SAN of a certificate must be like " + keys.Scheme + ":///" + certificateRoles[0].name.example)
}

// cutScheme returns the resource name in a URI of the form alkalog:///NAME,
// without host, query and escapes, so that each name has exactly one URI.
func cutScheme(uri string) (name string, ours bool) {
	u, err := url.Parse(uri)
	if err != nil || len(u.Path) < 2 || uri != keys.Scheme+"://"+u.Path {
		return "", false
	}
	return u.Path[1:], true
}
