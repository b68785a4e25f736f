package storage

import (
	"fmt"
	"time"
)

// timeRange is a range of record times that contains every entry which a filter
// accepts; a nil end is open. It only narrows a search and can be wider than the
// filter.
type timeRange struct{ from, to *time.Time }

// recordTimes returns the range of a filter. It understands comparisons of record_time
// and AND; for anything else the range is open.
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

// where returns an additional condition that limits the positions of entries to those
// recorded in the range. Positions are nearly but not quite in the order of time, so an
// index on times does not give the page order. tally_days knows which positions the
// entries of a day have; entries that are not counted yet are in tally_queue. Each
// bound is a query of its own, because row-level security otherwise prevents the use of
// the index.
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
