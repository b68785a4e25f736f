package storage

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// EntryFilter is a condition on audit entries. The zero filter holds for all of them.
// There are two implementations, where in SQL and Matches in Go, and they must agree: a
// page is selected by search columns, which are not signed, and each entry is then
// checked by its content.
type EntryFilter struct {
	// Op is "=", "!=", "<", "<=", ">" or ">=", which compare Field with Value, or "AND", "OR"
	// or "NOT", which combine the conditions in Of.
	Op string
	// Field is kind, salon, actor, practitioner (actor or on_behalf_of), service_practitioner
	// (who performs the service), client, decision, session, product, lot, reason,
	// override_reason, rule, subject, till, occur_time or record_time; or one without a search
	// column, which only Matches judges: policy (its name or digest), till_version,
	// rule_version ("id@version").
	Field string
	// Value is a string (for kind, the full name of the enum value; empty for entries without a
	// value), or a time.Time for the two times.
	Value any
	// Of holds one condition for NOT, and one or more for AND and OR.
	Of []EntryFilter
}

// where returns the condition in SQL and appends its values to args. Names of columns
// come from a fixed list, values are always parameters.
func (f EntryFilter) where(args *[]any) (string, error) { return f.condition(args, true) }

// condition returns SQL that is true if the filter holds, or, with holds false, if it
// does not.
//
// A comparison with a value that an entry lacks is NULL in SQL and counts as false
// here, so its negation is true. Comparisons that must hold are written without a
// wrapper, so that an index can serve them. NOT is moved inwards to the comparisons (De
// Morgan), because an index cannot serve "not (...)".
func (f EntryFilter) condition(args *[]any, holds bool) (string, error) {
	if f.unsearchable() {
		return "true", nil
	}
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

// unsearchable reports whether a comparison is of a field without a search column. In
// SQL it holds either way, so that more entries are read than fit; Matches decides.
func (f EntryFilter) unsearchable() bool {
	return f.Field == "policy" || f.Field == "till_version" || f.Field == "rule_version"
}

// Searched returns the part of a filter that search columns can judge: the filter of
// where as one that Matches understands. An entry that where has found and that does not
// fit Searched has edited columns.
func (f EntryFilter) Searched() EntryFilter { return f.searched(true) }

// searched returns that part of a filter or, with holds false, of its negation. As in
// condition, NOT is moved inwards to the comparisons.
func (f EntryFilter) searched(holds bool) EntryFilter {
	switch f.Op {
	case "NOT":
		return f.Of[0].searched(!holds)
	case "AND", "OR":
		joined := EntryFilter{Op: "OR"}
		if (f.Op == "AND") == holds {
			joined.Op = "AND"
		}
		for _, part := range f.Of {
			joined.Of = append(joined.Of, part.searched(holds))
		}
		return joined
	}
	switch {
	case f.unsearchable():
		return EntryFilter{}
	case holds:
		return f
	}
	return EntryFilter{Op: "NOT", Of: []EntryFilter{f}}
}

// comparison returns one comparison other than !=. An unknown field, operator or type
// is an error and not a condition that finds nothing.
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

// equality returns the SQL for "field has this value". An array is compared
// with @> (contains), which cannot use an index under row-level security.
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

// absence returns the SQL for "field has no value".
func (f EntryFilter) absence() string {
	names := f.columns()
	if len(names) == 1 {
		return names[0] + " is null"
	}
	return "(" + strings.Join(names, " is null and ") + " is null)"
}

// columns returns the search columns that a text field stands for. "practitioner" means
// a person who acts or for whom somebody acts; "service_practitioner" is the column
// practitioner.
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

// isList reports whether a search column of entries is an array.
func isList(name string) bool {
	return slices.ContainsFunc(entries.columns, func(c column[*pb.AuditEntry]) bool { return c.name == name && c.sqlType == "text[]" })
}

// join combines conditions. "Not all" is "one not" and vice versa, so with holds false
// AND becomes or, and OR becomes and.
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

// Matches reports whether an entry fits the filter, judged by the content of the entry
// and not by its search columns. It gives the same result as the SQL of where for an
// entry with correct columns.
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
	values := f.texts(e)
	if wanted == "" {
		return isText && len(values) == 0
	}
	return slices.Contains(values, wanted)
}

// texts returns the values that an entry has in a field of text.
func (f EntryFilter) texts(e *pb.AuditEntry) (values []string) {
	switch f.Field {
	case "policy":
		values = []string{e.GetHousePolicy(), e.GetPolicyDigest()}
	case "till_version":
		values = []string{e.GetTillVersion()}
	case "rule_version":
		for _, r := range e.GetRules() {
			values = append(values, fmt.Sprintf("%s@%d", r.GetRuleId(), r.GetVersion()))
		}
	default:
		for _, name := range f.columns() {
			values = append(values, columnTexts(e, name)...)
		}
	}
	return slices.DeleteFunc(values, func(v string) bool { return v == "" })
}

// matchesTime compares a time of an entry in microseconds, the precision of
// timestamptz. Without rounding, a filter "=" would match in SQL and not here.
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

// columnTexts returns the values that an entry should have in a search column of text;
// none if it is empty.
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
