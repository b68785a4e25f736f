package audit

import (
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
