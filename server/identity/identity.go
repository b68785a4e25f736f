// Package identity says who is calling. There is one kind of identity so far:
// development identities, in which the caller simply says who it is. They exist
// so that the server can be tried on the machine it runs on, and are worth
// nothing on a network. Certificates of tills and tokens of people come beside
// them: each is one more type with an Identify method.
package identity

import (
	"context"
	"regexp"
	"slices"
	"strings"

	"google.golang.org/grpc/metadata"

	pb "alkalog/proto/alkalogv1"
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
// and may add alkalog-till, how the till names itself, and traceparent, as in
// W3C Trace Context (https://www.w3.org/TR/trace-context/, section 3.2).
type Development struct{}

// Identify returns the actor that the metadata of ctx describe.
func (Development) Identify(ctx context.Context) (actor.Actor, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	a, err := parse(md.Get("authorization"))
	if err != nil {
		return actor.Actor{}, err
	}
	if a.Till, err = till(md.Get("alkalog-till")); err != nil {
		return actor.Actor{}, err
	}
	a.TraceID = traceID(md.Get("traceparent"))
	return a, nil
}

// Closed knows nobody: the identities of an installation that has none set up.
type Closed struct{}

// Identify refuses every caller.
func (Closed) Identify(context.Context) (actor.Actor, error) {
	return actor.Actor{}, fault.Unauthenticated("this server has no identities set up, so nobody can call it; see its --development flag")
}

// Word is what the trade calls a role: "practitioner" for ROLE_PRACTITIONER.
func Word(role pb.Role) string {
	return strings.ToLower(strings.TrimPrefix(role.String(), "ROLE_"))
}

// roleOf is the role of a word; unspecified when there is none.
func roleOf(word string) pb.Role {
	if word != strings.ToLower(word) {
		return pb.Role_ROLE_UNSPECIFIED
	}
	return pb.Role(pb.Role_value["ROLE_"+strings.ToUpper(word)])
}

// words lists the roles that there are.
func words() string {
	var all []string
	for number := range pb.Role_name {
		if number != 0 {
			all = append(all, Word(pb.Role(number)))
		}
	}
	slices.Sort(all)
	return strings.Join(all, ", ")
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
	a := actor.Actor{Role: roleOf(role), Name: name, Chain: actor.ChainOf(name)}
	if a.Role == pb.Role_ROLE_UNSPECIFIED {
		return actor.Actor{}, unknown("role must be one of " + words())
	}
	shape := shapeOf(a.Role)
	if !shape.pattern.MatchString(name) {
		return actor.Actor{}, unknown("the name of a " + Word(a.Role) + " must be like " + shape.example)
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

// shape is what the names of a role look like.
type shape struct {
	pattern *regexp.Regexp
	example string
}

// id is one segment of a resource name, as in the contract.
const id = `[a-z0-9][a-z0-9-]{0,62}`

// What names and headers look like; compiled once.
var (
	operator = shape{regexp.MustCompile(`^operators/` + id + `$`), "operators/{operator}"}
	worker   = shape{regexp.MustCompile(`^chains/` + id + `/practitioners/` + id + `$`), "chains/{chain}/practitioners/{practitioner}"}
	other    = shape{regexp.MustCompile(`^chains/` + id + `(/[a-zA-Z]{1,63}/` + id + `){1,3}$`), "chains/{chain}/{collection}/{id}"}

	plainTill   = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9 ._/-]{0,62}$`)
	traceparent = regexp.MustCompile(`^([0-9a-f]{2})-([0-9a-f]{32})-([0-9a-f]{16})-[0-9a-f]{2}(-.*)?$`)
)

// shapeOf returns what the names of a role look like. Those who work on clients
// are in the directory, because records name them.
func shapeOf(role pb.Role) shape {
	switch role {
	case pb.Role_ROLE_OPERATOR:
		return operator
	case pb.Role_ROLE_STUDENT, pb.Role_ROLE_PRACTITIONER, pb.Role_ROLE_SUPERVISOR:
		return worker
	default:
		return other
	}
}

// till is how the sending till names itself. The name goes on the audit log, so
// it must be plain.
func till(values []string) (string, error) {
	if len(values) == 0 {
		return "", nil
	}
	if len(values) > 1 || !plainTill.MatchString(values[0]) {
		return "", fault.Invalid("alkalog-till", "must be given once: 1 to 63 letters, digits, blanks, dots, slashes, hyphens or underscores, beginning with a letter or digit")
	}
	return values[0], nil
}

// traceID is the trace id of a traceparent. One that is malformed counts as
// none, as the standard wants.
func traceID(values []string) string {
	if len(values) != 1 {
		return ""
	}
	match := traceparent.FindStringSubmatch(values[0])
	switch {
	case match == nil, match[1] == "ff", match[1] == "00" && match[4] != "",
		strings.Trim(match[2], "0") == "", strings.Trim(match[3], "0") == "":
		return ""
	}
	return match[2]
}
