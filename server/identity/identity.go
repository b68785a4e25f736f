// Package identity says who is calling.
//
// Tills and services bring a certificate of the installation's own authority
// (Certificates), people a token of an identity provider or of the
// installation's own keys (Tokens), and Proven puts the two together. Beside
// them are development identities, in which the caller simply says who it is:
// they exist so that the server can be tried on the machine it runs on, and are
// worth nothing on a network.
//
// Every call may carry three headers that describe it and identify nobody:
// alkalog-till, how the sending till names itself; alkalog-till-version, the
// version of its program; and traceparent, as in W3C Trace Context
// (https://www.w3.org/TR/trace-context/, section 3.2).
package identity

import (
	"context"
	"strings"

	"google.golang.org/grpc/metadata"

	"alkalog/service/actor"
	"alkalog/service/fault"
)

// Syntax is how a development identity is sent; the error of a caller without
// one quotes it.
const Syntax = "authorization: Development role=practitioner name=chains/{chain}/practitioners/{practitioner}"

// Development believes what callers say of themselves. They send metadata
//
//	authorization: Development role=ROLE name=NAME
//
// where ROLE is till, student, practitioner, supervisor, manager, auditor or
// operator, and NAME is a resource name:
//
//	chains/CHAIN/practitioners/ID   student, practitioner, supervisor
//	chains/CHAIN/COLLECTION/ID ...  till, manager, auditor
//	operators/ID                    operator, who belongs to no chain
//
// Who is named below a salon, as in chains/CHAIN/salons/SALON/tills/ID, is
// confined to that salon.
type Development struct{}

// Identify returns the actor that the metadata of ctx describe.
func (Development) Identify(ctx context.Context) (actor.Actor, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	a, err := parse(md.Get("authorization"))
	if err == nil {
		err = describe(&a, nameOfTill(a), md.Get)
	}
	if err != nil {
		return actor.Actor{}, err
	}
	return a, nil
}

// Closed knows nobody: the identities of an installation that has none set up.
type Closed struct{}

// Identify refuses every caller.
func (Closed) Identify(context.Context) (actor.Actor, error) {
	return actor.Actor{}, fault.Unauthenticated("this server has no identities set up, so nobody can call it; see its --development flag")
}

// parse reads the one authorization value that there must be.
func parse(values []string) (actor.Actor, error) {
	if len(values) != 1 {
		return actor.Actor{}, unknown("say who is calling, once")
	}
	scheme, rest, _ := strings.Cut(values[0], " ")
	if !strings.EqualFold(scheme, "Development") { // RFC 9110, section 11.1: schemes ignore case
		return actor.Actor{}, unknown("only development identities are known")
	}
	role, name, ok := fields(rest)
	if !ok {
		return actor.Actor{}, unknown("role and name must both be given, once, and nothing else")
	}
	a, want := newActor(role, name)
	if want != "" {
		return actor.Actor{}, unknown(want)
	}
	return a, nil
}

// unknown is the error of a caller who could not be identified.
func unknown(want string) error {
	return fault.Unauthenticated(want + `; send metadata "` + Syntax + `"`)
}

// fields splits "role=ROLE name=NAME", in either order.
func fields(text string) (role, name string, ok bool) {
	found := map[string]string{}
	for _, field := range strings.Fields(text) {
		key, value, _ := strings.Cut(field, "=")
		if _, twice := found[key]; twice {
			return "", "", false
		}
		found[key] = value
	}
	return found["role"], found["name"], len(found) == 2 && found["role"] != "" && found["name"] != ""
}
