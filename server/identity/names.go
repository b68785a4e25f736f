package identity

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
)

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

// named is the actor of a role and a name; want says what would be right when
// the two do not make one. Who is named below a salon is confined to it.
func newActor(role, name string) (a actor.Actor, want string) {
	a = actor.Actor{Role: roleOf(role), Name: name, Chain: actor.ChainOf(name)}
	if a.Role == pb.Role_ROLE_UNSPECIFIED {
		return actor.Actor{}, "role must be one of " + words()
	}
	if shape := shapeOf(a.Role); !shape.pattern.MatchString(name) {
		return actor.Actor{}, "the name of a " + role + " must be like " + shape.example
	}
	if match := inSalon.FindString(name); match != "" {
		a.Salons = []string{strings.TrimSuffix(match, "/")}
	}
	return a, ""
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

	inSalon = regexp.MustCompile(`^chains/` + id + `/salons/` + id + `/`)
	salon   = regexp.MustCompile(`^chains/` + id + `/salons/` + id + `$`)

	// tillName and tillVersion are forms that no name and no address of a person fits,
	// because both go on the audit log. Our own choice.
	tillName = regexp.MustCompile(`(?i)^(chains/` + id + `(/salons/` + id + `)?/tills/)?((till|pos|desk|front|back|counter|reception|chair|station|basin|bowl|room|floor|tablet|phone|kiosk|terminal)[ -])*[0-9]{1,4}$|` +
		`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)
	tillVersion = regexp.MustCompile(`^[0-9]{1,5}(\.[0-9]{1,5}){0,3}(-(alpha|beta|rc)(\.?[0-9]{1,4})?)?(\+(build)?[._-]?[0-9]{1,10})?$`)

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

// describe fills in what the headers of a call say of the till that sent it and
// of the trace it belongs to. A till whose name is known, because the caller is
// that till or a certificate proves it, may also send that name: it is on the
// audit log anyway.
func describe(a *actor.Actor, known string, header func(string) []string) (err error) {
	if said := header("alkalog-till"); known != "" && len(said) == 1 && said[0] == known {
		a.Till = known
	} else if a.Till, err = word(header, "alkalog-till", tillName, `must be given once, as a place and a number such as "front desk 2", as the name of a till whose id is one, chains/{chain}/tills/2, or as a UUID`); err != nil {
		return err
	}
	if a.TillVersion, err = word(header, "alkalog-till-version", tillVersion, "must be given once, as numbers with dots such as 4.2.0 or 4.2.0-rc.1"); err != nil {
		return err
	}
	if a.Revision, err = revision(header("alkalog-revision")); err != nil {
		return err
	}
	a.TraceID = traceID(header("traceparent"))
	return nil
}

// nameOfTill is the name of a caller that is a till; empty for others.
func nameOfTill(a actor.Actor) string {
	if a.Role == pb.Role_ROLE_TILL {
		return a.Name
	}
	return ""
}

// word is how a till names itself or its program. It goes on the audit log, so
// it must be of a form that can hold nothing about people.
func word(header func(string) []string, name string, form *regexp.Regexp, want string) (string, error) {
	values := header(name)
	if len(values) == 0 {
		return "", nil
	}
	if len(values) > 1 || !form.MatchString(values[0]) {
		return "", fault.Invalid(name, want)
	}
	return values[0], nil
}

// revision is the revision of the contract that a till was built by; it decides
// which alarms the till is sent, and nothing that is stored.
func revision(values []string) (int, error) {
	if len(values) == 0 {
		return 0, nil
	}
	n, err := strconv.ParseUint(values[0], 10, 16)
	if err != nil || len(values) > 1 {
		return 0, fault.Invalid("alkalog-revision", "must be given once: the number of the contract's revision that the till was built by, such as 2")
	}
	return int(n), nil
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
