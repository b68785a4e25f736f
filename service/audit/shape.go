package audit

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"alkalog/storage"
)

// Shape returns a filter in the form in which it may be on the audit log: its fields
// and operators, the kinds and times that it compares with, and a digest in place of
// every other value, because a value can be the name or address of somebody. digest
// makes these digests; equal values give equal ones.
func Shape(filter string, digest func(value string) (string, error)) (string, error) {
	f, err := parse(filter)
	if err != nil || f.Op == "" {
		return "", err
	}
	return shape(f, digest)
}

// Required returns the names of clients, decisions and sessions that every entry has
// which fits a filter. A value that is not a full name in the chain is left out: it may
// be anything.
func Required(filter, chain string) ([]string, error) {
	f, err := parse(filter)
	if err != nil {
		return nil, err
	}
	return required(f, chain), nil
}

// required returns the required names of one condition. Of OR and NOT none is.
func required(f storage.EntryFilter, chain string) (names []string) {
	if f.Op == "AND" {
		for _, part := range f.Of {
			names = append(names, required(part, chain)...)
		}
	}
	name, isText := f.Value.(string)
	if of := recordNames[f.Field]; f.Op == "=" && isText && of != nil && strings.HasPrefix(name, chain) && of.MatchString(name[len(chain):]) {
		names = append(names, name)
	}
	return names
}

// recordNames are the forms of the names in a chain that a filter can require. The server
// makes these names (storage.NewID), so they hold nothing that somebody typed. A short name
// or a code of another field can be anything, and is only on the log as a digest.
var recordNames = map[string]*regexp.Regexp{
	"client":   regexp.MustCompile(`^/clients/[0-9a-f-]{36}$`),
	"decision": regexp.MustCompile(`^/clients/[0-9a-f-]{36}/decisions/[0-9a-f-]{36}$`),
	"session":  regexp.MustCompile(`^/clients/[0-9a-f-]{36}/sessions/[0-9a-f-]{36}$`),
}

// shape formats one condition. Nested conditions are put in brackets.
func shape(f storage.EntryFilter, digest func(string) (string, error)) (string, error) {
	if len(f.Of) == 0 {
		value, err := shapeValue(f, digest)
		return f.Field + " " + f.Op + " " + value, err
	}
	parts := make([]string, len(f.Of))
	for i, part := range f.Of {
		var err error
		if parts[i], err = shape(part, digest); err != nil {
			return "", err
		}
		if len(f.Of[i].Of) > 0 {
			parts[i] = "(" + parts[i] + ")"
		}
	}
	if f.Op == "NOT" {
		return "NOT " + parts[0], nil
	}
	return strings.Join(parts, " "+f.Op+" "), nil
}

// shapeValue formats a value, or the digest in its place.
//
// Kinds and times are not personal data and are shown as they are.
func shapeValue(f storage.EntryFilter, digest func(string) (string, error)) (string, error) {
	switch value := f.Value.(type) {
	case time.Time:
		return strconv.Quote(value.UTC().Format(time.RFC3339Nano)), nil
	case string:
		if f.Field == "kind" || value == "" {
			return strconv.Quote(strings.TrimPrefix(value, "ENTRY_KIND_")), nil
		}
		return digest(value)
	}
	return "?", nil
}
