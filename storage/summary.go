package storage

import (
	"fmt"
	"strings"
	"time"
)

// Count is the number of audit entries with one kind and key, and of decisions that led
// to at least one of them. The counts of all decisions have an empty kind; rates are
// made with them.
type Count struct {
	// Kind is the full name of the enum value.
	Kind string
	// Key is the value in the dimension; empty for entries without one.
	Key       string
	Entries   int64
	Decisions int64
}

// Span is a range of whole days in UTC. The zero Span is all time. Counters are kept
// per day, so no finer range can be counted.
type Span struct {
	from, to *time.Time
}

// NewSpan returns the days from that of one instant to that of another. The last day is
// left out if to is exactly its beginning. A zero instant is no bound.
func NewSpan(from, to time.Time) Span {
	const day = 24 * time.Hour
	var s Span
	if !from.IsZero() {
		from = from.UTC().Truncate(day)
		s.from = &from
	}
	if !to.IsZero() {
		to = to.UTC().Add(day - 1).Truncate(day)
		s.to = &to
	}
	return s
}

// within is the condition that the day of a counter is in the span, given as $2 and $3.
const within = "($2::date is null or day >= $2::date) and ($3::date is null or day < $3::date)"

// rolledUp returns a query of the counters in a span: of whole months that are rolled
// up from the table of months, of all other days from that of days. Its arguments are
// the chain, the span, and those of condition.
//
// The days are listed first and looked up one by one, because the days of the months
// in between must not be read.
func rolledUp(days, months, condition, columns string) string {
	return strings.NewReplacer("DAYS", days, "MONTHS", months, "CONDITION", condition, "COLUMNS", columns).Replace(
		`with ends as materialized (
	select greatest($2::date, (select min(day) from DAYS where chain = $1 and CONDITION)) as first,
		least($3::date - 1, (select max(day) from DAYS where chain = $1 and CONDITION)) as last
), months as materialized (
	select month from tally_months where chain = $1 and ($2::date is null or month >= $2::date) and ($3::date is null or (month + interval '1 month')::date <= $3::date)
), days as materialized (
	select day::date as day from ends cross join generate_series(ends.first::timestamp, ends.last::timestamp, interval '1 day') as day
	where month_of(day::date) not in (select month from months)
)
select COLUMNS from MONTHS where chain = $1 and CONDITION and month = any (array(select month from months))
union all
select t.* from days cross join lateral (select COLUMNS from DAYS where chain = $1 and CONDITION and day = days.day offset 0) t`)
}

// The statements of CountEntries and ReadFigures.
var (
	// Grouped by one text: of two columns PostgreSQL expects so many groups that it sorts
	// all rows instead of hashing them. A kind has no line break.
	countQuery = `select split_part(name, E'\n', 1) as kind, substr(name, strpos(name, E'\n') + 1) as key, entries, decisions from (
		select kind || E'\n' || key as name, sum(entries)::bigint as entries, sum(decisions)::bigint as decisions from (` +
		rolledUp("tally_entries", "tally_month_entries", "dimension = $4", "kind, key, entries, decisions") + ") c group by 1) n"
	weekQuery = `select kind, to_char(day, 'IYYY-"W"IW') as key, sum(entries)::bigint as entries, sum(decisions)::bigint as decisions
		from tally_entries where chain = $1 and ` + within + ` and dimension = $4 group by 1, 2`
	figuresQuery = "select practitioner, " + sums(figureColumns) + " from (" +
		rolledUp("tally_figures", "tally_month_figures", "true", "practitioner, "+strings.Join(figureColumns, ", ")) + ") f group by 1 order by 1"
)

// figureColumns are the columns of Figures.
var figureColumns = strings.Fields(`turned_away turned_away_overridden overridable overridden begun deviated closed bad answers_changed what_ifs
	statements statements_all_none statements_timed statement_seconds single_items single_items_differing`)

// sums returns the sums of columns, each under the name of the column.
func sums(columns []string) string {
	list := make([]string, len(columns))
	for i, c := range columns {
		list[i] = fmt.Sprintf("sum(%[1]s)::bigint as %[1]s", c)
	}
	return strings.Join(list, ", ")
}

// CountEntries reads, from the counters, how many audit entries were recorded in a
// span, by kind and key. Its cost depends on the number of months and not of entries.
func CountEntries(s *Snapshot, by Dimension, span Span) ([]Count, error) {
	query := countQuery
	if by == ByWeek {
		by, query = ByKind, weekQuery
	}
	var counts []Count
	err := s.all(&counts, query, s.chain, span.from, span.to, string(by))
	return counts, err
}

// Filter returns the span as a condition on record times.
func (s Span) Filter() EntryFilter {
	var bounds []EntryFilter
	if s.from != nil {
		bounds = append(bounds, EntryFilter{Op: ">=", Field: "record_time", Value: *s.from})
	}
	if s.to != nil {
		bounds = append(bounds, EntryFilter{Op: "<", Field: "record_time", Value: *s.to})
	}
	if len(bounds) == 0 {
		return EntryFilter{}
	}
	return EntryFilter{Op: "AND", Of: bounds}
}

// CountedKeys returns up to limit keys under which entries were counted, in alphabetical
// order: those that are end or, for resource names, whose last part is end; all if end is
// empty.
func CountedKeys(s *Snapshot, by Dimension, end string, limit int) ([]string, error) {
	var keys []string
	err := s.all(&keys, `select distinct key from tally_entries where chain = $1 and dimension = $2 and kind <> '' and key <> ''
		and ($3 = '' or key = $3 or right(key, length($3) + 1) = '/' || $3) order by 1 limit $4`, s.chain, string(by), end, limit)
	return keys, err
}

// PractitionerFigures are the figures of the decisions on services of one practitioner.
type PractitionerFigures struct {
	Practitioner string
	Figures
}

// ReadFigures reads, from the counters, what became of the decisions in a span, by
// practitioner.
func ReadFigures(s *Snapshot, span Span) ([]PractitionerFigures, error) {
	var figures []PractitionerFigures
	err := s.all(&figures, figuresQuery, s.chain, span.from, span.to)
	return figures, err
}

// maxUncounted bounds how far Uncounted counts. Our own choice.
const maxUncounted = 1000

// Uncounted returns how many facts of the chain wait to be counted, at most 1,000. A
// summary shows it, so that nobody takes figures for complete that are not.
func Uncounted(s *Snapshot) (int64, error) {
	var n int64
	err := s.one(&n, "select count(*) from (select from tally_queue where chain = $1 limit $2) q", s.chain, maxUncounted)
	return n, err
}
