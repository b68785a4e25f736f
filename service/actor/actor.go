// Package actor says who is calling. The transport puts an Actor into the
// context once the caller is known; services read it and never look at tokens,
// certificates or headers themselves.
package actor

import (
	"context"
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
)

// Actor is the caller of an RPC.
type Actor struct {
	Name  string  // resource name, such as "chains/ebb/practitioners/amara"
	Role  pb.Role // the capacity in which the call is made
	Chain string  // the chain the caller belongs to, "chains/ebb"; empty for an operator
	Till  string  // the sending till: the name in its certificate, or how it names itself; empty: not known
	// TillVersion is the version of the till's program; empty: not known.
	TillVersion string
	// Revision is the revision of the contract that the till was built by; 0: it was
	// built before tills said so.
	Revision int
	// Salons are the resource names of the salons the caller is confined to;
	// none: every salon of the chain.
	Salons []string
	// AcceptLanguage is the caller's Accept-Language (RFC 9110, section 12.5.4), as it
	// was sent; empty: none.
	AcceptLanguage string
	TraceID        string // 32 lower-case hex digits; empty: not traced
}

// Server is the actor of what the server does by itself, such as closing a session
// that was left open.
func Server() Actor { return Actor{Name: "server"} }

// May reports whether the actor may see what is in the chain, and below the
// salon, that name is of. An operator sets chains up and may see all of them.
func (a Actor) May(name string) bool {
	if a.Role == pb.Role_ROLE_OPERATOR {
		return true
	}
	return a.Chain != "" && ChainOf(name) == a.Chain && a.InSalon(SalonOf(name))
}

// InSalon reports whether the actor may see and change what was done in a salon.
// What belongs to no salon is everybody's in the chain.
func (a Actor) InSalon(salon string) bool {
	return salon == "" || len(a.Salons) == 0 || slices.Contains(a.Salons, salon)
}

// ChainOf returns the chain of a resource name: "chains/ebb" for
// "chains/ebb/salons/north", or "" when the name has none.
func ChainOf(name string) string {
	collection, rest, found := strings.Cut(name, "/")
	id, _, _ := strings.Cut(rest, "/")
	if !found || collection != "chains" || id == "" {
		return ""
	}
	return "chains/" + id
}

// SalonOf returns the salon of a resource name: "chains/ebb/salons/north" for
// that name and every one below it, or "" when the name is not of a salon.
func SalonOf(name string) string {
	parts := strings.SplitN(name, "/", 5)
	if len(parts) < 4 || parts[2] != "salons" {
		return ""
	}
	return strings.Join(parts[:4], "/")
}

type key struct{}

// NewContext returns a context that carries the actor.
func NewContext(ctx context.Context, a Actor) context.Context {
	return context.WithValue(ctx, key{}, a)
}

// From returns the actor of a context; the zero Actor may do nothing.
func From(ctx context.Context) Actor {
	a, _ := ctx.Value(key{}).(Actor)
	return a
}
