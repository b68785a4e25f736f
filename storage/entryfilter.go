package storage

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// EntryFilter is a condition on audit entries; the zero one holds for all.
type EntryFilter struct {
	// Op is "=", "!=", "<", "<=", ">" or ">=", which compare Field with Value,
	// or "AND", "OR" or "NOT", which join what is in Of.
	Op string
	// Field is kind, salon, actor, practitioner (which is actor or on_behalf_of),
	// service_practitioner (whose service it is), client, decision, session,
	// product, lot, reason, override_reason, rule, subject, till, occur_time or
	// record_time.
	Field string
	// Value is a string as the field has it (for kind, the enum's full name; an
	// empty one for entries without), or a time for the last two.
	Value any
	// Of is what is joined: one condition for NOT, one or more for the others.
	Of []EntryFilter
}

// where writes the condition, and appends its values to args.
func (f EntryFilter) where(args *[]any) (string, error) { return f.condition(args, true) }

// condition writes that the filter holds, or that it does not. What is said of a
// value that an entry lacks is not true, so its contrary is. Comparisons that must
// hold are written bare, for an index to serve them, and NOT is carried inwards to
// where it turns a comparison round.
func (f EntryFilter) condition(args *[]any, holds bool) (string, error) {
	switch f.Op {
	case "":
		return strconv.FormatBool(holds), nil
	case "AND", "OR", "NOT":
		return f.join(args, holds)
	case "!=":
		f.Op, holds = "=", !holds
	}
	comparison, err := f.comparison(args)
	if err == nil && !holds {
		comparison = "(" + comparison + ") is not true"
	}
	return comparison, err
}

// comparison writes one comparison, other than !=.
func (f EntryFilter) comparison(args *[]any) (string, error) {
	parameter := func() string {
		*args = append(*args, f.Value)
		return fmt.Sprintf("$%d", len(*args))
	}
	_, isTime := f.Value.(time.Time)
	text, isText := f.Value.(string)
	switch f.Field {
	case "occur_time", "record_time":
		if isTime && (f.Op == "=" || f.Op == "<" || f.Op == "<=" || f.Op == ">" || f.Op == ">=") {
			return fmt.Sprintf("%s %s %s::timestamptz", f.Field, f.Op, parameter()), nil
		}
	case "kind", "salon", "actor", "practitioner", "service_practitioner", "client", "decision", "session", "product", "lot",
		"reason", "override_reason", "till", "rule", "subject":
		if isText && f.Op == "=" && text == "" {
			return f.absence(), nil
		}
		if isText && f.Op == "=" {
			return f.equality(parameter()), nil
		}
	}
	return "", fmt.Errorf("storage: no filter %q %s a value of type %T", f.Field, f.Op, f.Value)
}

// equality writes that a field has the value of a parameter.
func (f EntryFilter) equality(parameter string) string {
	var parts []string
	for _, name := range f.columns() {
		form := "%s = %s::text"
		if isList(name) {
			form = "%s @> array[%s::text]"
		}
		parts = append(parts, fmt.Sprintf(form, name, parameter))
	}
	if len(parts) == 1 {
		return parts[0]
	}
	return "(" + strings.Join(parts, " or ") + ")"
}

// absence writes that an entry has nothing in a field.
func (f EntryFilter) absence() string {
	names := f.columns()
	if len(names) == 1 {
		return names[0] + " is null"
	}
	return "(" + strings.Join(names, " is null and ") + " is null)"
}

// columns are the search columns that a field of text stands for.
func (f EntryFilter) columns() []string {
	switch f.Field {
	case "practitioner":
		return []string{"actor", "on_behalf_of"}
	case "service_practitioner":
		return []string{"practitioner"}
	case "rule", "subject":
		return []string{f.Field + "s"}
	}
	return []string{f.Field}
}

// isList reports whether a search column of entries holds several values.
func isList(name string) bool {
	return slices.ContainsFunc(entries.columns, func(c column[*pb.AuditEntry]) bool { return c.name == name && c.sqlType == "text[]" })
}

// join writes conditions joined. What does not hold of all does not hold of one
// of them, and the other way round.
func (f EntryFilter) join(args *[]any, holds bool) (string, error) {
	if f.Op == "NOT" {
		if len(f.Of) != 1 {
			return "", fmt.Errorf("storage: filter NOT of %d conditions", len(f.Of))
		}
		return f.Of[0].condition(args, !holds)
	}
	if len(f.Of) == 0 {
		return "", fmt.Errorf("storage: filter %s of no conditions", f.Op)
	}
	parts := make([]string, len(f.Of))
	for i, part := range f.Of {
		var err error
		if parts[i], err = part.condition(args, holds); err != nil {
			return "", err
		}
	}
	word := " or "
	if (f.Op == "AND") == holds {
		word = " and "
	}
	return "(" + strings.Join(parts, word) + ")", nil
}

// Matches reports whether an entry fits the filter, by what the entry itself
// says and not by search columns. It agrees with the SQL of where.
func (f EntryFilter) Matches(e *pb.AuditEntry) bool {
	switch f.Op {
	case "":
		return true
	case "AND":
		return !slices.ContainsFunc(f.Of, func(part EntryFilter) bool { return !part.Matches(e) })
	case "OR":
		return slices.ContainsFunc(f.Of, func(part EntryFilter) bool { return part.Matches(e) })
	case "NOT":
		return !slices.ContainsFunc(f.Of, func(part EntryFilter) bool { return part.Matches(e) })
	case "!=":
		f.Op = "="
		return !f.Matches(e)
	}
	if at, isTime := f.Value.(time.Time); isTime {
		return f.matchesTime(e, at)
	}
	wanted, isText := f.Value.(string)
	var values []string
	for _, name := range f.columns() {
		values = append(values, columnTexts(e, name)...)
	}
	if wanted == "" {
		return isText && len(values) == 0
	}
	return slices.Contains(values, wanted)
}

// matchesTime compares a time of an entry with another, in the microseconds that
// the database keeps.
func (f EntryFilter) matchesTime(e *pb.AuditEntry, at time.Time) bool {
	stamp := e.GetRecordTime()
	if f.Field == "occur_time" {
		stamp = e.GetOccurTime()
	}
	if stamp == nil {
		return false
	}
	order := stamp.AsTime().Round(time.Microsecond).Compare(at.Round(time.Microsecond))
	switch f.Op {
	case "=":
		return order == 0
	case "<":
		return order < 0
	case "<=":
		return order <= 0
	case ">":
		return order > 0
	}
	return order >= 0
}

// columnTexts are the values that an entry has for a search column of text;
// none when it is empty.
func columnTexts(e *pb.AuditEntry, name string) []string {
	for _, c := range entries.columns {
		if c.name != name {
			continue
		}
		switch v := c.value(e).(type) {
		case []string:
			return v
		case string:
			if v != "" {
				return []string{v}
			}
		}
	}
	return nil
}
