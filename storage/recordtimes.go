package storage

import (
	"fmt"
	"time"
)

// timeRange is the time within which whatever a filter lets through was recorded;
// a nil end is open.
type timeRange struct{ from, to *time.Time }

// recordTimes is that time, as far as the filter says it plainly.
func (f EntryFilter) recordTimes() timeRange {
	at, isTime := f.Value.(time.Time)
	switch {
	case f.Op == "AND":
		var all timeRange
		for _, part := range f.Of {
			r := part.recordTimes()
			if r.from != nil && (all.from == nil || r.from.After(*all.from)) {
				all.from = r.from
			}
			if r.to != nil && (all.to == nil || r.to.Before(*all.to)) {
				all.to = r.to
			}
		}
		return all
	case f.Field != "record_time" || !isTime:
	case f.Op == ">=", f.Op == ">":
		return timeRange{from: &at}
	case f.Op == "<=", f.Op == "<":
		return timeRange{to: &at}
	case f.Op == "=":
		return timeRange{&at, &at}
	}
	return timeRange{}
}

// where writes where on the log entries of that time are, to be added to a
// condition. They stand nearly in order of time, but not quite, so an index of
// times would not tell. It is known of each day which positions its entries have,
// and what is not known yet waits to be counted. (Each bound is a query of its own,
// or the walls would let no index serve it.)
func (r timeRange) where(args *[]any) (where string) {
	day := func(at time.Time) string {
		*args = append(*args, at.UTC().Format(time.DateOnly))
		return fmt.Sprintf("$%d::date", len(*args))
	}
	if r.from != nil {
		where += fmt.Sprintf(` and position >= (select coalesce(least((select min(first) from tally_days where chain = $1 and day >= %s),
			(select min(entry) from tally_queue where chain = $1)), %d))`, day(*r.from), int64(1<<62))
	}
	if r.to != nil {
		where += fmt.Sprintf(` and position <= (select coalesce(greatest((select max(last) from tally_days where chain = $1 and day <= %s),
			(select max(entry) from tally_queue where chain = $1)), 0))`, day(*r.to))
	}
	return where
}
