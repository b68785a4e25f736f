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

// RoleName returns the name of a role in tokens and headers: "practitioner" for
// ROLE_PRACTITIONER.
func RoleName(role pb.Role) string {
	return strings.ToLower(strings.TrimPrefix(role.String(), "ROLE_"))
}

// roleFromName returns the role with a name; unspecified if there is none.
// Capitals are refused, so that each role has one spelling.
func roleFromName(word string) pb.Role {
	if word != strings.ToLower(word) {
		return pb.Role_ROLE_UNSPECIFIED
	}
	return pb.Role(pb.Role_value["ROLE_"+strings.ToUpper(word)])
}

// roleNames lists the names of all roles.
func roleNames() string {
	var all []string
	for number := range pb.Role_name {
		if number != 0 {
			all = append(all, RoleName(pb.Role(number)))
		}
	}
	slices.Sort(all)
	return strings.Join(all, ", ")
}

// newActor returns the actor with a role and a name; want says what would be
// right if they do not match. A name below a salon confines the actor to that
// salon.
func newActor(role, name string) (a actor.Actor, want string) {
	a = actor.Actor{Role: roleFromName(role), Name: name, Chain: actor.ChainOf(name)}
	if a.Role == pb.Role_ROLE_UNSPECIFIED {
		return actor.Actor{}, "role must be one of " + roleNames()
	}
	if shape := shapeOf(a.Role); !shape.pattern.MatchString(name) {
		return actor.Actor{}, "the name of a " + role + " must be like " + shape.example
	}
	if match := inSalon.FindString(name); match != "" {
		a.Salons = []string{strings.TrimSuffix(match, "/")}
	}
	return a, ""
}

// shape is the pattern of the names of a role, with an example for errors. The
// example has braces where the caller fills in an ID.
type shape struct {
	pattern *regexp.Regexp
	example string
}

// id is the pattern of one segment of a resource name, as in the contract.
const id = `[a-z0-9][a-z0-9-]{0,62}`

// What names and headers look like; compiled once.
var (
	operatorName = shape{regexp.MustCompile(`^operators/` + id + `$`), "operators/{operator}"}
	staffName    = shape{regexp.MustCompile(`^chains/` + id + `/practitioners/` + id + `$`), "chains/{chain}/practitioners/{practitioner}"}
	anyName      = shape{regexp.MustCompile(`^chains/` + id + `(/[a-zA-Z]{1,63}/` + id + `){1,3}$`), "chains/{chain}/{collection}/{id}"}

	inSalon   = regexp.MustCompile(`^chains/` + id + `/salons/` + id + `/`)
	salonName = regexp.MustCompile(`^chains/` + id + `/salons/` + id + `$`)

	// tillName and tillVersion are forms that no name and no address of a person fits,
	// because both go on the audit log. Our own choice.
	tillName = regexp.MustCompile(`(?i)^(chains/` + id + `(/salons/` + id + `)?/tills/)?((till|pos|desk|front|back|counter|reception|chair|station|basin|bowl|room|floor|tablet|phone|kiosk|terminal)[ -])*[0-9]{1,4}$|` +
		`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)
	tillVersion = regexp.MustCompile(`^[0-9]{1,5}(\.[0-9]{1,5}){0,3}(-(alpha|beta|rc)(\.?[0-9]{1,4})?)?(\+(build)?[._-]?[0-9]{1,10})?$`)

	traceparent = regexp.MustCompile(`^([0-9a-f]{2})-([0-9a-f]{32})-([0-9a-f]{16})-[0-9a-f]{2}(-.*)?$`)
)

// shapeOf returns the pattern of the names of a role. People who work on
// clients are in the directory, because records name them.
func shapeOf(role pb.Role) shape {
	switch role {
	case pb.Role_ROLE_OPERATOR:
		return operatorName
	case pb.Role_ROLE_STUDENT, pb.Role_ROLE_PRACTITIONER, pb.Role_ROLE_SUPERVISOR:
		return staffName
	default:
		return anyName
	}
}

// readHeaders sets what the headers of a call say about the sending till and the
// trace. known is the name of the till if a certificate or identity proves it;
// the header may repeat that name, because the audit log has it anyway. A header
// that is given twice or does not fit is INVALID_ARGUMENT, except for a
// traceparent.
func readHeaders(a *actor.Actor, known string, header func(string) []string) (err error) {
	if said := header("alkalog-till"); known != "" && len(said) == 1 && said[0] == known {
		a.Till = known
	} else if a.Till, err = headerValue(header, "alkalog-till", tillName, `must be given once, as a place and a number such as "front desk 2", as the name of a till whose id is one, chains/{chain}/tills/2, or as a UUID`); err != nil {
		return err
	}
	if a.TillVersion, err = headerValue(header, "alkalog-till-version", tillVersion, "must be given once, as numbers with dots such as 4.2.0 or 4.2.0-rc.1"); err != nil {
		return err
	}
	if a.Revision, err = revision(header("alkalog-revision")); err != nil {
		return err
	}
	a.AcceptLanguage = strings.Join(header("accept-language"), ",") // what cannot be read is English
	a.TraceID = traceID(header("traceparent"))
	return nil
}

// ownTillName returns the name of a caller that is a till; empty for others.
func ownTillName(a actor.Actor) string {
	if a.Role == pb.Role_ROLE_TILL {
		return a.Name
	}
	return ""
}

// headerValue returns the value of a header with the name of a till or the
// version of its program. The value reaches the audit log, so its pattern must
// leave no room for personal data.
func headerValue(header func(string) []string, name string, form *regexp.Regexp, want string) (string, error) {
	values := header(name)
	if len(values) == 0 {
		return "", nil
	}
	if len(values) > 1 || !form.MatchString(values[0]) {
		return "", fault.Invalid(name, want)
	}
	return values[0], nil
}

// revision returns the revision of the contract that the till was built with.
// It decides which alarms the till receives, and nothing that is stored.
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

// traceID returns the trace id of a traceparent header. A malformed header
// counts as missing, as the standard requires.
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
