// Package identity identifies the callers of the server.
//
// There are two kinds of proof. Tills and services have a certificate of the
// installation's own authority (Certificates). People have a token, signed by
// an identity provider or by the installation itself (Tokens). Proven combines
// the two: with both, the token names the person and the certificate names the
// till at which the person works. Revoked is the revocation list for all of
// them.
//
// Roles come from the proof, never from the request: a certificate's role is
// the collection in its resource name, a token's role is a claim. Names have
// fixed patterns per role. A name below a salon confines its bearer to that
// salon; the claim alkalog.salons can confine a token further, but never widen
// it.
//
// A provider that does not answer must not stop the salons. Its last keys
// therefore remain valid for an hour (issuerKeys); a key that the provider has
// withdrawn is refused after 15 minutes while the provider answers.
//
// Development identities (Development) need no proof. They let developers try
// the server on one machine, and the server refuses them on a network.
//
// Every call may carry three headers that describe it and identify nobody:
// alkalog-till, the name of the till that sends it; alkalog-till-version, the
// version of its program; and traceparent, as in W3C Trace Context
// (https://www.w3.org/TR/trace-context/, section 3.2). Their values reach the
// audit log, so their patterns leave no room for personal data. A fourth
// header, alkalog-revision, is the revision of the contract that the till was
// built with.
//
// # Errors
//
// A caller that proves nothing, or something wrong, gets UNAUTHENTICATED with a
// text that says what would be right. The text never repeats what was sent, since
// a token in a log would be a token for anyone who reads the log. If the
// provider's keys are not known, the answer is UNAVAILABLE (ISSUER_UNAVAILABLE):
// the caller may be right, and a till must retry instead of asking its user to
// sign in again.
//
// # Files
//
// Certificates of authorities, key sets and the revocation list are files that an
// operator replaces while the server runs. A file that cannot be read or parsed
// leaves the previous content in use and is reported, so that a slip of the hand
// cannot lock out every salon.
package identity

import (
	"context"
	"strings"

	"google.golang.org/grpc/metadata"

	"alkalog/service/actor"
	"alkalog/service/fault"
)

// Syntax is the form of a development identity. The error for a caller without
// one quotes it. Braces stand for what the caller fills in.
const Syntax = "authorization: Development role=practitioner name=chains/{chain}/practitioners/{practitioner}"

// Development accepts callers without proof. They send the metadata
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
// A caller with a name below a salon, such as
// chains/CHAIN/salons/SALON/tills/ID, is confined to that salon.
type Development struct{}

// Identify returns the actor that the metadata of ctx describe.
func (Development) Identify(ctx context.Context) (actor.Actor, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	a, err := parseDevelopment(md.Get("authorization"))
	if err == nil {
		err = readHeaders(&a, ownTillName(a), md.Get)
	}
	if err != nil {
		return actor.Actor{}, err
	}
	return a, nil
}

// Closed rejects every caller. It is used when no identities are configured.
type Closed struct{}

// Identify rejects the caller. Health and reflection need no identity and still
// answer.
func (Closed) Identify(context.Context) (actor.Actor, error) {
	return actor.Actor{}, fault.Unauthenticated("this server has no identities configured; set a client CA, tokens or --development")
}

// parseDevelopment parses the authorization value, of which there must be
// exactly one.
func parseDevelopment(values []string) (actor.Actor, error) {
	if len(values) != 1 {
		return actor.Actor{}, unidentified("send exactly one authorization header")
	}
	scheme, rest, _ := strings.Cut(values[0], " ")
	if !strings.EqualFold(scheme, "Development") { // RFC 9110, section 11.1: schemes ignore case
		return actor.Actor{}, unidentified("this server accepts development identities only")
	}
	role, name, ok := splitFields(rest)
	if !ok {
		return actor.Actor{}, unidentified("want role and name, each once, and nothing else")
	}
	a, want := newActor(role, name)
	if want != "" {
		return actor.Actor{}, unidentified(want)
	}
	return a, nil
}

// unidentified returns the error for a caller that could not be identified. Only
// the development identity quotes its syntax: it holds no secret.
func unidentified(want string) error {
	return fault.Unauthenticated(want + `; send metadata "` + Syntax + `"`)
}

// splitFields splits "role=ROLE name=NAME", in either order. Every other field is
// an error, so a typing error cannot drop a part of the identity silently.
func splitFields(text string) (role, name string, ok bool) {
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
