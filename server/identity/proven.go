package identity

import (
	"context"
	"strings"

	"google.golang.org/grpc/metadata"

	"alkalog/service/actor"
	"alkalog/service/fault"
)

// Proven identifies callers by a certificate, a token, or both. With both, the
// token names the caller and the certificate names the till; they must belong
// to the same chain, and a person confined to salons must be at a till of one
// of them.
type Proven struct {
	Certificates *Certificates // nil: certificates are not accepted
	Tokens       *Tokens       // nil: tokens are not accepted
	Revoked      *Revoked      // nil: nothing is revoked
}

// Identify returns the actor of a call. It runs for every call and again for open
// streams, so it does no I/O unless the keys of a provider are due.
func (p Proven) Identify(ctx context.Context) (actor.Actor, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	till, atTill, err := p.fromCertificate(ctx)
	if err != nil {
		return actor.Actor{}, err
	}
	who := till
	switch values := md.Get("authorization"); {
	case len(values) > 1:
		err = fault.Unauthenticated("send exactly one authorization header")
	case len(values) == 1:
		if who, err = p.fromToken(ctx, values[0]); err == nil && atTill {
			err = checkTogether(who, till)
		}
	case !atTill:
		err = fault.Unauthenticated(p.wantedText())
	}
	proven := ownTillName(till)
	if err == nil {
		err = readHeaders(&who, proven, md.Get)
	}
	if err != nil {
		return actor.Actor{}, err
	}
	if proven != "" {
		who.Till = proven // the header cannot override it
	}
	return who, nil
}

// fromCertificate returns the actor of the connection's certificate, if it has
// one.
func (p Proven) fromCertificate(ctx context.Context) (a actor.Actor, brought bool, err error) {
	if p.Certificates == nil {
		return a, false, nil
	}
	a, fingerprint, brought, err := p.Certificates.identify(ctx)
	if err == nil && brought && p.Revoked.contains(fingerprint, a.Name) {
		err = fault.Unauthenticated("the certificate or its name is revoked")
	}
	return a, brought, err
}

// fromToken returns the actor of the token in an authorization header.
func (p Proven) fromToken(ctx context.Context, authorization string) (actor.Actor, error) {
	scheme, token, _ := strings.Cut(authorization, " ")
	switch {
	case strings.EqualFold(scheme, "Development"):
		return actor.Actor{}, fault.Unauthenticated("development identities are refused here; " + p.wantedText())
	case p.Tokens == nil || !strings.EqualFold(scheme, "Bearer"):
		return actor.Actor{}, fault.Unauthenticated(p.wantedText())
	}
	a, id, err := p.Tokens.identify(ctx, token)
	if err == nil && p.Revoked.contains("jti:"+id, a.Name) {
		err = fault.Unauthenticated("the token or its name is revoked")
	}
	return a, err
}

// checkTogether checks that a person may be at a till. A person whose token has
// no salons may work in all of the chain.
func checkTogether(person, till actor.Actor) error {
	if person.Chain != till.Chain {
		return fault.Unauthenticated("the token and the certificate belong to different chains")
	}
	for _, salon := range till.Salons {
		if !person.InSalon(salon) {
			return fault.Unauthenticated("the token and the certificate belong to different salons")
		}
	}
	return nil
}

// wantedText says how to identify oneself, for callers who did not.
func (p Proven) wantedText() string {
	var ways []string
	if p.Certificates != nil {
		ways = append(ways, "a certificate of this installation's authority")
	}
	if p.Tokens != nil {
		ways = append(ways, `metadata "authorization: Bearer {token}"`)
	}
	return "identify yourself: send " + strings.Join(ways, ", or ")
}
