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

// bearers says what the name in a certificate makes of its bearer: the
// collection is the role. Nobody else has certificates: those who work on
// clients bring tokens, also at a till that has one.
var bearers = []struct {
	role string
	name shape
}{
	{"till", shape{regexp.MustCompile(`^chains/` + id + `/salons/` + id + `/tills/` + id + `$`), "chains/{chain}/salons/{salon}/tills/{till}"}},
	{"manager", shape{regexp.MustCompile(`^chains/` + id + `(/salons/` + id + `)?/managers/` + id + `$`), "chains/{chain}/managers/{service}"}},
	{"auditor", shape{regexp.MustCompile(`^chains/` + id + `(/salons/` + id + `)?/auditors/` + id + `$`), "chains/{chain}/auditors/{service}"}},
	{"operator", shape{regexp.MustCompile(`^operators/` + id + `$`), "operators/{operator}"}},
}

// Certificates knows callers by the certificates of one authority, and of no
// other: that the machine trusts it for something else counts for nothing. The
// certificate names the caller in its only URI SAN, and the collection of the
// name is the role:
//
//	alkalog:///chains/CHAIN/salons/SALON/tills/ID   till, confined to its salon
//	alkalog:///chains/CHAIN/managers/ID             manager: a service of a back office
//	alkalog:///chains/CHAIN/auditors/ID             auditor: a service that reads
//	alkalog:///operators/ID                         operator
//
// A manager's or auditor's name may have /salons/SALON after its chain, and is
// then confined to it. Validity, authority and the name are looked at in every
// call, not only when the connection is made.
type Certificates struct {
	Authority *keys.Watch[*x509.CertPool]
	Clock     func() time.Time
}

// identify returns the actor of the certificate that the caller's connection
// was made with; false when it was made without one.
func (c Certificates) identify(ctx context.Context) (a actor.Actor, fingerprint string, brought bool, err error) {
	chain := certificates(ctx)
	if len(chain) == 0 {
		return a, "", false, nil
	}
	options := x509.VerifyOptions{Roots: c.Authority.Get(), Intermediates: x509.NewCertPool(),
		CurrentTime: c.Clock(), KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	for _, between := range chain[1:] {
		options.Intermediates.AddCert(between)
	}
	if _, err := chain[0].Verify(options); err != nil {
		return a, "", true, fault.Unauthenticated("the certificate has expired, or is not one of this installation's authority")
	}
	a, err = Bearer(chain[0])
	if err != nil {
		return actor.Actor{}, "", true, fault.Unauthenticated(err.Error())
	}
	return a, keys.Fingerprint(chain[0]), true, nil
}

// certificates is what the caller's connection was made with, its own first.
func certificates(ctx context.Context) []*x509.Certificate {
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

// Bearer is who a certificate says its bearer is.
func Bearer(cert *x509.Certificate) (actor.Actor, error) {
	if cert.IsCA {
		return actor.Actor{}, errors.New("an authority's certificate names no caller")
	}
	if len(cert.URIs) != 1 {
		return actor.Actor{}, errors.New("a certificate must name its bearer in exactly one URI SAN")
	}
	return ActorFromURI(cert.URIs[0].String())
}

// ActorFromURI is who the URI in a certificate names.
func ActorFromURI(uri string) (actor.Actor, error) {
	name, ours := cutScheme(uri)
	for _, b := range bearers {
		if ours && b.name.pattern.MatchString(name) {
			a, _ := newActor(b.role, name)
			return a, nil
		}
	}
	return actor.Actor{}, errors.New("the URI SAN of a certificate must be like " + keys.Scheme + ":///" + bearers[0].name.example)
}

// cutScheme is the name in a URI of ours, which has no host, no query and
// nothing escaped.
func cutScheme(uri string) (name string, ours bool) {
	u, err := url.Parse(uri)
	if err != nil || len(u.Path) < 2 || uri != keys.Scheme+"://"+u.Path {
		return "", false
	}
	return u.Path[1:], true
}
