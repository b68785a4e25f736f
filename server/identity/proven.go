package identity

import (
	"context"
	"strings"

	"google.golang.org/grpc/metadata"

	"alkalog/service/actor"
	"alkalog/service/fault"
)

// Proven knows callers by what they can prove: a certificate, a token, or both.
// With both, the token says who is calling and the certificate which till it is
// at; the two must be of one chain, and a person who is confined to salons must
// be at a till of one of them.
type Proven struct {
	Certificates *Certificates // nil: certificates are not known
	Tokens       *Tokens       // nil: tokens are not known
	Revoked      *Revoked      // nil: nobody is
}

// Identify returns the actor of a call.
func (p Proven) Identify(ctx context.Context) (actor.Actor, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	till, atTill, err := p.certificate(ctx)
	if err != nil {
		return actor.Actor{}, err
	}
	who := till
	switch values := md.Get("authorization"); {
	case len(values) > 1:
		err = fault.Unauthenticated("send one authorization")
	case len(values) == 1:
		if who, err = p.token(ctx, values[0]); err == nil && atTill {
			err = together(who, till)
		}
	case !atTill:
		err = fault.Unauthenticated(p.wanted())
	}
	proven := nameOfTill(till)
	if err == nil {
		err = describe(&who, proven, md.Get)
	}
	if err != nil {
		return actor.Actor{}, err
	}
	if proven != "" {
		who.Till = proven // whatever the header says
	}
	return who, nil
}

// certificate is who the certificate of the connection names, if there is one.
func (p Proven) certificate(ctx context.Context) (a actor.Actor, brought bool, err error) {
	if p.Certificates == nil {
		return a, false, nil
	}
	a, fingerprint, brought, err := p.Certificates.identify(ctx)
	if err == nil && brought && p.Revoked.has(fingerprint, a.Name) {
		err = fault.Unauthenticated("the certificate, or its bearer, is revoked")
	}
	return a, brought, err
}

// token is who the token in an authorization names.
func (p Proven) token(ctx context.Context, authorization string) (actor.Actor, error) {
	scheme, token, _ := strings.Cut(authorization, " ")
	switch {
	case strings.EqualFold(scheme, "Development"):
		return actor.Actor{}, fault.Unauthenticated("development identities are refused here; " + p.wanted())
	case p.Tokens == nil || !strings.EqualFold(scheme, "Bearer"):
		return actor.Actor{}, fault.Unauthenticated(p.wanted())
	}
	a, id, err := p.Tokens.identify(ctx, token)
	if err == nil && p.Revoked.has("jti:"+id, a.Name) {
		err = fault.Unauthenticated("the token, or its bearer, is revoked")
	}
	return a, err
}

// together checks that a person may be at a till.
func together(person, till actor.Actor) error {
	if person.Chain != till.Chain {
		return fault.Unauthenticated("the token and the certificate are not of the same chain")
	}
	for _, salon := range till.Salons {
		if !person.InSalon(salon) {
			return fault.Unauthenticated("the token and the certificate are not of the same salon")
		}
	}
	return nil
}

// wanted is what a caller without an identity is told.
func (p Proven) wanted() string {
	var ways []string
	if p.Certificates != nil {
		ways = append(ways, "a certificate of this installation's authority")
	}
	if p.Tokens != nil {
		ways = append(ways, `metadata "authorization: Bearer {token}"`)
	}
	return "say who is calling: bring " + strings.Join(ways, ", or ")
}
