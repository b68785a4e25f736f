package storage

import (
	"fmt"
	"time"
)

// Count is how many audit entries share a kind and a key, and how many decisions
// of the time came to one. For decisions of every kind the kind is empty.
type Count struct {
	Kind      string // full name of the enum value
	Key       string // what they were counted by; empty where an entry has none
	Entries   int64
	Decisions int64
}

// Span is a time, of whole days in UTC. The zero one is all of time.
type Span struct {
	from, to *time.Time
}

// NewSpan is the time from the day of one instant to that of another, which is
// left out when it is the beginning of its day; a zero instant does not bound.
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

// within is the condition that a counter's day is in the span, which is given as
// the parameters $2 and $3.
const within = "($2::date is null or day >= $2::date) and ($3::date is null or day < $3::date)"

// CountEntries reads how many audit entries were recorded in a time, by kind and
// key, from the counters.
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

// PractitionerFigures is what became of the decisions on a practitioner's
// services.
type PractitionerFigures struct {
	Practitioner string
	Figures
}

// ReadFigures reads what became of the decisions of a time, by practitioner, from
// the counters.
func ReadFigures(s *Snapshot, span Span) ([]PractitionerFigures, error) {
	var figures []PractitionerFigures
	err := s.all(&figures, `select practitioner, sum(turned_away)::bigint as turned_away, sum(turned_away_overridden)::bigint as turned_away_overridden,
			sum(overridable)::bigint as overridable, sum(overridden)::bigint as overridden, sum(begun)::bigint as begun,
			sum(deviated)::bigint as deviated, sum(closed)::bigint as closed, sum(bad)::bigint as bad,
			sum(answers_changed)::bigint as answers_changed, sum(what_ifs)::bigint as what_ifs
		from tally_figures where chain = $1 and `+within+` group by 1 order by 1`, s.chain, span.from, span.to)
	return figures, err
}

// maxUncounted bounds how far Uncounted counts.
const maxUncounted = 1000

// Uncounted is how many facts of the chain wait to be counted, up to 1,000.
func Uncounted(s *Snapshot) (int64, error) {
	var n int64
	err := s.one(&n, "select count(*) from (select from tally_queue where chain = $1 limit $2) q", s.chain, maxUncounted)
	return n, err
}
