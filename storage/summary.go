package storage

import (
	"fmt"
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

// CountEntries reads, from the counters, how many audit entries were recorded in a
// span, by kind and key. Its cost depends on the number of days and not of entries.
func CountEntries(s *Snapshot, by Dimension, span Span) ([]Count, error) {
	key := "key"
	if by == ByWeek {
		by, key = ByKind, `to_char(day, 'IYYY-"W"IW')`
	}
	var counts []Count
	err := s.all(&counts, fmt.Sprintf(`select kind, %s as key, sum(entries)::bigint as entries, sum(decisions)::bigint as decisions
		from tally_entries where chain = $1 and %s and dimension = $4 group by 1, 2`, key, within), s.chain, span.from, span.to, string(by))
	return counts, err
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
	err := s.all(&figures, `select practitioner, sum(turned_away)::bigint as turned_away, sum(turned_away_overridden)::bigint as turned_away_overridden,
			sum(overridable)::bigint as overridable, sum(overridden)::bigint as overridden, sum(begun)::bigint as begun,
			sum(deviated)::bigint as deviated, sum(closed)::bigint as closed, sum(bad)::bigint as bad,
			sum(answers_changed)::bigint as answers_changed, sum(what_ifs)::bigint as what_ifs,
			sum(statements)::bigint as statements, sum(statements_all_none)::bigint as statements_all_none,
			sum(statements_timed)::bigint as statements_timed, sum(statement_seconds)::bigint as statement_seconds,
			sum(single_items)::bigint as single_items, sum(single_items_differing)::bigint as single_items_differing
		from tally_figures where chain = $1 and `+within+` group by 1 order by 1`, s.chain, span.from, span.to)
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
